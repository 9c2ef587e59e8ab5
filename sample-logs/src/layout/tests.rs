//! Layouts read back from their decoder files, and are what they promise.

use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::field::BitOrder;

use super::*;

fn check_reads_back(options: &LayoutOptions) {
    let messages = messages(options).unwrap();
    let file = decoder_file("training estate car", &messages);
    let parsed = DecoderFile::parse(&file.to_toml()).unwrap();
    assert_eq!(parsed.file, file);
    assert_eq!(parsed.warnings, Vec::new(), "no overlapping fields");
    for message in &messages {
        let end = message
            .entry
            .signals
            .iter()
            .map(|s| usize::from(s.field.start()) + usize::from(s.field.length()))
            .max()
            .unwrap();
        let room = 8 * usize::from(message.entry.length_bytes)
            - if message.protection.is_none() { 0 } else { 12 };
        assert!(end <= room, "{:?}", message.entry.name);
    }
}

#[test]
fn the_decoder_file_reads_back_whole() {
    check_reads_back(&LayoutOptions::default());
    check_reads_back(&LayoutOptions {
        order: BitOrder::Little,
        extended: true,
        buses: 1,
        omit: vec![Role::CouplingDemand, Role::BodyYawRate],
        ..LayoutOptions::default()
    });
}

/// What a drawn layout promises, for a thousand cars.
#[test]
fn drawn_layouts_keep_their_promises() {
    let (mut extended, mut little, mut answered, mut satellites) = (0, 0, 0, 0);
    for seed in 0..1000 {
        let options = LayoutOptions::drawn(seed);
        let list = messages(&options).unwrap();
        assert_eq!(list, messages(&options).unwrap(), "{seed}");
        assert!((60..=120).contains(&list.len()), "{seed}: {}", list.len());
        let mut ids: Vec<_> = list.iter().map(|m| (m.bus, m.entry.id)).collect();
        ids.sort();
        ids.dedup();
        assert_eq!(ids.len(), list.len(), "{seed}: identifiers are told apart");

        let file = decoder_file("unknown", &list);
        let parsed = DecoderFile::parse(&file.to_toml()).unwrap();
        assert_eq!(parsed.file, file, "{seed}");
        let roles = file.roles();
        assert!(Role::WHEELS.iter().all(|role| roles.contains(role)));
        assert!(roles.contains(&Role::CouplingPressure), "{seed}");
        let wheels: Vec<_> = file.frames_with(Role::WheelSpeedFrontLeft).collect();
        extended += usize::from(wheels[0].id.is_extended());
        little += usize::from(wheels[0].signals[0].field.order() == BitOrder::Little);
        answered += file.requests.len();
        satellites += usize::from(roles.contains(&Role::GroundSpeed));
        for message in &list {
            no_bit_is_used_twice(message);
        }
    }
    // Binomial shares of a thousand, five deviations wide.
    let near = |count: usize, share: f64| {
        let deviation = (1000.0 * share * (1.0 - share)).sqrt();
        (count as f64 - 1000.0 * share).abs() < 5.0 * deviation
    };
    assert!(near(extended, 2.5 / 6.0), "{extended}");
    assert!(near(little, 0.5), "{little}");
    assert!(near(answered, 0.6), "{answered}");
    assert!(near(satellites, 0.5), "{satellites}");
}

fn no_bit_is_used_twice(message: &Message) {
    let length = usize::from(message.entry.length_bytes);
    let mut fields: Vec<[u8; 64]> = message
        .entry
        .signals
        .iter()
        .map(|signal| {
            assert!(signal.field.needed_bytes() <= length, "{message:?}");
            signal.field.byte_masks()
        })
        .collect();
    let protection = message.protection;
    fields.extend(protection.counter.map(|field| field.byte_masks()));
    fields.extend(protection.checksum.map(|(at, _)| {
        let mut masks = [0; 64];
        masks[usize::from(at)] = 0xFF;
        masks
    }));
    let mut used = [0_u8; 64];
    for masks in fields {
        for (used, mask) in used.iter_mut().zip(masks) {
            assert_eq!(*used & mask, 0, "{message:?}");
            *used |= mask;
        }
    }
}

#[test]
fn a_car_behind_a_gateway_sends_no_wheel_speeds_and_still_decoys() {
    let options = LayoutOptions {
        omit: Role::WHEELS.to_vec(),
        ..LayoutOptions::drawn(5)
    };
    let file = decoder_file("unknown", &messages(&options).unwrap());
    assert!(file.roles().iter().all(|role| !Role::WHEELS.contains(role)));
    let text = file.to_toml();
    assert!(text.contains("displayed speed"), "{text}");
}
