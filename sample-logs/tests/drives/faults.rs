//! Each fault shows what its cause does, and not what another does.

use slipwright_sample::car::Car;
use slipwright_sample::drive::states;
use slipwright_sample::fault::{Cause, Fault};
use slipwright_sample::scenario::Scenario;
use slipwright_sample::truth::{EngagementKind, Row, TrueEngagement};

/// A launch, a tip-in and a tight bend on wet road with warm fluid.
const PROGRAMME: &str = "
[[drive]]
surface = \"wet\"
fluid_c = 65
[[drive.manoeuvre]]
kind = \"launch\"
throttle_percent = 85
[[drive.manoeuvre]]
kind = \"tip_in\"
throttle_percent = 70
from_kmh = 25
[[drive.manoeuvre]]
kind = \"turn_in\"
throttle_percent = 80
";

struct Driven {
    engagements: Vec<TrueEngagement>,
    rows: Vec<Row>,
}

impl Driven {
    fn of(faults: &[(Cause, f64)]) -> Self {
        Self::with(faults, PROGRAMME)
    }

    fn with(faults: &[(Cause, f64)], programme: &str) -> Self {
        let mut text = "seed = 3\n".to_owned();
        for (cause, severity) in faults {
            let cause = cause.text();
            text += &format!("[[fault]]\ncause = \"{cause}\"\nseverity = {severity:?}\n");
        }
        Self::through(&Scenario::parse(&(text + programme), None).unwrap())
    }

    /// A car of another build.
    fn drawn(car: u64, faults: &[(Cause, f64)], programme: &str) -> Self {
        let mut scenario = Scenario::parse(programme, None).unwrap();
        scenario.car = Car::drawn(car);
        scenario.faults = faults.iter().map(|&(c, s)| Fault::new(c, s)).collect();
        Self::through(&scenario)
    }

    fn through(scenario: &Scenario) -> Self {
        let mut rows = Vec::new();
        let engagements = states(scenario, 0, |row| rows.push(*row));
        Self { engagements, rows }
    }

    fn one(&self, kind: EngagementKind) -> &TrueEngagement {
        self.engagements.iter().find(|e| e.kind == kind).unwrap()
    }

    fn launch(&self) -> &TrueEngagement {
        self.one(EngagementKind::Launch)
    }

    /// Rows of the held part of an engagement.
    fn held(&self, e: &TrueEngagement) -> Vec<&Row> {
        let from = e.reference_s + 1e-3 * (e.dead_time_ms.unwrap() + e.rise_time_ms.unwrap());
        self.rows
            .iter()
            .filter(|r| (from..e.release_s).contains(&r.t_s))
            .collect()
    }
}

fn deviation(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt()
}

/// What is left after a moving mean of an eighth of a second: shudder and what is faster.
fn shaking(rows: &[&Row], value: impl Fn(&Row) -> f64) -> f64 {
    let values: Vec<f64> = rows.iter().map(|row| value(row)).collect();
    let half = 62;
    let rest: Vec<f64> = (half..values.len() - half)
        .map(|k| {
            let near = &values[k - half..=k + half];
            values[k] - near.iter().sum::<f64>() / near.len() as f64
        })
        .collect();
    deviation(&rest)
}

fn ms(value: Option<f64>) -> f64 {
    value.unwrap()
}

#[test]
fn a_healthy_car_is_quick_and_quiet() {
    let healthy = Driven::of(&[]);
    assert_eq!(healthy.engagements.len(), 3);
    for e in &healthy.engagements {
        assert!((60.0..110.0).contains(&ms(e.dead_time_ms)), "{e:?}");
        assert!((60.0..250.0).contains(&ms(e.engagement_delay_ms)), "{e:?}");
        assert!(e.pressure_bar[1] < 30.0);
    }
}

#[test]
fn a_weak_pump_is_slow_in_everything() {
    let (healthy, weak) = (Driven::of(&[]), Driven::of(&[(Cause::WeakPump, 0.7)]));
    let (h, w) = (healthy.launch(), weak.launch());
    assert!(ms(w.dead_time_ms) > ms(h.dead_time_ms) + 20.0);
    assert!(ms(w.rise_time_ms) > 1.3 * ms(h.rise_time_ms));
}

#[test]
fn low_voltage_is_slow_too() {
    let (healthy, low) = (Driven::of(&[]), Driven::of(&[(Cause::LowVoltage, 1.0)]));
    assert!(ms(low.launch().dead_time_ms) > ms(healthy.launch().dead_time_ms) + 8.0);
    assert!(low.rows.iter().map(|r| r.supply_v).fold(20.0, f64::min) < 10.5);
}

#[test]
fn excess_clearance_costs_dead_time_and_no_rise_time() {
    let healthy = Driven::of(&[]);
    let wide = Driven::of(&[(Cause::ExcessClearance, 0.8)]);
    let (h, w) = (
        healthy.one(EngagementKind::TipIn),
        wide.one(EngagementKind::TipIn),
    );
    assert!(ms(w.dead_time_ms) > ms(h.dead_time_ms) + 40.0);
    assert!((ms(w.rise_time_ms) / ms(h.rise_time_ms) - 1.0).abs() < 0.15);
}

