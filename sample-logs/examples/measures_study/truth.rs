//! The true parameters of the coupling's model in one drive, from states without noise.

use nalgebra::{Matrix3, Vector3};
use slipwright_analysis::transition::measure_first_rise;
use slipwright_sample::car::Car;
use slipwright_sample::drive;
use slipwright_sample::fault::{Worst, parts_at};
use slipwright_sample::hydraulics::PA_PER_BAR;
use slipwright_sample::scenario::Scenario;
use slipwright_sample::truth::Row;

/// What the fit should find; medians over the engagements.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct TrueModel {
    /// Demand to the moment in which the piston's force reaches the closing pack, ms.
    pub(crate) fill_time_ms: Option<f64>,
    /// Pump flow over the compliance of the flattened pack and the oil, half way up, bar/s.
    pub(crate) rise_rate_bar_per_s: Option<f64>,
    /// Carried torque over pressure above the touch pressure while slipping, N·m/bar.
    pub(crate) torque_per_bar_nm: Option<f64>,
    /// Fall of held pressure over demand, per cent per second.
    pub(crate) leak_rate_percent_per_s: Option<f64>,
}

/// What is true of a drive beside the simulator's own truth.
#[derive(Clone, Debug, Default)]
pub(crate) struct Truth {
    pub(crate) model: TrueModel,
    /// Of each engagement, where its pressure crosses 10, 50 and 90 % of its step after the simulator's
    /// reference, s. The levels are those of the waveform itself without noise, because pressure that
    /// drifts while it is held has no others.
    pub(crate) crossings_s: Vec<Option<[f64; 3]>>,
}

/// Parts of a row that the truth rests on.
#[derive(Clone, Copy)]
struct Moment {
    t_s: f64,
    pressure_bar: f64,
    demand: f64,
    flow_m3_s: f64,
    coupling_nm: f64,
    slip_rad_s: f64,
}

pub(crate) fn truth(scenario: &Scenario) -> Truth {
    let mut moments: Vec<Moment> = Vec::new();
    let engagements = drive::states(scenario, 0, |row: &Row| {
        moments.push(Moment {
            t_s: row.t_s,
            pressure_bar: row.state.pressure_bar,
            demand: row.demand_percent,
            flow_m3_s: row.flows.hydraulics.flow_m3_s,
            coupling_nm: row.flows.coupling_nm,
            slip_rad_s: row.flows.coupling_slip_rad_s,
        });
    });
    let car = &scenario.car;
    let touch_bar = touch_bar(scenario);
    let mut all = [const { Vec::new() }; 3];
    let mut held = Vec::new();
    let mut crossings_s = Vec::new();
    for e in &engagements {
        let [low, high] = e.pressure_bar;
        let during = |from: f64, to: f64| {
            let from = moments.partition_point(|m| m.t_s < from);
            let to = moments.partition_point(|m| m.t_s < to);
            moments.get(from..to).unwrap_or_default()
        };
        crossings_s.push(crossings(
            during(e.reference_s - 0.4, e.release_s),
            e.reference_s,
        ));
        let rise = during(e.reference_s, e.release_s);
        let first = |level: f64| rise.iter().find(|m| m.pressure_bar >= level);
        if let Some(m) = first(touch_bar) {
            all[0].push(1e3 * (m.t_s - e.reference_s));
        }
        if let Some(m) = first(0.5 * (low + high)) {
            all[1].push(m.flow_m3_s / stiff_m3_pa(car, m.pressure_bar) / PA_PER_BAR);
        }
        let slipping: Vec<f64> = during(e.reference_s + 0.3, e.release_s)
            .iter()
            .filter(|m| m.slip_rad_s > 3.0 && m.pressure_bar > touch_bar + 1.0)
            .map(|m| m.coupling_nm / (m.pressure_bar - touch_bar))
            .collect();
        if slipping.len() > 100 {
            all[2].extend(median(slipping));
        }
        if e.release_s - e.start_s > 0.8 {
            held.push(during(e.start_s + 0.35, e.release_s - 0.05));
        }
    }
    let [fill, rate, torque] = all.map(median);
    Truth {
        model: TrueModel {
            fill_time_ms: fill,
            rise_rate_bar_per_s: rate,
            torque_per_bar_nm: torque,
            leak_rate_percent_per_s: leak_rate(&held),
        },
        crossings_s,
    }
}

fn crossings(moments: &[Moment], reference_s: f64) -> Option<[f64; 3]> {
    let t_s: Vec<f64> = moments.iter().map(|m| m.t_s - reference_s).collect();
    let pressure_bar: Vec<f64> = moments.iter().map(|m| m.pressure_bar).collect();
    let levels = measure_first_rise(&t_s, &pressure_bar).ok()?.levels;
    let at = |share: f64| {
        let k =
            (1..t_s.len()).find(|&k| t_s[k] > 0.0 && pressure_bar[k] >= levels.reference(share))?;
        let (low, high) = (pressure_bar[k - 1], pressure_bar[k]);
        Some(t_s[k - 1] + 1e-3 * (levels.reference(share) - low) / (high - low))
    };
    Some([at(0.1)?, at(0.5)?, at(0.9)?])
}

/// Fall of held pressure that demand does not explain, per cent per second: bars per demand and their
/// offset by least squares over all held parts, `p = a + k d - c t d`; then the mean over the parts.
fn leak_rate(held: &[&[Moment]]) -> Option<f64> {
    let mut normal = Matrix3::<f64>::zeros();
    let mut right = Vector3::<f64>::zeros();
    for part in held {
        let from_s = part.first()?.t_s;
        for m in *part {
            let row = Vector3::new(1.0, m.demand, -(m.t_s - from_s) * m.demand);
            normal += row * row.transpose();
            right += row * m.pressure_bar;
        }
    }
    let x = normal.try_inverse()? * right;
    let falls: Vec<f64> = held
        .iter()
        .filter_map(|part| {
            let points = part
                .iter()
                .map(|m| (m.t_s, (m.pressure_bar - x[0]) / (x[1] * m.demand)));
            fall(&points.collect::<Vec<_>>())
        })
        .collect();
    (falls.len() >= 3).then(|| falls.iter().sum::<f64>() / falls.len() as f64)
}

fn touch_bar(scenario: &Scenario) -> f64 {
    let h = &scenario.car.hydraulics;
    let clearance_m = parts_at(
        &scenario.car,
        &Worst::of(&scenario.car),
        &scenario.faults,
        0.0,
    )
    .clearance_m;
    h.touch_n(clearance_m) / h.piston_area_m2 / PA_PER_BAR
}

fn stiff_m3_pa(car: &Car, pressure_bar: f64) -> f64 {
    let h = &car.hydraulics;
    let absolute = pressure_bar * PA_PER_BAR + 101_325.0;
    let air = h.air_share * 101_325.0 / (absolute * absolute);
    h.piston_area_m2 * h.piston_area_m2 / h.pack_stiffness_n_per_m
        + h.oil_volume_m3 * (1.0 / h.bulk_modulus_pa + air)
}

/// Fall of a line through points, per cent of its level per second.
fn fall(points: &[(f64, f64)]) -> Option<f64> {
    let n = points.len() as f64;
    let (t, y) = points
        .iter()
        .fold((0.0, 0.0), |s, p| (s.0 + p.0 / n, s.1 + p.1 / n));
    let (tt, ty) = points.iter().fold((0.0, 0.0), |s, p| {
        (s.0 + (p.0 - t).powi(2), s.1 + (p.0 - t) * (p.1 - y))
    });
    let rate = -100.0 * ty / tt / y;
    rate.is_finite().then_some(rate)
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
