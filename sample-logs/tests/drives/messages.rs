//! What goes wrong with messages, wires and tooth rings, as a reader sees it.

use slipwright_decoders::role::Role;
use slipwright_sample::memory::Recording;

use crate::recorded::{drive, truth_column};

const DRIVE: &str = "
seed = 5
[bus]
load_percent = 25
lost_per_million = 0
[[drive]]
surface = \"gravel\"
[[drive.manoeuvre]]
kind = \"launch\"
throttle_percent = 80
[[drive.manoeuvre]]
kind = \"tip_in\"
[[drive.manoeuvre]]
kind = \"coast\"
from_kmh = 40
seconds = 5
[[drive.manoeuvre]]
kind = \"brake\"
";

fn with_wiring(form: &str, severity: f64) -> Recording {
    let fault = format!(
        "[[fault]]\ncause = \"inhibited_or_wiring\"\nform = \"{form}\"\nseverity = {severity:?}\n"
    );
    drive(&DRIVE.replace("[[drive]]\n", &format!("{fault}[[drive]]\n")))
}

/// Longest time between two values, s.
fn longest_gap_s(t_ns: &[i64]) -> f64 {
    let gaps = t_ns.windows(2).map(|pair| pair[1] - pair[0]);
    gaps.max().unwrap() as f64 * 1e-9
}

#[test]
fn a_message_with_gaps_is_away_for_its_share_of_the_time_and_no_other_is() {
    let share = 0.4;
    let recording = with_wiring("message_gaps", share);
    let signals = recording.signals();
    let pressure = signals.role(Role::CouplingPressure).unwrap();
    let whole = recording.truth.duration_s / 0.010;
    let lost = 1.0 - pressure.t_ns.len() as f64 / whole;
    // Spells of two seconds on average in less than a minute: a wide interval.
    assert!((0.1..0.7).contains(&lost), "{lost}");
    assert!(longest_gap_s(&pressure.t_ns) > 0.3);
    assert!(longest_gap_s(&signals.role(Role::WheelSpeedFrontLeft).unwrap().t_ns) < 0.05);
}

#[test]
fn a_stale_message_keeps_coming_and_repeats_itself() {
    let longest_repeat = |recording: &Recording| {
        let message = recording
            .messages
            .iter()
            .find(|m| m.carries(Role::CouplingPressure));
        let id = message.unwrap().entry.id;
        let frames = recording.frames.iter().filter(|frame| frame.id == id);
        let data: Vec<&[u8]> = frames.map(|frame| frame.data()).collect();
        let (mut run, mut longest) = (0, 0);
        for pair in data.windows(2) {
            run = if pair[0] == pair[1] { run + 1 } else { 0 };
            longest = longest.max(run);
        }
        longest
    };
    let stale = with_wiring("stale", 0.4);
    // Its counter stands still too, which a healthy message's never does.
    assert!(longest_repeat(&stale) > 30, "{}", longest_repeat(&stale));
    assert_eq!(longest_repeat(&drive(DRIVE)), 0);
    let signals = stale.signals();
    let pressure = signals.role(Role::CouplingPressure).unwrap();
    assert!(longest_gap_s(&pressure.t_ns) < 0.03);
}

#[test]
fn an_inhibiting_unit_says_so_and_demands_nothing() {
    let recording = with_wiring("inhibit", 1.0);
    let signals = recording.signals();
    let inhibited = signals.role(Role::CouplingInhibited).unwrap();
    let set = inhibited
        .value
        .iter()
        .filter(|&&value| value == 1.0)
        .count();
    assert!(set + 2 >= inhibited.value.len());
    let demand = signals.role(Role::CouplingDemand).unwrap();
    assert!(demand.value.iter().all(|&value| value == 0.0));
    assert!(recording.truth.engagements.is_empty());
}

