//! What is recorded besides the car's own frames: marks, guests, and what this program sends.

use super::*;

#[test]
fn marks_need_a_drive_and_keep_their_time() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    assert_eq!(recorder.mark("early", at(S)), Err(MarkError::NoDrive));
    recorder.frames(bus, &batch([data(BOOT_REAL_NS + 2 * S, 1)]), at(2 * S));
    let (drive, at_s) = recorder.mark("launch 1", at(5 * S)).unwrap();
    assert!((at_s - 3.0).abs() < 1e-9);
    assert_eq!(drive, "2025-06-15T15-06-42Z");
    assert_eq!(
        recorder.mark(&"x".repeat(70_000), at(6 * S)),
        Err(MarkError::Long(70_000))
    );
    recorder.stop(End::Stopped, at(7 * S));
    assert!(
        content(&disk(&recorder)[0].bytes)
            .marks
            .contains(&"launch 1".to_owned())
    );
}

#[test]
fn a_guest_is_recorded_but_wakes_nobody() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    let gnss = recorder.add_guest("gnss");
    recorder.guest_frame(gnss, CanId::Extended(0x1F00_0001), &[1, 0, 0, 0], at(S));
    assert_eq!(disk(&recorder).len(), 0);
    recorder.frames(bus, &batch([data(BOOT_REAL_NS + 2 * S, 2)]), at(2 * S));
    recorder.guest_frame(gnss, CanId::Extended(0x1F00_0001), &[3, 0, 0, 0], at(3 * S));
    for second in 4..=32 {
        recorder.guest_frame(
            gnss,
            CanId::Extended(0x1F00_0001),
            &[3, 0, 0, 0],
            at(second * S),
        );
        recorder.tick(at(second * S));
    }
    assert_eq!(
        recorder.status(at(33 * S)).state,
        "waiting",
        "a guest keeps nobody awake"
    );
    let held = content(&disk(&recorder)[0].bytes);
    assert_eq!(held.buses, ["can0", "gnss"]);
    assert_eq!(held.frames[1], (BOOT_REAL_NS + 3 * S, 3));
}

#[test]
fn what_this_program_sends_wakes_nobody_and_is_recorded() {
    let mut recorder = recorder();
    let bus = recorder.add_bus("can0");
    let sent = |t: i64| Received {
        id: CanId::Base(0x7DF),
        ..data(BOOT_REAL_NS + t, 7)
    };
    recorder.set_own_ids(vec![CanId::Base(0x7DF)]);
    recorder.frames(bus, &batch([sent(S)]), at(S));
    assert_eq!(disk(&recorder).len(), 0);
    recorder.frames(
        bus,
        &batch([data(BOOT_REAL_NS + 2 * S, 1), sent(2 * S)]),
        at(2 * S),
    );
    for second in 3..=32 {
        recorder.frames(bus, &batch([sent(second * S)]), at(second * S));
        recorder.tick(at(second * S));
    }
    assert_eq!(recorder.status(at(33 * S)).state, "waiting");
    assert_eq!(content(&disk(&recorder)[0].bytes).frames.len(), 32);
}
