use super::*;

/// Engagements made by the model itself: a slip that rises and falls while pressure rises.
fn made(p: &Vector, runs: usize, noise: f64) -> Vec<Vec<Sample>> {
    let mut random = crate::trial::Random::new(5);
    (0..runs)
        .map(|k| {
            let mut run = Vec::new();
            let strength = 0.5 + 0.5 * (k as f64 / runs as f64);
            for i in 0..90 {
                let t = f64::from(i) * 0.02;
                let x = (t / 0.3) * (1.0 - t / 0.3).exp();
                let speed_mps = 2.0 + 3.0 * t + k as f64;
                let slip_mps = 1.6 * strength * x;
                run.push(Sample {
                    step_s: if i == 0 { 0.0 } else { 0.02 },
                    speed_mps,
                    slip_ratio: slip_mps / speed_mps,
                    bar: 14.0 * strength * (1.0 - (-(t - 0.12).max(0.0) / 0.05).exp()),
                    accel_mps2: 0.0,
                    sliding_mps: 0.53 * slip_mps,
                    turn_rad: 0.0,
                    used: Use::Slips,
                });
            }
            // Acceleration and wheel loads depend on each other; a few rounds settle them.
            for _ in 0..20 {
                let rest = residuals(&run, p, [0.0; 2]);
                for (s, r) in run.iter_mut().zip(&rest) {
                    s.accel_mps2 -= r.unwrap_or(0.0);
                }
            }
            for s in &mut run {
                s.accel_mps2 += noise * random.normal();
            }
            run
        })
        .collect()
}

fn parameters(d: f64, slope: f64, c: f64, k: f64, e: f64) -> Vector {
    Vector::from([d.ln(), slope.ln(), c, k.ln(), e, -0.15])
}

#[test]
fn the_torque_that_was_put_in_comes_out_on_gravel_and_on_snow() {
    for (d, slope, c) in [(0.60, 6.7, 1.6), (0.30, 3.0, 2.0)] {
        for k in [0.12, 0.07] {
            let truth = parameters(d, slope, c, k, -0.05);
            let fit = fit(&made(&truth, 6, 0.05), 0.12).unwrap();
            let off = (fit.slope / k).ln();
            assert!(
                off.abs() < 3.0 * fit.u_log_slope && off.abs() < 0.15,
                "{d} {k}: {off} {fit:?}"
            );
        }
    }
}

#[test]
fn without_slip_there_is_nothing_to_fit() {
    let truth = parameters(0.6, 6.7, 1.6, 0.12, 0.0);
    let mut runs = made(&truth, 6, 0.05);
    for s in runs.iter_mut().flatten() {
        s.used = Use::Passed;
    }
    assert!(fit(&runs, 0.12).is_none());
}
