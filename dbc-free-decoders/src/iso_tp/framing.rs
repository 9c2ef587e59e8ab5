//! How a sender lays out ISO-TP messages in frames: frame length, padding, address byte.
//!
//! Section numbers are those of ISO 15765-2:2016, cited from memory.

use super::MAX_SHORT_MESSAGE_BYTES;
use super::pdu::{FlowControl, single_frame_capacity};

/// Byte that fills a frame when none is chosen (10.4.2.1 recommends 0xCC).
pub const DEFAULT_PADDING: u8 = 0xCC;

/// Frame lengths above 8 bytes that CAN FD has (ISO 11898-1:2015, table of DLC).
const FD_FRAME_BYTES: [usize; 7] = [12, 16, 20, 24, 32, 48, 64];

/// How a sender lays out its frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Framing {
    frame_bytes: usize,
    padding: Option<u8>,
    address_byte: Option<u8>,
}

impl Framing {
    /// Frames of 8 bytes, always filled, normal addressing: what ISO 15765-4 prescribes.
    pub const CLASSIC: Self = Self {
        frame_bytes: 8,
        padding: Some(DEFAULT_PADDING),
        address_byte: None,
    };

    /// CAN FD frames of up to `frame_bytes` (TX_DL: 8, 12, 16, 20, 24, 32, 48 or 64); `None` for
    /// other lengths.
    #[must_use]
    pub fn fd(frame_bytes: usize) -> Option<Self> {
        (frame_bytes == 8 || FD_FRAME_BYTES.contains(&frame_bytes)).then_some(Self {
            frame_bytes,
            ..Self::CLASSIC
        })
    }

    /// The same with another byte to fill frames of up to 8 bytes; `None` leaves such frames as
    /// short as their content. Longer FD frames are always filled to the next length that exists,
    /// with 0xCC if this is `None`.
    #[must_use]
    pub fn with_padding(self, padding: Option<u8>) -> Self {
        Self { padding, ..self }
    }

    /// The same with the byte that extended or mixed addressing puts first.
    #[must_use]
    pub fn with_address_byte(self, address_byte: Option<u8>) -> Self {
        Self {
            address_byte,
            ..self
        }
    }

    /// Longest message that one frame carries, bytes.
    #[must_use]
    pub fn single_frame_capacity(&self) -> usize {
        single_frame_capacity(self.frame_bytes, self.address_bytes())
    }

    /// A message as one frame; `None` if it is empty or longer than a frame carries.
    #[must_use]
    pub fn single(&self, message: &[u8]) -> Option<Vec<u8>> {
        if message.is_empty() || message.len() > self.single_frame_capacity() {
            return None;
        }
        let length = u8::try_from(message.len()).ok()?;
        let short = usize::from(length) + 1 + self.address_bytes() <= 8;
        Some(if short {
            self.filled(&[length], message)
        } else {
            self.filled(&[0, length], message)
        })
    }

    /// A flow control frame.
    #[must_use]
    pub fn flow_control(&self, content: FlowControl) -> Vec<u8> {
        let control = 0x30 | content.status.code();
        self.filled(
            &[control, content.block_size, content.separation.code()],
            &[],
        )
    }

    /// The first frame of a message of `length` bytes, and how many of them it carries.
    pub(super) fn first(&self, length: u32, message: &[u8]) -> (Vec<u8>, usize) {
        let [a, b, c, d] = length.to_be_bytes();
        let escape = [0x10, 0x00, a, b, c, d];
        let short = [0x10 | (c & 0x0F), d];
        let control: &[u8] = if length <= MAX_SHORT_MESSAGE_BYTES as u32 {
            &short
        } else {
            &escape
        };
        let data = self.fitting(control.len(), message);
        (self.filled(control, data), data.len())
    }

    /// The next consecutive frame of what is left of a message, and how much of it that carries.
    pub(super) fn consecutive(&self, sequence: u8, left: &[u8]) -> (Vec<u8>, usize) {
        let data = self.fitting(1, left);
        (self.filled(&[0x20 | (sequence & 0x0F)], data), data.len())
    }

    fn address_bytes(&self) -> usize {
        usize::from(self.address_byte.is_some())
    }

    /// As much of a message as a frame with so many control bytes carries.
    fn fitting<'a>(&self, control_bytes: usize, message: &'a [u8]) -> &'a [u8] {
        let room = self
            .frame_bytes
            .saturating_sub(control_bytes + self.address_bytes());
        message.get(..room).unwrap_or(message)
    }

    /// Address byte, control bytes and data, filled to a frame length that exists.
    fn filled(&self, control: &[u8], data: &[u8]) -> Vec<u8> {
        let mut frame = Vec::with_capacity(self.frame_bytes);
        frame.extend(self.address_byte);
        frame.extend_from_slice(control);
        frame.extend_from_slice(data);
        let frame_bytes = match (frame.len(), self.padding) {
            (length @ ..=8, None) => length,
            (..=8, Some(_)) => 8,
            (length, _) => FD_FRAME_BYTES
                .into_iter()
                .find(|&n| n >= length)
                .unwrap_or(length),
        };
        frame.resize(frame_bytes, self.padding.unwrap_or(DEFAULT_PADDING));
        frame
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::iso_tp::pdu::{self, FlowStatus, Pdu, SeparationTime};

    #[test]
    fn only_lengths_that_exist_are_frame_lengths() {
        let lengths: Vec<usize> = (0..100).filter(|&n| Framing::fd(n).is_some()).collect();
        assert_eq!(lengths, [8, 12, 16, 20, 24, 32, 48, 64]);
    }

    proptest! {
        #[test]
        fn flow_control_round_trips(
            status in 0_u8..16, block_size: u8, separation: u8, address: Option<u8>,
        ) {
            let content = FlowControl {
                status: FlowStatus::from_code(status),
                block_size,
                separation: SeparationTime::from_code(separation),
            };
            let framing = Framing::CLASSIC.with_address_byte(address);
            let frame = framing.flow_control(content);
            prop_assert_eq!(frame.len(), 8);
            prop_assert_eq!(pdu::read(&frame, address), Ok(Pdu::FlowControl(content)));
        }
    }
}
