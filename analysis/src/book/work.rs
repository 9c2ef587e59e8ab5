//! One piece of work: a file of the book's `work` folder.

use std::fmt;

use serde::Deserialize;
use slipwright_decoders::toml_error::TomlError;
use toml::Spanned;

use super::moment::Moment;
use crate::number;

/// One piece of work.
#[derive(Clone, Debug, PartialEq)]
pub struct Work {
    /// The file's name without its ending.
    pub name: String,
    /// When it was done.
    pub date: Moment,
    /// Distance on the odometer, km.
    pub odometer_km: Option<f64>,
    /// What was done, in a few words.
    pub title: String,
    /// What was done, in words that reminders go by.
    pub done: Vec<String>,
    /// What was found broken or worn.
    pub faults_found: Vec<String>,
    /// Fluid filled in.
    pub fluid: Option<Fluid>,
    /// The stack that was fitted.
    pub stack: Option<FittedStack>,
    /// Parts fitted.
    pub parts: Vec<FittedPart>,
    /// Free text.
    pub notes: String,
}

/// Fluid filled in.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fluid {
    /// What it is called.
    pub name: Option<String>,
    /// How much, litres.
    pub amount_l: Option<f64>,
}

/// The stack that was fitted.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FittedStack {
    /// Its parts file, relative to the work file.
    pub parts_file: Option<String>,
    /// Its height, mm.
    pub height_mm: Option<f64>,
    /// Every part from the piston side to the far side.
    #[serde(default)]
    pub order: Vec<String>,
}

/// A part fitted.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FittedPart {
    /// What it is.
    pub name: String,
    /// Its number.
    pub number: Option<String>,
    /// How many.
    pub count: Option<u32>,
    /// Whether it ran before.
    #[serde(default)]
    pub reused: bool,
}

impl fmt::Display for FittedPart {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(count) = self.count {
            write!(f, "{count} × ")?;
        }
        f.write_str(&self.name)?;
        if let Some(number) = &self.number {
            write!(f, " ({number})")?;
        }
        f.write_str(if self.reused { ", used" } else { "" })
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    date: Spanned<toml::Value>,
    odometer_km: Option<Spanned<f64>>,
    title: Spanned<String>,
    #[serde(default)]
    done: Vec<String>,
    #[serde(default)]
    faults_found: Vec<String>,
    fluid: Option<Fluid>,
    stack: Option<FittedStack>,
    #[serde(default)]
    part: Vec<FittedPart>,
    #[serde(default)]
    notes: String,
}

impl Work {
    /// What its owner wrote beside the title, a line each, as it shall be read.
    #[must_use]
    pub fn details(&self) -> Vec<String> {
        let mut lines = Vec::new();
        if !self.faults_found.is_empty() {
            lines.push(format!("found: {}", self.faults_found.join("; ")));
        }
        if let Some(fluid) = &self.fluid {
            let name = fluid.name.clone();
            let amount = fluid.amount_l.map(|l| format!("{} l", number::plain(l)));
            let said: Vec<String> = name.into_iter().chain(amount).collect();
            lines.push(format!("fluid: {}", said.join(", ")));
        }
        if let Some(stack) = &self.stack {
            let height = stack
                .height_mm
                .map(|mm| format!("{} mm", number::plain(mm)));
            let file = stack.parts_file.as_ref().map(|file| format!("of {file}"));
            let order = (!stack.order.is_empty()).then(|| stack.order.join(", "));
            let said: Vec<String> = [height, file, order].into_iter().flatten().collect();
            lines.push(format!("stack: {}", said.join("; ")));
        }
        if !self.parts.is_empty() {
            let parts: Vec<String> = self.parts.iter().map(ToString::to_string).collect();
            lines.push(format!("parts: {}", parts.join("; ")));
        }
        let notes = self.notes.lines().map(str::trim);
        lines.extend(notes.filter(|line| !line.is_empty()).map(str::to_owned));
        lines
    }

    /// Reads a work file's text.
    ///
    /// # Errors
    /// [`TomlError`] with the line: not TOML, an unknown key, no date or title, or a distance that
    /// cannot be.
    pub fn parse(name: &str, text: &str) -> Result<Self, TomlError> {
        let raw: Raw =
            toml::from_str(text).map_err(|error| TomlError::from_reader(text, &error))?;
        let date = match raw.date.get_ref() {
            toml::Value::String(date) => Moment::parse(date),
            toml::Value::Datetime(date) => Moment::parse(&date.to_string()),
            other => Moment::parse(&other.to_string()),
        };
        let date = date.map_err(|why| TomlError::at(text, raw.date.span(), why))?;
        if let Some(km) = &raw.odometer_km
            && !(0.0..=1e7).contains(km.get_ref())
        {
            return Err(TomlError::at(
                text,
                km.span(),
                "odometer_km must be between 0 and 10000000",
            ));
        }
        if raw.title.get_ref().trim().is_empty() {
            return Err(TomlError::at(
                text,
                raw.title.span(),
                "title is empty; say in a few words what was done",
            ));
        }
        Ok(Self {
            name: name.to_owned(),
            date,
            odometer_km: raw.odometer_km.map(Spanned::into_inner),
            title: raw.title.into_inner(),
            done: raw.done,
            faults_found: raw.faults_found,
            fluid: raw.fluid,
            stack: raw.stack,
            parts: raw.part,
            notes: raw.notes,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_entry() {
        let work = Work::parse(
            "2026-05-01-rebuild",
            "date = 2026-05-01\nodometer_km = 181000\ntitle = \"pack rebuilt\"\ndone = [\"stack\", \"fluid\"]\n\
             faults_found = [\"two discs glazed\"]\nnotes = \"\"\"\ntwo\nlines\"\"\"\n\
             [fluid]\nname = \"as the maker says\"\namount_l = 0.7\n\
             [stack]\nparts_file = \"parts.toml\"\nheight_mm = 21.9\n[[part]]\nname = \"disc\"\ncount = 8\n",
        )
        .unwrap();
        assert_eq!(work.date.to_string(), "2026-05-01");
        assert_eq!(work.odometer_km, Some(181_000.0));
        assert_eq!(work.parts[0].count, Some(8));
        assert_eq!(
            work.details(),
            [
                "found: two discs glazed",
                "fluid: as the maker says, 0.700 l",
                "stack: 21.9 mm; of parts.toml",
                "parts: 8 × disc",
                "two",
                "lines",
            ]
        );
        assert_eq!(work.fluid.unwrap().amount_l, Some(0.7));
    }

    #[test]
    fn mistakes_are_named_with_their_line() {
        for (text, line, part) in [
            ("title = \"a\"\n", None, "date is missing"),
            ("date = 2026-05-01\n", None, "title is missing"),
            ("date = \"soon\"\ntitle = \"a\"\n", Some(1), "no date"),
            (
                "date = 2026-05-01\ntitle = \" \"\n",
                Some(2),
                "title is empty",
            ),
            (
                "date = 2026-05-01\ntitle = \"a\"\nodometer_km = -4\n",
                Some(3),
                "between 0",
            ),
            (
                "date = 2026-05-01\ntitle = \"a\"\nmiles = 4\n",
                Some(3),
                "miles",
            ),
        ] {
            let error = Work::parse("a", text).unwrap_err();
            assert!(error.message.contains(part), "{error}");
            assert!(line.is_none() || error.line == line, "{error}");
        }
    }
}
