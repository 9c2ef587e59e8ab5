//! A day or a time as written in a file.

use std::fmt;

use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

/// A day (UTC), or a time on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Moment {
    /// Its start, ns since the epoch.
    pub start_ns: i64,
    /// The end of the day, or the start again for a time, ns since the epoch.
    pub end_ns: i64,
}

impl Moment {
    /// Reads `2026-05-01`, `2026-05-01T14:00:00Z` or `2026-05-01T14:00:00` (UTC).
    ///
    /// # Errors
    /// What to write instead.
    pub fn parse(text: &str) -> Result<Self, String> {
        let wrong =
            || format!("{text:?} is no date; write it as 2026-05-01 or 2026-05-01T14:00:00Z");
        // Files that people write may have a blank where the standard has a T.
        let text = text.trim();
        if let Ok(at) = text.parse::<Timestamp>() {
            return Self::between(at, at).ok_or_else(wrong);
        }
        let is_day = text.len() <= "2026-05-01".len();
        if is_day && let Ok(day) = text.parse::<Date>() {
            return Self::day(day).ok_or_else(wrong);
        }
        let at: DateTime = text.parse().map_err(|_| wrong())?;
        let at = TimeZone::UTC.to_timestamp(at).map_err(|_| wrong())?;
        Self::between(at, at).ok_or_else(wrong)
    }

    fn day(day: Date) -> Option<Self> {
        let start = |day: Date| TimeZone::UTC.to_timestamp(day.at(0, 0, 0, 0)).ok();
        Self::between(start(day)?, start(day.checked_add(1.day()).ok()?)?)
    }

    fn between(start: Timestamp, end: Timestamp) -> Option<Self> {
        let ns = |t: Timestamp| i64::try_from(t.as_nanosecond()).ok();
        Some(Self {
            start_ns: ns(start)?,
            end_ns: ns(end)?,
        })
    }

    /// A time to count from: the middle of the day, or the time.
    #[must_use]
    pub fn middle_ns(&self) -> i64 {
        self.start_ns + (self.end_ns - self.start_ns) / 2
    }

    /// The day of a stamp (UTC), as text.
    #[must_use]
    pub fn day_text(t_ns: i64) -> String {
        text(t_ns, "%Y-%m-%d")
    }

    /// A stamp (UTC) to the minute, for a person.
    #[must_use]
    pub fn minute_text(t_ns: i64) -> String {
        text(t_ns, "%Y-%m-%d %H:%M UTC")
    }

    /// A stamp (UTC) to the second, for a program (RFC 3339).
    #[must_use]
    pub fn second_text(t_ns: i64) -> String {
        text(t_ns, "%Y-%m-%dT%H:%M:%SZ")
    }
}

/// A stamp as text: every 64-bit number of nanoseconds is a time of the calendar.
fn text(t_ns: i64, format: &str) -> String {
    Timestamp::from_nanosecond(t_ns.into())
        .map(|t| t.strftime(format).to_string())
        .unwrap_or_default()
}

impl fmt::Display for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&match self.end_ns == self.start_ns {
            true => Self::second_text(self.start_ns),
            false => Self::day_text(self.start_ns),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_and_times() {
        let day = Moment::parse("2026-05-01").unwrap();
        assert_eq!(day.end_ns - day.start_ns, 86_400_000_000_000);
        assert_eq!(day.to_string(), "2026-05-01");
        let time = Moment::parse("2026-05-01T14:30:00+02:00").unwrap();
        assert_eq!(time.to_string(), "2026-05-01T12:30:00Z");
        assert_eq!(time.start_ns - day.start_ns, 45_000_000_000_000);
        assert_eq!(Moment::parse("2026-05-01T12:30:00").unwrap(), time);
        assert_eq!(Moment::parse("2026-05-01 12:30:00").unwrap(), time);
        for wrong in ["", "yesterday", "2026-13-01", "1.5.2026", "2026-05"] {
            assert!(
                Moment::parse(wrong).unwrap_err().contains("2026-05-01"),
                "{wrong}"
            );
        }
    }
}
