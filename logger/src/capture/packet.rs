//! One SocketCAN packet (link type 227) to a frame's content, and back.
//!
//! The layout is that of `LINKTYPE_CAN_SOCKETCAN` in the tcpdump group's list of link types: 4
//! bytes identifier and flags, most significant first; length; FD flags; 2 reserved; the data;
//! perhaps padding.

use slipwright_decoders::frame::{CanId, Frame, FrameFlags, MAX_DATA_BYTES};
use thiserror::Error;

use super::write::BadFrame;

/// Bytes before the data.
pub(crate) const HEADER_BYTES: usize = 8;
/// Most data bytes of a classic frame (ISO 11898-1).
pub(crate) const MAX_CLASSIC_BYTES: usize = 8;
/// A whole classic frame with its padding.
pub(crate) const CLASSIC_BYTES: usize = HEADER_BYTES + MAX_CLASSIC_BYTES;
/// A whole FD frame with its padding. Older writers do not flag FD; this size alone tells it.
pub(crate) const FD_BYTES: usize = HEADER_BYTES + MAX_DATA_BYTES;

const EXTENDED: u32 = 0x8000_0000;
const REMOTE: u32 = 0x4000_0000;
const ERROR: u32 = 0x2000_0000;
const NUMBER: u32 = CanId::MAX_EXTENDED;

const FD_BIT_RATE_SWITCH: u8 = 0x01;
const FD_ERROR_STATE: u8 = 0x02;
const FD_FORMAT: u8 = 0x04;
/// In the length's place: a CAN XL frame, whose header is another.
const XL_FORMAT: u8 = 0x80;

/// Why a packet is no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum BadPacket {
    /// The block is too short for its own fixed fields.
    #[error("the packet block is too short for its fields")]
    ShortBlock,
    /// The captured length leads past the block.
    #[error("the captured length {0} leads past the block")]
    CapturedLength(u32),
    /// The interface is not described in this section.
    #[error("interface {0} is not described")]
    UnknownInterface(u32),
    /// The time stamp is outside the years 1677 to 2262.
    #[error("the time stamp is out of range")]
    TimeStamp,
    /// The packet is shorter than the header of 8 bytes.
    #[error("the packet has {0} bytes; the header alone takes 8")]
    ShortHeader(u32),
    /// The frame claims more data than was captured: cut by the snap length, or damaged.
    #[error("the frame has {length} data bytes, of which {captured} were captured")]
    ShortData {
        /// Data bytes of the frame.
        length: u8,
        /// Data bytes in the packet.
        captured: u32,
    },
    /// More data than a classic frame (8) or an FD frame (64) carries.
    #[error("the frame has {0} data bytes, more than its kind carries")]
    LongData(u8),
    /// An 11-bit identifier above 0x7FF.
    #[error("the 11-bit identifier 0x{0:X} is above 0x7FF")]
    Identifier(u32),
    /// An option runs past its block. What the block held before it was delivered.
    #[error("an option runs past its block")]
    Options,
}

/// What a packet of link type 227 holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Content<'a> {
    /// A classic or FD frame.
    Frame {
        id: CanId,
        flags: FrameFlags,
        data: &'a [u8],
    },
    /// A CAN XL frame, which nothing here decodes.
    Xl,
}

/// Reads one packet.
#[inline]
pub(crate) fn read(packet: &[u8]) -> Result<Content<'_>, BadPacket> {
    let Some((header, payload)) = packet.split_first_chunk::<HEADER_BYTES>() else {
        return Err(BadPacket::ShortHeader(packet.len() as u32));
    };
    let &[id0, id1, id2, id3, length, fd_flags, _, _] = header;
    let word = u32::from_be_bytes([id0, id1, id2, id3]);
    let fd = fd_flags & FD_FORMAT != 0 || packet.len() == FD_BYTES;
    // Data frames with a plain 11- or 29-bit identifier, which is nearly all of them.
    if !fd && word & (REMOTE | ERROR) == 0 && usize::from(length) <= MAX_CLASSIC_BYTES {
        let Some(data) = payload.get(..usize::from(length)) else {
            return Err(BadPacket::ShortData {
                length,
                captured: payload.len() as u32,
            });
        };
        let id = identifier(word)?;
        return Ok(Content::Frame {
            id,
            flags: FrameFlags::default(),
            data,
        });
    }
    read_rare(word, length, fd_flags, fd, payload)
}

