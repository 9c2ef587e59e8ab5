//! The way out, for requests that the person allowed. Nothing else opens it.

use std::fs::File;
use std::io::{self, Write};

use slipwright_decoders::frame::CanId;

use super::super::source::SourceError;
use super::{layout, system};

/// A socket that only sends, on one interface. What it sends, the bus socket hears.
#[derive(Debug)]
pub struct SendSocket(File);

impl SendSocket {
    /// Opens it.
    ///
    /// # Errors
    ///
    /// As [`super::BusSocket::open`].
    pub fn open(interface: &str) -> Result<Self, SourceError> {
        let index = system::interface_index(interface)?;
        let socket = system::raw_socket()?;
        system::hear_nothing(&socket)?;
        system::bind(&socket, index)?;
        Ok(Self(File::from(socket)))
    }

    /// Sends one classic data frame of at most 8 bytes.
    ///
    /// # Errors
    ///
    /// What the system says; a full queue is `WouldBlock` or `ENOBUFS`.
    pub fn send(&self, id: CanId, data: &[u8]) -> io::Result<()> {
        // The kernel takes a frame whole or not at all.
        (&self.0).write_all(&layout::classic(id, data))
    }
}
