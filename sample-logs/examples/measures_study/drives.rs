//! One simulated drive, measured and held against its truth.

use slipwright_analysis::measure::Measure;
use slipwright_analysis::measures::{DriveMeasures, Engagement, measure_drive};
use slipwright_decoders::role::Role;
use slipwright_sample::car::Car;
use slipwright_sample::memory::Recording;
use slipwright_sample::random::{Purpose, Stream};
use slipwright_sample::scenario::{Campaign, Scenario};
use slipwright_sample::surface::Surface;
use slipwright_sample::truth::TrueEngagement;

use crate::measured;
use crate::tally::Told;
use crate::truth::{TrueModel, truth};

/// Surfaces driven on.
pub(crate) const SURFACES: [Surface; 5] = [
    Surface::Dry,
    Surface::Wet,
    Surface::Gravel,
    Surface::Snow,
    Surface::Ice,
];

/// What to drive.
pub(crate) struct Plan {
    pub(crate) seed: u64,
    pub(crate) surface: Surface,
    pub(crate) period_ms: f64,
    pub(crate) omit: Vec<Role>,
    pub(crate) satellite: bool,
    pub(crate) weighed: bool,
}

type Row = (String, String, Told);

/// Drives, measures and compares: quantity, condition, result.
pub(crate) fn measured(plan: &Plan, losses: Option<f64>) -> Vec<Row> {
    let scenario = scenario(plan);
    let recording = Recording::of(&scenario, 0).expect("the layout fits");
    let mut signals = recording.signals();
    if plan.satellite && signals.role(Role::GroundSpeed).is_none() {
        signals.series.push(measured::satellite(&recording));
    }
    let mut vehicle = measured::vehicle(&recording);
    if plan.weighed {
        let body = &scenario.car.body;
        vehicle.mass.rear_share = Some(body.front_to_centre_m / body.wheelbase_m);
        vehicle.mass.centre_height_m = Some(body.centre_height_m);
    }
    let span = measured::span(&recording);
    let drive = measure_drive("study", &signals, span, &vehicle);
    let truth = truth(&scenario);
    let mut rows = Vec::new();
    for (engagement, crossings) in recording.truth.engagements.iter().zip(&truth.crossings_s) {
        compare(plan, &drive, (engagement, *crossings), &mut rows, losses);
    }
    model(plan, &drive, &truth.model, &mut rows, losses);
    rows
}

fn scenario(plan: &Plan) -> Scenario {
    let mut random = Stream::new(plan.seed, plan.surface as usize, Purpose::Programme);
    let mut scenario = Scenario {
        car_seed: plan.seed,
        seed: plan.seed * 10 + plan.surface as u64,
        car: if plan.seed.is_multiple_of(2) {
            Car::drawn(plan.seed)
        } else {
            Car::default()
        },
        ..Scenario::default()
    };
    scenario.bus.load = [0.0; 2];
    scenario.layout.wheel_period_ms = plan.period_ms;
    scenario.layout.coupling_period_ms = plan.period_ms;
    scenario.layout.omit = plan.omit.clone();
    let low = random.between(40.0, 70.0);
    let cold = random.between(20.0, 60.0);
    scenario.with_campaign(&Campaign {
        drives: 1,
        launches: 5,
        tip_ins: 4,
        turn_ins: 1,
        coasts: 2,
        throttle_percent: [low, low + 25.0],
        fluid_c: [cold, cold + 5.0],
        surfaces: vec![plan.surface],
        ..Campaign::default()
    })
}

fn compare(
    plan: &Plan,
    drive: &DriveMeasures,
    (truth, crossings_s): (&TrueEngagement, Option<[f64; 3]>),
    rows: &mut Vec<Row>,
    losses: Option<f64>,
) {
    let kind = serde_json::to_value(truth.kind).expect("a word");
    let kind = kind.as_str().unwrap_or_default().to_owned();
    let found = drive.engagements.iter().find(|e| {
        let start_s = (e.start_ns - drive.start_ns) as f64 * 1e-9;
        (start_s - truth.start_s).abs() < 0.3
    });
    let Some(found) = found else {
        rows.push((
            "engagement".into(),
            format!("{kind} not found"),
            Told::Missing,
        ));
        return;
    };
    times(plan, drive, found, (truth, crossings_s), rows, losses);
    let Some(fraction) = truth.transfer_fraction else {
        return;
    };
    let condition = format!("{} {kind}", plan.surface.text());
    let combined = found.measured(Measure::TransferFraction);
    let mut all = vec![("transfer", combined)];
    all.extend(
        found
            .transfer
            .iter()
            .map(|t| (t.method.text(), &t.fraction)),
    );
    for (method, estimate) in all {
        let bound = found
            .transfer
            .iter()
            .any(|t| t.method.text() == method && t.upper_bound);
        let name = match (method, bound) {
            ("transfer", _) => "transfer".to_owned(),
            (_, true) => format!("transfer, {method}, upper bound"),
            (_, false) => format!("transfer, {method}"),
        };
        let told = match estimate {
            Ok(e) => Told::normal(e.value, e.u, fraction),
            Err(why) => {
                if losses == Some(0.0) {
                    eprintln!(
                        "{name}: car {} on {condition} at {:.2} s: {why}",
                        plan.seed, truth.start_s
                    );
                }
                Told::Missing
            }
        };
        loss(losses, plan, &name, truth.start_s, fraction, &told);
        rows.push((name, condition.clone(), told));
    }
}

