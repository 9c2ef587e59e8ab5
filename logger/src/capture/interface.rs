//! Section headers and interface descriptions: who recorded, and on which buses.

use super::block::BadBlock;
use super::clock::Clock;
use super::format::{ByteOrder, LINK_TYPE_SOCKETCAN, option};
use super::options::Options;

/// What a section header says of its section. A capture has one section, or several where files
/// were joined.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Section {
    /// Byte order of the section. Writing is always little-endian.
    pub order: ByteOrder,
    /// The program that wrote it (shb_userappl).
    pub application: Option<String>,
    /// The machine (shb_hardware).
    pub hardware: Option<String>,
    /// The operating system (shb_os).
    pub os: Option<String>,
}

impl Section {
    /// A section written by this program in this version, on a machine not further described.
    ///
    /// Files whose bytes must not change from version to version set another
    /// [`application`](Self::application).
    #[must_use]
    pub fn ours() -> Self {
        Self {
            application: Some(concat!("slipwright ", env!("CARGO_PKG_VERSION")).to_owned()),
            ..Self::default()
        }
    }

    /// Reads a section header's body.
    pub(crate) fn read(body: &[u8], order: ByteOrder) -> (Self, ReadOptions<'_>) {
        let mut section = Self {
            order,
            ..Self::default()
        };
        let mut rest = ReadOptions::default();
        let mut options = Options::new(body.get(16..).unwrap_or_default(), order);
        for (code, value) in &mut options {
            match code {
                option::COMMENT => rest.comments.push(value),
                option::SECTION_APPLICATION => section.application = Some(text(value)),
                option::SECTION_HARDWARE => section.hardware = Some(text(value)),
                option::SECTION_OS => section.os = Some(text(value)),
                _ => {}
            }
        }
        rest.broken = options.is_broken();
        (section, rest)
    }
}

/// One interface of a capture. Those of link type 227 are CAN buses.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Interface {
    /// Link type; [`LINK_TYPE_SOCKETCAN`] for a CAN bus.
    pub link_type: u16,
    /// Name, such as `can0` (if_name).
    pub name: Option<String>,
    /// Description (if_description).
    pub description: Option<String>,
    /// Adapter (if_hardware).
    pub hardware: Option<String>,
    /// Operating system (if_os).
    pub os: Option<String>,
    /// Bit rate in bit/s (if_speed).
    pub bit_rate_bps: Option<u64>,
    /// What its time stamps count (if_tsresol, if_tsoffset).
    pub clock: Clock,
}

impl Interface {
    /// Whether it is a CAN bus.
    #[must_use]
    pub fn is_can(&self) -> bool {
        self.link_type == LINK_TYPE_SOCKETCAN
    }

    /// Reads an interface description's body.
    pub(crate) fn read(body: &[u8], order: ByteOrder) -> Result<(Self, ReadOptions<'_>), BadBlock> {
        let (Some(link_type), Some(list)) = (order.u16_at(body, 0), body.get(8..)) else {
            return Err(BadBlock::ShortInterface);
        };
        let mut interface = Self {
            link_type,
            ..Self::default()
        };
        let mut rest = ReadOptions::default();
        let (mut resolution, mut offset_s) = (6, 0);
        let mut options = Options::new(list, order);
        for (code, value) in &mut options {
            match code {
                option::COMMENT => rest.comments.push(value),
                option::INTERFACE_NAME => interface.name = Some(text(value)),
                option::INTERFACE_DESCRIPTION => interface.description = Some(text(value)),
                option::INTERFACE_HARDWARE => interface.hardware = Some(text(value)),
                option::INTERFACE_OS => interface.os = Some(text(value)),
                option::INTERFACE_SPEED => {
                    interface.bit_rate_bps = value.try_into().ok().map(|v| order.u64(v));
                }
                option::INTERFACE_RESOLUTION => match value {
                    &[n] => resolution = n,
                    _ => rest.broken = true,
                },
                option::INTERFACE_OFFSET => match value.try_into() {
                    Ok(value) => offset_s = order.u64(value) as i64,
                    Err(_) => rest.broken = true,
                },
                _ => {}
            }
        }
        rest.broken |= options.is_broken();
        interface.clock = Clock::new(resolution, offset_s);
        Ok((interface, rest))
    }
}

/// What a block's options held beside its own fields.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct ReadOptions<'a> {
    pub(crate) comments: Vec<&'a [u8]>,
    /// An option runs past the block or has a wrong length.
    pub(crate) broken: bool,
}

/// A text option. Other writers may pad with a zero byte.
fn text(value: &[u8]) -> String {
    String::from_utf8_lossy(value)
        .trim_end_matches('\0')
        .to_owned()
}
