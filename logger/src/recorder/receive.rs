//! Frames from the kernel: one raw CAN socket a bus.
//!
//! The one module with `unsafe`: no crate at hand wraps `recvmmsg` for CAN with its control
//! messages. In a virtual machine, draining a full queue, 64 frames a call against one a call
//! gave 255,000 to 317,000 frames/s against 165,000 to 217,000. Every block below either hands
//! the kernel memory that outlives the call, or reads a control message after its length was
//! checked.
#![allow(unsafe_code)]

use std::io;
use std::mem;
use std::os::fd::{AsRawFd, FromRawFd, OwnedFd, RawFd};

use slipwright_decoders::frame::{CanId, FrameFlags, MAX_DATA_BYTES};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

use super::source::{BATCH_FRAMES, Batch, FrameSource, Received, SourceError};

/// Room for the control messages of one frame: three time stamps and one drop count need 80 bytes.
const CONTROL_BYTES: usize = 128;
/// `SO_MEMINFO`'s array and the place of the drop count in it (linux/sock_diag.h).
const MEMINFO_WORDS: usize = 9;
const MEMINFO_DROPS: usize = 8;
/// An FD frame of the kernel, and the longest: 8 bytes of head, 64 of data (linux/can.h).
const CLASSIC_BYTES: usize = 16;
const FD_BYTES: usize = 72;

/// Control messages, aligned as the kernel's macros want them.
#[repr(C, align(8))]
#[derive(Clone, Copy)]
struct Control([u8; CONTROL_BYTES]);

/// One frame as the kernel lays it out.
#[repr(C, align(8))]
#[derive(Clone, Copy)]
struct Packet([u8; FD_BYTES]);

/// A raw CAN socket on one interface.
pub struct BusSocket {
    socket: AsyncFd<OwnedFd>,
    packets: Box<[Packet; BATCH_FRAMES]>,
    controls: Box<[Control; BATCH_FRAMES]>,
    /// Bytes of receive buffer that the kernel granted.
    granted_bytes: usize,
}

impl std::fmt::Debug for BusSocket {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("BusSocket")
            .field("fd", &self.socket.as_raw_fd())
            .finish_non_exhaustive()
    }
}

