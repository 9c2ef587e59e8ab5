//! What the operating system says of a failure, as a person reads it: in small letters and without
//! its number. Which kinds are known by better words is up to each place that tells them.

use std::fmt;

/// The text of an error of the system, as it comes or within another one.
#[must_use]
pub fn plain(error: &impl fmt::Display) -> String {
    let text = error.to_string();
    let words = text.split(" (os error").next().unwrap_or_default();
    words.trim().to_lowercase()
}

#[cfg(test)]
mod tests {
    use std::io;

    use super::*;

    #[test]
    fn no_number_and_no_capital() {
        let full = io::Error::from_raw_os_error(28);
        assert_eq!(plain(&full), "no space left on device");
        assert_eq!(plain(&io::Error::other("Own words")), "own words");
    }
}