/// Crossings of pressure on the capture's clock: the reference is by definition the receive time of
/// the frame that carries demand, so an error of the crossing is an error of the measure.
fn times(
    plan: &Plan,
    drive: &DriveMeasures,
    found: &Engagement,
    (truth, crossings_s): (&TrueEngagement, Option<[f64; 3]>),
    rows: &mut Vec<Row>,
    losses: Option<f64>,
) {
    let reference_ms = (found.reference_ns - drive.start_ns) as f64 * 1e-6;
    let truth_ms = 1e3 * truth.reference_s;
    let late_ms = reference_ms - truth_ms;
    let condition = format!("{:>2.0} ms frames", plan.period_ms);
    let mut add = |name: &str, measure: Measure, true_value: Option<f64>, late_ms: f64| {
        let Some(true_value) = true_value else { return };
        let told = match found.measured(measure) {
            Ok(e) => Told::normal(e.value + late_ms, e.u, true_value),
            Err(_) => Told::Missing,
        };
        loss(losses, plan, name, truth.start_s, true_value, &told);
        rows.push((name.to_owned(), condition.clone(), told));
    };
    let [t10, t50, t90] = crossings_s.map_or([None; 3], |c| c.map(|s| Some(1e3 * s)));
    add("dead time, ms", Measure::DeadTime, t10, late_ms);
    add("delay, ms", Measure::EngagementDelay, t50, late_ms);
    let rise = t90.zip(t10).map(|(late, early)| late - early);
    add("rise time, ms", Measure::RiseTime, rise, 0.0);
    rows.push((
        "first frame with demand after it moved, ms".to_owned(),
        condition.clone(),
        Told::normal(reference_ms, plan.period_ms / 12.0_f64.sqrt(), truth_ms),
    ));
}

fn loss(losses: Option<f64>, plan: &Plan, name: &str, start_s: f64, truth: f64, told: &Told) {
    if let (Some(times), Told::Value { error, u, .. }) = (losses, told)
        && error.abs() >= times * u
    {
        eprintln!(
            "{name}: car {} on {}, {} ms, at {start_s:.2} s: truth {truth:.3}, off by {error:.3}, u {u:.3}",
            plan.seed,
            plan.surface.text(),
            plan.period_ms
        );
    }
}

fn model(
    plan: &Plan,
    drive: &DriveMeasures,
    truth: &TrueModel,
    rows: &mut Vec<Row>,
    losses: Option<f64>,
) {
    let fitted = &drive.coupling_model;
    let parameters = [
        (
            "fill_time, share",
            &fitted.fill_time_ms,
            truth.fill_time_ms,
            true,
        ),
        (
            "rise_rate, share",
            &fitted.rise_rate_bar_per_s,
            truth.rise_rate_bar_per_s,
            true,
        ),
        (
            "torque_per_bar, share",
            &fitted.torque_per_bar_nm,
            truth.torque_per_bar_nm,
            true,
        ),
        (
            "leak_rate, %/s",
            &fitted.leak_rate_percent_per_s,
            truth.leak_rate_percent_per_s,
            false,
        ),
    ];
    for (name, parameter, true_value, relative) in parameters {
        let Some(true_value) = true_value else {
            continue;
        };
        let by = if relative { true_value } else { 1.0 };
        let told = match (&parameter.estimate, parameter.interval) {
            (Ok(e), Some([low, high])) => Told::Value {
                error: (e.value - true_value) / by,
                u: e.u / by,
                held: (low..=high).contains(&true_value),
            },
            _ => Told::Missing,
        };
        loss(losses, plan, name, 0.0, true_value, &told);
        rows.push((
            name.to_owned(),
            format!("{}, {:>2.0} ms frames", plan.surface.text(), plan.period_ms),
            told,
        ));
    }
}