impl BusSocket {
    /// Opens a socket that hears everything on the interface: classic, FD and error frames.
    ///
    /// `buffer_bytes` is the receive buffer asked for; see [`Self::granted_bytes`].
    ///
    /// # Errors
    ///
    /// [`SourceError::Gone`] where there is no such interface; otherwise what the system says,
    /// which for want of CAN in the kernel is `EAFNOSUPPORT`.
    pub fn open(interface: &str, buffer_bytes: usize) -> Result<Self, SourceError> {
        let fd = check(unsafe {
            libc::socket(
                libc::PF_CAN,
                libc::SOCK_RAW | libc::SOCK_NONBLOCK | libc::SOCK_CLOEXEC,
                libc::CAN_RAW,
            )
        })?;
        let socket = unsafe { OwnedFd::from_raw_fd(fd) };
        // After the socket: where the kernel has no CAN, that is what must be said.
        let index = interface_index(interface)?;
        set(fd, libc::SOL_CAN_RAW, libc::CAN_RAW_FD_FRAMES, 1)?;
        set(
            fd,
            libc::SOL_CAN_RAW,
            libc::CAN_RAW_ERR_FILTER,
            libc::CAN_ERR_MASK as libc::c_int,
        )?;
        set(fd, libc::SOL_SOCKET, libc::SO_RXQ_OVFL, 1)?;
        let stamps = libc::SOF_TIMESTAMPING_RX_SOFTWARE
            | libc::SOF_TIMESTAMPING_SOFTWARE
            | libc::SOF_TIMESTAMPING_RX_HARDWARE
            | libc::SOF_TIMESTAMPING_RAW_HARDWARE;
        set(
            fd,
            libc::SOL_SOCKET,
            libc::SO_TIMESTAMPING,
            stamps as libc::c_int,
        )?;
        // The kernel doubles what it is given, so half is asked for. Past the system's limit only
        // a privileged process may go; the other gets the limit.
        let asked = libc::c_int::try_from(buffer_bytes / 2).unwrap_or(libc::c_int::MAX);
        if set(fd, libc::SOL_SOCKET, libc::SO_RCVBUFFORCE, asked).is_err() {
            set(fd, libc::SOL_SOCKET, libc::SO_RCVBUF, asked)?;
        }
        let mut granted: libc::c_int = 0;
        get(
            fd,
            libc::SOL_SOCKET,
            libc::SO_RCVBUF,
            std::slice::from_mut(&mut granted),
        )?;
        let mut address: libc::sockaddr_can = unsafe { mem::zeroed() };
        address.can_family = libc::AF_CAN as libc::sa_family_t;
        address.can_ifindex = index;
        check(unsafe {
            libc::bind(
                fd,
                (&raw const address).cast(),
                mem::size_of_val(&address) as libc::socklen_t,
            )
        })?;
        let interest = Interest::READABLE | Interest::ERROR;
        // An owned descriptor stays open, and the same, for as long as it is registered.
        let socket = unsafe { AsyncFd::register_with_interest(socket, interest) };
        Ok(Self {
            socket: socket.map_err(io::Error::from)?,
            packets: Box::new([Packet([0; FD_BYTES]); BATCH_FRAMES]),
            controls: Box::new([Control([0; CONTROL_BYTES]); BATCH_FRAMES]),
            granted_bytes: usize::try_from(granted).unwrap_or(0),
        })
    }

    /// Bytes of receive buffer that the kernel granted.
    #[must_use]
    pub fn granted_bytes(&self) -> usize {
        self.granted_bytes
    }

    /// Takes what is queued, without waiting.
    fn take(
        fd: RawFd,
        packets: &mut [Packet; BATCH_FRAMES],
        controls: &mut [Control; BATCH_FRAMES],
        batch: &mut Batch,
    ) -> io::Result<()> {
        let mut parts: [libc::iovec; BATCH_FRAMES] = unsafe { mem::zeroed() };
        let mut messages: [libc::mmsghdr; BATCH_FRAMES] = unsafe { mem::zeroed() };
        for (((part, message), packet), control) in parts
            .iter_mut()
            .zip(&mut messages)
            .zip(packets.iter_mut())
            .zip(controls.iter_mut())
        {
            part.iov_base = packet.0.as_mut_ptr().cast();
            part.iov_len = FD_BYTES;
            message.msg_hdr.msg_iov = part;
            message.msg_hdr.msg_iovlen = 1;
            message.msg_hdr.msg_control = control.0.as_mut_ptr().cast();
            message.msg_hdr.msg_controllen = CONTROL_BYTES as _;
        }
        // The kernel writes only into the buffers named above, all of which outlive the call.
        let count = check(unsafe {
            libc::recvmmsg(
                fd,
                messages.as_mut_ptr(),
                BATCH_FRAMES as libc::c_uint,
                libc::MSG_DONTWAIT as _,
                std::ptr::null_mut(),
            )
        })?;
        let count = usize::try_from(count).unwrap_or(0);
        for (message, packet) in messages.iter().zip(packets.iter()).take(count) {
            let told = control_messages(&message.msg_hdr);
            if told.dropped.is_some() {
                batch.dropped = told.dropped;
            }
            let length = usize::try_from(message.msg_len).unwrap_or(0).min(FD_BYTES);
            if let Some(frame) = parse(packet.0.get(..length).unwrap_or(&[]), told) {
                batch.frames.push(frame);
            }
        }
        Ok(())
    }
}

