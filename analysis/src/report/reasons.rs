//! Letters in a table that stand for the reason why a value is missing, and the list under it.

use crate::number;
use maud::{Markup, html};

/// Reasons of one table, in the order in which they first occur.
#[derive(Default)]
pub(super) struct Reasons {
    reasons: Vec<String>,
}

impl Reasons {
    /// What stands in the place of the value: the letter of its reason.
    pub(super) fn letter_for(&mut self, reason: Option<String>) -> String {
        let Some(reason) = reason else {
            return number::NO_NUMBER.to_owned();
        };
        let known = self.reasons.iter().position(|known| *known == reason);
        let place = known.unwrap_or_else(|| {
            self.reasons.push(reason);
            self.reasons.len() - 1
        });
        letter(place)
    }

    /// The list under the table: other remarks first, then each letter with its reason.
    pub(super) fn list(&self, remarks: impl Iterator<Item = String>) -> Markup {
        let lettered = self
            .reasons
            .iter()
            .enumerate()
            .map(|(i, reason)| format!("{}: {reason}", letter(i)));
        let items: Vec<String> = remarks.chain(lettered).collect();
        html! {
            @if !items.is_empty() {
                ul.reasons { @for item in &items { li { (item) } } }
            }
        }
    }
}

/// a, b, ... z, aa, ab, ...
fn letter(place: usize) -> String {
    let mut rest = place + 1;
    let mut letters = Vec::new();
    while rest > 0 {
        rest -= 1;
        letters.push(char::from(b'a' + (rest % 26) as u8));
        rest /= 26;
    }
    letters.iter().rev().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_go_on_after_z() {
        assert_eq!(
            [0, 1, 25, 26, 51, 52, 701, 702].map(letter).join(" "),
            "a b z aa az ba zz aaa"
        );
    }

    #[test]
    fn the_same_reason_has_the_same_letter() {
        let mut reasons = Reasons::default();
        let letters = ["wet", "cold", "wet"].map(|r| reasons.letter_for(Some(r.to_owned())));
        assert_eq!(letters, ["a", "b", "a"]);
        insta::assert_snapshot!(
            reasons.list(std::iter::once("no road".to_owned())).into_string(),
            @r#"<ul class="reasons"><li>no road</li><li>a: wet</li><li>b: cold</li></ul>"#
        );
    }
}
