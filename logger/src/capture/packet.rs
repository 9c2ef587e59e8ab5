//! One SocketCAN packet (link type 227) to a frame's content, and back.
//!
//! The layout is that of `LINKTYPE_CAN_SOCKETCAN` in the tcpdump group's list of link types: 4
//! bytes identifier and flags, most significant first; length; FD flags; 2 reserved; the data;
//! perhaps padding.

use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags, MAX_DATA_BYTES};
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
    /// More data than any frame carries.
    #[error("the frame has {0} data bytes, more than the 64 that a frame carries")]
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
    Frame(Packet<'a>),
    /// A CAN XL frame, which nothing here decodes.
    Xl,
}

/// A packet that holds a good classic or FD frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Packet<'a> {
    /// The identifier with the flags beside it. It is kept as it came, since taking it apart
    /// before it is needed costs the reader's loop a third of its speed.
    word: u32,
    flags: FrameFlags,
    data: &'a [u8],
}

impl<'a> Packet<'a> {
    /// A good classic data frame in full size. Nearly all packets are such, and for them these
    /// few tests stand for all of [`Packet::read`].
    #[inline]
    pub(crate) fn full_classic(packet: &'a [u8; CLASSIC_BYTES]) -> Option<Self> {
        let &[id0, id1, id2, id3, length, fd_flags, ..] = packet;
        let word = u32::from_be_bytes([id0, id1, id2, id3]);
        if word & (REMOTE | ERROR) != 0 || fd_flags & FD_FORMAT != 0 || !id_fits(word) {
            return None;
        }
        let (_, payload) = packet.split_at(HEADER_BYTES);
        let data = payload.get(..usize::from(length))?;
        Some(Self {
            word,
            flags: FrameFlags::default(),
            data,
        })
    }

    /// Reads a packet.
    pub(crate) fn read(packet: &'a [u8]) -> Result<Content<'a>, BadPacket> {
        let Some((header, payload)) = packet.split_first_chunk::<HEADER_BYTES>() else {
            return Err(BadPacket::ShortHeader(packet.len() as u32));
        };
        let &[id0, id1, id2, id3, length, fd_flags, _, _] = header;
        if length & XL_FORMAT != 0 {
            return Ok(Content::Xl);
        }
        let word = u32::from_be_bytes([id0, id1, id2, id3]);
        if usize::from(length) > MAX_DATA_BYTES {
            return Err(BadPacket::LongData(length));
        }
        // Without its flag, FD shows by the size, or by more data than a classic frame carries.
        let fd = fd_flags & FD_FORMAT != 0
            || packet.len() == FD_BYTES
            || usize::from(length) > MAX_CLASSIC_BYTES;
        let error = word & ERROR != 0;
        if !error && !id_fits(word) {
            return Err(BadPacket::Identifier(word & NUMBER));
        }
        // FD has no remote frames (ISO 11898-1:2015, 10.4.2.3): the bit in its place is reserved.
        let remote = word & REMOTE != 0 && !fd && !error;
        let flags = FrameFlags {
            fd,
            bit_rate_switch: fd && fd_flags & FD_BIT_RATE_SWITCH != 0,
            error_state: fd && fd_flags & FD_ERROR_STATE != 0,
            remote,
            error,
        };
        // A remote frame's length is what it asks for; whatever bytes follow are padding.
        let carried = if remote { 0 } else { usize::from(length) };
        match payload.get(..carried) {
            Some(data) => Ok(Content::Frame(Self { word, flags, data })),
            None => Err(BadPacket::ShortData {
                length,
                captured: payload.len() as u32,
            }),
        }
    }

    /// The frame, once its bus and time are known.
    #[inline]
    pub(crate) fn frame(self, bus: BusIndex, t_ns: i64) -> Frame<'a> {
        let Self { word, flags, data } = self;
        let id = if word & (EXTENDED | ERROR) != 0 {
            CanId::Extended(word & NUMBER)
        } else {
            CanId::Base(word as u16)
        };
        Frame {
            t_ns,
            bus,
            id,
            flags,
            data,
        }
    }
}

/// Whether an identifier of 11 bits has no more than these.
#[inline]
fn id_fits(word: u32) -> bool {
    word & EXTENDED != 0 || word & NUMBER <= CanId::MAX_BASE
}

/// The header of a frame's packet, and the length of the whole packet.
///
/// Classic frames always take 16 bytes, as Linux writes them, so that no reader takes one for
/// anything else; FD frames carry their flag and end with their data.
#[inline]
pub(crate) fn header(frame: &Frame<'_>) -> Result<([u8; HEADER_BYTES], usize), BadFrame> {
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
    // An error frame's number holds error classes, of no width; Linux sets no other flag there.
    let kind = match (error, extended) {
        (true, _) => ERROR,
        (false, true) => EXTENDED,
        (false, false) => 0,
    };
    let word = number | kind | if remote { REMOTE } else { 0 };
    let fd_flags = flag(fd, FD_FORMAT)
        | flag(bit_rate_switch, FD_BIT_RATE_SWITCH)
        | flag(error_state, FD_ERROR_STATE);
    let [id0, id1, id2, id3] = word.to_be_bytes();
    let header = [id0, id1, id2, id3, length as u8, fd_flags, 0, 0];
    Ok((
        header,
        if fd {
            HEADER_BYTES + length
        } else {
            CLASSIC_BYTES
        },
    ))
}

fn flag(is_set: bool, bit: u8) -> u8 {
    if is_set { bit } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(packet: &[u8]) -> (CanId, FrameFlags, Vec<u8>) {
        let Ok(Content::Frame(content)) = Packet::read(packet) else {
            panic!("{:?}", Packet::read(packet));
        };
        let frame = content.frame(BusIndex::new(0), 0);
        if let Ok(packet) = packet.try_into()
            && let Some(same) = Packet::full_classic(packet)
        {
            assert_eq!(same, content);
        }
        (frame.id, frame.flags, frame.data.to_vec())
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
        assert_eq!(Packet::read(&packet), Ok(Content::Xl));
        // Neither the flag nor the size, but too long for anything else.
        let packet = [0, 0, 1, 0x23, 9, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9];
        let flags = FrameFlags { fd: true, ..PLAIN };
        assert_eq!(
            frame(&packet),
            (CanId::Base(0x123), flags, (1..=9).collect())
        );
    }

    #[test]
    fn each_bad_packet_has_its_reason() {
        assert_eq!(Packet::read(&[0; 7]), Err(BadPacket::ShortHeader(7)));
        assert_eq!(
            Packet::read(&[0, 0, 0, 1, 3, 0, 0, 0, 1, 2]),
            Err(BadPacket::ShortData {
                length: 3,
                captured: 2
            })
        );
        assert_eq!(
            Packet::read(&[0, 0, 0, 1, 65, 4, 0, 0, 1, 2]),
            Err(BadPacket::LongData(65))
        );
        assert_eq!(
            Packet::read(&[0, 0, 8, 0, 0, 0, 0, 0]),
            Err(BadPacket::Identifier(0x800))
        );
    }
}
