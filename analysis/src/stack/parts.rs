//! What lies on the bench: the parts file as values, checked.

use slipwright_decoders::toml_error::TomlError;

use super::read;

/// What a part is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Friction disc, on the inner splines.
    Disc,
    /// Steel plate, on the outer splines: between two discs, or uncoated as a spacer outside.
    Plate,
    /// Ring that only stands outside the pack.
    Spacer,
}

impl Kind {
    /// As written in a parts file.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Disc => "disc",
            Self::Plate => "plate",
            Self::Spacer => "spacer",
        }
    }
}

/// One part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// Thickness, µm.
    pub thickness_um: u32,
    /// Standard uncertainty of this one measurement, mm.
    pub u_mm: f64,
}

/// Parts that stand for one another.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// What the owner calls them, or what they are.
    pub name: String,
    /// What they are.
    pub kind: Kind,
    /// Whether their faces are coated.
    pub coated: bool,
    /// Whether they ran before.
    pub reused: bool,
    /// Whether each was measured on its own.
    pub measured: bool,
    /// The parts, in the order listed.
    pub parts: Vec<Part>,
}

/// What the stack shall come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Aim {
    /// Height of the stack, µm.
    Height(u32),
    /// Piston travel left, µm; the line of the file it stands on.
    Clearance(u32, usize),
    /// The height of the pack as built.
    Stock,
}

/// The side of the pack on which a spacer stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Between the piston's outer plate and the pack.
    Piston,
    /// Between the pack and the far outer plate.
    #[default]
    Far,
}

/// The pack as built.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Stock {
    /// Its height, µm.
    pub height_um: Option<u32>,
    /// Its discs.
    pub discs: Option<u32>,
    /// Piston travel that closes it, µm.
    pub clearance_um: Option<u32>,
}

/// Space for the pack: from outer plate to outer plate with the piston fully back.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    /// Its height, µm.
    pub height_um: u32,
    /// Its standard uncertainty, mm.
    pub u_mm: f64,
}

/// What a stack is warned about.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Limits {
    /// Less clearance than this drags, mm.
    pub least_clearance_mm: Option<f64>,
    /// Parts that differ by more than this are worn unevenly, mm.
    pub wear_spread_mm: Option<f64>,
    /// A plate thinner than this warps where the heat is, mm.
    pub thin_plate_mm: Option<f64>,
}

/// A parts file.
#[derive(Clone, Debug, PartialEq)]
pub struct Parts {
    /// What the owner calls this job.
    pub name: Option<String>,
    /// What the stack shall come to.
    pub aim: Aim,
    /// How far above it the stack may be, µm.
    pub tolerance_um: u32,
    /// How many discs, if the owner says so.
    pub discs: Option<u32>,
    /// Most spacers outside the pack.
    pub most_spacers: Option<u32>,
    /// Where spacers stand.
    pub spacer_side: Side,
    /// The pack as built.
    pub stock: Stock,
    /// Height of the pack that was taken out, µm.
    pub removed_um: Option<u32>,
    /// Space for the pack, if measured.
    pub room: Option<Room>,
    /// Whether the thick outer plates stay the ones they were.
    pub outer_plates_kept: bool,
    /// The side of the outer plate that runs on a bearing.
    pub bearing: Option<Side>,
    /// Standard uncertainty that all readings share, such as the micrometer's zero, mm.
    pub shared_u_mm: f64,
    /// What is warned about.
    pub limits: Limits,
    /// The parts, group by group: discs, plates, spacers.
    pub groups: Vec<Group>,
}

impl Parts {
    /// Reads a parts file's text.
    ///
    /// # Errors
    /// [`TomlError`] with the line: not TOML, an unknown key, a value that cannot be, no target, no
    /// discs, or statements that contradict each other.
    pub fn parse(text: &str) -> Result<Self, TomlError> {
        read::parts(text)
    }

    /// All parts of a kind.
    #[must_use]
    pub fn count(&self, kind: Kind) -> usize {
        let of = |g: &&Group| g.kind == kind;
        self.groups.iter().filter(of).map(|g| g.parts.len()).sum()
    }
}

/// µm to mm.
#[must_use]
pub fn mm(um: u32) -> f64 {
    f64::from(um) / 1e3
}