/// The frames that [`read`] does not settle at once.
fn read_rare(
    word: u32,
    length: u8,
    fd_flags: u8,
    fd: bool,
    payload: &[u8],
) -> Result<Content<'_>, BadPacket> {
    if length & XL_FORMAT != 0 {
        return Ok(Content::Xl);
    }
    let most = if fd {
        MAX_DATA_BYTES
    } else {
        MAX_CLASSIC_BYTES
    };
    if usize::from(length) > most {
        return Err(BadPacket::LongData(length));
    }
    let error = word & ERROR != 0;
    // FD has no remote frames (ISO 11898-1:2015, 10.4.2.3): the bit in that place is reserved.
    let remote = word & REMOTE != 0 && !fd && !error;
    let flags = FrameFlags {
        fd,
        bit_rate_switch: fd && fd_flags & FD_BIT_RATE_SWITCH != 0,
        error_state: fd && fd_flags & FD_ERROR_STATE != 0,
        remote,
        error,
    };
    let id = if error {
        CanId::Extended(word & NUMBER)
    } else {
        identifier(word)?
    };
    // A remote frame's length is what it asks for; whatever bytes follow are padding.
    let data = match remote {
        true => Some(Default::default()),
        false => payload.get(..usize::from(length)),
    };
    let Some(data) = data else {
        return Err(BadPacket::ShortData {
            length,
            captured: payload.len() as u32,
        });
    };
    Ok(Content::Frame { id, flags, data })
}

#[inline]
fn identifier(word: u32) -> Result<CanId, BadPacket> {
    let number = word & NUMBER;
    if word & EXTENDED != 0 {
        Ok(CanId::Extended(number))
    } else if number <= CanId::MAX_BASE {
        Ok(CanId::Base(number as u16))
    } else {
        Err(BadPacket::Identifier(number))
    }
}

