//! What is wrong in one of our TOML files, and on which line. All of them report this way, so a person
//! sees one form.

use std::fmt;
use std::ops::Range;

/// A mistake in a TOML file: the line, and what to do about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TomlError {
    /// Line, counted from 1; `None` when the mistake is that something is absent altogether.
    pub line: Option<usize>,
    /// What is wrong and what to write instead, without the file's name.
    pub message: String,
}

impl TomlError {
    /// A mistake at a byte range of the text.
    #[must_use]
    pub fn at(text: &str, span: Range<usize>, message: impl Into<String>) -> Self {
        Self {
            line: Some(line_at(text, span.start)),
            message: message.into(),
        }
    }

    /// A mistake that lies nowhere in particular.
    #[must_use]
    pub fn whole(message: impl Into<String>) -> Self {
        Self {
            line: None,
            message: message.into(),
        }
    }

    /// What the TOML reader found, on one line.
    #[must_use]
    pub fn from_reader(text: &str, error: &toml::de::Error) -> Self {
        let message = plain(&error.message().trim().replace('\n', "; "));
        match error.span() {
            Some(span) => Self::at(text, span, message),
            None => Self::whole(message),
        }
    }
}

/// The line, counted from 1, of a byte in a text.
#[must_use]
pub fn line_at(text: &str, byte: usize) -> usize {
    let before = text.get(..byte).unwrap_or(text);
    before.bytes().filter(|&b| b == b'\n').count() + 1
}

/// The places of a text at which a line begins, for many questions about one text.
pub(crate) struct LineStarts(Vec<usize>);

impl LineStarts {
    pub(crate) fn of(text: &str) -> Self {
        let ends = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
        Self(ends.map(|(end, _)| end + 1).collect())
    }

    /// As [`line_at`].
    pub(crate) fn line_at(&self, byte: usize) -> usize {
        self.0.partition_point(|start| *start <= byte) + 1
    }
}

/// The TOML reader's words as a person who writes such a file would say them.
fn plain(message: &str) -> String {
    let message = message.replace('`', "\"");
    let told = |rest: &str| -> Option<(String, String)> {
        let (what, expected) = rest.split_once(", expected ")?;
        Some((
            what.to_owned(),
            expected.trim_start_matches("one of ").to_owned(),
        ))
    };
    if let Some((key, keys)) = message.strip_prefix("unknown field ").and_then(told) {
        return format!("unknown key {key}; use {keys}");
    }
    if let Some((value, values)) = message.strip_prefix("unknown variant ").and_then(told) {
        return format!("unknown value {value}; use {values}");
    }
    if let Some(key) = message.strip_prefix("missing field ") {
        return format!("{} is missing; write it", key.trim_matches('"'));
    }
    let wrong = ["invalid type: ", "invalid value: "];
    if let Some((is, needed)) = wrong
        .iter()
        .find_map(|p| message.strip_prefix(p))
        .and_then(told)
    {
        return format!("this must be {}, not {}", kind(&needed), kind(&is));
    }
    message
}

/// A kind of value in plain words.
fn kind(words: &str) -> String {
    let (kind, value) = words.split_once(' ').unwrap_or((words, ""));
    let plain = match kind {
        "f32" | "f64" => "a number",
        "i8" | "i16" | "i32" | "i64" | "u8" | "u16" | "u32" | "u64" | "usize" | "isize" => {
            "a whole number"
        }
        "string" => "the text",
        "integer" | "floating" => "the number",
        "boolean" => "the truth value",
        "sequence" => "a list",
        "map" | "struct" | "internally" => "a table",
        "a" if value == "sequence" => return "a list".to_owned(),
        "a" if value == "string" => return "a text".to_owned(),
        "a" if value == "boolean" => return "true or false".to_owned(),
        "a" if value == "map" => return "a table".to_owned(),
        _ => return words.to_owned(),
    };
    match (kind, value.trim_start_matches("point ")) {
        ("string" | "integer" | "floating" | "boolean", value) if !value.is_empty() => {
            format!("{plain} {}", value.trim_matches('"'))
        }
        _ => plain.to_owned(),
    }
}

impl fmt::Display for TomlError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "line {line}: {}", self.message),
            None => f.write_str(&self.message),
        }
    }
}

impl std::error::Error for TomlError {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_ways_to_count_lines_agree() {
        for text in ["", "\n", "a\nbc\n\nd", "é\n"] {
            let starts = LineStarts::of(text);
            for byte in (0..=text.len()).filter(|&byte| text.is_char_boundary(byte)) {
                assert_eq!(starts.line_at(byte), line_at(text, byte), "{text:?} {byte}");
            }
        }
    }

    /// The texts on the left are the reader's own, as its release 1.2 words them.
    #[test]
    fn the_readers_words_are_made_plain() {
        for (theirs, ours) in [
            (
                "unknown field `wheel_base_m`, expected one of `wheelbase_m`, `track_front_m`",
                "unknown key \"wheel_base_m\"; use \"wheelbase_m\", \"track_front_m\"",
            ),
            (
                "unknown variant `round`, expected `a` or `b`",
                "unknown value \"round\"; use \"a\" or \"b\"",
            ),
            ("missing field `name`", "name is missing; write it"),
            (
                "invalid type: string \"two\", expected f64",
                "this must be a number, not the text two",
            ),
            (
                "invalid type: floating point `2.5`, expected u32",
                "this must be a whole number, not the number 2.5",
            ),
            (
                "invalid type: integer `3`, expected a sequence",
                "this must be a list, not the number 3",
            ),
            ("duplicate key", "duplicate key"),
        ] {
            assert_eq!(plain(theirs), ours);
        }
    }
}
