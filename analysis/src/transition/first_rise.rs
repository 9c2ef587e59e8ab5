//! The rise to the first level that lasts: what comes later is another step, and what lies higher for a
//! moment before it, as pressure does that is driven past its level to be quick, is none.

use super::{
    NoRise, Plateau, Rise, first_plateau, measure_rise_after, naive_crossings, state_levels,
};
use crate::statistics::quantile::median;
use crate::statistics::spread::median_and_sigma;

/// A level held shorter than this is on the way to the next, s.
const SHORTEST_PLATEAU_S: f64 = 0.15;

/// A rise of less than this share of the whole is a stage before it: pressure that touches the plates.
const ONSET_SHARE: f64 = 0.2;

/// A waveform this share of the step above the level that lasts has been driven past it.
const PAST_SHARE: f64 = 0.15;

/// Measures a waveform's rise to its first plateau that lasts, or all of it where none does. Times
/// below 0 lie before the rise.
///
/// # Errors
/// As [`measure_rise`].
pub fn measure_first_rise(t_s: &[f64], y: &[f64]) -> Result<Rise, NoRise> {
    let n = t_s.len().min(y.len());
    let (t_s, y) = (&t_s[..n], &y[..n]);
    let first = FirstLevel::of(t_s, y);
    // Oil may take pressure up a little from the first moment on.
    measure_rise_after(&t_s[..first.end], &first.without_peak(y), Some(0.0))
}

/// Where the first rise is, as the samples tell without a fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct RoughRise {
    /// When it crosses a tenth and half of its step, s.
    pub(crate) crossing_s: [f64; 2],
    /// It begins at the level that was there before time 0, not at a stage on the way.
    pub(crate) from_rest: bool,
}

/// The first rise without a fit; `None` where there is none.
pub(crate) fn rough_first_rise(t_s: &[f64], y: &[f64]) -> Option<RoughRise> {
    let first = FirstLevel::of(t_s, y);
    let y = first.without_peak(y);
    let states = state_levels(&y)?;
    let [t10, t50, _] = naive_crossings(&t_s[..first.end], &y, &states).ok()?;
    let above_rest = states.low - first.low;
    Some(RoughRise {
        crossing_s: [t10, t50],
        from_rest: above_rest <= (0.1 * (states.high - first.low)).max(4.0 * first.noise),
    })
}

/// Whether a waveform comes to a level that lasts.
pub(crate) fn first_level_lasts(t_s: &[f64], y: &[f64]) -> bool {
    FirstLevel::of(t_s, y).lasts
}

/// The first level of a waveform that lasts.
struct FirstLevel {
    /// End of its samples, or of all where none lasts.
    end: usize,
    lasts: bool,
    /// Level before the rise.
    low: f64,
    /// Standard deviation there.
    noise: f64,
    /// Samples driven past the level before it is held, and the level.
    peak: Option<(usize, usize, f64)>,
}

impl FirstLevel {
    fn of(t_s: &[f64], y: &[f64]) -> Self {
        let all = y.len();
        let mut found = Self {
            end: all,
            lasts: false,
            low: 0.0,
            noise: 0.0,
            peak: None,
        };
        let Some(levels) = state_levels(y) else {
            return found;
        };
        let before = t_s.partition_point(|&t| t < 0.0);
        let rest = median_and_sigma(&y[..before]);
        found.noise = rest.map_or(levels.sigma, |(_, s)| s);
        // The lower state may be a stage that lasts longer than what is seen of the rest before it.
        found.low = median(&y[..before]).map_or(levels.low, |m| m.min(levels.low));
        let top = y
            .windows(3)
            .map(|w| w[0].min(w[1]).max(w[0].max(w[1]).min(w[2])))
            .fold(levels.high, f64::max);
        let on = found.low + (ONSET_SHARE * (top - found.low)).max(4.0 * found.noise);
        // What is left of the engagement before may still be falling.
        let rested = (0..all).find(|&i| y[i] <= on).unwrap_or(0);
        let Some(onset) =
            (rested..all).find(|&i| y[i] > on && y.get(i + 1).is_none_or(|v| *v > on))
        else {
            return found;
        };
        let lasting = |p: &Plateau| t_s[p.range.end - 1] - t_s[p.range.start] >= SHORTEST_PLATEAU_S;
        let mut from = onset;
        while let Some(plateau) = first_plateau(t_s, y, found.low, from, all, found.noise) {
            let Plateau { range, level } = &plateau;
            if lasting(&plateau) && *level > on {
                let allowed = (PAST_SHARE * (level - found.low)).max(4.0 * found.noise);
                let past = y[onset..range.start].iter().any(|v| v - level > allowed);
                // A short level below this one is a part of the same rise.
                if from == onset || past {
                    found.end = range.end;
                    found.lasts = true;
                }
                if past {
                    found.peak = Some((onset, range.start, *level));
                }
                break;
            }
            from = range.end;
        }
        found
    }

