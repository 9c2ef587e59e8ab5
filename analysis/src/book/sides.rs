//! Which drives are from before a piece of work and which from after it.

use super::work::Work;

/// A drive as far as it can be placed in time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DriveDate {
    /// First frame, ns since the epoch.
    pub start_ns: i64,
    /// Distance on the odometer, km.
    pub odometer_km: Option<f64>,
}

/// Drives around a piece of work, by position.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sides {
    /// Since the work before it.
    pub before: Vec<usize>,
    /// Until the work after it.
    pub after: Vec<usize>,
    /// On the very day of some work, with nothing that says whether before or after.
    pub unknown: Vec<usize>,
}

/// Shares out the drives around the work at `index` of a list in order of time: before it, back to
/// the work before; after it, up to the work after.
#[must_use]
pub fn sides(drives: &[DriveDate], work: &[Work], index: usize) -> Sides {
    let mut sides = Sides::default();
    for (position, drive) in drives.iter().enumerate() {
        let after = |at: usize| work.get(at).map(|w| is_after(drive, w));
        let previous = index.checked_sub(1).and_then(after);
        let this = after(index);
        let next = after(index + 1);
        // None: there is no such work. Some(None): the day is the same and nothing tells.
        match (previous, this, next) {
            (None | Some(Some(true)), Some(Some(false)), _) => sides.before.push(position),
            (_, Some(Some(true)), None | Some(Some(false))) => sides.after.push(position),
            (Some(Some(false)), ..) | (_, _, Some(Some(true))) => {}
            _ => sides.unknown.push(position),
        }
    }
    sides
}

/// Whether a drive is from after a piece of work; nothing if that cannot be told.
#[must_use]
pub fn is_after(drive: &DriveDate, work: &Work) -> Option<bool> {
    if drive.start_ns >= work.date.end_ns {
        return Some(true);
    }
    if drive.start_ns < work.date.start_ns {
        return Some(false);
    }
    // The same day: only the odometer can tell.
    let (drive_km, work_km) = (drive.odometer_km?, work.odometer_km?);
    (drive_km != work_km).then_some(drive_km > work_km)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::Moment;

    fn work(date: &str, odometer_km: Option<f64>) -> Work {
        let text = format!("date = {date}\ntitle = \"a\"\n");
        Work {
            odometer_km,
            ..Work::parse(date, &text).unwrap()
        }
    }

    fn drive(at: &str, odometer_km: Option<f64>) -> DriveDate {
        DriveDate {
            start_ns: Moment::parse(at).unwrap().start_ns,
            odometer_km,
        }
    }

    #[test]
    fn drives_go_to_the_side_of_their_date() {
        let work = [
            work("2026-01-10", None),
            work("2026-05-01", Some(1_000.0)),
            work("2026-09-01", None),
        ];
        let drives = [
            drive("2026-01-05T08:00:00Z", None),
            drive("2026-03-01T08:00:00Z", None),
            drive("2026-05-01T08:00:00Z", Some(990.0)),
            drive("2026-05-01T18:00:00Z", Some(1_010.0)),
            drive("2026-05-01T19:00:00Z", None),
            drive("2026-06-01T08:00:00Z", None),
            drive("2026-10-01T08:00:00Z", None),
        ];
        let around = sides(&drives, &work, 1);
        assert_eq!(
            (around.before, around.after, around.unknown),
            (vec![1, 2], vec![3, 5], vec![4])
        );
        let first = sides(&drives, &work, 0);
        assert_eq!(first.before, [0]);
        assert_eq!(first.after, [1, 2]);
        let last = sides(&drives, &work, 2);
        assert_eq!((last.before, last.after), (vec![3, 5], vec![6]));
    }
}
