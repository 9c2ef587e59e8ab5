//! Frames in, messages and flow control out.

use proptest::prelude::*;

use super::*;

const MS: i64 = 1_000_000;

fn need_more(missing_bytes: usize) -> Received {
    Received {
        progress: Progress::NeedMore { missing_bytes },
        ..IGNORED
    }
}

fn clear_to_send(block_size: u8) -> Option<FlowControl> {
    let separation = SeparationTime::NONE;
    Some(FlowControl {
        status: FlowStatus::ContinueToSend,
        block_size,
        separation,
    })
}

/// The form of a 20-byte answer to 09 02 (SAE J1979 service 09; ISO 15765-2 first frame length
/// 0x014), with an identification number of our own invention.
#[test]
fn a_message_of_three_frames() {
    let mut receiver = Receiver::new(ReceiverSettings::default());
    let first = receiver.on_frame(0, &[0x10, 0x14, 0x49, 0x02, 0x01, b'S', b'L', b'I']);
    assert_eq!(
        first,
        Received {
            reply: clear_to_send(0),
            ..need_more(14)
        }
    );
    assert_eq!(receiver.deadline_ns(), Some(1000 * MS));
    assert_eq!(receiver.on_frame(10 * MS, b"\x21PWRIGHT"), need_more(7));
    let last = receiver.on_frame(20 * MS, b"\x220000001");
    let mut whole = vec![0x49, 0x02, 0x01];
    whole.extend_from_slice(b"SLIPWRIGHT0000001");
    assert_eq!(whole.len(), 20);
    assert_eq!(
        last,
        Received {
            progress: Progress::Complete(whole),
            ..IGNORED
        }
    );
    assert_eq!(receiver.deadline_ns(), None);
}

#[test]
fn blocks_are_acknowledged() {
    let settings = ReceiverSettings {
        block_size: 2,
        ..ReceiverSettings::default()
    };
    let mut receiver = Receiver::new(settings);
    let first = receiver.on_frame(0, &[0x10, 48, 0, 0, 0, 0, 0, 0]);
    assert_eq!(first.reply, clear_to_send(2));
    let replies: Vec<bool> = (1..=6_u8)
        .map(|n| {
            receiver
                .on_frame(0, &[0x20 | n, 0, 0, 0, 0, 0, 0, 0])
                .reply
                .is_some()
        })
        .collect();
    assert_eq!(
        replies,
        [false, true, false, true, false, false],
        "none after the last frame"
    );
}

#[test]
fn a_lost_frame_ends_the_message() {
    let mut receiver = Receiver::new(ReceiverSettings::default());
    let _ = receiver.on_frame(0, &[0x10, 20, 0, 0, 0, 0, 0, 0]);
    let wrong = receiver.on_frame(0, &[0x22, 0, 0, 0, 0, 0, 0, 0]);
    assert_eq!(
        wrong.fault,
        Some(ReceiveFault::WrongSequence {
            expected: 1,
            found: 2
        })
    );
    assert_eq!(receiver.on_frame(0, &[0x21, 0, 0, 0, 0, 0, 0, 0]), IGNORED);
}

#[test]
fn silence_ends_the_message() {
    let mut receiver = Receiver::new(ReceiverSettings::default());
    let _ = receiver.on_frame(0, &[0x10, 20, 0, 0, 0, 0, 0, 0]);
    assert_eq!(
        receiver.on_time(1000 * MS),
        None,
        "the limit itself is in time"
    );
    let fault = ReceiveFault::Timeout {
        received_bytes: 6,
        length: 20,
    };
    assert_eq!(receiver.on_time(1000 * MS + 1), Some(fault));
    assert_eq!(receiver.on_time(2000 * MS), None, "reported once");

    let _ = receiver.on_frame(0, &[0x10, 20, 0, 0, 0, 0, 0, 0]);
    let late = receiver.on_frame(1001 * MS, &[0x21, 0, 0, 0, 0, 0, 0, 0]);
    assert_eq!(
        late,
        Received {
            fault: Some(fault),
            ..IGNORED
        }
    );
}

#[test]
fn a_new_message_replaces_the_one_under_way() {
    let mut receiver = Receiver::new(ReceiverSettings::default());
    let _ = receiver.on_frame(0, &[0x10, 20, 0, 0, 0, 0, 0, 0]);
    let single = receiver.on_frame(0, &[0x01, 0x7E]);
    assert_eq!(single.progress, Progress::Complete(vec![0x7E]));
    let fault = ReceiveFault::Interrupted {
        received_bytes: 6,
        length: 20,
    };
    assert_eq!(single.fault, Some(fault));
}

#[test]
fn frames_of_another_length_are_ignored() {
    let mut receiver = Receiver::new(ReceiverSettings::default());
    let _ = receiver.on_frame(0, &[0x10, 20, 0, 0, 0, 0, 0, 0]);
    assert_eq!(
        receiver.on_frame(0, &[0x21, 0, 0]),
        IGNORED,
        "too short to be in the middle"
    );
    assert_eq!(
        receiver.on_frame(0, &[0x21; 12]),
        IGNORED,
        "longer than the first"
    );
    assert_eq!(receiver.on_frame(0, &[0x21; 8]), need_more(7));
    let last = receiver.on_frame(0, &[0x22; 8]);
    assert!(matches!(last.progress, Progress::Complete(_)));
}

#[test]
fn a_message_above_the_limit_is_refused_and_takes_no_memory() {
    let mut receiver = Receiver::new(ReceiverSettings::default());
    let huge = receiver.on_frame(0, &[0x10, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 1, 2]);
    assert_eq!(huge.progress, Progress::TooLong { length: u32::MAX });
    assert_eq!(huge.reply, Some(FlowControl::OVERFLOW));
    assert!(receiver.partial.is_none());

    // Even where a big message is allowed, only what arrived is held.
    let settings = ReceiverSettings {
        max_message_bytes: usize::MAX,
        ..ReceiverSettings::default()
    };
    let mut receiver = Receiver::new(settings);
    let _ = receiver.on_frame(0, &[0x10, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 1, 2]);
    assert!(
        receiver
            .partial
            .is_some_and(|partial| partial.message.capacity() <= 64)
    );
}

proptest! {
    #[test]
    fn arbitrary_frames_never_panic_and_memory_stays_bounded(
        frames in prop::collection::vec(
            (-10_i64..2_000_000_000, prop::collection::vec(any::<u8>(), 0..=64)), 0..200),
        block_size: u8,
        max_message_bytes in 0_usize..200,
    ) {
        let settings =
            ReceiverSettings { block_size, max_message_bytes, ..ReceiverSettings::default() };
        let mut receiver = Receiver::new(settings);
        for (t_ns, frame) in frames {
            if let Progress::Complete(message) = receiver.on_frame(t_ns, &frame).progress {
                prop_assert!(message.len() <= max_message_bytes);
            }
            if let Some(partial) = &receiver.partial {
                prop_assert!(partial.message.len() < partial.length);
                prop_assert!(partial.message.capacity() <= 2 * max_message_bytes.max(64));
            }
        }
    }
}
