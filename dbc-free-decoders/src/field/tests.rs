//! Bits in, numbers out, and back.

use proptest::prelude::*;

use super::*;

fn field(start: u16, length: u8, order: BitOrder, coding: Coding) -> Field {
    Field::new(start, length, order, coding).unwrap()
}

fn check_extract(start: u16, length: u8, order: BitOrder, data: &[u8], raw: u64) {
    let field = field(start, length, order, Coding::Unsigned);
    assert_eq!(
        field.extract(data),
        Some(raw),
        "{order:?} {start}+{length} of {data:02x?}"
    );
}

#[test]
fn bits_are_numbered_as_the_module_says() {
    let data = [0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF1];
    check_extract(0, 16, BitOrder::Big, &data, 0x1234);
    check_extract(4, 12, BitOrder::Big, &data, 0x234);
    check_extract(0, 1, BitOrder::Big, &[0x80], 1);
    check_extract(7, 1, BitOrder::Big, &[0x01], 1);
    check_extract(7, 2, BitOrder::Big, &[0x01, 0x80], 3);
    check_extract(0, 64, BitOrder::Big, &data, 0x1234_5678_9ABC_DEF1);
    check_extract(0, 16, BitOrder::Little, &data, 0x3412);
    check_extract(4, 8, BitOrder::Little, &data, 0x41);
    check_extract(0, 1, BitOrder::Little, &[0x01], 1);
    check_extract(7, 1, BitOrder::Little, &[0x80], 1);
    check_extract(7, 2, BitOrder::Little, &[0x80, 0x01], 3);
    check_extract(0, 64, BitOrder::Little, &data, 0xF1DE_BC9A_7856_3412);
    // Nine bytes touched.
    let nine = [0x01, 0x23, 0x45, 0x67, 0x89, 0xAB, 0xCD, 0xEF, 0x10];
    check_extract(4, 64, BitOrder::Big, &nine, 0x1234_5678_9ABC_DEF1);
    check_extract(4, 64, BitOrder::Little, &nine, 0x0EFC_DAB8_9674_5230);
    // The last byte of the longest frame.
    let mut long = [0; 64];
    long[63] = 0x81;
    check_extract(504, 8, BitOrder::Big, &long, 0x81);
    check_extract(504, 8, BitOrder::Little, &long, 0x81);
}

#[test]
fn a_short_frame_has_the_fields_that_end_in_it() {
    for order in [BitOrder::Big, BitOrder::Little] {
        check_extract(8, 16, order, &[0, 0xAA, 0xAA], 0xAAAA);
        let field = field(8, 17, order, Coding::Unsigned);
        assert_eq!(field.extract(&[0, 0xAA, 0xAA]), None);
        let mut data = [7; 3];
        let refused = FrameTooShort {
            need_bytes: 4,
            have_bytes: 3,
        };
        assert_eq!(field.insert(&mut data, 0), Err(refused));
        assert_eq!(data, [7; 3]);
    }
}

#[test]
fn impossible_fields_are_refused() {
    let check = |start, length, coding, error| {
        assert_eq!(Field::new(start, length, BitOrder::Big, coding), Err(error));
    };
    check(0, 0, Coding::Unsigned, FieldError::Length { length: 0 });
    check(0, 65, Coding::Signed, FieldError::Length { length: 65 });
    check(0, 16, Coding::Float, FieldError::FloatLength { length: 16 });
    check(
        505,
        8,
        Coding::Unsigned,
        FieldError::BeyondFrame {
            start: 505,
            length: 8,
        },
    );
    let start = u16::MAX;
    check(
        start,
        8,
        Coding::Unsigned,
        FieldError::BeyondFrame { start, length: 8 },
    );
}

/// An answer is longer than a frame, and its fields follow the same definition.
#[test]
fn fields_of_an_answer_lie_anywhere_in_it() {
    let data: Vec<u8> = (0..MAX_ANSWER_BYTES)
        .map(|n| (n * 37 % 251) as u8)
        .collect();
    let starts = [0, 505, 511, 2000, 32_728, MAX_ANSWER_BITS - 64];
    for order in [BitOrder::Big, BitOrder::Little] {
        for (start, length) in starts.into_iter().flat_map(|s| [1, 13, 64].map(|n| (s, n))) {
            let field = Field::in_answer(start, length, order, Coding::Unsigned).unwrap();
            let raw = field.extract(&data).unwrap();
            for significance in 0..u16::from(length) {
                let (byte, weight) = place(&field, significance);
                let is_set = data[byte] & weight != 0;
                assert_eq!(raw >> significance & 1 == 1, is_set, "{field:?}");
            }
            let mut copy = vec![0; MAX_ANSWER_BYTES];
            field.insert(&mut copy, raw).unwrap();
            assert_eq!(field.extract(&copy), Some(raw), "{field:?}");
            let other = match order {
                BitOrder::Big => BitOrder::Little,
                BitOrder::Little => BitOrder::Big,
            };
            let whole = Field::in_answer(start / 8 * 8, 8, other, Coding::Unsigned).unwrap();
            assert!(field.shares_bits(&whole), "{field:?}");
        }
        let start = MAX_ANSWER_BITS - 7;
        assert_eq!(
            Field::in_answer(start, 8, order, Coding::Unsigned),
            Err(FieldError::BeyondAnswer { start, length: 8 })
        );
    }
}

