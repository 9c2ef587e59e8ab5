//! The true parameters of the coupling's model in one drive, from states without noise.

use slipwright_sample::car::Car;
use slipwright_sample::drive;
use slipwright_sample::fault::parts_at;
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

pub(crate) fn true_model(scenario: &Scenario) -> TrueModel {
    let mut moments: Vec<Moment> = Vec::new();
    let engagements = drive::states(scenario, scenario.seed, 0, |row: &Row| {
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
    let mut all = [const { Vec::new() }; 4];
    for e in &engagements {
        let [low, high] = e.pressure_bar;
        let during = |from: f64, to: f64| {
            let from = moments.partition_point(|m| m.t_s < from);
            let to = moments.partition_point(|m| m.t_s < to);
            moments.get(from..to).unwrap_or_default()
        };
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
            all[3].extend(fall(during(e.start_s + 0.35, e.release_s - 0.05)));
        }
    }
    let [fill, rate, torque, leak] = all.map(median);
    TrueModel {
        fill_time_ms: fill,
        rise_rate_bar_per_s: rate,
        torque_per_bar_nm: torque,
        leak_rate_percent_per_s: leak,
    }
}

fn touch_bar(scenario: &Scenario) -> f64 {
    let h = &scenario.car.hydraulics;
    let clearance_m = parts_at(&scenario.car, &scenario.faults, 0.0).clearance_m;
    let rate = (h.spring_touch_n - h.spring_home_n) / h.spring_travel_m;
    (h.spring_home_n + rate * clearance_m) / h.piston_area_m2 / PA_PER_BAR
}

fn stiff_m3_pa(car: &Car, pressure_bar: f64) -> f64 {
    let h = &car.hydraulics;
    let absolute = pressure_bar * PA_PER_BAR + 101_325.0;
    let air = h.air_share * 101_325.0 / (absolute * absolute);
    h.piston_area_m2 * h.piston_area_m2 / h.pack_stiffness_n_per_m
        + h.oil_volume_m3 * (1.0 / h.bulk_modulus_pa + air)
}

/// Fall of pressure over demand, per cent per second.
fn fall(moments: &[Moment]) -> Option<f64> {
    let points: Vec<(f64, f64)> = moments
        .iter()
        .filter(|m| m.demand > 1.0)
        .map(|m| (m.t_s, m.pressure_bar / m.demand))
        .collect();
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