#[test]
fn a_leaking_seal_loses_pressure_under_hold_and_more_so_hot() {
    let last_of_held = |driven: &Driven| {
        let rows = driven.held(driven.launch());
        let share = |r: &&Row| r.state.pressure_bar / (0.30 * r.demand_percent);
        share(rows.last().unwrap())
    };
    let healthy = Driven::of(&[]);
    let leaking = Driven::of(&[(Cause::LeakingPistonSeal, 0.7)]);
    let hot = PROGRAMME.replace("fluid_c = 65", "fluid_c = 95");
    let hotter = Driven::with(&[(Cause::LeakingPistonSeal, 0.7)], &hot);
    let (h, l, hot) = (
        last_of_held(&healthy),
        last_of_held(&leaking),
        last_of_held(&hotter),
    );
    assert!((h - 1.0).abs() < 0.05, "{h}");
    assert!(l < 0.9, "{l}");
    assert!(hot < l - 0.05, "{hot} {l}");
}

#[test]
fn a_worn_lining_slips_at_the_same_pressure() {
    let (healthy, worn) = (Driven::of(&[]), Driven::of(&[(Cause::WornLining, 0.8)]));
    let (h, w) = (healthy.launch(), worn.launch());
    assert!((ms(w.dead_time_ms) / ms(h.dead_time_ms) - 1.0).abs() < 0.03);
    assert!(w.peak_slip_mps.unwrap() > 2.0 * h.peak_slip_mps.unwrap());
    assert!(w.friction_heat_j > 3.0 * h.friction_heat_j);
    // Torque per bar while both slide.
    let per_bar = |driven: &Driven| {
        let sliding = driven
            .rows
            .iter()
            .filter(|r| r.flows.coupling_slip_rad_s > 4.0);
        let ratio: Vec<f64> = sliding
            .filter(|r| r.state.pressure_bar > 8.0)
            .map(|r| r.flows.coupling_nm / r.state.pressure_bar)
            .collect();
        ratio.iter().sum::<f64>() / ratio.len() as f64
    };
    assert!(per_bar(&worn) < 0.65 * per_bar(&healthy));
}

#[test]
fn a_dragging_pack_carries_torque_at_zero_demand_and_gets_warm() {
    let turn = "[[drive]]\nfluid_c = 40\n[[drive.manoeuvre]]\nkind = \"tight_turn\"\nseconds = 8\n";
    let (healthy, dragging) = (
        Driven::with(&[], turn),
        Driven::with(&[(Cause::DraggingPack, 0.8)], turn),
    );
    let open = |driven: &Driven| {
        let rows = driven.rows.iter().filter(|r| r.demand_percent == 0.0);
        rows.map(|r| r.flows.coupling_nm.abs()).fold(0.0, f64::max)
    };
    assert!(
        open(&dragging) > 20.0 * open(&healthy),
        "{} {}",
        open(&dragging),
        open(&healthy)
    );
    let warming = |driven: &Driven| driven.rows.last().unwrap().state.plate_c - 40.0;
    assert!(warming(&dragging) > warming(&healthy) + 0.5);
}

#[test]
fn aerated_fluid_is_erratic_and_ripples() {
    let (healthy, aerated) = (Driven::of(&[]), Driven::of(&[(Cause::AeratedFluid, 0.8)]));
    let spread = |driven: &Driven| {
        let dead: Vec<f64> = driven
            .engagements
            .iter()
            .map(|e| ms(e.dead_time_ms))
            .collect();
        deviation(&dead)
    };
    assert!(spread(&aerated) > 5.0 * spread(&healthy));
    let mean = |driven: &Driven| {
        let dead = driven.engagements.iter().map(|e| ms(e.dead_time_ms));
        dead.sum::<f64>() / driven.engagements.len() as f64
    };
    assert!(mean(&aerated) > mean(&healthy) + 10.0);
}

#[test]
fn a_warped_plate_swings_torque_once_per_relative_turn() {
    let warped = Driven::of(&[(Cause::WarpedPlate, 1.0), (Cause::WornLining, 0.9)]);
    let flat = Driven::of(&[(Cause::WornLining, 0.9)]);
    // Amplitude of torque per bar at the first harmonic of the relative turn.
    let harmonic = |driven: &Driven| {
        let (mut c, mut s, mut n) = (0.0, 0.0, 0.0);
        for r in driven.held(driven.launch()) {
            if r.flows.coupling_slip_rad_s > 2.0 {
                let per_bar = r.flows.coupling_nm / r.state.pressure_bar;
                c += per_bar * r.state.coupling_turn_rad.cos();
                s += per_bar * r.state.coupling_turn_rad.sin();
                n += 1.0;
            }
        }
        assert!(n > 100.0);
        2.0 * f64::hypot(c, s) / n
    };
    assert!(
        harmonic(&warped) > 3.0 * harmonic(&flat),
        "{} {}",
        harmonic(&warped),
        harmonic(&flat)
    );
}

