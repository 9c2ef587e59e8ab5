//! ISO-TP from end to end: senders against receivers, and the sender against a reference library.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

use proptest::prelude::*;
use slipwright_decoders::iso_tp::framing::Framing;
use slipwright_decoders::iso_tp::pdu::SeparationTime;
use slipwright_decoders::iso_tp::receiver::{Progress, Receiver, ReceiverSettings};
use slipwright_decoders::iso_tp::sender::{Sender, SenderSettings, Step};

/// Every frame of a message, the receiver's flow control being one CTS for the whole of it.
fn segment(message: &[u8], framing: Framing) -> Vec<Vec<u8>> {
    let mut sender = Sender::new(
        message.to_vec(),
        SenderSettings {
            framing,
            ..SenderSettings::default()
        },
    )
    .unwrap();
    let mut frames = Vec::new();
    loop {
        match sender.poll(0).unwrap() {
            Step::Send(frame) => frames.push(frame),
            Step::AwaitFlowControl { .. } => sender.on_frame(0, &[0x30, 0, 0]),
            Step::Pause { .. } => unreachable!("no pause was asked for"),
            Step::Done => return frames,
        }
    }
}

/// Frames as the Python library can-isotp 2.0.7 makes them (`tests/reference/iso_tp.py` wrote the
/// table). Nothing differs.
#[test]
fn segmentation_matches_the_reference_library() {
    let table = include_str!("../../tests/reference/iso_tp.txt");
    let mut checked = 0;
    for line in table.lines() {
        let [frame_bytes, padding, address, length, count, frames @ ..] =
            &line.split(' ').collect::<Vec<_>>()[..]
        else {
            panic!("{line}")
        };
        let byte = |text: &str| (text != "-").then(|| u8::from_str_radix(text, 16).unwrap());
        let framing = Framing::fd(frame_bytes.parse().unwrap())
            .unwrap()
            .with_padding(byte(padding))
            .with_address_byte(byte(address));
        let length: usize = length.parse().unwrap();
        let message: Vec<u8> = (0..length).map(|i| (7 * i + 3) as u8).collect();
        let ours = segment(&message, framing);
        assert_eq!(ours.len(), count.parse::<usize>().unwrap(), "{line}");
        let shown = match &ours[..] {
            few if few.len() <= 8 => few.to_vec(),
            many => [&many[..4], &many[many.len() - 4..]].concat(),
        };
        let hex: Vec<String> = shown
            .iter()
            .map(|f| f.iter().map(|b| format!("{b:02X}")).collect())
            .collect();
        assert_eq!(hex, frames, "{line}");
        checked += 1;
    }
    assert_eq!(checked, 442);
}

/// A layout and its address byte, the same in both directions.
type Layout = (Framing, Option<u8>);

/// One message on its way: a sender, the receiver that answers it, and their clock.
struct Exchange {
    sender: Sender,
    receiver: Receiver,
    framing: Framing,
    t_ns: i64,
    received: Option<Vec<u8>>,
}

impl Exchange {
    fn new(message: &[u8], layout: Layout, block_size: u8, separation: u8) -> Self {
        let (framing, address_byte) = layout;
        let sender_settings = SenderSettings {
            framing,
            peer_address_byte: address_byte,
            ..SenderSettings::default()
        };
        let receiver_settings = ReceiverSettings {
            address_byte,
            max_message_bytes: 10_000,
            block_size,
            separation: SeparationTime::from_code(separation),
            ..ReceiverSettings::default()
        };
        Self {
            sender: Sender::new(message.to_vec(), sender_settings).unwrap(),
            receiver: Receiver::new(receiver_settings),
            framing,
            t_ns: 0,
            received: None,
        }
    }

    /// One step; whether the sender has more to do.
    fn step(&mut self) -> bool {
        match self.sender.poll(self.t_ns).unwrap() {
            Step::Send(frame) => {
                let outcome = self.receiver.on_frame(self.t_ns, &frame);
                assert_eq!(outcome.fault, None);
                if let Some(reply) = outcome.reply {
                    self.sender
                        .on_frame(self.t_ns, &self.framing.flow_control(reply));
                }
                if let Progress::Complete(message) = outcome.progress {
                    assert_eq!(self.received.replace(message), None);
                }
            }
            Step::Pause { until_ns } => self.t_ns = until_ns,
            Step::AwaitFlowControl { .. } => panic!("the receiver owes flow control"),
            Step::Done => return false,
        }
        true
    }
}

fn any_layout() -> impl Strategy<Value = Layout> {
    let lengths = prop::sample::select(vec![8_usize, 8, 8, 12, 16, 20, 24, 32, 48, 64]);
    (lengths, any::<Option<u8>>(), any::<Option<u8>>()).prop_map(|(n, padding, address_byte)| {
        let framing = Framing::fd(n).unwrap();
        (
            framing
                .with_padding(padding)
                .with_address_byte(address_byte),
            address_byte,
        )
    })
}

fn any_message() -> impl Strategy<Value = Vec<u8>> {
    let length = prop_oneof![1_usize..=70, 1_usize..=4095, Just(4095), 4096_usize..6000];
    length.prop_flat_map(|n| prop::collection::vec(any::<u8>(), n))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn reassembly_undoes_segmentation(
        message in any_message(),
        layout in any_layout(),
        block_size in prop_oneof![Just(0_u8), any::<u8>()],
        separation: u8,
    ) {
        let mut exchange = Exchange::new(&message, layout, block_size, separation);
        while exchange.step() {}
        prop_assert_eq!(exchange.received, Some(message));
    }

    #[test]
    fn messages_of_several_senders_may_interleave(
        messages in prop::collection::vec(any_message(), 2..5),
        layout in any_layout(),
        block_size in 0_u8..10,
        order in prop::collection::vec(any::<prop::sample::Index>(), 100),
    ) {
        let mut exchanges: Vec<Exchange> =
            messages.iter().map(|m| Exchange::new(m, layout, block_size, 0)).collect();
        for index in &order {
            index.get_mut(&mut exchanges).step();
        }
        for exchange in &mut exchanges {
            while exchange.step() {}
        }
        let received: Vec<Option<Vec<u8>>> = exchanges.into_iter().map(|e| e.received).collect();
        prop_assert_eq!(received, messages.into_iter().map(Some).collect::<Vec<_>>());
    }

    /// A frame that is lost, doubled or swapped with its neighbour never yields a false message.
    #[test]
    fn a_disturbed_message_never_arrives_wrong(
        message in prop::collection::vec(any::<u8>(), 8..600),
        layout in any_layout(),
        at: prop::sample::Index,
        disturbance in 0_u8..3,
    ) {
        let (framing, address_byte) = layout;
        let mut frames = segment(&message, framing);
        let at = at.index(frames.len());
        let disturbed_frame = frames[at].clone();
        match disturbance {
            0 => { frames.remove(at); }
            1 => frames.insert(at, disturbed_frame),
            _ if at + 1 < frames.len() => frames.swap(at, at + 1),
            _ => {}
        }
        let mut receiver =
            Receiver::new(ReceiverSettings { address_byte, ..ReceiverSettings::default() });
        for frame in &frames {
            if let Progress::Complete(received) = receiver.on_frame(0, frame).progress {
                prop_assert_eq!(&received, &message);
            }
        }
    }
}
