//! One table of a TOML text, read key by key; whatever is wrong is said at its line.

use std::ops::{Range, RangeInclusive};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::toml_error::TomlError;

/// A value and the byte range of the text that says it.
#[derive(Clone, Debug)]
pub(super) struct Located<T> {
    pub(super) value: T,
    pub(super) at: Range<usize>,
}

/// A table, the text it stands in, and what the table is called in messages.
pub(super) struct Table<'a> {
    text: &'a str,
    table: &'a DeTable<'a>,
    at: Range<usize>,
    what: &'static str,
}

impl<'a> Table<'a> {
    /// The table, whose keys must be among `keys`.
    pub(super) fn new(
        text: &'a str,
        what: &'static str,
        keys: &[&str],
        table: &'a DeTable<'a>,
        at: Range<usize>,
    ) -> Result<Self, TomlError> {
        let unknown = table
            .keys()
            .filter(|key| !keys.contains(&key.get_ref().as_ref()));
        // The order of a table's keys depends on how the reader was built; the text's does not.
        if let Some(key) = unknown.min_by_key(|key| key.span().start) {
            let message = format!(
                "unknown key \"{}\" in {what}; use {}",
                key.get_ref().escape_debug(),
                listed(keys)
            );
            return Err(TomlError::at(text, key.span(), message));
        }
        Ok(Self {
            text,
            table,
            at,
            what,
        })
    }

    /// Where the table starts.
    pub(super) fn at(&self) -> Range<usize> {
        self.at.clone()
    }

    /// A mistake in the value of `key`, or in the table if the key is absent.
    pub(super) fn wrong(&self, key: &str, message: impl Into<String>) -> TomlError {
        let at = self.table.get(key).map_or_else(|| self.at(), Spanned::span);
        self.wrong_at(at, message)
    }

    /// A mistake at a place of the text.
    pub(super) fn wrong_at(&self, at: Range<usize>, message: impl Into<String>) -> TomlError {
        TomlError::at(self.text, at, message)
    }

    /// The key is needed; `example` is a line that would do.
    pub(super) fn missing(&self, key: &str, example: &str) -> TomlError {
        self.wrong_at(
            self.at(),
            format!("{key} is missing in {}; write {example}", self.what),
        )
    }

