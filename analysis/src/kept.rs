//! How measured drives are written down and read back without loss: what `serde` cannot know of
//! our own types by itself.
//!
//! Methods and reasons are texts of this program. Read back they are texts of this program again:
//! each distinct one is kept once, for as long as the program runs.

use std::collections::BTreeSet;
use std::sync::{Mutex, PoisonError};

use serde::{Deserialize, Deserializer};

/// A text that lives as long as the program.
pub(crate) fn text<'de, D: Deserializer<'de>>(from: D) -> Result<&'static str, D::Error> {
    Ok(lasting(String::deserialize(from)?))
}

/// A method's name and its value.
pub(crate) fn method_and_value<'de, D>(from: D) -> Result<(&'static str, f64), D::Error>
where
    D: Deserializer<'de>,
{
    let (method, value) = <(String, f64)>::deserialize(from)?;
    Ok((lasting(method), value))
}

fn lasting(text: String) -> &'static str {
    static TEXTS: Mutex<BTreeSet<&'static str>> = Mutex::new(BTreeSet::new());
    let mut texts = TEXTS.lock().unwrap_or_else(PoisonError::into_inner);
    match texts.get(text.as_str()) {
        Some(known) => known,
        None => {
            let kept: &'static str = Box::leak(text.into_boxed_str());
            texts.insert(kept);
            kept
        }
    }
}

/// A role as its text.
pub(crate) mod role {
    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serializer};
    use slipwright_decoders::role::Role;

    pub(crate) fn serialize<S: Serializer>(role: &Role, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(role.text())
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Role, D::Error> {
        let text = String::deserialize(from)?;
        text.parse().map_err(D::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_text_is_kept_once() {
        let first = lasting("a method of this test".to_owned());
        let second = lasting("a method of this test".to_owned());
        assert!(std::ptr::eq(first, second));
    }
}