const CIRCLE: &str = "
[[drive]]
surface = \"dry\"
fluid_c = 50
[[drive.manoeuvre]]
kind = \"circle\"
";

/// How much the car shakes while it slips slowly round a circle, m/s².
fn shaking_round(driven: &Driven) -> f64 {
    let held = driven.held(driven.engagements.last().unwrap());
    // From where the pace is steady.
    shaking(&held[4_000..], |r| r.flows.accel_long_mps2)
}

#[test]
fn spent_fluid_shudders_at_low_slip() {
    let healthy = shaking_round(&Driven::with(&[], CIRCLE));
    let spent = shaking_round(&Driven::with(&[(Cause::Shudder, 1.0)], CIRCLE));
    assert!(spent > 0.1 && spent > 20.0 * healthy, "{spent} {healthy}");
}

/// The mildest shudder that counts as one swings by itself in nearly every car; a sound pack does in
/// none.
#[test]
fn the_mildest_shudder_is_one() {
    let mut felt = 0;
    for seed in 1..=8 {
        let sound = shaking_round(&Driven::drawn(seed, &[], CIRCLE));
        let mild = shaking_round(&Driven::drawn(seed, &[(Cause::Shudder, 0.3)], CIRCLE));
        assert!(sound < 0.005, "{seed}: {sound}");
        felt += usize::from(mild > 0.04);
    }
    assert!(felt >= 6, "{felt}");
}

/// A leak is one where the pump no longer makes up for it, however large the car's pump is.
#[test]
fn a_leak_outruns_every_cars_pump() {
    for seed in [1, 2, 3, 4] {
        let settled = |faults: &[(Cause, f64)]| {
            let hot = "[[drive]]\nsurface = \"dry\"\nfluid_c = 70\n[[drive.manoeuvre]]\n\
                       kind = \"launch\"\nthrottle_percent = 85\n";
            let driven = Driven::drawn(seed, faults, hot);
            let rows = driven.held(driven.launch());
            rows.last().unwrap().state.pressure_bar
        };
        let (sound, leaking) = (settled(&[]), settled(&[(Cause::LeakingPistonSeal, 0.6)]));
        assert!(leaking < 0.9 * sound, "{seed}: {leaking} {sound}");
    }
}

#[test]
fn an_inhibited_unit_never_closes() {
    let inhibited = Driven::of(&[(Cause::InhibitedOrWiring, 1.0)]);
    assert!(inhibited.engagements.is_empty());
    assert!(inhibited.rows.iter().all(|r| r.demand_percent == 0.0));
}

#[test]
fn mismatched_tyres_do_not_slip_but_turn_faster() {
    let coast = "[car]\ntyres.radius_spread = 0.0\n[[drive]]\n[[drive.manoeuvre]]\n\
                 kind = \"coast\"\nfrom_kmh = 50\nseconds = 6\n";
    let small = Driven::with(&[(Cause::TyreMismatch, 1.0)], coast);
    let (mut seen, mut free_rows) = (0, 0);
    for r in &small.rows {
        free_rows = if r.gear == 0.0 && r.pedal_percent + r.brake == 0.0 {
            free_rows + 1
        } else {
            0
        };
        // Out of gear, shaft and tyres come to rest against each other first.
        if free_rows > 1500 && r.state.forward_mps > 5.0 {
            let w = &r.state.wheel_rad_s;
            let ratio = (w[0] + w[1]) / (w[2] + w[3]);
            assert!((ratio - 1.0 / 0.97).abs() < 1e-3, "{ratio}");
            assert!(r.slip_mps.abs() < 0.02, "{}", r.slip_mps);
            seen += 1;
        }
    }
    assert!(seen > 1000, "{seen}");
}

#[test]
fn a_fault_with_an_onset_comes_during_the_drive_and_faults_add_up() {
    let text = "seed = 3\n[[fault]]\ncause = \"excess_clearance\"\nseverity = 0.8\nonset_s = 8\n\
                [[fault]]\ncause = \"weak_pump\"\nseverity = 0.7\nonset_s = 8\n";
    let scenario = Scenario::parse(&(text.to_owned() + PROGRAMME), None).unwrap();
    let engagements = states(&scenario, 0, |_| {});
    let launch = engagements
        .iter()
        .find(|e| e.kind == EngagementKind::Launch)
        .unwrap();
    let later = engagements
        .iter()
        .find(|e| e.kind == EngagementKind::TurnIn)
        .unwrap();
    assert!(launch.end_s < 8.0 && later.start_s > 9.5);
    let one = Driven::of(&[(Cause::ExcessClearance, 0.8)]);
    let healthy = Driven::of(&[]);
    assert!((ms(launch.dead_time_ms) - ms(healthy.launch().dead_time_ms)).abs() < 0.1);
    let clearance_only = ms(one.one(EngagementKind::TurnIn).dead_time_ms);
    assert!(ms(later.dead_time_ms) > clearance_only + 20.0);
}
