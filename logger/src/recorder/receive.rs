//! Frames from the kernel: one raw CAN socket a bus.
//!
//! - [`layout`]: a frame as the kernel lays it out.
//! - [`system`]: the system calls, and with them all that is `unsafe` here.
//! - [`send`]: the way out, for requests that the person allowed.

use std::io;
use std::os::fd::{AsFd, AsRawFd, OwnedFd};

use tokio::io::unix::AsyncFd;

use super::source::{Batch, FrameSource, SourceError};

mod layout;
mod send;
mod system;

pub use send::SendSocket;

use system::{Buffers, get, set};

/// A raw CAN socket on one interface.
pub struct BusSocket {
    socket: AsyncFd<OwnedFd>,
    buffers: Buffers,
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
        let socket = system::raw_socket()?;
        // After the socket: where the kernel has no CAN, that is what must be said.
        let index = system::interface_index(interface)?;
        set(&socket, libc::SOL_CAN_RAW, libc::CAN_RAW_FD_FRAMES, 1)?;
        set(
            &socket,
            libc::SOL_CAN_RAW,
            libc::CAN_RAW_ERR_FILTER,
            libc::CAN_ERR_MASK as libc::c_int,
        )?;
        set(&socket, libc::SOL_SOCKET, libc::SO_RXQ_OVFL, 1)?;
        let stamps = libc::SOF_TIMESTAMPING_RX_SOFTWARE
            | libc::SOF_TIMESTAMPING_SOFTWARE
            | libc::SOF_TIMESTAMPING_RX_HARDWARE
            | libc::SOF_TIMESTAMPING_RAW_HARDWARE;
        set(
            &socket,
            libc::SOL_SOCKET,
            libc::SO_TIMESTAMPING,
            stamps as libc::c_int,
        )?;
        // The kernel doubles what it is given, so half is asked for. Past the system's limit only
        // a privileged process may go; the other gets the limit.
        let asked = libc::c_int::try_from(buffer_bytes / 2).unwrap_or(libc::c_int::MAX);
        if set(&socket, libc::SOL_SOCKET, libc::SO_RCVBUFFORCE, asked).is_err() {
            set(&socket, libc::SOL_SOCKET, libc::SO_RCVBUF, asked)?;
        }
        let mut granted: libc::c_int = 0;
        get(
            socket.as_fd(),
            libc::SOL_SOCKET,
            libc::SO_RCVBUF,
            std::slice::from_mut(&mut granted),
        )?;
        system::bind(&socket, index)?;
        Ok(Self {
            socket: system::register(socket)?,
            buffers: Buffers::new(),
            granted_bytes: usize::try_from(granted).unwrap_or(0),
        })
    }

    /// Bytes of receive buffer that the kernel granted.
    #[must_use]
    pub fn granted_bytes(&self) -> usize {
        self.granted_bytes
    }
}

impl FrameSource for BusSocket {
    async fn receive(&mut self, batch: &mut Batch) -> Result<(), SourceError> {
        batch.clear();
        loop {
            let mut guard = self.socket.ready_mut(system::INTEREST).await?;
            match system::take(guard.get_inner().as_fd(), &mut self.buffers, batch) {
                Ok(()) => return Ok(()),
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => guard.clear_ready(),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(SourceError::from_system(error)),
            }
        }
    }

    fn dropped(&self) -> Option<u32> {
        system::dropped(self.socket.get_ref().as_fd())
    }
}

/// Whether an interface of this name exists now.
#[must_use]
pub fn interface_exists(interface: &str) -> bool {
    system::interface_index(interface).is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

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
