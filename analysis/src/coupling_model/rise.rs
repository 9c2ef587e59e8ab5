//! The rise: clearance volume over pump flow, then pump flow over compliance.
//!
//! Engagements come in, `record` draws their rises, and a [`Rises`] goes out: the numbers of
//! `waveform`, in one drive alike for every engagement, fitted by least squares to the samples of all
//! rises together; logarithms of the positive parameters. Each engagement may fill a little sooner or
//! later than the others; that shift is found for each within the fit, so that it does not blur what
//! all share. `s`, `p_w`, `tau` and `p_fill` are known beforehand within wide bounds only, and enter
//! the fit so; `fill_time` and `rise_rate` are not. Uncertainties are the larger of what the
//! residuals' size and what their likeness within engagements give. A rise that the valve's lag
//! limits throughout tells no rise rate.

mod record;
mod waveform;

use std::ops::Range;

use nalgebra::Vector6;
use rayon::prelude::*;

use self::record::{Record, records};
use self::waveform::{FILL, Numbers, RATE};
use super::Parameter;
use crate::drive::Drive;
use crate::engagement::Found;
use crate::measure::Missing;
use crate::statistics::least_squares::{Linearised, Solution, least_squares_with_slopes};
use crate::statistics::quantile::median;
use crate::statistics::spread::root_mean_square;

/// What the rises of a drive tell.
pub(super) struct Rises {
    pub(super) fill_time_ms: Parameter,
    pub(super) rise_rate_bar_per_s: Parameter,
    pub(super) engagements: usize,
    pub(super) residual_bar: Option<f64>,
}

const METHOD: &str = "fill, rise and hold fitted to all rises of the drive";

/// A standard uncertainty of a logarithm beyond which a parameter is not told.
const NOT_TOLD: f64 = 0.25;

/// The model leaves more than this share of the median step: it is not this coupling's.
const MISFIT_SHARE: f64 = 0.08;

/// Beforehand: middle and standard deviation of ln s, ln p_w (bar), ln tau (s) and p_fill (bar).
/// Common practice, no source: a paper lining's waviness takes as much oil as five to ten bars do
/// later, a valve follows within some milliseconds, return springs stand for about half a bar.
const KNOWN: [(f64, f64); 4] = [(1.0, 1.0), (0.4, 0.5), (-4.6, 1.5), (0.5, 0.5)];

/// Beforehand of the rise rate, ln bar/s: any that pumps have. Too weak to count as knowledge.
const RISE_RATE_BEFOREHAND: (f64, f64) = (5.0, 3.0);

pub(super) fn fit(drive: &Drive, found: &[Found]) -> Rises {
    match records(drive, found).and_then(|records| solve(&records)) {
        Ok(rises) => rises,
        Err(why) => Rises {
            fill_time_ms: Parameter::missing(why.clone()),
            rise_rate_bar_per_s: Parameter::missing(why),
            engagements: 0,
            residual_bar: None,
        },
    }
}

/// What the grey box is wrong by, of fill time and rise rate: plates touch one after another, and a pump
/// gives less against more pressure.
const U_MODEL: [f64; 2] = [0.015, 0.01];

/// Fill times of one drive differ from engagement to engagement by about this much, of themselves and s.
const SHIFT_SHARE: f64 = 0.02;
const SHIFT_S: f64 = 5e-4;

/// A residual, and how it changes with the parameters.
type Residual = (f64, [f64; 6]);

/// Residuals of a record, in standard deviations, with its own shift found; the last is the shift's.
///
/// The slopes are those of the shift's own fit too (L. Kaufman, A variable projection method for
/// solving separable nonlinear least squares problems, BIT 15, 1975): what a parameter does that
/// the shift can do as well is taken off.
fn record_residuals(numbers: &Numbers, record: &Record, sigma: f64) -> Vec<Residual> {
    let by_fill_s = SHIFT_SHARE * numbers.fill_s + SHIFT_S;
    let spread_s = by_fill_s.hypot(record.u_reference_s);
    let most_s = 0.5 * numbers.fill_s;
    let at = |shift_s: f64| -> Vec<(f64, Vector6<f64>)> {
        let model = numbers.trace(record, numbers.fill_s + shift_s);
        let left = model.iter().zip(&record.pressure_bar);
        left.map(|(m, p)| {
            let residual = (record.low_bar + m.bar - p) / sigma;
            (residual, m.slopes / sigma)
        })
        .chain([(shift_s / spread_s, Vector6::ith(FILL, spread_s.recip()))])
        .collect()
    };
    let step_s = |here: &[(f64, Vector6<f64>)]| {
        let (mut rs, mut ss) = (0.0, 0.0);
        for (residual, slopes) in here {
            rs += residual * slopes[FILL];
            ss += slopes[FILL] * slopes[FILL];
        }
        rs / ss
    };
    let mut shift_s = 0.0;
    let mut here = at(shift_s);
    for _ in 0..2 {
        shift_s = (shift_s - step_s(&here)).clamp(-most_s, most_s);
        here = at(shift_s);
    }
    let last = here.len() - 1;
    let by_shift: Vec<f64> = here.iter().map(|(_, slopes)| slopes[FILL]).collect();
    // Time counts from the demand, so that a longer fill time moves the start as a shift does; but
    // the shift's own spread grows with it.
    for (_, slopes) in &mut here {
        slopes[FILL] *= numbers.fill_s;
    }
    here[last].1 = Vector6::zeros();
    let spread_by_fill = by_fill_s * SHIFT_SHARE * numbers.fill_s / spread_s.powi(2);
    here[last].1[FILL] = -here[last].0 * spread_by_fill;
    let mut shift_by = Vector6::zeros();
    if shift_s.abs() < most_s {
        for ((_, slopes), by) in here.iter().zip(&by_shift) {
            shift_by -= slopes * *by;
        }
        shift_by /= by_shift.iter().map(|by| by * by).sum::<f64>();
    } else {
        shift_by[FILL] = shift_s;
    }
    here.into_iter()
        .zip(by_shift)
        .map(|((residual, slopes), by)| (residual, (slopes + shift_by * by).into()))
        .collect()
}