    /// The text at a place.
    pub(super) fn written(&self, at: &Range<usize>) -> &'a str {
        self.text.get(at.clone()).unwrap_or_default()
    }

    fn wrong_type(
        &self,
        key: &str,
        at: Range<usize>,
        wanted: &str,
        got: &DeValue<'_>,
    ) -> TomlError {
        self.wrong_at(at, format!("{key} must be {wanted}, not {}", kind(got)))
    }

    /// A text; not empty.
    pub(super) fn text(&self, key: &str) -> Result<Option<Located<String>>, TomlError> {
        let Some(value) = self.table.get(key) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::String(text) if text.is_empty() => Err(self.wrong(
                key,
                format!("{key} is empty; write a text, or leave it out"),
            )),
            DeValue::String(text) => Ok(Some(Located {
                value: text.clone().into_owned(),
                at: value.span(),
            })),
            other => Err(self.wrong_type(key, value.span(), "a text in quotes", other)),
        }
    }

    /// A text that may be empty.
    pub(super) fn text_or_empty(&self, key: &str) -> Result<Option<Located<String>>, TomlError> {
        match self
            .table
            .get(key)
            .map(|value| (value.get_ref(), value.span()))
        {
            Some((DeValue::String(text), at)) if text.is_empty() => Ok(Some(Located {
                value: String::new(),
                at,
            })),
            _ => self.text(key),
        }
    }

    /// A whole number within `range`; `refusal` says what is wrong with one outside, after the
    /// number as written.
    pub(super) fn whole(
        &self,
        key: &str,
        range: RangeInclusive<i128>,
        refusal: &str,
    ) -> Result<Option<Located<i128>>, TomlError> {
        let Some(value) = self.table.get(key) else {
            return Ok(None);
        };
        let at = value.span();
        let number = self.whole_number(key, value)?;
        match number.filter(|number| range.contains(number)) {
            Some(value) => Ok(Some(Located { value, at })),
            None => Err(self.wrong(key, format!("{key} {} {refusal}", self.written(&at)))),
        }
    }

    /// The whole number that a value is; `None` for one beyond every range.
    fn whole_number(
        &self,
        key: &str,
        value: &Spanned<DeValue<'_>>,
    ) -> Result<Option<i128>, TomlError> {
        match value.get_ref() {
            DeValue::Integer(integer) => {
                Ok(i128::from_str_radix(integer.as_str(), integer.radix()).ok())
            }
            other => Err(self.wrong_type(key, value.span(), "a whole number", other)),
        }
    }

    /// Whole numbers in a list; `None` stands for one beyond every range.
    pub(super) fn whole_list(&self, key: &str) -> Result<Vec<Located<Option<i128>>>, TomlError> {
        let Some(value) = self.table.get(key) else {
            return Ok(Vec::new());
        };
        match value.get_ref() {
            DeValue::Array(list) => list
                .iter()
                .map(|item| {
                    Ok(Located {
                        value: self.whole_number(key, item)?,
                        at: item.span(),
                    })
                })
                .collect(),
            other => Err(self.wrong_type(key, value.span(), "a list of whole numbers", other)),
        }
    }

    /// A number, which must be finite.
    pub(super) fn number(&self, key: &str) -> Result<Option<f64>, TomlError> {
        let Some(value) = self.table.get(key) else {
            return Ok(None);
        };
        let number = match value.get_ref() {
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            DeValue::Integer(_) => self.whole_number(key, value)?.map(|whole| whole as f64),
            other => return Err(self.wrong_type(key, value.span(), "a number", other)),
        };
        match number.filter(|number| number.is_finite()) {
            Some(number) => Ok(Some(number)),
            None => {
                let written = self.written(&value.span());
                Err(self.wrong(
                    key,
                    format!("{key} {written} is not a finite number; write one"),
                ))
            }
        }
    }

    /// `true` or `false`; false if absent.
    pub(super) fn flag(&self, key: &str) -> Result<bool, TomlError> {
        let Some(value) = self.table.get(key) else {
            return Ok(false);
        };
        match value.get_ref() {
            DeValue::Boolean(flag) => Ok(*flag),
            other => Err(self.wrong_type(key, value.span(), "true or false", other)),
        }
    }

    /// The table under `key`, in single brackets or in braces.
    pub(super) fn table(
        &self,
        key: &str,
        what: &'static str,
        keys: &[&str],
    ) -> Result<Option<Table<'a>>, TomlError> {
        let Some(value) = self.table.get(key) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::Table(table) => {
                Table::new(self.text, what, keys, table, value.span()).map(Some)
            }
            other => Err(self.wrong_type(key, value.span(), "a table", other)),
        }
    }

    /// The tables under `key`, each in double brackets; `what` is how they are written.
    pub(super) fn tables(
        &self,
        key: &str,
        what: &'static str,
        keys: &[&str],
    ) -> Result<Vec<Table<'a>>, TomlError> {
        let Some(value) = self.table.get(key) else {
            return Ok(Vec::new());
        };
        let DeValue::Array(list) = value.get_ref() else {
            return Err(self.wrong(key, format!("write {what}, with double brackets")));
        };
        list.iter()
            .map(|item| match item.get_ref() {
                DeValue::Table(table) => Table::new(self.text, what, keys, table, item.span()),
                other => Err(self.wrong_type(key, item.span(), "a list of tables", other)),
            })
            .collect()
    }
}

/// What a TOML value is, in plain words.
fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number with a point",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// `a, b or c`.
pub(super) fn listed(words: &[&str]) -> String {
    match words {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [most @ .., last] => format!("{} or {last}", most.join(", ")),
    }
}
