//! What of an engagement is known where the coupling's frames were lost, or the capture ended, and what
//! is not.

use slipwright_decoders::signal::{Invalid, InvalidReason};

use super::*;
use crate::measure::Missing;

const NEED_THE_END: [Measure; 5] = [
    Measure::PeakSlip,
    Measure::SlipTime,
    Measure::SlipDistance,
    Measure::FrictionWork,
    Measure::FrictionWorkPerArea,
];

fn seconds(t_ns: i64) -> f64 {
    (t_ns - EPOCH_NS) as f64 * 1e-9
}

/// The trial's drive without the coupling's frames of a time.
fn without_coupling(seed: u64, lost_s: std::ops::Range<f64>) -> Signals {
    let mut signals = trial().signals(seed);
    for one in &mut signals.series[4..] {
        let received = one.t_ns.iter().copied().zip(one.value.iter().copied());
        let received = received.filter(|(t_ns, _)| !lost_s.contains(&seconds(*t_ns)));
        (one.t_ns, one.value) = received.unzip();
    }
    signals
}

/// The engagement of 12 to 14 s ends where its coupling was last seen, in the hold and over the
/// release, and what would need its end is missing.
#[test]
fn an_engagement_whose_frames_are_lost_ends_there_and_says_so() {
    let gaps = [12.5..12.9, 13.1..13.3, 13.7..14.6, 12.8..16.0];
    for (seed, lost_s) in (21..).zip(gaps) {
        let drive = measured(&without_coupling(seed, lost_s.clone()));
        assert_eq!(drive.engagements.len(), 8);
        let e = &drive.engagements[2];
        let end_s = seconds(e.end_ns);
        assert!(
            end_s < lost_s.start && end_s > lost_s.start - 0.02,
            "{end_s}"
        );
        for m in NEED_THE_END {
            let gap = Err(Missing::Gap(Role::CouplingDemand));
            assert_eq!(*e.measured(m), gap, "{m}");
        }
        let dead = e.measured(Measure::DeadTime).clone().unwrap();
        let truth = 1e3 * (DEAD_S + TAU_S * (10.0_f64 / 9.0).ln());
        assert!((dead.value - truth).abs() < 4.0 * dead.u, "{dead:?}");
        assert!(e.measured(Measure::RiseTime).is_ok());
        let said = |w: &String| w.contains("one engagement was still there");
        assert!(drive.warnings.iter().any(said), "{:?}", drive.warnings);
        for other in [1, 3] {
            let other = &drive.engagements[other];
            assert!(NEED_THE_END.iter().all(|m| other.measured(*m).is_ok()));
        }
    }
}

#[test]
fn a_rise_that_was_lost_is_said_to_be_lost() {
    for (seed, lost_s) in (31..).zip([12.03..12.3, 12.08..12.2]) {
        let drive = measured(&without_coupling(seed, lost_s.clone()));
        // So short a beginning may be left out; then that is said.
        let began = |e: &&Engagement| (seconds(e.start_ns) - 12.0).abs() < 0.1;
        let Some(e) = drive.engagements.iter().find(began) else {
            let said = |w: &String| w.contains("one engagement began while");
            assert!(drive.warnings.iter().any(said), "{:?}", drive.warnings);
            continue;
        };
        for m in [
            Measure::DeadTime,
            Measure::RiseTime,
            Measure::EngagementDelay,
        ] {
            assert!(
                matches!(e.measured(m), Err(Missing::Gap(_))),
                "{lost_s:?} {m} {:?}",
                e.measured(m)
            );
        }
    }
}

#[test]
fn an_engagement_that_the_capture_cuts_off_has_no_end() {
    let cut = Trial {
        duration_s: 38.0,
        ..trial()
    };
    let drive = measured(&cut.signals(41));
    let last = drive.engagements.last().unwrap();
    assert!((seconds(last.start_ns) - 37.0).abs() < 1e-6);
    for m in NEED_THE_END {
        assert!(
            matches!(last.measured(m), Err(Missing::NotIdentifiable(_))),
            "{m} {:?}",
            last.measured(m)
        );
    }
    assert!(last.measured(Measure::DeadTime).is_ok());
}

/// A frame that carries an invalid code costs what a frame costs that was not received.
#[test]
fn one_invalid_code_costs_one_frame() {
    for (seed, at_s) in (51..).zip([12.04, 12.06, 12.5, 13.0, 13.5]) {
        let mut signals = trial().signals(seed);
        for one in &mut signals.series[4..] {
            let i = one.t_ns.iter().position(|t| seconds(*t) >= at_s).unwrap();
            let t_ns = one.t_ns.remove(i);
            one.value.remove(i);
            one.invalid.push(Invalid {
                t_ns,
                reason: InvalidReason::RawCode,
            });
        }
        let e = &measured(&signals).engagements[2];
        assert!((seconds(e.end_ns) - 14.0).abs() < 0.02);
        for m in [
            Measure::DeadTime,
            Measure::RiseTime,
            Measure::FrictionWork,
            Measure::Hold,
            Measure::Ripple,
            Measure::SlipDistance,
        ] {
            assert!(e.measured(m).is_ok(), "{at_s} {m} {:?}", e.measured(m));
        }
    }
}
