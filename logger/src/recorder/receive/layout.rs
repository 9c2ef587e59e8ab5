//! A frame as the kernel lays it out (linux/can.h), and as this program holds it.

use slipwright_decoders::frame::{CanId, FrameFlags, MAX_DATA_BYTES};

use super::super::source::Received;

/// A classic frame: 8 bytes of head, 8 of data.
pub(super) const CLASSIC_BYTES: usize = 16;
/// An FD frame, the longest: 8 bytes of head, 64 of data.
pub(super) const FD_BYTES: usize = 72;

/// What the control messages of one frame told.
#[derive(Clone, Copy, Default)]
pub(super) struct Told {
    pub(super) real_ns: Option<i64>,
    pub(super) hardware_ns: Option<i64>,
    pub(super) dropped: Option<u32>,
}

/// A zero stamp is an absent one: drivers without hardware stamps leave it so.
pub(super) fn nanoseconds(stamp: &libc::timespec) -> Option<i64> {
    if stamp.tv_sec == 0 && stamp.tv_nsec == 0 {
        return None;
    }
    stamp
        .tv_sec
        .checked_mul(1_000_000_000)?
        .checked_add(stamp.tv_nsec)
}

/// Identifier and flags in 4 bytes of this machine's order, length, FD flags, two bytes unused,
/// data. The size tells classic from FD.
pub(super) fn parse(packet: &[u8], told: Told) -> Option<Received> {
    let (head, data) = packet.split_at_checked(8)?;
    let &[a, b, c, d, length, fd_flags, _, _] = head else {
        return None;
    };
    let word = u32::from_ne_bytes([a, b, c, d]);
    let fd = packet.len() == FD_BYTES;
    let error = word & libc::CAN_ERR_FLAG != 0;
    let extended = error || word & libc::CAN_EFF_FLAG != 0;
    let mask = if extended {
        libc::CAN_EFF_MASK
    } else {
        libc::CAN_SFF_MASK
    };
    let flags = FrameFlags {
        fd,
        bit_rate_switch: fd && fd_flags & libc::CANFD_BRS as u8 != 0,
        error_state: fd && fd_flags & libc::CANFD_ESI as u8 != 0,
        // As `capture::packet` reads it: FD has no remote frames, and an error frame asks for nothing.
        remote: word & libc::CAN_RTR_FLAG != 0 && !fd && !error,
        error,
    };
    let length = usize::from(length).min(data.len());
    let mut bytes = [0; MAX_DATA_BYTES];
    // A remote frame's length says how much it asks for; it carries nothing.
    let length = if flags.remote { 0 } else { length };
    bytes
        .get_mut(..length)?
        .copy_from_slice(data.get(..length)?);
    Some(Received {
        real_ns: told.real_ns.unwrap_or(0),
        hardware_ns: told.hardware_ns,
        id: CanId::new(word & mask, extended)?,
        flags,
        length: u8::try_from(length).ok()?,
        bytes,
    })
}

/// A classic data frame for the kernel; data past 8 bytes are left out.
pub(super) fn classic(id: CanId, data: &[u8]) -> [u8; CLASSIC_BYTES] {
    let mut packet = [0_u8; CLASSIC_BYTES];
    let extended = if id.is_extended() {
        libc::CAN_EFF_FLAG
    } else {
        0
    };
    packet[..4].copy_from_slice(&(id.number() | extended).to_ne_bytes());
    let length = data.len().min(8);
    packet[4] = length as u8;
    packet[8..8 + length].copy_from_slice(&data[..length]);
    packet
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packet(word: u32, length: u8, fd_flags: u8, size: usize) -> Vec<u8> {
        let mut packet = vec![0; size];
        packet[..4].copy_from_slice(&word.to_ne_bytes());
        packet[4] = length;
        packet[5] = fd_flags;
        for (i, byte) in packet[8..].iter_mut().enumerate() {
            *byte = i as u8 + 1;
        }
        packet
    }

    #[test]
    fn the_kernels_layout_is_read() {
        let classic = parse(&packet(0x123, 3, 0, CLASSIC_BYTES), Told::default()).unwrap();
        assert_eq!(
            (classic.id, classic.data()),
            (CanId::Base(0x123), &[1, 2, 3][..])
        );
        let word = 0x18FE_BF0B | libc::CAN_EFF_FLAG;
        let extended = parse(&packet(word, 8, 0, CLASSIC_BYTES), Told::default()).unwrap();
        assert_eq!(extended.id, CanId::Extended(0x18FE_BF0B));
        let remote = parse(
            &packet(0x7 | libc::CAN_RTR_FLAG, 4, 0, CLASSIC_BYTES),
            Told::default(),
        );
        let remote = remote.unwrap();
        assert!(remote.flags.remote && remote.data().is_empty());
        let error = parse(
            &packet(0x4 | libc::CAN_ERR_FLAG, 8, 0, CLASSIC_BYTES),
            Told::default(),
        );
        assert!(error.unwrap().flags.error);
        let fd = parse(&packet(0x55, 64, 1, FD_BYTES), Told::default()).unwrap();
        assert!(fd.flags.fd && fd.flags.bit_rate_switch && !fd.flags.error_state);
        assert_eq!(fd.data().len(), 64);
    }

    #[test]
    fn what_is_sent_reads_back() {
        for id in [CanId::Base(0x7DF), CanId::Extended(0x18DB_33F1)] {
            let read = parse(&classic(id, &[2, 1, 0x0C]), Told::default()).unwrap();
            assert_eq!((read.id, read.data()), (id, &[2, 1, 0x0C][..]));
        }
        let long = parse(&classic(CanId::Base(1), &[7; 20]), Told::default()).unwrap();
        assert_eq!(long.data(), [7; 8]);
    }

    #[test]
    fn a_short_or_lying_packet_is_harmless() {
        assert!(parse(&[1, 2, 3], Told::default()).is_none());
        let long = parse(&packet(0x1, 200, 0, CLASSIC_BYTES), Told::default()).unwrap();
        assert_eq!(long.data().len(), 8);
    }

    #[test]
    fn a_zero_stamp_is_absent() {
        let at = |tv_sec, tv_nsec| nanoseconds(&libc::timespec { tv_sec, tv_nsec });
        assert_eq!(at(0, 0), None);
        assert_eq!(at(1, 5), Some(1_000_000_005));
    }
}
