//! The kernel's own ISO-TP sockets (linux/can/isotp.h), as the control units that answer.
//!
//! No crate at hand has them, so the three system calls are made here; each is given memory that
//! outlives it.
#![allow(unsafe_code)]

use std::fs::File;
use std::io;
use std::mem;
use std::os::fd::{AsRawFd, FromRawFd, OwnedFd};

/// A socket that hears messages to `request` and answers with `response` (11-bit identifiers).
pub(crate) fn open(interface: &str, request: u32, response: u32) -> io::Result<File> {
    let check = |result: i32| {
        if result < 0 {
            Err(io::Error::last_os_error())
        } else {
            Ok(result)
        }
    };
    let fd = check(unsafe {
        libc::socket(
            libc::PF_CAN,
            libc::SOCK_DGRAM | libc::SOCK_CLOEXEC,
            libc::CAN_ISOTP,
        )
    })?;
    let socket = unsafe { OwnedFd::from_raw_fd(fd) };
    let name = std::ffi::CString::new(interface)?;
    let mut address: libc::sockaddr_can = unsafe { mem::zeroed() };
    address.can_family = libc::AF_CAN as libc::sa_family_t;
    address.can_ifindex = unsafe { libc::if_nametoindex(name.as_ptr()) } as i32;
    address.can_addr.tp.rx_id = request;
    address.can_addr.tp.tx_id = response;
    check(unsafe {
        libc::bind(
            socket.as_raw_fd(),
            (&raw const address).cast(),
            mem::size_of_val(&address) as libc::socklen_t,
        )
    })?;
    Ok(File::from(socket))
}