fn solve(records: &[Record]) -> Result<Rises, Missing> {
    let m = records.len();
    let steps: Vec<f64> = records
        .iter()
        .map(|r| r.target.last().map_or(0.0, |t| t.1 - r.low_bar))
        .collect();
    let step_bar = median(&steps).unwrap_or(0.0);
    let mut sigma = (0.01 * step_bar).max(0.02);
    let mut x = start(records);
    let mut solved = None;
    // The weight of what is known beforehand follows from what the model leaves.
    for round in 0..3 {
        let solution = minimise(records, &x, sigma, round == 0).ok_or(Missing::NotIdentifiable(
            "the rises of this drive do not tell the model's parameters apart",
        ))?;
        x.copy_from_slice(&solution.x);
        let left: Vec<f64> = sample_residuals(&solution, records)
            .map(|r| r * sigma)
            .collect();
        sigma = root_mean_square(&left).max(1e-3);
        solved = Some((solution, sigma));
    }
    let (solution, residual_bar) = solved.ok_or(Missing::NotIdentifiable("no rise"))?;
    if residual_bar > MISFIT_SHARE * step_bar {
        return Err(Missing::NotIdentifiable(
            "the rises of this drive do not follow fill, rise and hold",
        ));
    }
    let df = m as f64 - 1.0;
    let u_log = |i: usize| uncertainty(&solution, records, i).hypot(U_MODEL[i]);
    let n = samples(records);
    let told = |i: usize, why| match u_log(i) {
        u if u < NOT_TOLD => Ok(Parameter::from_log(solution.x[i], u, df, METHOD, n)),
        _ => Err(Missing::NotIdentifiable(why)),
    };
    let fill = told(
        FILL,
        "the frames are too far apart for the time in which the clearance fills",
    )
    .map(in_ms)
    .unwrap_or_else(Parameter::missing);
    let rate = told(
        RATE,
        "pressure rose as the valve let it and the pump was never the limit, or too few frames fell into the rises",
    )
    .unwrap_or_else(Parameter::missing);
    Ok(Rises {
        fill_time_ms: fill,
        rise_rate_bar_per_s: rate,
        engagements: m,
        residual_bar: Some(residual_bar),
    })
}

fn in_ms(mut parameter: Parameter) -> Parameter {
    if let Ok(estimate) = &mut parameter.estimate {
        estimate.value *= 1e3;
        estimate.u *= 1e3;
    }
    parameter.interval = parameter.interval.map(|i| i.map(|v| v * 1e3));
    parameter
}

fn samples(records: &[Record]) -> usize {
    records.iter().map(|r| r.t_s.len()).sum()
}

/// Residuals of the samples, without those of the shifts.
fn sample_residuals<'a>(
    solution: &'a Solution,
    records: &'a [Record],
) -> impl Iterator<Item = f64> + 'a {
    clusters(records).into_iter().flat_map(|range| {
        solution.residuals[range.start..range.end - 1]
            .iter()
            .copied()
    })
}

fn clusters(records: &[Record]) -> Vec<Range<usize>> {
    let mut from = 0;
    records
        .iter()
        .map(|r| {
            let range = from..from + r.t_s.len() + 1;
            from = range.end;
            range
        })
        .collect()
}

/// The larger of the two views on a parameter's standard uncertainty. What residuals of one engagement
/// share, the second knows.
fn uncertainty(solution: &Solution, records: &[Record], i: usize) -> f64 {
    let mut gradient = vec![0.0; solution.x.len()];
    gradient[i] = 1.0;
    let by_size = solution.variance(&gradient).sqrt();
    let by_engagement = solution
        .variance_by_clusters(&gradient, &clusters(records))
        .sqrt();
    by_size.max(by_engagement)
}