impl FrameSource for BusSocket {
    async fn receive(&mut self, batch: &mut Batch) -> Result<(), SourceError> {
        batch.clear();
        loop {
            // Loss of the interface raises only the error condition: a reader that waits for
            // "readable" alone sleeps for ever.
            let mut guard = self
                .socket
                .ready_mut(Interest::READABLE | Interest::ERROR)
                .await?;
            let fd = guard.get_inner().as_raw_fd();
            match Self::take(fd, &mut self.packets, &mut self.controls, batch) {
                Ok(()) => return Ok(()),
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => guard.clear_ready(),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(SourceError::from_system(error)),
            }
        }
    }

    fn dropped(&self) -> Option<u32> {
        let mut words = [0_u32; MEMINFO_WORDS];
        get(
            self.socket.as_raw_fd(),
            libc::SOL_SOCKET,
            libc::SO_MEMINFO,
            &mut words,
        )
        .ok()?;
        Some(words[MEMINFO_DROPS])
    }
}

/// A socket that only sends, on one interface. What it sends, the bus socket hears.
#[derive(Debug)]
pub struct SendSocket(OwnedFd);

impl SendSocket {
    /// Opens it.
    ///
    /// # Errors
    ///
    /// As [`BusSocket::open`].
    pub fn open(interface: &str) -> Result<Self, SourceError> {
        let index = interface_index(interface)?;
        let fd = check(unsafe {
            libc::socket(
                libc::PF_CAN,
                libc::SOCK_RAW | libc::SOCK_NONBLOCK | libc::SOCK_CLOEXEC,
                libc::CAN_RAW,
            )
        })?;
        let socket = unsafe { OwnedFd::from_raw_fd(fd) };
        // No filter at all: nothing is received here.
        check(unsafe {
            libc::setsockopt(
                fd,
                libc::SOL_CAN_RAW,
                libc::CAN_RAW_FILTER,
                std::ptr::null(),
                0,
            )
        })?;
        let mut address: libc::sockaddr_can = unsafe { mem::zeroed() };
        address.can_family = libc::AF_CAN as libc::sa_family_t;
        address.can_ifindex = index;
        check(unsafe {
            libc::bind(
                fd,
                (&raw const address).cast(),
                mem::size_of_val(&address) as libc::socklen_t,
            )
        })?;
        Ok(Self(socket))
    }

    /// Sends one classic data frame of at most 8 bytes.
    ///
    /// # Errors
    ///
    /// What the system says; a full queue is `WouldBlock` or `ENOBUFS`.
    pub fn send(&self, id: CanId, data: &[u8]) -> io::Result<()> {
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
        check(unsafe {
            libc::write(self.0.as_raw_fd(), packet.as_ptr().cast(), CLASSIC_BYTES) as libc::c_int
        })?;
        Ok(())
    }
}

/// What the control messages of one frame told.
#[derive(Clone, Copy, Default)]
struct Told {
    real_ns: Option<i64>,
    hardware_ns: Option<i64>,
    dropped: Option<u32>,
}

#[allow(
    clippy::unnecessary_cast,
    reason = "other C libraries give the length 32 bits"
)]
fn control_messages(header: &libc::msghdr) -> Told {
    let mut told = Told::default();
    // The macros walk the buffer that the kernel filled and stop at the length it gave.
    let mut next = unsafe { libc::CMSG_FIRSTHDR(header) };
    while let Some(message) = unsafe { next.as_ref() } {
        let data = unsafe { libc::CMSG_DATA(next) };
        let length =
            (message.cmsg_len as usize).saturating_sub(unsafe { libc::CMSG_LEN(0) } as usize);
        match (message.cmsg_level, message.cmsg_type) {
            (libc::SOL_SOCKET, libc::SCM_TIMESTAMPING)
                if length >= mem::size_of::<[libc::timespec; 3]>() =>
            {
                let stamps: [libc::timespec; 3] =
                    unsafe { data.cast::<[libc::timespec; 3]>().read_unaligned() };
                told.real_ns = nanoseconds(&stamps[0]);
                told.hardware_ns = nanoseconds(&stamps[2]);
            }
            (libc::SOL_SOCKET, libc::SO_RXQ_OVFL) if length >= mem::size_of::<u32>() => {
                told.dropped = Some(unsafe { data.cast::<u32>().read_unaligned() });
            }
            _ => {}
        }
        next = unsafe { libc::CMSG_NXTHDR(header, next) };
    }
    told
}

