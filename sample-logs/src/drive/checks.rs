//! Checks of whole drives against what must hold whatever the car does.

use super::run::Run;
use super::*;
use crate::car::Car;
use crate::drivetrain::tests::sliding_start;
use crate::integrator;
use crate::state::{State, Vector};

/// Every manoeuvre that changes gears, locks and frees clutches, brakes to rest, reverses, and
/// meets split and changing surfaces.
const MIXED: &str = r#"
[[drive]]
surface = "wet"
[[drive.manoeuvre]]
kind = "launch"
throttle_percent = 80
[[drive.manoeuvre]]
kind = "coast"
from_kmh = 40
seconds = 3
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
road = [{ from_m = 0, left = "ice", right = "dry" }, { from_m = 4, surface = "snow" }]
[[drive.manoeuvre]]
kind = "tight_turn"
seconds = 4
"#;

struct Driven {
    rows: Vec<Row>,
    residual: f64,
}

fn drive(text: &str, step_s: f64) -> Driven {
    let scenario = Scenario::parse(text, None).unwrap();
    let mut run = Run::new(&scenario, &scenario.drives[0], 0, step_s);
    let rows = std::iter::from_fn(|| run.next_row()).collect();
    Driven {
        rows,
        residual: run.energy_residual(),
    }
}

/// First law: over a whole drive, work of engine and grade is what the masses gained plus every
/// loss. The forces that do work and the losses are booked separately, so a wrong sign or a
/// forgotten path anywhere shows.
#[test]
fn energy_closes_over_a_drive_and_better_so_with_smaller_steps() {
    let usual = drive(MIXED, STEP_S).residual.abs();
    let coarse = drive(MIXED, 2.0 * STEP_S).residual.abs();
    assert!(usual < 1e-6, "{usual:e}");
    assert!(usual < 0.5 * coarse, "{usual:e} {coarse:e}");
}

/// Order of the method where the motion is smooth (everything slides one way): four, that of the
/// classical Runge-Kutta method (Hairer, Nørsett, Wanner, II.1).
#[test]
fn error_falls_with_the_fourth_power_of_the_step_while_everything_slides() {
    let end = |steps_per_ms: u32| {
        let (drivetrain, start, inputs) = sliding_start(&Car::default());
        let h = 1e-3 / f64::from(steps_per_ms);
        let mut s = start;
        for _ in 0..100 * steps_per_ms {
            let rates = |s: &State| drivetrain.rates(s, &inputs).0;
            s = integrator::step(&s, &rates(&s), h, rates);
        }
        s
    };
    let best = end(32);
    let error = |steps: u32| {
        let s = end(steps);
        let wheels: f64 = s
            .wheel_rad_s
            .iter()
            .zip(best.wheel_rad_s)
            .map(|(a, b)| (a - b).powi(2))
            .sum();
        wheels.sqrt()
    };
    let order = libm::log2(error(1) / error(2));
    let next = libm::log2(error(2) / error(4));
    assert!((3.6..4.6).contains(&order), "{order} {next}");
    assert!((3.6..4.6).contains(&next), "{order} {next}");
}

/// Where friction sticks and slides again the rates have corners and the order is lower; the
/// result must still settle.
#[test]
fn a_whole_drive_settles_as_the_step_falls() {
    let run = |step_s: f64| drive(MIXED, step_s).rows;
    let (coarse, usual, fine) = (run(2.0 * STEP_S), run(STEP_S), run(0.25 * STEP_S));
    // Over the launch: later on, a millisecond's difference in a decision moves everything.
    let until = 5_000;
    let apart = |rows: &[Row]| {
        let pairs = rows.iter().zip(&fine).take(until);
        pairs
            .map(|(a, b)| (a.slip_mps - b.slip_mps).abs())
            .fold(0.0, f64::max)
    };
    let (far, near) = (apart(&coarse), apart(&usual));
    println!("coarse {far:e} usual {near:e}");
    assert!(near < 2e-3, "{near}");
    assert!(near < far);
}

#[test]
fn nothing_runs_away_in_any_manoeuvre_on_any_surface() {
    for surface in crate::surface::Surface::ALL {
        let text = MIXED.replace("\"wet\"", &format!("{:?}", surface.text()));
        let driven = drive(&text, STEP_S);
        for row in &driven.rows {
            let mut values = Vec::new();
            row.state.push_values(&mut values);
            assert!(
                values.iter().all(|v| v.is_finite()),
                "{surface:?} at {} s",
                row.t_s
            );
            assert!(row.state.forward_mps.abs() < 40.0);
            assert!((-0.01..60.0).contains(&row.state.pressure_bar));
        }
        assert!(
            driven.rows.len() > 30_000,
            "{surface:?}: {}",
            driven.rows.len()
        );
        // It ends at rest.
        assert!(driven.rows.last().unwrap().state.forward_mps.abs() < 2.5);
    }
}
