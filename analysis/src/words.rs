//! Words around numbers: lists, units behind their numbers, beginnings of sentences.

/// Words in a list: `a, b and c`.
#[must_use]
pub fn listed<S: AsRef<str>>(words: &[S]) -> String {
    match words {
        [] => String::new(),
        [one] => one.as_ref().to_owned(),
        [first @ .., last] => {
            let first: Vec<&str> = first.iter().map(AsRef::as_ref).collect();
            format!("{} and {}", first.join(", "), last.as_ref())
        }
    }
}

/// A unit as it stands behind a number: after a space, or nothing for a bare number.
#[must_use]
pub fn behind(unit: &str) -> String {
    match unit {
        "1" | "" => String::new(),
        unit => format!(" {unit}"),
    }
}

/// A label at the start of a sentence or a title.
#[must_use]
pub fn capital(label: &str) -> String {
    let mut letters = label.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_units_and_beginnings() {
        assert_eq!(listed::<&str>(&[]), "");
        assert_eq!(listed(&["a"]), "a");
        assert_eq!(listed(&["a", "b", "c"]), "a, b and c");
        assert_eq!(behind("1"), "");
        assert_eq!(behind("ms"), " ms");
        assert_eq!(capital("öl"), "Öl");
        assert_eq!(capital(""), "");
    }
}
