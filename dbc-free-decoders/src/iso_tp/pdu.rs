//! One CAN frame read as an ISO-TP protocol data unit (N_PDU).
//!
//! Section numbers are those of ISO 15765-2:2016, cited from memory.

use super::MAX_SHORT_MESSAGE_BYTES;

/// What the receiver of a message tells its sender to do (FlowStatus, 9.6.5.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FlowStatus {
    /// Send the next block (CTS).
    ContinueToSend,
    /// Wait for another flow control frame (WAIT).
    Wait,
    /// The message is too long for the receiver (OVFLW).
    Overflow,
    /// A code that the standard reserves, 3 to 15.
    Reserved(u8),
}

impl FlowStatus {
    pub(super) fn from_code(code: u8) -> Self {
        match code {
            0 => Self::ContinueToSend,
            1 => Self::Wait,
            2 => Self::Overflow,
            other => Self::Reserved(other),
        }
    }

    pub(super) fn code(self) -> u8 {
        match self {
            Self::ContinueToSend => 0,
            Self::Wait => 1,
            Self::Overflow => 2,
            Self::Reserved(code) => code & 0x0F,
        }
    }
}

/// Least time between two consecutive frames (STmin, 9.6.5.4), kept as its code.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SeparationTime(u8);

impl SeparationTime {
    /// No pause.
    pub const NONE: Self = Self(0);

    /// From the code in a flow control frame.
    #[must_use]
    pub fn from_code(code: u8) -> Self {
        Self(code)
    }

    /// The code: 0x00 to 0x7F milliseconds, 0xF1 to 0xF9 hundreds of microseconds.
    #[must_use]
    pub fn code(self) -> u8 {
        self.0
    }

    /// The time in ns. A reserved code stands for the longest time, 127 ms (9.6.5.5).
    #[must_use]
    pub fn as_ns(self) -> i64 {
        match self.0 {
            milliseconds @ 0..=0x7F => i64::from(milliseconds) * 1_000_000,
            code @ 0xF1..=0xF9 => i64::from(code - 0xF0) * 100_000,
            _ => 127_000_000,
        }
    }
}

/// A flow control frame's content (9.6.5).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FlowControl {
    /// What to do.
    pub status: FlowStatus,
    /// Consecutive frames until the next flow control; 0: all of them (BS).
    pub block_size: u8,
    /// Least time between them (STmin).
    pub separation: SeparationTime,
}

impl FlowControl {
    /// Tells the sender that its message is too long.
    pub const OVERFLOW: Self = Self {
        status: FlowStatus::Overflow,
        block_size: 0,
        separation: SeparationTime::NONE,
    };
}

/// One frame, read. The data borrow the frame's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pdu<'a> {
    /// A whole message (SF).
    Single(&'a [u8]),
    /// The start of a longer one (FF).
    First {
        /// Length of the whole message, bytes.
        length: u32,
        /// Its first bytes.
        data: &'a [u8],
    },
    /// The next part of it (CF). The last one's data still carry the frame's padding.
    Consecutive {
        /// Sequence number, 0 to 15.
        sequence: u8,
        /// The part.
        data: &'a [u8],
    },
    /// What the receiver tells the sender (FC).
    FlowControl(FlowControl),
}

/// Why a frame is not a protocol data unit of this connection. The standard says to ignore it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotAPdu {
    /// Too short to hold its own header.
    #[error("the frame is too short for an ISO-TP header")]
    TooShort,
    /// Its address byte is another one.
    #[error("the frame is addressed to another control unit")]
    OtherAddress,
    /// The frame type is 4 to 15.
    #[error("ISO-TP frame type {0} is reserved")]
    ReservedType(u8),
    /// The length that it states does not fit the frame that states it.
    #[error("the frame states a length of {stated} bytes, which its form does not allow")]
    Length {
        /// Stated length, bytes.
        stated: u32,
    },
}

