//! Text of a parts file to checked [`Parts`], with the line of whatever is wrong.
//!
//! `raw`: the tables as they are written. `group`: one table of parts. Here is the rest: target,
//! stock, room, and what every number may be.

mod group;
mod raw;

use slipwright_decoders::toml_error::TomlError;
use toml::Spanned;

use self::raw::{Number, RawFile, RawOuterPlates, RawRoom, RawStock, RawTarget};
use super::parts::{Aim, Group, Kind, Limits, Parts, Room, Stock, mm};

/// Standard uncertainty of one micrometer reading where the file says nothing, mm (common practice,
/// no source).
const READING_U_MM: f64 = 0.005;
/// How far above the target a stack may be where the file says nothing, mm (common practice, no
/// source).
const TOLERANCE_MM: f64 = 0.4;
/// Nothing in a pack is thinner or thicker: what lies outside is a slip of the decimal point, mm.
const THICKNESS_MM: (f64, f64) = (0.05, 20.0);
/// Nor is any height, room or clearance larger, mm.
const LARGEST_MM: f64 = 200.0;
/// More parts in a group than any pack holds.
const MOST_PARTS: i64 = 60;

/// Reads and checks a parts file's text.
pub(super) fn parts(text: &str) -> Result<Parts, TomlError> {
    let raw: RawFile =
        toml::from_str(text).map_err(|error| TomlError::from_reader(text, &error))?;
    Reader { text }.file(raw)
}

struct Reader<'a> {
    text: &'a str,
}

