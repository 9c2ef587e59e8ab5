//! Why a capture could not be read, or held nothing to read.

use std::fmt;
use std::io;
use std::path::PathBuf;

use thiserror::Error;

use crate::system_error;

/// A capture that gives nothing, and which file it is.
#[derive(Debug, Error)]
#[error("{}: {problem}", path.display())]
pub struct CaptureError {
    /// The file.
    pub path: PathBuf,
    /// What is wrong with it.
    #[source]
    pub problem: Problem,
}

/// What is wrong with a capture as a whole. A file that is only cut or damaged is no problem of
/// this kind: it is read as far as it goes, and its summary says so.
#[derive(Debug, Error)]
pub enum Problem {
    /// The file cannot be opened.
    #[error("{}", plain(.0))]
    Open(io::Error),
    /// The file cannot be read on.
    #[error("reading failed at byte {offset}: {}", plain(.source))]
    Read {
        /// How far it was read.
        offset: u64,
        /// What the system says.
        source: io::Error,
    },
    /// Nothing in it.
    #[error("the file is empty")]
    Empty,
    /// It does not begin as a pcapng file does.
    #[error("not a capture: {0}")]
    NotACapture(Looks),
    /// It is a capture, but of other networks.
    #[error(
        "wrong link type: the capture holds {}, not CAN (link type 227); record it from a CAN interface",
        link_types(.0)
    )]
    WrongLinkType(Vec<u16>),
}

/// What a file that is no capture looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Looks {
    /// gzip-compressed.
    Gzip,
    /// xz-compressed.
    Xz,
    /// bzip2-compressed.
    Bzip2,
    /// A zip archive.
    Zip,
    /// The older pcap format.
    Pcap,
    /// Parquet.
    Parquet,
    /// Text.
    Text,
    /// Nothing known.
    Unknown,
}

impl Looks {
    /// Judges by a file's first bytes.
    pub(crate) fn of(bytes: &[u8]) -> Self {
        match bytes {
            [0x1F, 0x8B, ..] => Self::Gzip,
            [0xFD, b'7', b'z', b'X', b'Z', ..] => Self::Xz,
            [b'B', b'Z', b'h', ..] => Self::Bzip2,
            [b'P', b'K', 3, 4, ..] => Self::Zip,
            [b'P', b'A', b'R', b'1', ..] => Self::Parquet,
            [0xA1, 0xB2, 0xC3, 0xD4, ..]
            | [0xD4, 0xC3, 0xB2, 0xA1, ..]
            | [0xA1, 0xB2, 0x3C, 0x4D, ..]
            | [0x4D, 0x3C, 0xB2, 0xA1, ..] => Self::Pcap,
            _ if is_text(bytes) => Self::Text,
            _ => Self::Unknown,
        }
    }
}

/// Whether the bytes are UTF-8 text, perhaps with a last character cut in two.
fn is_text(bytes: &[u8]) -> bool {
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text,
        Err(error) if error.error_len().is_none() => {
            let valid = bytes.get(..error.valid_up_to()).unwrap_or_default();
            std::str::from_utf8(valid).unwrap_or_default()
        }
        Err(_) => return false,
    };
    !text.is_empty()
        && text
            .chars()
            .all(|c| !c.is_control() || matches!(c, '\n' | '\r' | '\t'))
}

impl fmt::Display for Looks {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Gzip => "it is gzip-compressed; unpack it first",
            Self::Xz => "it is xz-compressed; unpack it first",
            Self::Bzip2 => "it is bzip2-compressed; unpack it first",
            Self::Zip => "it is a zip archive; unpack it first",
            Self::Pcap => "it is in the older pcap format; convert it to pcapng",
            Self::Parquet => "it is a Parquet table; give the pcapng file it was made from",
            Self::Text => {
                "it is a text file; a pcapng file is needed, or a layout that says how its lines are read"
            }
            Self::Unknown => "it does not begin like a pcapng file",
        })
    }
}

/// Link types in words; the names are those of the tcpdump group's list.
fn link_types(types: &[u16]) -> String {
    let names: Vec<String> = types
        .iter()
        .map(|link_type| match link_type {
            1 => "Ethernet (link type 1)".to_owned(),
            105 | 127 => format!("wireless LAN (link type {link_type})"),
            113 | 276 => format!("cooked Linux packets (link type {link_type})"),
            189 | 220 => format!("USB (link type {link_type})"),
            190 => "CAN in an older layout (link type 190)".to_owned(),
            other => format!("link type {other}"),
        })
        .collect();
    names.join(", ")
}

/// What the system says, without its number.
pub(crate) fn plain(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "no such file; check the name".to_owned(),
        io::ErrorKind::PermissionDenied => "no permission".to_owned(),
        io::ErrorKind::IsADirectory => "it is a folder; name a capture in it".to_owned(),
        _ if error.raw_os_error().is_some() => system_error::plain(error),
        _ => error.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_judged_by_its_beginning() {
        for (bytes, looks) in [
            (&[0x1F, 0x8B, 8][..], Looks::Gzip),
            (&[0xD4, 0xC3, 0xB2, 0xA1, 2, 0], Looks::Pcap),
            (b"12:31:06 first launch\n", Looks::Text),
            ("Fahrt über Land\u{e9}".as_bytes(), Looks::Text),
            (&"Fahrt ü".as_bytes()[..7], Looks::Text),
            (&[0, 1, 2, 3], Looks::Unknown),
            (&[0xFF, 0xFE], Looks::Unknown),
            (b"PAR1", Looks::Parquet),
        ] {
            assert_eq!(Looks::of(bytes), looks, "{bytes:?}");
        }
    }

    #[test]
    fn errors_are_one_plain_line() {
        let error = |problem| CaptureError {
            path: PathBuf::from("a b.pcapng"),
            problem,
        };
        let missing = io::Error::from_raw_os_error(2);
        assert_eq!(
            error(Problem::Open(missing)).to_string(),
            "a b.pcapng: no such file; check the name"
        );
        assert_eq!(
            error(Problem::WrongLinkType(vec![1, 147])).to_string(),
            "a b.pcapng: wrong link type: the capture holds Ethernet (link type 1), link type 147, \
             not CAN (link type 227); record it from a CAN interface"
        );
        assert_eq!(
            error(Problem::Read {
                offset: 7,
                source: io::Error::from_raw_os_error(5)
            })
            .to_string(),
            "a b.pcapng: reading failed at byte 7: input/output error"
        );
    }
}