/// Reads a frame's data bytes (9.6).
///
/// `address_byte` is the byte that extended or mixed addressing puts first; `None` for normal
/// addressing, which OBD-II uses.
///
/// # Errors
/// When the frame is none of ours or breaks the rules of 9.6.2.2 and 9.6.3.2.
pub fn read(frame: &[u8], address_byte: Option<u8>) -> Result<Pdu<'_>, NotAPdu> {
    let content = match (address_byte, frame) {
        (None, all) => all,
        (Some(ours), [first, rest @ ..]) if *first == ours => rest,
        (Some(_), [_, ..]) => return Err(NotAPdu::OtherAddress),
        (Some(_), []) => return Err(NotAPdu::TooShort),
    };
    match content {
        [] => Err(NotAPdu::TooShort),
        [control @ 0x00..=0x0F, rest @ ..] => read_single(frame.len(), *control, rest),
        [control @ 0x10..=0x1F, low, rest @ ..] => {
            let address_bytes = frame.len() - content.len();
            read_first(
                frame.len(),
                address_bytes,
                u16::from_be_bytes([control & 0x0F, *low]),
                rest,
            )
        }
        [control @ 0x20..=0x2F, data @ ..] => Ok(Pdu::Consecutive {
            sequence: control & 0x0F,
            data,
        }),
        [control @ 0x30..=0x3F, block_size, separation, ..] => Ok(Pdu::FlowControl(FlowControl {
            status: FlowStatus::from_code(control & 0x0F),
            block_size: *block_size,
            separation: SeparationTime::from_code(*separation),
        })),
        [0x10..=0x1F | 0x30..=0x3F, ..] => Err(NotAPdu::TooShort),
        [control, ..] => Err(NotAPdu::ReservedType(control >> 4)),
    }
}

fn read_single(frame_bytes: usize, low_nibble: u8, rest: &[u8]) -> Result<Pdu<'_>, NotAPdu> {
    // Frames above 8 bytes carry the length in a byte of its own (the escape sequence).
    let (stated, data) = match (frame_bytes, low_nibble, rest) {
        (..=8, length, data) => (length, data),
        (_, 0, [length, data @ ..]) => (*length, data),
        (_, length, _) => {
            return Err(NotAPdu::Length {
                stated: length.into(),
            });
        }
    };
    match data.get(..usize::from(stated)) {
        Some(payload) if !payload.is_empty() => Ok(Pdu::Single(payload)),
        _ => Err(NotAPdu::Length {
            stated: stated.into(),
        }),
    }
}

fn read_first(
    frame_bytes: usize,
    address_bytes: usize,
    short_length: u16,
    rest: &[u8],
) -> Result<Pdu<'_>, NotAPdu> {
    if frame_bytes < 8 {
        return Err(NotAPdu::TooShort);
    }
    let (length, least, data) = match (short_length, rest) {
        (0, [a, b, c, d, data @ ..]) => (
            u32::from_be_bytes([*a, *b, *c, *d]),
            MAX_SHORT_MESSAGE_BYTES + 1,
            data,
        ),
        (0, _) => return Err(NotAPdu::TooShort),
        (length, data) => {
            let least = single_frame_capacity(frame_bytes, address_bytes) + 1;
            (u32::from(length), least, data)
        }
    };
    match usize::try_from(length) {
        Ok(bytes) if bytes < least => Err(NotAPdu::Length { stated: length }),
        _ => Ok(Pdu::First { length, data }),
    }
}