    /// The samples up to its end. What was driven past the level is cut off there: the rise ends
    /// where it comes to the level for the first time.
    fn without_peak(&self, y: &[f64]) -> Vec<f64> {
        let mut cut = y[..self.end].to_vec();
        if let Some((from, to, level)) = self.peak {
            let reached = (from..to).find(|&i| cut[i] >= level).unwrap_or(to);
            cut[reached..to].fill(level);
        }
        cut
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::{Random, Servo, stamps};

    const FROM_S: f64 = -0.5;

    /// Each waveform over several frame periods, phases and noises: 10, 50 and 90 % of the step from
    /// `low` to `high` bar are found within their uncertainties, which are not wide.
    fn check(demand_bar: impl Fn(f64) -> f64, to_s: f64, low: f64, high: f64, seed: u64) {
        let truth = Servo::of(demand_bar, (FROM_S, to_s));
        let mut random = Random::new(seed);
        let (mut held, mut all) = (0, 0);
        for period_s in [0.005, 0.01, 0.02] {
            for noise_bar in [0.03, 0.1, 0.2] {
                for _ in 0..6 {
                    let t = stamps(&mut random, FROM_S, to_s, period_s, 0.05);
                    let y: Vec<f64> = t
                        .iter()
                        .map(|&t| {
                            let read = truth.at(t) + noise_bar * random.normal();
                            (read / 0.02).round() * 0.02
                        })
                        .collect();
                    let rise = measure_first_rise(&t, &y).unwrap();
                    for share in [0.1, 0.5, 0.9] {
                        let found = rise.crossing(share).unwrap();
                        let off = found.t_s
                            - truth.reaches_s(low + share * (high - low), FROM_S).unwrap();
                        assert!(
                            off.abs() < 5.0 * found.u_s.max(1e-3)
                                && off.abs() < 0.6 * period_s.max(0.015),
                            "{share} at {period_s} s, {noise_bar} bar: {off} u {}",
                            found.u_s
                        );
                        all += 1;
                        held += usize::from(off.abs() <= 1.96 * found.u_s.max(2e-4));
                    }
                }
            }
        }
        assert!(held * 10 > all * 8, "{held} of {all}");
    }

    #[test]
    fn a_level_that_lasts_is_the_step_whatever_comes_after() {
        check(|t| step(t, &[(0.0, 16.0), (0.9, 24.0)]), 2.9, 0.0, 16.0, 71);
        check(|t| step(t, &[(0.0, 20.0), (0.8, 10.0)]), 2.8, 0.0, 20.0, 72);
    }

    #[test]
    fn a_touch_of_the_plates_is_a_stage_before_the_step() {
        check(|t| step(t, &[(0.0, 1.5), (1.5, 24.0)]), 3.5, 1.5, 24.0, 73);
    }

    #[test]
    fn pressure_driven_past_its_level_rises_to_the_level() {
        check(|t| step(t, &[(0.0, 24.0), (0.2, 12.0)]), 2.3, 0.0, 12.0, 74);
        check(|t| step(t, &[(0.0, 24.0), (0.22, 9.0)]), 2.3, 0.0, 9.0, 75);
    }

    #[test]
    fn it_is_told_whether_the_rise_began_at_rest() {
        let rough = |demand: &[(f64, f64)]| {
            let truth = Servo::of(|t| step(t, demand), (FROM_S, 3.5));
            let t: Vec<f64> = (0..395).map(|k| FROM_S + f64::from(k) * 0.01).collect();
            let y: Vec<f64> = t.iter().map(|&t| truth.at(t)).collect();
            let rough = rough_first_rise(&t, &y).unwrap();
            (rough.from_rest, rough.crossing_s[1])
        };
        let (from_rest, half_s) = rough(&[(0.0, 4.0), (1.5, 24.0)]);
        assert!(!from_rest && half_s > 1.5, "{half_s}");
        let (from_rest, half_s) = rough(&[(0.0, 12.0), (1.5, 24.0)]);
        assert!(from_rest && half_s < 0.2, "{half_s}");
    }

    /// Bars demanded: from when on, and how many.
    fn step(t_s: f64, stages: &[(f64, f64)]) -> f64 {
        let reached = stages.iter().rfind(|(from_s, _)| t_s >= *from_s);
        reached.map_or(0.0, |(_, bar)| *bar)
    }
}
