//! What is due: intervals that the owner entered, in months, kilometres or friction work.
//!
//! No maker's interval is built in. Heat and work are what age fluid and lining, so an interval may
//! be in megajoules of friction work, summed over the drives that were recorded: drives that were
//! not recorded are not in it, and the text says so.

use serde::Deserialize;
use slipwright_decoders::toml_error::TomlError;
use toml::Spanned;

use super::sides::{DriveDate, is_after};
use super::work::Work;
use crate::trend::NS_PER_MONTH;

/// From this share of an interval on it is said that it will soon be due.
const SOON: f64 = 0.9;

/// One reminder.
#[derive(Clone, Debug, PartialEq)]
pub struct Reminder {
    /// What to do.
    pub what: String,
    /// The word in `done` of a piece of work that sets it back.
    pub after: String,
    /// Interval, months.
    pub every_months: Option<f64>,
    /// Interval, km.
    pub every_km: Option<f64>,
    /// Interval, megajoules of friction work.
    pub every_friction_work_mj: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFile {
    #[serde(default)]
    reminder: Vec<Spanned<Raw>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    what: String,
    after: String,
    every_months: Option<Spanned<f64>>,
    every_km: Option<Spanned<f64>>,
    every_friction_work_mj: Option<Spanned<f64>>,
}

impl Reminder {
    /// Reads the text of a book's `reminders.toml`.
    ///
    /// # Errors
    /// [`TomlError`] with the line: not TOML, an unknown key, or an interval that is missing or not
    /// above 0.
    pub fn parse_all(text: &str) -> Result<Vec<Self>, TomlError> {
        let raw: RawFile =
            toml::from_str(text).map_err(|error| TomlError::from_reader(text, &error))?;
        raw.reminder
            .into_iter()
            .map(|r| Self::checked(text, r))
            .collect()
    }

    fn checked(text: &str, raw: Spanned<Raw>) -> Result<Self, TomlError> {
        let span = raw.span();
        let raw = raw.into_inner();
        let intervals = [
            &raw.every_months,
            &raw.every_km,
            &raw.every_friction_work_mj,
        ];
        for interval in intervals.into_iter().flatten() {
            if !(interval.get_ref().is_finite() && *interval.get_ref() > 0.0) {
                return Err(TomlError::at(
                    text,
                    interval.span(),
                    "an interval must be a number above 0",
                ));
            }
        }
        if intervals.iter().all(|interval| interval.is_none()) {
            return Err(TomlError::at(
                text,
                span,
                "no interval; write every_months, every_km or every_friction_work_mj",
            ));
        }
        Ok(Self {
            what: raw.what,
            after: raw.after,
            every_months: raw.every_months.map(Spanned::into_inner),
            every_km: raw.every_km.map(Spanned::into_inner),
            every_friction_work_mj: raw.every_friction_work_mj.map(Spanned::into_inner),
        })
    }
}

/// How much of an interval is used up.
#[derive(Clone, Debug, PartialEq)]
pub struct Usage {
    /// `months`, `km` or `MJ of friction work`.
    pub unit: &'static str,
    /// The interval.
    pub every: f64,
    /// What of it is used, or why that is not known.
    pub used: Result<f64, String>,
}

/// Whether something is to be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DueState {
    /// Not for a while.
    NotYet,
    /// Nothing is known of any of its intervals.
    Unknown,
    /// Within a tenth of its interval.
    Soon,
    /// Now.
    Due,
}

impl DueState {
    /// Word in JSON and text.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::NotYet => "not yet",
            Self::Unknown => "unknown",
            Self::Soon => "soon",
            Self::Due => "due",
        }
    }
}

/// What became of a reminder.
#[derive(Clone, Debug, PartialEq)]
pub struct Due {
    /// What to do.
    pub what: String,
    /// Whether it is due.
    pub state: DueState,
    /// The work it is counted from; none if that was never done, and the first drive counts.
    pub since: Option<String>,
    /// Its intervals.
    pub usage: Vec<Usage>,
}

/// A drive as far as reminders need it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Driven {
    /// When and where.
    pub placed: DriveDate,
    /// Its friction work, J, if it could be measured.
    pub friction_work_j: Option<f64>,
}

/// What is due now. Work and drives in order of time.
#[must_use]
pub fn due(reminders: &[Reminder], work: &[Work], drives: &[Driven], now_ns: i64) -> Vec<Due> {
    reminders
        .iter()
        .map(|r| one(r, work, drives, now_ns))
        .collect()
}