/// Longest message that one frame carries, bytes (9.6.2.1).
pub(super) fn single_frame_capacity(frame_bytes: usize, address_bytes: usize) -> usize {
    let control_bytes = if frame_bytes <= 8 { 1 } else { 2 };
    frame_bytes.saturating_sub(control_bytes + address_bytes)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// ISO 15765-2:2016, 9.6.5.4, table of STmin.
    #[test]
    fn separation_time_codes() {
        let ns = |code| SeparationTime::from_code(code).as_ns();
        assert_eq!(ns(0x00), 0);
        assert_eq!(ns(0x7F), 127_000_000);
        assert_eq!(ns(0xF1), 100_000);
        assert_eq!(ns(0xF9), 900_000);
        for reserved in (0x80..=0xF0).chain(0xFA..=0xFF) {
            assert_eq!(ns(reserved), 127_000_000, "{reserved:#X}");
        }
    }

    #[test]
    fn single_frames() {
        assert_eq!(
            read(&[0x02, 0x01, 0x0C, 0xCC], None),
            Ok(Pdu::Single(&[0x01, 0x0C]))
        );
        // 9.6.2.2: length 0, and lengths beyond the frame, are ignored.
        assert_eq!(
            read(&[0x00, 1, 2, 3, 4, 5, 6, 7], None),
            Err(NotAPdu::Length { stated: 0 })
        );
        assert_eq!(
            read(&[0x08, 1, 2, 3, 4, 5, 6, 7], None),
            Err(NotAPdu::Length { stated: 8 })
        );
        assert_eq!(
            read(&[0x03, 1, 2], None),
            Err(NotAPdu::Length { stated: 3 })
        );
        // Above 8 bytes the length has a byte of its own, and only there.
        let mut long = [0xCC; 12];
        long[..2].copy_from_slice(&[0x00, 0x0A]);
        assert_eq!(read(&long, None), Ok(Pdu::Single(&[0xCC; 10])));
        long[1] = 0x0B;
        assert_eq!(read(&long, None), Err(NotAPdu::Length { stated: 11 }));
        long[0] = 0x07;
        assert_eq!(read(&long, None), Err(NotAPdu::Length { stated: 7 }));
    }

    #[test]
    fn first_frames() {
        let first = [0x10, 0x14, 0x49, 0x02, 0x01, 0x41, 0x42, 0x43];
        assert_eq!(
            read(&first, None),
            Ok(Pdu::First {
                length: 20,
                data: &first[2..]
            })
        );
        // 9.6.3.2: shorter than what a single frame carries, or the long form without need.
        assert_eq!(
            read(&[0x10, 0x07, 1, 2, 3, 4, 5, 6], None),
            Err(NotAPdu::Length { stated: 7 })
        );
        assert_eq!(
            read(&[0x10, 0x08, 1, 2, 3, 4, 5], None),
            Err(NotAPdu::TooShort)
        );
        let escape = |length: u32| {
            let [a, b, c, d] = length.to_be_bytes();
            [0x10, 0x00, a, b, c, d, 1, 2]
        };
        assert_eq!(
            read(&escape(0xFFFF_FFFF), None),
            Ok(Pdu::First {
                length: u32::MAX,
                data: &[1, 2]
            })
        );
        assert_eq!(
            read(&escape(4095), None),
            Err(NotAPdu::Length { stated: 4095 })
        );
    }

    #[test]
    fn an_address_byte_comes_first() {
        assert_eq!(
            read(&[0xA9, 0x01, 0x3E], Some(0xA9)),
            Ok(Pdu::Single(&[0x3E]))
        );
        assert_eq!(
            read(&[0xA8, 0x01, 0x3E], Some(0xA9)),
            Err(NotAPdu::OtherAddress)
        );
        assert_eq!(read(&[], Some(0xA9)), Err(NotAPdu::TooShort));
        // One byte less fits a single frame, so a first frame may be one byte shorter.
        let first = [0xA9, 0x10, 0x07, 1, 2, 3, 4, 5];
        assert_eq!(
            read(&first, Some(0xA9)),
            Ok(Pdu::First {
                length: 7,
                data: &first[3..]
            })
        );
    }

    #[test]
    fn reserved_and_cut_frames_are_named() {
        assert_eq!(read(&[0x4F, 0, 0], None), Err(NotAPdu::ReservedType(4)));
        assert_eq!(read(&[0x30, 0], None), Err(NotAPdu::TooShort));
        assert_eq!(read(&[], None), Err(NotAPdu::TooShort));
        let Ok(Pdu::FlowControl(content)) = read(&[0x35, 0, 0], None) else {
            panic!()
        };
        assert_eq!(content.status, FlowStatus::Reserved(5));
    }

    proptest! {
        #[test]
        fn no_frame_panics(frame in prop::collection::vec(any::<u8>(), 0..=64), address: Option<u8>) {
            if let Ok(Pdu::First { length, data }) = read(&frame, address) {
                prop_assert!(data.len() < length as usize);
            }
        }
    }
}
