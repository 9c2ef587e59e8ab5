//! Checks of numbers and names in the scenario file, each pointing at its line.

use slipwright_decoders::toml_error::TomlError;
use toml::Spanned;

/// A number that must lie in a range.
pub(super) type Number = Option<Spanned<f64>>;

/// Where mistakes are pointed at.
pub(super) struct Check<'a> {
    pub(super) text: &'a str,
}

impl Check<'_> {
    pub(super) fn error<T>(&self, at: &Spanned<T>, message: impl Into<String>) -> TomlError {
        TomlError::at(self.text, at.span(), message)
    }

    /// The number, or `usual` if there is none; an error outside `low` to `high`.
    pub(super) fn number(
        &self,
        value: &Number,
        key: &str,
        low: f64,
        high: f64,
        usual: f64,
    ) -> Result<f64, TomlError> {
        let Some(value) = value else { return Ok(usual) };
        let number = *value.get_ref();
        if (low..=high).contains(&number) {
            return Ok(number);
        }
        Err(self.error(value, format!("{key} must be a number of {low} to {high}")))
    }

    pub(super) fn count(
        &self,
        value: &Option<Spanned<u32>>,
        key: &str,
        low: u32,
        high: u32,
        usual: u32,
    ) -> Result<u32, TomlError> {
        let Some(value) = value else { return Ok(usual) };
        let number = *value.get_ref();
        if (low..=high).contains(&number) {
            return Ok(number);
        }
        Err(self.error(
            value,
            format!("{key} must be a whole number of {low} to {high}"),
        ))
    }

    pub(super) fn range(
        &self,
        value: &Option<Spanned<[f64; 2]>>,
        key: &str,
        low: f64,
        high: f64,
        usual: [f64; 2],
    ) -> Result<[f64; 2], TomlError> {
        let Some(value) = value else { return Ok(usual) };
        let [from, to] = *value.get_ref();
        if (low..=high).contains(&from) && (from..=high).contains(&to) {
            return Ok([from, to]);
        }
        let message = format!("{key} must be two rising numbers of {low} to {high}");
        Err(self.error(value, message))
    }

    pub(super) fn file_name(&self, value: &Spanned<String>) -> Result<String, TomlError> {
        let name = value.get_ref();
        let plain = |c: char| c.is_alphanumeric() || "-_. ".contains(c);
        if !name.is_empty() && name.chars().all(plain) && !name.starts_with('.') {
            return Ok(name.clone());
        }
        let message = "name becomes a file's name: use letters, digits, spaces, -, _ and dots that are not first";
        Err(self.error(value, message))
    }
}
