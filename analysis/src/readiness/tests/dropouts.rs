//! What drops out together, and on whose account.

use super::*;

/// Eight identifiers every 20 ms; some of them away for a second, four times.
fn outages(away: &[u16], errors: bool) -> Vec<ReadinessFinding> {
    let mut watch = TrafficWatch::new();
    watch.add_bus(BusIndex::new(0), "can0");
    for k in 0..3000_i64 {
        let t_ns = EPOCH_NS + k * 20_000_000;
        let out = k % 700 > 300 && k % 700 < 350;
        for id in 0..8_u16 {
            if out && away.contains(&id) {
                continue;
            }
            watch.push(&Frame {
                t_ns: t_ns + i64::from(id) * 300_000,
                bus: BusIndex::new(0),
                id: CanId::Base(0x100 + id),
                flags: FrameFlags::default(),
                data: &[1, 2, 3],
            });
        }
        if errors && k % 700 == 300 {
            watch.push(&Frame {
                t_ns,
                bus: BusIndex::new(0),
                id: CanId::Extended(0x8),
                flags: FrameFlags {
                    error: true,
                    ..FrameFlags::default()
                },
                data: &[0; 8],
            });
        }
    }
    let mut trial = Trial::new();
    trial.traffic = watch.finish();
    trial.assessed().findings
}

/// Two buses of eight frames and one, silent from 30 s on for a while; the second bus a little later or
/// not at all.
fn silent_together(long_s: f64, second_too: bool) -> Readiness {
    let mut watch = TrafficWatch::new();
    watch.add_bus(BusIndex::new(0), "can0");
    watch.add_bus(BusIndex::new(1), "can1");
    for k in 0..6_000_i64 {
        let lost = (30.0..30.0 + long_s).contains(&(k as f64 * 0.01));
        for (bus, id) in (0..8_u16).map(|id| (0, id)).chain([(1, 9)]) {
            if lost && (bus == 0 || second_too) {
                continue;
            }
            watch.push(&Frame {
                t_ns: EPOCH_NS + k * 10_000_000 + i64::from(id) * 300_000,
                bus: BusIndex::new(bus),
                id: CanId::Base(0x100 + id),
                flags: FrameFlags::default(),
                data: &[1, 2, 3],
            });
        }
    }
    let mut trial = Trial::new();
    trial.traffic = watch.finish();
    trial.assessed()
}

/// Eight identifiers every 20 ms that stop one after another within the last seconds; the car stands since
/// before that, or rolls on.
fn switched_off(seconds: f64, stands: bool) -> Readiness {
    let mut trial = Trial::new();
    let ends_s = SECONDS + 10.0;
    if stands {
        for role in Role::WHEELS {
            trial.set(role, |t, v| if t > SECONDS - 2.0 { 0.0 } else { v });
        }
    }
    let mut watch = TrafficWatch::new();
    watch.add_bus(BusIndex::new(0), "can0");
    for k in 0..(50.0 * ends_s) as i64 {
        for id in 0..8_u16 {
            let until_s = ends_s - seconds * f64::from(7 - id) / 7.0;
            if k as f64 * 0.02 > until_s {
                continue;
            }
            watch.push(&Frame {
                t_ns: EPOCH_NS + k * 20_000_000 + i64::from(id) * 300_000,
                bus: BusIndex::new(0),
                id: CanId::Base(0x100 + id),
                flags: FrameFlags::default(),
                data: &[1, 2, 3],
            });
        }
    }
    trial.traffic = watch.finish();
    trial.assessed()
}

#[test]
fn a_standing_car_that_goes_to_sleep_drops_nothing_out() {
    for seconds in [0.3, 2.9, 9.0] {
        let told = |stands| {
            let of = ["control_unit", "bus_branch", "bus"];
            let readiness = switched_off(seconds, stands);
            let mut findings = readiness.findings.iter();
            findings.any(|f| of.contains(&f.what))
        };
        assert!(!told(true), "{seconds}");
        assert!(seconds < 1.0 || told(false), "{seconds}");
    }
}

#[test]
fn buses_that_fall_silent_at_once_are_the_recorders() {
    for (long_s, blocking) in [(0.15, false), (1.5, true)] {
        let together = silent_together(long_s, true);
        let [finding] = together.findings.as_slice() else {
            panic!("{:?}", together.findings);
        };
        assert_eq!((finding.what, finding.blocking), ("recording", blocking));
        assert!(
            finding.evidence[0].starts_with("1 drop-out, "),
            "{finding:?}"
        );
        let alone = silent_together(long_s, false);
        assert_eq!(alone.findings[0].what, "bus", "{:?}", alone.findings);
    }
}

/// What is asked for is known where somebody asked, and its own traffic is nobody's drop-out.
#[test]
fn a_signal_that_is_asked_for_is_judged_where_somebody_asked() {
    let file = "decoder.name = \"asks\"\n[[request]]\nservice = 1\npid = 0x0C\n\
        [[request.signal]]\nrole = \"engine.speed\"\nstart = 0\nlength = 16\norder = \"big\"\n\
        scale = 0.25\nunit = \"rpm\"\n";
    let asks = DecoderFile::parse(file).unwrap().file.requests;
    let mut trial = Trial::new();
    trial.described.requests = asks;
    assert_eq!(
        trial.assessed().signal(Role::EngineSpeed),
        None,
        "nobody asked"
    );
    let mut watch = TrafficWatch::new();
    watch.add_bus(BusIndex::new(0), "can0");
    for k in 0..150_i64 {
        for (id, late_ns) in [(0x7DF, 0), (0x7E8, 5_000_000)] {
            watch.push(&Frame {
                t_ns: EPOCH_NS + k * 200_000_000 + late_ns,
                bus: BusIndex::new(0),
                id: CanId::Base(id),
                flags: FrameFlags::default(),
                data: &[1, 2, 3],
            });
        }
    }
    // Something goes on, so that asking has an end before the bus has.
    for k in 0..6_000_i64 {
        watch.push(&Frame {
            t_ns: EPOCH_NS + k * 10_000_000,
            bus: BusIndex::new(0),
            id: CanId::Base(0x100),
            flags: FrameFlags::default(),
            data: &[0; 8],
        });
    }
    trial.traffic = watch.finish();
    let state = trial.assessed().signal(Role::EngineSpeed).cloned().unwrap();
    assert_eq!((state.state, state.described), (State::Missing, true));
    assert_eq!(
        state.why.as_deref(),
        Some("no answer from 0x7E8 brought it")
    );
    let times: Vec<f64> = (0..300).map(|k| f64::from(k) * 0.2).collect();
    let answered = series(Role::EngineSpeed, Unit::RevolutionPerMinute, &times, |_| {
        1800.0
    });
    trial.signals.series.push(answered);
    let readiness = trial.assessed();
    assert_eq!(
        readiness.signal(Role::EngineSpeed).unwrap().state,
        State::Alive
    );
    assert_eq!(readiness.findings, []);
}

#[test]
fn what_drops_out_together_says_where_the_fault_is() {
    let one = outages(&[3], false);
    assert!(one.iter().any(|f| f.what == "control_unit"), "{one:?}");
    let branch = outages(&[1, 4, 6], true);
    let found = branch.iter().find(|f| f.what == "bus_branch").unwrap();
    assert!(found.why.contains("3 identifiers") && found.why.contains("error frames"));
    let whole = outages(&[0, 1, 2, 3, 4, 5, 6, 7], false);
    assert!(whole.iter().any(|f| f.what == "bus"), "{whole:?}");
    assert_eq!(outages(&[], false), []);
}
