//! Buses and frames, past the recorder: by netlink and raw sockets of the `socketcan` crate.

use std::collections::BTreeSet;
use std::io::{self, Write};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use socketcan::nl::{CanInterface, Mtu};
use socketcan::{CanCtrlMode, CanFdSocket, CanFilter, EmbeddedFrame, Id, Socket, SocketOptions};

type Error = Box<dyn std::error::Error>;

/// Bit rate of the two emulated controllers.
pub(crate) const BIT_RATE: u32 = 500_000;
/// Flags of the kernel's identifier word (linux/can.h).
pub(crate) const EXTENDED: u32 = 1 << 31;
pub(crate) const REMOTE: u32 = 1 << 30;
pub(crate) const ERROR: u32 = 1 << 29;

/// A virtual bus that goes when it is dropped.
pub(crate) struct Virtual(pub(crate) String);

impl Virtual {
    /// Makes one that takes FD frames, and brings it up.
    pub(crate) fn new(name: &str) -> Result<Self, Error> {
        let interface = CanInterface::create_vcan(name, None)?;
        interface.set_mtu(Mtu::Fd)?;
        interface.bring_up()?;
        Ok(Self(name.to_owned()))
    }

    pub(crate) fn bring(&self, up: bool) -> Result<(), Error> {
        let interface = CanInterface::open(&self.0)?;
        if up {
            interface.bring_up()?
        } else {
            interface.bring_down()?
        }
        Ok(())
    }
}

impl Drop for Virtual {
    fn drop(&mut self) {
        if let Ok(interface) = CanInterface::open(&self.0) {
            let _ = interface.delete();
        }
    }
}

/// Sets an emulated controller up.
pub(crate) fn controller(name: &str, listen_only: bool) -> Result<(), Error> {
    let interface = CanInterface::open(name)?;
    interface.bring_down()?;
    interface.set_bitrate(BIT_RATE, None)?;
    interface.set_ctrlmode(CanCtrlMode::ListenOnly, listen_only)?;
    interface.bring_up()?;
    Ok(())
}

/// A frame as the kernel lays it out: 16 bytes, or 72 for FD.
pub(crate) fn packet(word: u32, data: &[u8], fd: Option<u8>) -> Vec<u8> {
    let mut packet = vec![0; if fd.is_some() { 72 } else { 16 }];
    packet[..4].copy_from_slice(&word.to_ne_bytes());
    packet[4] = data.len() as u8;
    packet[5] = fd.unwrap_or(0);
    packet[8..8 + data.len()].copy_from_slice(data);
    packet
}

/// A frame that carries a number.
pub(crate) fn numbered(word: u32, number: u64) -> Vec<u8> {
    packet(word, &number.to_le_bytes(), None)
}

/// Identifiers that the tests themselves have sent with.
static OURS: Mutex<BTreeSet<u32>> = Mutex::new(BTreeSet::new());

/// Sends raw packets.
pub(crate) struct Sender {
    socket: CanFdSocket,
    last: Option<u32>,
}

impl Sender {
    pub(crate) fn open(name: &str) -> Result<Self, Error> {
        let socket = CanFdSocket::open(name)?;
        socket.set_filter_drop_all()?;
        Ok(Self { socket, last: None })
    }

    /// Sends one, waiting while the kernel's queue is full.
    pub(crate) fn send(&mut self, packet: &[u8]) -> io::Result<()> {
        let word = packet.first_chunk().map(|b| u32::from_ne_bytes(*b));
        let id = word.map(|word| word & libc::CAN_EFF_MASK);
        if id != self.last {
            let mut ours = OURS.lock().unwrap_or_else(PoisonError::into_inner);
            ours.extend(id);
            self.last = id;
        }
        loop {
            match self.socket.write(packet) {
                Ok(_) => return Ok(()),
                Err(error) if error.raw_os_error() == Some(libc::ENOBUFS) => {
                    std::thread::sleep(Duration::from_millis(1));
                }
                Err(error) => return Err(error),
            }
        }
    }
}

/// Identifier of a frame read.
pub(crate) fn number(frame: &impl EmbeddedFrame) -> u32 {
    match frame.id() {
        Id::Standard(id) => u32::from(id.as_raw()),
        Id::Extended(id) => id.as_raw(),
    }
}

/// Overhears a bus, to say what was sent on it by anyone.
pub(crate) struct Listener(CanFdSocket);

impl Listener {
    pub(crate) fn open(name: &str) -> Result<Self, Error> {
        let socket = CanFdSocket::open(name)?;
        socket.set_nonblocking(true)?;
        Ok(Self(socket))
    }

    /// Hears what no test sends: the kernel itself leaves out the identifiers that they use most,
    /// so that listening costs nothing while they flood the bus.
    pub(crate) fn for_strangers(name: &str) -> Result<Self, Error> {
        let listener = Self::open(name)?;
        let mask = libc::CAN_EFF_FLAG | libc::CAN_SFF_MASK;
        let filters = [0x100, 0x1A0].map(|id| CanFilter::new_inverted(id, mask));
        listener.0.set_filters(&filters)?;
        listener.0.set_join_filters(true)?;
        Ok(listener)
    }

    /// How many frames it heard since the last time.
    pub(crate) fn heard(&self) -> usize {
        std::iter::from_fn(|| self.0.read_frame().ok()).count()
    }

    /// Identifiers that it heard since the last time and that no test has sent with.
    pub(crate) fn strangers(&self) -> Vec<u32> {
        let heard: Vec<u32> = std::iter::from_fn(|| self.0.read_frame().ok())
            .map(|frame| number(&frame))
            .collect();
        let ours = OURS.lock().unwrap_or_else(PoisonError::into_inner);
        heard.into_iter().filter(|id| !ours.contains(id)).collect()
    }
}
