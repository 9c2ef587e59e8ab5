//! What is wrong in one of our TOML files, and on which line. Decoder, vehicle, scenario and parts
//! files all report this way, so a person sees one form.

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
        let before = text.get(..span.start).unwrap_or(text);
        let line = before.bytes().filter(|&b| b == b'\n').count() + 1;
        Self {
            line: Some(line),
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
        let message = error.message().trim().replace('\n', "; ");
        match error.span() {
            Some(span) => Self::at(text, span, message),
            None => Self::whole(message),
        }
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
