//! Checks against shapes whose crossing times are known in closed form.

use super::*;
use crate::truth::histogram_states;

/// A demand step at 0.5 s and a pressure of first order with dead time: the crossing times
/// are known in closed form (10, 50 and 90 per cent at 0.1054, 0.6931 and 2.3026 time
/// constants).
fn finder_on_first_order(theta_s: f64, tau_s: f64) -> TrueEngagement {
    let mut finder = EngagementFinder::new(Thresholds {
        dropout_mps: 0.7,
        onset_mps: 0.15,
        curvature_per_rad: 1.0 / (15.5 * 2.7),
    });
    for k in 0..4000 {
        let t = f64::from(k) * ROW_S;
        let on = (0.5..2.5).contains(&t);
        let rise = (t - 0.5 - theta_s).max(0.0);
        let mut row = Row {
            t_s: t,
            ..Row::default()
        };
        row.demand_percent = if on { 60.0 } else { 0.0 };
        row.state.pressure_bar = if t < 2.5 {
            18.0 * (1.0 - libm::exp(-rise / tau_s))
        } else {
            18.0 * libm::exp(-(t - 2.5) / 0.03)
        };
        row.contact_mps = [8.0; 4];
        row.slip_mps = if on {
            1.2 * libm::exp(-(t - 0.5) / 0.2)
        } else {
            0.0
        };
        row.slip_rad_s = 8.0 * row.slip_mps;
        row.flows.coupling_nm = 100.0;
        row.flows.front_axle_nm = 300.0;
        row.flows.rear_axle_nm = 100.0;
        finder.push(&row);
    }
    let mut all = finder.into_engagements();
    assert_eq!(all.len(), 1);
    all.remove(0)
}

#[test]
fn crossing_times_of_a_first_order_step_with_dead_time() {
    let (theta, tau) = (0.080, 0.120);
    let got = finder_on_first_order(theta, tau);
    let near = |value: Option<f64>, expected_s: f64| {
        let value = value.unwrap();
        // The upper state is the mean of a histogram bin, a little below the limit.
        assert!(
            (value - 1000.0 * expected_s).abs() < 0.5,
            "{value} {expected_s}"
        );
    };
    near(got.dead_time_ms, theta + 0.105_360_5 * tau);
    near(got.engagement_delay_ms, theta + std::f64::consts::LN_2 * tau);
    near(got.rise_time_ms, 2.197_224_6 * tau);
    assert_eq!(got.kind, EngagementKind::TipIn);
    assert!((got.reference_s - 0.5).abs() < 1e-9);
    assert!((got.release_s - 2.5).abs() < 1e-9);
}

#[test]
fn slip_measures_of_an_exponential_decay() {
    let got = finder_on_first_order(0.05, 0.1);
    assert!((got.peak_slip_mps.unwrap() - 1.2).abs() < 1e-9);
    // Down to a tenth of its peak after ln 10 time constants.
    let expected_s = std::f64::consts::LN_10 * 0.2;
    assert!((got.slip_time_ms.unwrap() - 1000.0 * expected_s).abs() < 2.0);
    let distance = 1.2 * 0.2;
    assert!((got.slip_distance_m.unwrap() - distance).abs() < 2e-3);
    assert!((got.transfer_fraction.unwrap() - 0.25).abs() < 1e-12);
    let work = 100.0 * 8.0 * 1.2 * 0.2;
    assert!((got.friction_work_j - work).abs() < 0.01 * work);
}

#[test]
fn histogram_states_are_the_two_plateaus() {
    let values: Vec<f64> = (0..1000)
        .map(|k| match k {
            0..400 => 1.0,
            400..500 => 1.0 + 0.05 * f64::from(k - 400),
            _ => 6.0,
        })
        .collect();
    assert_eq!(histogram_states(values.into_iter()), Some([1.0, 6.0]));
    assert_eq!(histogram_states([2.0, 2.0].into_iter()), None);
}