impl Reader<'_> {
    fn at<T>(&self, place: &Spanned<T>, message: impl Into<String>) -> TomlError {
        TomlError::at(self.text, place.span(), message)
    }

    fn file(&self, raw: RawFile) -> Result<Parts, TomlError> {
        let reading_u_mm = self
            .uncertainty("uncertainty_mm", &raw.micrometer.uncertainty_mm)?
            .unwrap_or(READING_U_MM);
        let mut groups: Vec<Group> = Vec::new();
        for (kind, listed) in [
            (Kind::Disc, &raw.disc),
            (Kind::Plate, &raw.plate),
            (Kind::Spacer, &raw.spacer),
        ] {
            for entry in listed {
                let group = self.group(kind, entry, reading_u_mm)?;
                self.add(&mut groups, group, entry)?;
            }
        }
        let discs: usize = count_of(&groups, Kind::Disc);
        if discs == 0 {
            return Err(TomlError::whole(
                "no disc is listed; write a [[disc]] table with thickness_mm and count for each kind of disc",
            ));
        }
        if discs > 1 && count_of(&groups, Kind::Plate) == 0 {
            return Err(TomlError::whole(
                "no plate is listed; write a [[plate]] table with thickness_mm and count for each kind of plate",
            ));
        }
        let stock = self.stock(raw.stock.as_ref())?;
        let (aim, tolerance_um) = self.target(raw.target.as_ref(), &stock)?;
        let wanted = self.count("discs", &raw.pack.discs, 1)?;
        if let (Some(wanted), Some(place)) = (wanted, &raw.pack.discs)
            && wanted as usize > discs
        {
            return Err(self.at(
                place,
                format!("{wanted} discs are wanted but only {discs} are listed; lower discs or list the others"),
            ));
        }
        Ok(Parts {
            name: raw.name,
            aim,
            tolerance_um,
            discs: wanted,
            most_spacers: self.count("spacers", &raw.pack.spacers, 0)?,
            spacer_side: raw.pack.spacer_side,
            stock,
            removed_um: self.height("height_mm", &raw.removed.height_mm)?,
            room: self.room(&raw.room, &raw.outer_plates)?,
            outer_plates_kept: raw.outer_plates.kept.unwrap_or(true),
            bearing: raw.outer_plates.bearing,
            shared_u_mm: self
                .uncertainty("zero_uncertainty_mm", &raw.micrometer.zero_uncertainty_mm)?
                .unwrap_or(0.0),
            limits: Limits {
                least_clearance_mm: self
                    .height("least_clearance_mm", &raw.limits.least_clearance_mm)?
                    .map(mm),
                wear_spread_mm: self
                    .height("wear_spread_mm", &raw.limits.wear_spread_mm)?
                    .map(mm),
                thin_plate_mm: self
                    .height("thin_plate_mm", &raw.limits.thin_plate_mm)?
                    .map(mm),
            },
            groups,
        })
    }

    fn target(
        &self,
        raw: Option<&Spanned<RawTarget>>,
        stock: &Stock,
    ) -> Result<(Aim, u32), TomlError> {
        let default = micrometres(TOLERANCE_MM);
        let Some(table) = raw else {
            return match stock.height_um {
                Some(_) => Ok((Aim::Stock, default)),
                None => Err(TomlError::whole(
                    "no target; write [target] with height_mm or clearance_mm, or [stock] with height_mm",
                )),
            };
        };
        let target = table.get_ref();
        let tolerance_um = match &target.tolerance_mm {
            None => default,
            Some(value) => self.length("tolerance_mm", value, 0.0, LARGEST_MM)?,
        };
        let aim = match (&target.height_mm, &target.clearance_mm) {
            (Some(_), Some(clearance)) => {
                return Err(self.at(
                    clearance,
                    "height_mm and clearance_mm are both given; keep the one that is wanted",
                ));
            }
            (Some(height), None) => {
                Aim::Height(self.length("height_mm", height, THICKNESS_MM.0, LARGEST_MM)?)
            }
            (None, Some(clearance)) => Aim::Clearance(
                self.length("clearance_mm", clearance, 0.0, LARGEST_MM)?,
                TomlError::at(self.text, clearance.span(), "")
                    .line
                    .unwrap_or(1),
            ),
            (None, None) if stock.height_um.is_some() => Aim::Stock,
            (None, None) => {
                return Err(self.at(
                    table,
                    "no target; write height_mm or clearance_mm here, or [stock] with height_mm",
                ));
            }
        };
        Ok((aim, tolerance_um))
    }

    fn stock(&self, raw: Option<&Spanned<RawStock>>) -> Result<Stock, TomlError> {
        let Some(table) = raw else {
            return Ok(Stock::default());
        };
        let stock = table.get_ref();
        let discs = self.count("discs", &stock.discs, 1)?;
        let plates = self.count("plates", &stock.plates, 0)?;
        let disc_um = self.thickness("disc_mm", &stock.disc_mm)?;
        let plate_um = self.thickness("plate_mm", &stock.plate_mm)?;
        let summed = match (discs, disc_um, plates, plate_um) {
            (Some(discs), Some(disc), Some(plates), Some(plate)) => {
                Some(discs * disc + plates * plate)
            }
            (_, None, _, None) => None,
            _ => {
                return Err(self.at(
                    table,
                    "the stock pack is told by discs, disc_mm, plates and plate_mm together, or by height_mm",
                ));
            }
        };
        let height_um = self.height("height_mm", &stock.height_mm)?;
        if let (Some(given), Some(summed), Some(place)) = (height_um, summed, &stock.height_mm)
            && given != summed
        {
            return Err(self.at(
                place,
                format!(
                    "height_mm is {} but the stock parts come to {} mm; correct one of them",
                    mm(given),
                    mm(summed)
                ),
            ));
        }
        Ok(Stock {
            height_um: height_um.or(summed),
            discs,
            clearance_um: self.height("clearance_mm", &stock.clearance_mm)?,
        })
    }

    fn room(&self, raw: &RawRoom, plates: &RawOuterPlates) -> Result<Option<Room>, TomlError> {
        let u_mm = self
            .uncertainty("uncertainty_mm", &raw.uncertainty_mm)?
            .unwrap_or(0.0);
        let piston = self.thickness("piston_side_mm", &plates.piston_side_mm)?;
        let far = self.thickness("far_side_mm", &plates.far_side_mm)?;
        let height = self.height("height_mm", &raw.height_mm)?;
        let depth = self.height("depth_mm", &raw.depth_mm)?;
        let height_um = match (height, depth, &raw.depth_mm) {
            (Some(_), Some(_), Some(place)) => {
                return Err(self.at(
                    place,
                    "height_mm and depth_mm are both given; keep height_mm (between the outer plates) or depth_mm (without them)",
                ));
            }
            (None, Some(depth), Some(place)) => {
                let (Some(piston), Some(far)) = (piston, far) else {
                    return Err(self.at(
                        place,
                        "depth_mm needs the thick plates too; write piston_side_mm and far_side_mm under [outer_plates]",
                    ));
                };
                let left = depth.checked_sub(piston + far).filter(|left| *left > 0);
                Some(left.ok_or_else(|| {
                    self.at(
                        place,
                        format!(
                            "the outer plates alone are {} mm; depth_mm must be more",
                            mm(piston + far)
                        ),
                    )
                })?)
            }
            (height, _, _) => height,
        };
        Ok(height_um.map(|height_um| Room { height_um, u_mm }))
    }

    fn length(
        &self,
        key: &str,
        value: &Spanned<f64>,
        least: f64,
        most: f64,
    ) -> Result<u32, TomlError> {
        let number = *value.get_ref();
        if number.is_finite() && (least..=most).contains(&number) {
            return Ok(micrometres(number));
        }
        Err(self.at(
            value,
            format!("{key} must be between {least} and {most} (millimetres), not {number}"),
        ))
    }

    fn thickness(&self, key: &str, value: &Number) -> Result<Option<u32>, TomlError> {
        let check = |v| self.length(key, v, THICKNESS_MM.0, THICKNESS_MM.1);
        value.as_ref().map(check).transpose()
    }

    fn height(&self, key: &str, value: &Number) -> Result<Option<u32>, TomlError> {
        let check = |v| self.length(key, v, 0.0, LARGEST_MM);
        value.as_ref().map(check).transpose()
    }

    fn uncertainty(&self, key: &str, value: &Number) -> Result<Option<f64>, TomlError> {
        match value {
            None => Ok(None),
            Some(u) if (0.0..=1.0).contains(u.get_ref()) => Ok(Some(*u.get_ref())),
            Some(u) => Err(self.at(
                u,
                format!(
                    "{key} must be between 0 and 1 (millimetres), not {}",
                    u.get_ref()
                ),
            )),
        }
    }

    fn count(
        &self,
        key: &str,
        value: &Option<Spanned<i64>>,
        least: i64,
    ) -> Result<Option<u32>, TomlError> {
        let Some(value) = value else { return Ok(None) };
        let number = *value.get_ref();
        u32::try_from(number)
            .ok()
            .filter(|_| (least..=MOST_PARTS).contains(&number))
            .map(Some)
            .ok_or_else(|| {
                self.at(
                    value,
                    format!("{key} must be between {least} and {MOST_PARTS}, not {number}"),
                )
            })
    }
}

fn count_of(groups: &[Group], kind: Kind) -> usize {
    let of = |g: &&Group| g.kind == kind;
    groups.iter().filter(of).map(|g| g.parts.len()).sum()
}

/// The nearest whole number of micrometres; the caller has checked the range.
fn micrometres(value_mm: f64) -> u32 {
    (value_mm * 1e3).round() as u32
}
