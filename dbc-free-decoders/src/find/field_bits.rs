//! Where a field's ends lie in the order in which bits are sent, whichever its own order is.
//!
//! Bit 0 is sent first, the highest of byte 0; `segment` and the searches for wheel speeds compare
//! places by it.

use crate::field::{BitOrder, Coding, Field};

/// The little-endian number of a bit numbered as sent.
pub(crate) fn little_number(sent: usize) -> usize {
    sent / 8 * 8 + 7 - sent % 8
}

/// The bit of a field that is sent first, for an order by place.
pub(crate) fn first_bit_sent(field: &Field) -> u16 {
    match field.order() {
        BitOrder::Big => field.start(),
        BitOrder::Little => field.start() / 8 * 8,
    }
}

/// Lowest bit as sent.
pub(crate) fn lowest_bit(field: &Field) -> usize {
    match field.order() {
        BitOrder::Big => usize::from(field.start()) + usize::from(field.length()) - 1,
        BitOrder::Little => little_number(usize::from(field.start())),
    }
}

/// Highest bit as sent.
pub(crate) fn highest_bit(field: &Field) -> usize {
    match field.order() {
        BitOrder::Big => usize::from(field.start()),
        BitOrder::Little => {
            little_number(usize::from(field.start()) + usize::from(field.length()) - 1)
        }
    }
}

/// Length of the field from its highest to its lowest bit, as sent; `None` if they do not lie so.
pub(crate) fn bits_between(high: usize, low: usize, order: BitOrder) -> Option<u8> {
    let length = match order {
        BitOrder::Big => (low + 1).checked_sub(high)?,
        BitOrder::Little => (little_number(high) + 1).checked_sub(little_number(low))?,
    };
    u8::try_from(length).ok().filter(|&length| length > 0)
}

/// The unsigned field of this length whose lowest bit, as sent, is `low`.
pub(crate) fn field_up_from(low: usize, length: u8, order: BitOrder) -> Option<Field> {
    let start = match order {
        BitOrder::Big => (low + 1).checked_sub(usize::from(length))?,
        BitOrder::Little => little_number(low),
    };
    Field::new(u16::try_from(start).ok()?, length, order, Coding::Unsigned).ok()
}