fn start(records: &[Record]) -> [f64; 6] {
    let crossing = |r: &Record, share: f64| {
        let top = r.target.last().map_or(0.0, |t| t.1);
        let level = r.low_bar + share * (top - r.low_bar);
        let i = r.pressure_bar.iter().position(|&p| p >= level)?;
        let before = i.checked_sub(1)?;
        let part = (level - r.pressure_bar[before]) / (r.pressure_bar[i] - r.pressure_bar[before]);
        Some(r.t_s[before] + part * (r.t_s[i] - r.t_s[before]))
    };
    let mut fill = Vec::new();
    let mut rate = Vec::new();
    for r in records {
        if let (Some(early), Some(late)) = (crossing(r, 0.2), crossing(r, 0.7)) {
            let top = r.target.last().map_or(0.0, |t| t.1);
            rate.push(0.5 * (top - r.low_bar) / (late - early).max(1e-3));
            fill.push(early - 0.4 * (late - early));
        }
    }
    let fill_s = median(&fill).unwrap_or(0.05).max(2e-3);
    let rate_bar_s = median(&rate).unwrap_or(200.0).max(1.0);
    [
        fill_s.ln(),
        rate_bar_s.ln(),
        KNOWN[0].0,
        KNOWN[1].0,
        KNOWN[2].0,
        KNOWN[3].0,
    ]
}

fn minimise(records: &[Record], start: &[f64; 6], sigma: f64, unsure: bool) -> Option<Solution> {
    let model = |x: &[f64; 6]| {
        let numbers = Numbers::of(x);
        let each: Vec<Vec<Residual>> = records
            .par_iter()
            .map(|record| record_residuals(&numbers, record, sigma))
            .collect();
        let (mut residuals, mut slopes): (Vec<f64>, Vec<[f64; 6]>) =
            each.into_iter().flatten().unzip();
        let known = (2..).zip(KNOWN).chain([(RATE, RISE_RATE_BEFOREHAND)]);
        for (i, (middle, deviation)) in known {
            residuals.push((x[i] - middle) / deviation);
            let mut by = [0.0; 6];
            by[i] = 1.0 / deviation;
            slopes.push(by);
        }
        Some(Linearised { residuals, slopes })
    };
    // The best of several starts, because the time of the corner between pump and valve has kinks.
    let mut best: Option<Solution> = None;
    let starts: &[(f64, f64)] = match unsure {
        true => &[(0.0, 1.0), (-0.15, 1.5), (0.1, 2.5)],
        false => &[(0.0, 1.0)],
    };
    for &(shift, faster) in starts {
        let mut x = *start;
        x[FILL] += shift;
        x[RATE] += f64::ln(faster);
        if let Some(next) = least_squares_with_slopes(&x, model)
            && best.as_ref().is_none_or(|b| next.squares() < b.squares())
        {
            best = Some(next);
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::waveform::tests::record;
    use super::*;

    /// A rise that came later than the others: its shift takes the delay up, and the slopes are those
    /// of what is then left.
    #[test]
    fn slopes_are_those_of_the_residuals_with_their_shift_found() {
        let x = [-2.9, 5.6, 1.0, 0.4, -4.6, 0.5];
        let mut record = record();
        record.u_reference_s = 0.003;
        let late = Numbers::of(&x);
        record.pressure_bar = late
            .trace(&record, late.fill_s + 0.002)
            .iter()
            .map(|traced| record.low_bar + traced.bar)
            .collect();
        let sigma = 0.1;
        let at = |x: &[f64; 6]| record_residuals(&Numbers::of(x), &record, sigma);
        let here = at(&x);
        let (shift, _) = here[here.len() - 1];
        let spread_s = (SHIFT_SHARE * late.fill_s + SHIFT_S).hypot(record.u_reference_s);
        // What is known of shifts beforehand keeps a little of it back.
        assert!((shift * spread_s / 0.002 - 1.0).abs() < 0.01, "{shift}");
        for i in 0..x.len() {
            let h = 1e-5;
            let moved = |by: f64| {
                let mut moved = x;
                moved[i] += by;
                at(&moved)
            };
            let (mut apart, mut all) = (0.0_f64, 0.0_f64);
            for ((up, down), (_, slopes)) in moved(h).iter().zip(&moved(-h)).zip(&here) {
                let slope = (up.0 - down.0) / (2.0 * h);
                apart = apart.max((slopes[i] - slope).abs());
                all = all.max(slope.abs());
            }
            assert!(apart < 0.02 * all, "{i}: {apart} of {all}");
            assert!(all > 0.1, "{i}: {all}");
        }
    }
}