/// A frame as a packet: the bytes, and how many of them count.
///
/// Classic frames always take 16 bytes, as Linux writes them, so that no reader takes one for
/// anything else; FD frames carry their flag and end with their data.
pub(crate) fn write(frame: &Frame<'_>) -> Result<([u8; FD_BYTES], usize), BadFrame> {
    let FrameFlags {
        fd,
        bit_rate_switch,
        error_state,
        remote,
        error,
    } = frame.flags;
    let most = if fd {
        MAX_DATA_BYTES
    } else {
        MAX_CLASSIC_BYTES
    };
    let length = frame.data.len();
    if length > most {
        return Err(BadFrame::LongData { length, most });
    }
    if remote && (fd || error) {
        return Err(BadFrame::RemoteKind);
    }
    if remote && length > 0 {
        return Err(BadFrame::RemoteData);
    }
    if !fd && (bit_rate_switch || error_state) {
        return Err(BadFrame::ClassicFlags);
    }
    let number = frame.id.number();
    let extended = frame.id.is_extended();
    if CanId::new(number, extended).is_none() {
        return Err(BadFrame::Identifier(number));
    }
    let mut word = number;
    word |= if error {
        ERROR
    } else if extended {
        EXTENDED
    } else {
        0
    };
    word |= if remote { REMOTE } else { 0 };

    let mut packet = [0; FD_BYTES];
    let (header, payload) = packet.split_at_mut(HEADER_BYTES);
    let fd_flags = if fd {
        FD_FORMAT
            | if bit_rate_switch {
                FD_BIT_RATE_SWITCH
            } else {
                0
            }
            | if error_state { FD_ERROR_STATE } else { 0 }
    } else {
        0
    };
    let [id0, id1, id2, id3] = word.to_be_bytes();
    header.copy_from_slice(&[id0, id1, id2, id3, length as u8, fd_flags, 0, 0]);
    for (to, from) in payload.iter_mut().zip(frame.data) {
        *to = *from;
    }
    Ok((
        packet,
        if fd {
            HEADER_BYTES + length
        } else {
            CLASSIC_BYTES
        },
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(packet: &[u8]) -> (CanId, FrameFlags, Vec<u8>) {
        match read(packet) {
            Ok(Content::Frame { id, flags, data }) => (id, flags, data.to_vec()),
            other => panic!("{other:?}"),
        }
    }

    const PLAIN: FrameFlags = FrameFlags {
        fd: false,
        bit_rate_switch: false,
        error_state: false,
        remote: false,
        error: false,
    };

    // Bytes laid out by hand after the tcpdump group's page on LINKTYPE_CAN_SOCKETCAN.
    #[test]
    fn each_kind_of_frame_is_told() {
        let base = [0, 0, 1, 0x23, 2, 0, 0, 0, 0xAA, 0xBB, 0, 0, 0, 0, 0, 0];
        assert_eq!(frame(&base), (CanId::Base(0x123), PLAIN, vec![0xAA, 0xBB]));
        // Padding may be stripped.
        assert_eq!(frame(&base[..10]), frame(&base));
        let extended = [0x98, 0xFE, 0xBF, 0x0B, 1, 0, 0, 0, 7];
        assert_eq!(
            frame(&extended),
            (CanId::Extended(0x18FE_BF0B), PLAIN, vec![7])
        );
        let remote = [0x40, 0, 1, 0x23, 8, 0, 0, 0];
        let flags = FrameFlags {
            remote: true,
            ..PLAIN
        };
        assert_eq!(frame(&remote), (CanId::Base(0x123), flags, vec![]));
        let error = [0x20, 0, 0, 0x04, 8, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0];
        let flags = FrameFlags {
            error: true,
            ..PLAIN
        };
        assert_eq!(
            frame(&error),
            (CanId::Extended(4), flags, error[8..].to_vec())
        );
    }

    #[test]
    fn fd_is_told_by_its_flag_or_by_its_size() {
        let mut packet = vec![0, 0, 1, 0x23, 0x0C, 0x05, 0, 0];
        packet.extend(0..12);
        let flags = FrameFlags {
            fd: true,
            bit_rate_switch: true,
            ..PLAIN
        };
        assert_eq!(
            frame(&packet),
            (CanId::Base(0x123), flags, (0..12).collect())
        );
        // Without the flag but in full size; the remote bit means nothing in FD.
        packet.resize(72, 0);
        packet[0] |= 0x40;
        packet[5] = 0x03;
        let flags = FrameFlags {
            error_state: true,
            ..flags
        };
        assert_eq!(
            frame(&packet),
            (CanId::Base(0x123), flags, (0..12).collect())
        );
        // A short frame in full size is FD too.
        packet[4] = 2;
        assert_eq!(frame(&packet), (CanId::Base(0x123), flags, vec![0, 1]));
        packet[4] = 0x80;
        assert_eq!(read(&packet), Ok(Content::Xl));
    }

    #[test]
    fn each_bad_packet_has_its_reason() {
        assert_eq!(read(&[0; 7]), Err(BadPacket::ShortHeader(7)));
        assert_eq!(
            read(&[0, 0, 0, 1, 3, 0, 0, 0, 1, 2]),
            Err(BadPacket::ShortData {
                length: 3,
                captured: 2
            })
        );
        assert_eq!(
            read(&[0, 0, 0, 1, 9, 0, 0, 0, 1, 2]),
            Err(BadPacket::LongData(9))
        );
        assert_eq!(
            read(&[0, 0, 0, 1, 65, 4, 0, 0, 1, 2]),
            Err(BadPacket::LongData(65))
        );
        assert_eq!(
            read(&[0, 0, 8, 0, 0, 0, 0, 0]),
            Err(BadPacket::Identifier(0x800))
        );
    }
}
