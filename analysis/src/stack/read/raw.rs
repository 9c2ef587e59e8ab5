//! The tables of a parts file as they are written, every number with its place in the text.

use serde::Deserialize;
use toml::Spanned;

use crate::stack::parts::Side;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawFile {
    pub(super) name: Option<String>,
    pub(super) target: Option<Spanned<RawTarget>>,
    #[serde(default)]
    pub(super) pack: RawPack,
    pub(super) stock: Option<Spanned<RawStock>>,
    #[serde(default)]
    pub(super) removed: RawRemoved,
    #[serde(default)]
    pub(super) room: RawRoom,
    #[serde(default)]
    pub(super) outer_plates: RawOuterPlates,
    #[serde(default)]
    pub(super) micrometer: RawMicrometer,
    #[serde(default)]
    pub(super) limits: RawLimits,
    #[serde(default)]
    pub(super) disc: Vec<Spanned<RawGroup>>,
    #[serde(default)]
    pub(super) plate: Vec<Spanned<RawGroup>>,
    #[serde(default)]
    pub(super) spacer: Vec<Spanned<RawGroup>>,
}

pub(super) type Number = Option<Spanned<f64>>;

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawTarget {
    pub(super) height_mm: Number,
    pub(super) clearance_mm: Number,
    pub(super) tolerance_mm: Number,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawPack {
    pub(super) discs: Option<Spanned<i64>>,
    pub(super) spacers: Option<Spanned<i64>>,
    #[serde(default)]
    pub(super) spacer_side: Side,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawStock {
    pub(super) height_mm: Number,
    pub(super) discs: Option<Spanned<i64>>,
    pub(super) disc_mm: Number,
    pub(super) plates: Option<Spanned<i64>>,
    pub(super) plate_mm: Number,
    pub(super) clearance_mm: Number,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawRemoved {
    pub(super) height_mm: Number,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawRoom {
    pub(super) height_mm: Number,
    pub(super) depth_mm: Number,
    pub(super) uncertainty_mm: Number,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawOuterPlates {
    pub(super) kept: Option<bool>,
    pub(super) bearing: Option<Side>,
    pub(super) piston_side_mm: Number,
    pub(super) far_side_mm: Number,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawMicrometer {
    pub(super) uncertainty_mm: Number,
    pub(super) zero_uncertainty_mm: Number,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawLimits {
    pub(super) least_clearance_mm: Number,
    pub(super) wear_spread_mm: Number,
    pub(super) thin_plate_mm: Number,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawGroup {
    pub(super) name: Option<Spanned<String>>,
    pub(super) thickness_mm: Number,
    pub(super) measured_mm: Option<Spanned<Vec<Spanned<f64>>>>,
    pub(super) count: Option<Spanned<i64>>,
    pub(super) coated: Option<Spanned<bool>>,
    pub(super) reused: Option<Spanned<bool>>,
    pub(super) new: Option<Spanned<bool>>,
    pub(super) uncertainty_mm: Number,
}