#[test]
fn codes_stand_for_numbers() {
    let check = |length, coding, raw, number: f64| {
        let field = field(0, length, BitOrder::Big, coding);
        assert_eq!(field.number(raw), number, "{length} {coding:?} {raw:#x}");
        assert_eq!(
            field.nearest_raw(number),
            raw,
            "{length} {coding:?} {number}"
        );
    };
    check(1, Coding::Signed, 1, -1.0);
    check(8, Coding::Unsigned, 0xFF, 255.0);
    check(8, Coding::Signed, 0xFF, -1.0);
    check(8, Coding::Signed, 0x80, -128.0);
    check(64, Coding::Signed, 1 << 63, -9_223_372_036_854_775_808.0);
    check(32, Coding::Float, 0x3FC0_0000, 1.5);
    check(64, Coding::Float, 0xBFF8_0000_0000_0000, -1.5);
}

#[test]
fn numbers_beyond_the_codes_take_the_nearest_code() {
    let check = |length, coding, number, raw| {
        assert_eq!(
            field(0, length, BitOrder::Big, coding).nearest_raw(number),
            raw
        );
    };
    check(8, Coding::Unsigned, 1e9, 0xFF);
    check(8, Coding::Unsigned, -3.0, 0);
    check(8, Coding::Unsigned, f64::NAN, 0);
    check(8, Coding::Signed, 1e9, 0x7F);
    check(8, Coding::Signed, -1e9, 0x80);
    check(64, Coding::Unsigned, f64::INFINITY, u64::MAX);
    check(64, Coding::Signed, f64::INFINITY, u64::MAX >> 1);
}

fn any_field() -> impl Strategy<Value = Field> {
    let coding = prop_oneof![
        Just(Coding::Unsigned),
        Just(Coding::Signed),
        Just(Coding::Float)
    ];
    let order = prop_oneof![Just(BitOrder::Big), Just(BitOrder::Little)];
    (1_u8..=64, coding, order)
        .prop_flat_map(|(length, coding, order)| {
            let length = match coding {
                Coding::Float if length <= 32 => 32,
                Coding::Float => 64,
                _ => length,
            };
            (
                0..=MAX_DATA_BITS - u16::from(length),
                Just((length, coding, order)),
            )
        })
        .prop_map(|(start, (length, coding, order))| field(start, length, order, coding))
}

/// The bit of the module's definition, one at a time: index of the byte, and its weight there.
fn place(field: &Field, significance: u16) -> (usize, u8) {
    let bit = match field.order() {
        BitOrder::Big => field.start() + u16::from(field.length()) - 1 - significance,
        BitOrder::Little => field.start() + significance,
    };
    let weight = match field.order() {
        BitOrder::Big => 0x80 >> (bit % 8),
        BitOrder::Little => 1 << (bit % 8),
    };
    (usize::from(bit / 8), weight)
}

proptest! {
    #[test]
    fn what_is_put_in_comes_out_and_nothing_else_changes(
        field in any_field(),
        raw: u64,
        fill: u8,
        spare in 0_usize..9,
    ) {
        let bytes = (field.needed_bytes() + spare).min(MAX_DATA_BYTES);
        let mut data = vec![fill; bytes];
        field.insert(&mut data, raw).unwrap();
        prop_assert_eq!(field.extract(&data), Some(raw & field.mask()));
        for (byte, mask) in data.iter().zip(field.byte_masks()) {
            prop_assert_eq!(byte & !mask, fill & !mask);
        }
    }

    #[test]
    fn extraction_follows_the_definition_bit_by_bit(
        field in any_field(),
        data in prop::array::uniform32(any::<u8>()),
    ) {
        let data = [data, data].concat();
        let raw = field.extract(&data).unwrap();
        for significance in 0..u16::from(field.length()) {
            let (byte, weight) = place(&field, significance);
            prop_assert_eq!(raw >> significance & 1 == 1, data[byte] & weight != 0);
        }
    }

    #[test]
    fn fields_share_bits_where_they_have_a_place_in_common(a in any_field(), b in any_field()) {
        let places = |field: &Field| -> Vec<(usize, u8)> {
            (0..u16::from(field.length())).map(|bit| place(field, bit)).collect()
        };
        let (of_a, of_b) = (places(&a), places(&b));
        let common = of_a.iter().any(|place| of_b.contains(place));
        prop_assert_eq!(a.shares_bits(&b), common);
        prop_assert!(a.shares_bits(&a));
    }

    #[test]
    fn every_whole_number_code_is_its_own_nearest(field in any_field(), raw: u64) {
        // An f64 holds whole numbers of up to 53 bits exactly.
        prop_assume!(field.length() <= 53 && field.coding() != Coding::Float);
        let raw = raw & field.mask();
        prop_assert_eq!(field.nearest_raw(field.number(raw)), raw);
    }
}
