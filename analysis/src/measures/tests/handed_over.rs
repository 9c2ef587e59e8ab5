//! Frames that an adapter hands over in batches, and frames that come late.

use super::*;

const TRUTH_MS: [(Measure, f64); 3] = [
    (Measure::DeadTime, 1e3 * (DEAD_S + TAU_S * 0.105_360_516)),
    (
        Measure::EngagementDelay,
        1e3 * (DEAD_S + TAU_S * std::f64::consts::LN_2),
    ),
    (Measure::RiseTime, 1e3 * TAU_S * 2.197_224_577),
];

/// Times of all engagements, and how many lie beyond two of their uncertainties.
fn times_hold(drive: &DriveMeasures, most_u_ms: f64, most_beyond: usize) {
    assert_eq!(drive.engagements.len(), 8, "{:?}", drive.warnings);
    for (m, truth_ms) in TRUTH_MS {
        let mut beyond = 0;
        for e in &drive.engagements {
            let found = e.measured(m).clone().unwrap();
            let off = (found.value - truth_ms).abs() / found.u;
            assert!(
                off < 4.0 && found.u < most_u_ms,
                "{m}: {found:?}, true {truth_ms}"
            );
            beyond += usize::from(off > 2.0);
        }
        assert!(beyond <= most_beyond, "{m}: {beyond} of 8");
    }
}

#[test]
fn frames_stamped_in_batches_are_spread_by_their_period_and_it_is_told() {
    for (batch_ns, seed) in [(20_000_000, 31), (50_000_000, 32), (33_000_000, 33)] {
        let mut signals = trial().signals(seed);
        for t in signals.series.iter_mut().flat_map(|s| &mut s.t_ns) {
            *t = (*t + batch_ns - 1).div_euclid(batch_ns) * batch_ns;
        }
        let drive = measured(&signals);
        // Both demand and pressure may lie anywhere within a frame of 10 ms, all over the drive.
        times_hold(&drive, 6.0, 8);
        let told = drive.warnings.iter().filter(|w| w.contains("in batches"));
        assert_eq!(told.count(), 1, "{:?}", drive.warnings);
    }
}

#[test]
fn a_late_frame_of_pressure_moves_no_time() {
    let mut signals = trial().signals(34);
    let mut random = Random::new(35);
    for s in &mut signals.series {
        if s.key.role() != Some(Role::CouplingPressure) {
            continue;
        }
        for t in &mut s.t_ns {
            if random.uniform() < 0.05 {
                *t += (9e6 + 10e6 * random.uniform()) as i64;
            }
        }
        for k in 1..s.t_ns.len() {
            s.t_ns[k] = s.t_ns[k].max(s.t_ns[k - 1] + 1000);
        }
    }
    times_hold(&measured(&signals), 4.0, 2);
}