fn one(reminder: &Reminder, work: &[Work], drives: &[Driven], now_ns: i64) -> Due {
    let same = |w: &&Work| {
        w.done
            .iter()
            .any(|d| d.eq_ignore_ascii_case(&reminder.after))
    };
    let since = work.iter().rev().find(same);
    let first = drives.first();
    let odometers = || {
        let of_drives = drives.iter().filter_map(|d| d.placed.odometer_km);
        of_drives.chain(work.iter().filter_map(|w| w.odometer_km))
    };
    let mut usage = Vec::new();
    if let Some(every) = reminder.every_months {
        let from_ns = since
            .map(|w| w.date.middle_ns())
            .or_else(|| first.map(|d| d.placed.start_ns));
        usage.push(Usage {
            unit: "months",
            every,
            used: from_ns
                .map(|from| (now_ns.saturating_sub(from) as f64 / NS_PER_MONTH).max(0.0))
                .ok_or_else(|| "neither work nor drive to count from".to_owned()),
        });
    }
    if let Some(every) = reminder.every_km {
        let from_km = match since {
            Some(work) => work.odometer_km,
            None => odometers().min_by(f64::total_cmp),
        };
        let now_km = odometers().max_by(f64::total_cmp);
        usage.push(Usage {
            unit: "km",
            every,
            used: match (from_km, now_km) {
                (Some(from), Some(now)) => Ok((now - from).max(0.0)),
                (None, _) => Err("odometer_km is missing in the work it counts from".to_owned()),
                (_, None) => Err("no odometer_km in work or drives".to_owned()),
            },
        });
    }
    if let Some(every) = reminder.every_friction_work_mj {
        let counted: Vec<&Driven> = drives
            .iter()
            // On the day of the work itself nothing may tell: it then counts, to be on the safe side.
            .filter(|d| since.is_none_or(|w| is_after(&d.placed, w) != Some(false)))
            .collect();
        let known: Vec<f64> = counted.iter().filter_map(|d| d.friction_work_j).collect();
        usage.push(Usage {
            unit: "MJ of friction work",
            every,
            used: if known.is_empty() && !counted.is_empty() {
                Err("no drive has friction work; see what measure says is missing".to_owned())
            } else {
                Ok(known.iter().sum::<f64>() / 1e6)
            },
        });
    }
    let share = usage
        .iter()
        .filter_map(|u| Some(u.used.as_ref().ok()? / u.every))
        .max_by(f64::total_cmp);
    Due {
        what: reminder.what.clone(),
        state: match share {
            None => DueState::Unknown,
            Some(share) if share >= 1.0 => DueState::Due,
            Some(share) if share >= SOON => DueState::Soon,
            Some(_) => DueState::NotYet,
        },
        since: since.map(|w| w.name.clone()),
        usage,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::Moment;

    const REMINDERS: &str = "[[reminder]]\nwhat = \"change the fluid\"\nafter = \"fluid\"\n\
                             every_months = 24\nevery_km = 30000\nevery_friction_work_mj = 2\n";

    fn at(text: &str) -> i64 {
        Moment::parse(text).unwrap().start_ns
    }

    fn drive(date: &str, km: f64, work_j: f64) -> Driven {
        Driven {
            placed: DriveDate {
                start_ns: at(date),
                odometer_km: Some(km),
            },
            friction_work_j: Some(work_j),
        }
    }

    #[test]
    fn every_interval_counts_from_the_work_that_sets_it_back() {
        let reminders = Reminder::parse_all(REMINDERS).unwrap();
        let work = [Work::parse(
            "w",
            "date = 2026-01-01\nodometer_km = 100000\ntitle = \"a\"\ndone = [\"Fluid\"]\n",
        )
        .unwrap()];
        let mut drives = vec![
            drive("2025-12-01", 99_000.0, 9e6),
            drive("2026-02-01", 101_000.0, 1e6),
        ];
        let now = at("2026-07-01");
        let state = |drives: &[Driven], now| due(&reminders, &work, drives, now)[0].clone();
        let first = state(&drives, now);
        assert_eq!(
            (first.state, first.since.as_deref()),
            (DueState::NotYet, Some("w"))
        );
        assert_eq!(first.usage[1].used, Ok(1_000.0));
        assert_eq!(first.usage[2].used, Ok(1.0));
        drives.push(drive("2026-03-01", 102_000.0, 0.85e6));
        assert_eq!(state(&drives, now).state, DueState::Soon);
        drives.push(drive("2026-04-01", 103_000.0, 0.2e6));
        assert_eq!(state(&drives, now).state, DueState::Due);
        assert_eq!(state(&[], at("2028-01-02")).state, DueState::Due);
        // Never done: counted from the first drive.
        let never = due(&reminders, &[], &drives, now);
        assert_eq!(
            (never[0].since.clone(), never[0].usage[2].used.clone()),
            (None, Ok(11.05))
        );
        assert_eq!(
            due(&reminders, &[], &[], now)[0].usage[0]
                .used
                .as_ref()
                .ok(),
            None
        );
    }

    #[test]
    fn mistakes_are_named_with_their_line() {
        for (text, line, part) in [
            (
                "[[reminder]]\nwhat = \"a\"\nafter = \"b\"\n",
                1,
                "no interval",
            ),
            (
                "[[reminder]]\nwhat = \"a\"\nafter = \"b\"\nevery_km = 0\n",
                4,
                "above 0",
            ),
            (
                "[[reminder]]\nwhat = \"a\"\nafter = \"b\"\nevery_miles = 1\n",
                4,
                "every_miles",
            ),
        ] {
            let error = Reminder::parse_all(text).unwrap_err();
            assert_eq!(error.line, Some(line), "{error}");
            assert!(error.message.contains(part), "{error}");
        }
        assert_eq!(Reminder::parse_all("").unwrap(), []);
    }
}
