//! The layout file: how one line is read.

use regex::Regex;
use serde::Deserialize;
use slipwright_decoders::toml_error::TomlError;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    layout: RawLayout,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawLayout {
    #[serde(default)]
    name: String,
    pattern: String,
    ignore: Option<String>,
    #[serde(default = "seconds")]
    time_unit: String,
    #[serde(default)]
    time_base_ns: i64,
    #[serde(default = "sixteen")]
    id_base: u32,
    #[serde(default = "sixteen")]
    data_base: u32,
    #[serde(default)]
    leave_out: Vec<String>,
}

fn seconds() -> String {
    "s".to_owned()
}

fn sixteen() -> u32 {
    16
}

/// How a text log's lines are read.
#[derive(Clone, Debug)]
pub struct Layout {
    /// What the owner calls it.
    pub name: String,
    pub(super) pattern: Regex,
    pub(super) ignore: Option<Regex>,
    /// Decimal places from the time's unit to nanoseconds.
    pub(super) places: u32,
    pub(super) time_base_ns: i64,
    pub(super) id_base: u32,
    pub(super) data_base: u32,
    pub(super) leave_out: Vec<String>,
}

impl Layout {
    /// Reads a layout file's text.
    ///
    /// # Errors
    /// [`TomlError`]: not TOML, an unknown key or unit, a pattern that is no regular expression or
    /// lacks one of the groups time, id and data.
    pub fn parse(text: &str) -> Result<Self, TomlError> {
        let file: File =
            toml::from_str(text).map_err(|error| TomlError::from_reader(text, &error))?;
        let raw = file.layout;
        let line_of = |key: &str| {
            let found = text
                .lines()
                .position(|line| line.trim_start().starts_with(key));
            found.map(|index| index + 1)
        };
        let wrong = |key: &str, message: String| TomlError {
            line: line_of(key),
            message,
        };
        let regex = |key: &str, pattern: &str| {
            Regex::new(pattern).map_err(|error| {
                let text = error.to_string();
                let last = text.lines().last().unwrap_or_default().trim().to_owned();
                wrong(
                    key,
                    format!("{key} is no regular expression ({last}); correct it"),
                )
            })
        };
        let pattern = regex("pattern", &raw.pattern)?;
        for group in ["time", "id", "data"] {
            if !pattern.capture_names().flatten().any(|name| name == group) {
                return Err(wrong(
                    "pattern",
                    format!("pattern has no group {group}; write it as (?<{group}>...)"),
                ));
            }
        }
        let places = match raw.time_unit.as_str() {
            "s" => 9,
            "ms" => 6,
            "us" => 3,
            "ns" => 0,
            other => {
                return Err(wrong(
                    "time_unit",
                    format!("unknown time_unit \"{other}\"; use s, ms, us or ns"),
                ));
            }
        };
        for (key, base) in [("id_base", raw.id_base), ("data_base", raw.data_base)] {
            if base != 10 && base != 16 {
                return Err(wrong(
                    key,
                    format!("{key} {base} is not possible; use 16 or 10"),
                ));
            }
        }
        Ok(Self {
            name: raw.name,
            ignore: raw
                .ignore
                .as_deref()
                .map(|p| regex("ignore", p))
                .transpose()?,
            pattern,
            places,
            time_base_ns: raw.time_base_ns,
            id_base: raw.id_base,
            data_base: raw.data_base,
            leave_out: raw.leave_out,
        })
    }
}
