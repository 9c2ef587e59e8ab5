//! Which frames a capture held, decoded or not: what to say when a signal is not there.

use crate::frame::CanId;

/// What a collector saw.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Traffic {
    /// The buses, in the order announced.
    pub buses: Vec<BusTraffic>,
    /// Frames that the decoder file describes and no bus carried, in the file's order.
    pub absent: Vec<AbsentFrame>,
}

/// The frames of one bus.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BusTraffic {
    /// Its name.
    pub bus: String,
    /// Data frames by identifier: 11 bits before 29, then by number.
    pub ids: Vec<IdTraffic>,
    /// Data frames of identifiers beyond the 65,536 that are counted one by one.
    pub uncounted_frames: u64,
    /// Remote frames; they carry no data.
    pub remote_frames: u64,
    /// Error frames.
    pub error_frames: u64,
}

/// The data frames of one identifier.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IdTraffic {
    /// The identifier.
    pub id: CanId,
    /// How many there were.
    pub frames: u64,
    /// Whether the decoder file describes it for this bus.
    pub decoded: bool,
}

/// A frame that the decoder file describes and no bus carried.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AbsentFrame {
    /// The bus that should carry it; `None` for any.
    pub bus: Option<String>,
    /// Its identifier.
    pub id: CanId,
    /// What it holds, in the owner's words.
    pub name: Option<String>,
}

impl Traffic {
    /// All frames, of every kind.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.buses.iter().map(BusTraffic::frames).sum()
    }

    /// Data frames that the decoder file describes.
    #[must_use]
    pub fn decoded_frames(&self) -> u64 {
        let ids = self.buses.iter().flat_map(|bus| &bus.ids);
        ids.filter(|id| id.decoded).map(|id| id.frames).sum()
    }
}

impl BusTraffic {
    /// All frames, of every kind.
    #[must_use]
    pub fn frames(&self) -> u64 {
        let counted: u64 = self.ids.iter().map(|id| id.frames).sum();
        counted + self.uncounted_frames + self.remote_frames + self.error_frames
    }
}
