//! Clocks that are set, and sleep.

use super::*;

#[test]
fn a_clock_step_moves_no_stamp_of_a_drive() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    for n in 0..20 {
        let boot = S + i64::from(n) * 100 * MS;
        let step = if n < 10 { 0 } else { -7_200 * S };
        let now = Reading {
            real_ns: BOOT_REAL_NS + boot + step,
            ..at(boot)
        };
        recorder.frames(bus, &batch([data(now.real_ns - MS, n)]), now);
        recorder.tick(now);
    }
    let later = Reading {
        real_ns: BOOT_REAL_NS - 7_200 * S + 40 * S,
        ..at(40 * S)
    };
    recorder.tick(later);
    let held = content(&disk(&recorder)[0].bytes);
    let expected: Vec<(i64, u32)> = (0..20)
        .map(|n| (BOOT_REAL_NS + S + i64::from(n) * 100 * MS - MS, n))
        .collect();
    assert_eq!(held.frames, expected);
    assert!(
        held.marks.iter().any(|m| m.contains("-7200.000 s")),
        "{:?}",
        held.marks
    );
    // The next drive follows the new wall time.
    let now = Reading {
        real_ns: BOOT_REAL_NS - 7_200 * S + 50 * S,
        ..at(50 * S)
    };
    recorder.frames(bus, &batch([data(now.real_ns, 99)]), now);
    recorder.stop(End::Stopped, now);
    assert_eq!(
        content(&disk(&recorder)[1].bytes).frames,
        [(now.real_ns, 99)]
    );
}

#[test]
fn sleep_longer_than_silence_parts_two_drives() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    recorder.frames(bus, &batch([data(BOOT_REAL_NS + S, 1)]), at(S));
    let awake = Reading {
        awake_ns: 2 * S,
        ..at(602 * S)
    };
    recorder.frames(bus, &batch([data(BOOT_REAL_NS + 602 * S, 2)]), awake);
    recorder.stop(End::Stopped, awake);
    let drives: Vec<Content> = disk(&recorder).iter().map(|f| content(&f.bytes)).collect();
    assert_eq!(drives.len(), 2);
    assert!(
        drives[0]
            .marks
            .iter()
            .any(|m| m.contains("slept for 600.0 s"))
    );
    assert_eq!((drives[0].frames[0].1, drives[1].frames[0].1), (1, 2));
}
