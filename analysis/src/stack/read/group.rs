//! One table of discs, plates or spacers: which parts it lists, and what they are called.

use slipwright_decoders::toml_error::TomlError;
use toml::Spanned;

use super::raw::RawGroup;
use super::{MOST_PARTS, Reader, THICKNESS_MM};
use crate::stack::parts::{Group, Kind, Part, mm};

impl Reader<'_> {
    pub(super) fn group(
        &self,
        kind: Kind,
        entry: &Spanned<RawGroup>,
        reading_u_mm: f64,
    ) -> Result<Group, TomlError> {
        let raw = entry.get_ref();
        let coated = raw.coated.as_ref().is_some_and(|c| *c.get_ref());
        if let (Kind::Spacer, true, Some(place)) = (kind, coated, &raw.coated) {
            return Err(self.at(
                place,
                "a spacer lies against the outer plate and must not be coated; list it under [[plate]] if it can stand between discs",
            ));
        }
        let reused = match (&raw.reused, &raw.new) {
            (Some(reused), Some(new)) if reused.get_ref() == new.get_ref() => {
                return Err(self.at(
                    new,
                    "new and reused contradict each other; keep the right one",
                ));
            }
            (Some(reused), _) => *reused.get_ref(),
            (None, Some(new)) => !*new.get_ref(),
            (None, None) => false,
        };
        let u_mm = self
            .uncertainty("uncertainty_mm", &raw.uncertainty_mm)?
            .unwrap_or(reading_u_mm);
        let count = self.count("count", &raw.count, 1)?;
        let thicknesses_um = match (&raw.measured_mm, &raw.thickness_mm) {
            (Some(list), _) => self.measurements(list, count, &raw.count)?,
            (None, Some(value)) => {
                let each = self.length("thickness_mm", value, THICKNESS_MM.0, THICKNESS_MM.1)?;
                let Some(count) = count else {
                    return Err(self.at(
                        entry,
                        format!(
                            "count is missing; write how many {}s of this thickness there are",
                            kind.text()
                        ),
                    ));
                };
                vec![each; count as usize]
            }
            (None, None) => {
                return Err(self.at(
                    entry,
                    "thickness_mm is missing; write it with count, or measured_mm with one value a part",
                ));
            }
        };
        let name = match &raw.name {
            Some(name) if name.get_ref().trim().is_empty() => {
                return Err(self.at(name, "name is empty; write one or leave it out"));
            }
            Some(name) => name.get_ref().clone(),
            None => described(kind, coated, reused, &thicknesses_um),
        };
        Ok(Group {
            name,
            kind,
            coated,
            reused,
            measured: raw.measured_mm.is_some(),
            parts: thicknesses_um
                .into_iter()
                .map(|thickness_um| Part { thickness_um, u_mm })
                .collect(),
        })
    }

    fn measurements(
        &self,
        list: &Spanned<Vec<Spanned<f64>>>,
        count: Option<u32>,
        place: &Option<Spanned<i64>>,
    ) -> Result<Vec<u32>, TomlError> {
        let values = list.get_ref();
        if values.is_empty() {
            return Err(self.at(list, "measured_mm is empty; write one value a part"));
        }
        if values.len() as i64 > MOST_PARTS {
            return Err(self.at(
                list,
                format!(
                    "more than {MOST_PARTS} parts in one group; list what may go into this pack"
                ),
            ));
        }
        if let (Some(count), Some(place)) = (count, place)
            && count as usize != values.len()
        {
            return Err(self.at(
                place,
                format!(
                    "count is {count} but measured_mm has {} values; leave count out or make them agree",
                    values.len()
                ),
            ));
        }
        values
            .iter()
            .map(|value| {
                self.length(
                    "every measured thickness",
                    value,
                    THICKNESS_MM.0,
                    THICKNESS_MM.1,
                )
            })
            .collect()
    }

    /// Adds a group; parts that nothing tells apart become one.
    pub(super) fn add(
        &self,
        groups: &mut Vec<Group>,
        group: Group,
        entry: &Spanned<RawGroup>,
    ) -> Result<(), TomlError> {
        let Some(same) = groups.iter_mut().find(|g| g.name == group.name) else {
            groups.push(group);
            return Ok(());
        };
        let alike =
            (same.kind, same.coated, same.reused) == (group.kind, group.coated, group.reused);
        let twice = format!(
            "two groups are called {:?}; give each its own name",
            group.name
        );
        match &entry.get_ref().name {
            Some(name) => return Err(self.at(name, twice)),
            None if !alike => return Err(self.at(entry, twice)),
            None => {}
        }
        same.measured |= group.measured;
        same.parts.extend(group.parts);
        if same.parts.len() as i64 > MOST_PARTS {
            return Err(self.at(
                entry,
                format!(
                    "more than {MOST_PARTS} parts of one kind; list what may go into this pack"
                ),
            ));
        }
        Ok(())
    }
}

/// What a group is, for one without a name: `coated plate 1.5`, `disc 1.48, reused`.
fn described(kind: Kind, coated: bool, reused: bool, thicknesses_um: &[u32]) -> String {
    let sum: u32 = thicknesses_um.iter().sum();
    let mean = mm(sum) / thicknesses_um.len().max(1) as f64;
    let hundredths = format!("{mean:.2}");
    let thickness = hundredths.strip_suffix('0').unwrap_or(&hundredths);
    let coat = if coated { "coated " } else { "" };
    let old = if reused { ", reused" } else { "" };
    format!("{coat}{} {thickness}{old}", kind.text())
}
