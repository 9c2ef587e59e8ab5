//! Checks of whole drives against what must hold whatever the car does.

use super::*;
use crate::state::Vector;

fn run_of(text: &str, step_s: f64) -> (Scenario, f64) {
    (Scenario::parse(text, None).unwrap(), step_s)
}

/// Rows of a drive and the residual of its energy balance.
fn drive(text: &str, step_s: f64) -> (Vec<Row>, f64) {
    let (scenario, step_s) = run_of(text, step_s);
    let mut run = Run::new(&scenario, &scenario.drives[0], 1, 0, step_s);
    let rows = std::iter::from_fn(|| run.next_row()).collect();
    (rows, run.energy_residual())
}

const MIXED: &str = r#"
[[drive]]
surface = "wet"
[[drive.manoeuvre]]
kind = "launch"
throttle_percent = 80
[[drive.manoeuvre]]
kind = "tip_in"
[[drive.manoeuvre]]
kind = "turn_in"
[[drive.manoeuvre]]
kind = "brake"
decel_mps2 = 5
[[drive.manoeuvre]]
kind = "reverse"
[[drive.manoeuvre]]
kind = "hill_start"
left = "ice"
right = "dry"
[[drive.manoeuvre]]
kind = "tight_turn"
seconds = 4
"#;

#[test]
fn energy_balance() {
    for step in [1e-3, 5e-4, 2.5e-4, 1.25e-4] {
        let (rows, residual) = drive(MIXED, step);
        let mut values = Vec::new();
        rows.last().unwrap().state.push_values(&mut values);
        println!("{step} {residual:e} {} {:?}", rows.len(), rows.last().unwrap().state.energy);
    }
}