/// A zero stamp is an absent one: drivers without hardware stamps leave it so.
fn nanoseconds(stamp: &libc::timespec) -> Option<i64> {
    if stamp.tv_sec == 0 && stamp.tv_nsec == 0 {
        return None;
    }
    stamp
        .tv_sec
        .checked_mul(1_000_000_000)?
        .checked_add(stamp.tv_nsec)
}

/// The kernel's layout (linux/can.h): identifier and flags in 4 bytes of this machine's order,
/// length, FD flags, two bytes unused, data. The size tells classic from FD.
fn parse(packet: &[u8], told: Told) -> Option<Received> {
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
        remote: word & libc::CAN_RTR_FLAG != 0,
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

/// The kernel's number for an interface name.
fn interface_index(interface: &str) -> Result<libc::c_int, SourceError> {
    let name = std::ffi::CString::new(interface).map_err(|_| SourceError::Gone)?;
    let index = unsafe { libc::if_nametoindex(name.as_ptr()) };
    if index == 0 {
        return Err(SourceError::from_system(io::Error::last_os_error()));
    }
    libc::c_int::try_from(index).map_err(|_| SourceError::Gone)
}

/// Whether an interface of this name exists now.
#[must_use]
pub fn interface_exists(interface: &str) -> bool {
    interface_index(interface).is_ok()
}

fn check(result: libc::c_int) -> io::Result<libc::c_int> {
    if result < 0 {
        Err(io::Error::last_os_error())
    } else {
        Ok(result)
    }
}

fn set(fd: RawFd, level: libc::c_int, option: libc::c_int, value: libc::c_int) -> io::Result<()> {
    check(unsafe {
        libc::setsockopt(
            fd,
            level,
            option,
            (&raw const value).cast(),
            mem::size_of_val(&value) as libc::socklen_t,
        )
    })?;
    Ok(())
}

fn get<T: Copy>(
    fd: RawFd,
    level: libc::c_int,
    option: libc::c_int,
    value: &mut [T],
) -> io::Result<()> {
    let mut length = mem::size_of_val(value) as libc::socklen_t;
    check(unsafe {
        libc::getsockopt(
            fd,
            level,
            option,
            value.as_mut_ptr().cast(),
            &raw mut length,
        )
    })?;
    Ok(())
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
    fn a_short_or_lying_packet_is_harmless() {
        assert!(parse(&[1, 2, 3], Told::default()).is_none());
        let long = parse(&packet(0x1, 200, 0, CLASSIC_BYTES), Told::default()).unwrap();
        assert_eq!(long.data().len(), 8);
    }

    #[test]
    fn a_zero_stamp_is_absent() {
        assert_eq!(
            nanoseconds(&libc::timespec {
                tv_sec: 0,
                tv_nsec: 0
            }),
            None
        );
        assert_eq!(
            nanoseconds(&libc::timespec {
                tv_sec: 1,
                tv_nsec: 5
            }),
            Some(1_000_000_005)
        );
    }

    #[test]
    fn an_interface_that_is_not_there_is_gone() {
        let opened = BusSocket::open("no-such-bus", 1 << 20);
        // Where the kernel has no CAN, or the user no right to it, that comes first.
        assert!(
            matches!(opened, Err(SourceError::Gone | SourceError::Io(_))),
            "{opened:?}"
        );
        assert!(!interface_exists("no-such-bus"));
    }
}
