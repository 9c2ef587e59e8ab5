//! The start of a scenario: from a TOML date to nanoseconds since the epoch.

use slipwright_decoders::toml_error::TomlError;
use toml::Spanned;

use super::check::Check;

/// ns since the epoch of a date with time and zone.
pub(super) fn start_ns(
    check: &Check<'_>,
    start: &Spanned<toml::value::Datetime>,
) -> Result<i64, TomlError> {
    let wrong = || {
        check.error(
            start,
            "start must be a date with time and zone, such as 2024-05-14T08:00:00Z",
        )
    };
    let value = start.get_ref();
    let (Some(date), Some(time), Some(offset)) = (value.date, value.time, value.offset) else {
        return Err(wrong());
    };
    let minutes = match offset {
        toml::value::Offset::Z => 0,
        toml::value::Offset::Custom { minutes } => i64::from(minutes),
    };
    let days = days_since_epoch(date.year, date.month, date.day);
    let (minute, second) = (i64::from(time.minute), i64::from(time.second.unwrap_or(0)));
    let seconds = days * 86_400 + i64::from(time.hour) * 3600 + minute * 60 + second - minutes * 60;
    let below_ns = i64::from(time.nanosecond.unwrap_or(0));
    // A capture's stamps start at the epoch and count nanoseconds in 64 bits.
    seconds
        .checked_mul(1_000_000_000)
        .and_then(|ns| ns.checked_add(below_ns))
        .filter(|&ns| (0..i64::MAX / 2).contains(&ns))
        .ok_or_else(wrong)
}

/// Days from 1970-01-01 in the Gregorian calendar (E. G. Richards in the Explanatory Supplement to
/// the Astronomical Almanac, 3rd ed., 15.11; from memory).
fn days_since_epoch(year: u16, month: u8, day: u8) -> i64 {
    let (y, m, d) = (i64::from(year), i64::from(month), i64::from(day));
    let shifted = (m - 14) / 12;
    1461 * (y + 4800 + shifted) / 4 + 367 * (m - 2 - 12 * shifted) / 12
        - 3 * ((y + 4900 + shifted) / 100) / 4
        + d
        - 32_075
        - 2_440_588
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Unix time of known instants (POSIX.1-2017, 4.16 seconds since the epoch; the leap day of
    /// 2000 is the usual trap).
    #[test]
    fn days_are_counted_from_the_epoch() {
        assert_eq!(days_since_epoch(1970, 1, 1), 0);
        assert_eq!(days_since_epoch(2000, 3, 1), 951_868_800 / 86_400);
        assert_eq!(days_since_epoch(2024, 1, 1), 1_704_067_200 / 86_400);
        assert_eq!(days_since_epoch(2038, 1, 19), 2_147_472_000 / 86_400);
    }
}