/// The receiver's speed comes at 10 Hz and lags: of all delays, 0.18 s fits the truth best.
#[test]
fn the_cars_satellite_speed_comes_at_ten_hertz_and_lags() {
    let recording = drive(DRIVE);
    let signals = recording.signals();
    let series = signals.role(Role::GroundSpeed).unwrap();
    let period_s = (series.t_ns.last().unwrap() - series.t_ns[0]) as f64 * 1e-9
        / (series.t_ns.len() - 1) as f64;
    assert!((period_s - 0.1).abs() < 1e-3, "{period_s}");
    let (rows, forward) = (
        truth_column(&recording, "t_s"),
        truth_column(&recording, "forward_mps"),
    );
    let start_ns = recording.frames[0].t_ns;
    let misfit = |lag_ms: usize| {
        let squares = series
            .t_ns
            .iter()
            .zip(&series.value)
            .map(|(&t_ns, &value)| {
                let t_s = (t_ns - start_ns) as f64 * 1e-9 - rows[0];
                let row = ((t_s * 1e3) as usize).saturating_sub(lag_ms);
                (series.unit.in_core(value) - forward[row.min(forward.len() - 1)].abs()).powi(2)
            });
        (squares.sum::<f64>() / series.value.len() as f64).sqrt()
    };
    let best = (0..400)
        .step_by(10)
        .min_by(|&a, &b| misfit(a).total_cmp(&misfit(b)));
    assert!((160..=200).contains(&best.unwrap()), "{best:?}");
    assert!((0.02..0.08).contains(&misfit(180)), "{}", misfit(180));
}

#[test]
fn a_bent_or_missing_tooth_shows_once_a_turn_at_one_wheel() {
    let coast = "seed = 5\n[bus]\nlost_per_million = 0\nload_percent = 10\n[[drive]]\n\
                 [[drive.manoeuvre]]\nkind = \"cruise\"\nfrom_kmh = 30\nseconds = 15\n";
    // Spread of what changes from reading to reading, which speed itself hardly does.
    let jumps = |text: &str| {
        let recording = drive(text);
        let signals = recording.signals();
        Role::WHEELS.map(|role| {
            let series = signals.role(role).unwrap();
            let late = series.value.len() - 1000;
            let steps = series.value[late..]
                .windows(2)
                .map(|pair| (pair[1] - pair[0]).powi(2));
            (steps.sum::<f64>() / 999.0).sqrt()
        })
    };
    let sound = jumps(coast);
    for (key, wheel) in [("bent_tooth", 1), ("missing_tooth", 2)] {
        let name = slipwright_sample::state::WHEEL_NAMES[wheel];
        let damaged = jumps(&coast.replace(
            "[[drive]]\n",
            &format!("[sensors]\n{key} = \"{name}\"\n[[drive]]\n"),
        ));
        for i in 0..4 {
            let ratio = damaged[i] / sound[i];
            assert_eq!(ratio > 1.5, i == wheel, "{key} {i}: {ratio}");
        }
    }
}

#[test]
fn an_intermittent_wheel_wire_reads_slow_then_not_available() {
    let text = DRIVE.replace(
        "[[drive]]\n",
        "[[fault]]\ncause = \"inhibited_or_wiring\"\nform = \"wheel_wire\"\nseverity = 0.4\n\
         [[drive]]\n",
    );
    let driven = drive(&text);
    let signals = driven.signals();
    let broken = signals.role(Role::WheelSpeedRearLeft).unwrap();
    assert!(broken.invalid.len() > 50, "{}", broken.invalid.len());
    assert!(broken.t_ns.len() > 50);
    assert!(
        signals
            .role(Role::WheelSpeedRearRight)
            .unwrap()
            .invalid
            .is_empty()
    );
}

#[test]
fn roles_left_out_are_not_there() {
    let text = DRIVE.replace(
        "[bus]",
        "[bus]\nomit = [\"coupling.demand\", \"coupling.pressure\"]",
    );
    let signals = drive(&text).signals();
    assert!(signals.role(Role::CouplingDemand).is_none());
    assert!(signals.role(Role::CouplingPressure).is_none());
    assert!(signals.role(Role::CouplingPumpCurrent).is_some());
}
