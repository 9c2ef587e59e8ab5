//! The drives as a series: in order of time, each of them once, on an odometer that never falls.

use super::TrendDrive;
use crate::number;

/// Puts drives in order of time and leaves out copies: drives that start at the same nanosecond and
/// hold the same engagements were read from the same recording, whatever their files are called and
/// however they are packed. Gives the drives and a sentence for each copy.
#[must_use]
pub fn without_copies(mut drives: Vec<TrendDrive>) -> (Vec<TrendDrive>, Vec<String>) {
    drives.sort_by(|a, b| (a.summary.start_ns, &a.name).cmp(&(b.summary.start_ns, &b.name)));
    let mut kept: Vec<TrendDrive> = Vec::with_capacity(drives.len());
    let mut told = Vec::new();
    for drive in drives {
        let alike = |k: &&mut TrendDrive| k.summary.start_ns == drive.summary.start_ns;
        let twin = (kept.iter_mut().rev().take_while(alike)).find(|k| k.summary == drive.summary);
        let Some(twin) = twin else {
            kept.push(drive);
            continue;
        };
        // What its owner wrote beside either is true of both.
        twin.odometer_km = twin.odometer_km.or(drive.odometer_km);
        twin.healthy |= drive.healthy;
        told.push(format!(
            "{} holds the same drive as {}; it counts once",
            drive.name, twin.name
        ));
    }
    (kept, told)
}

/// Forgets the odometer where it does not rise with time: the fewest readings without which it does.
/// The drives are in order of time. Gives a sentence if any reading was forgotten.
pub(super) fn forget_falling_odometer(drives: &mut [TrendDrive]) -> Option<String> {
    let known: Vec<(usize, f64)> = (drives.iter().enumerate())
        .filter_map(|(index, drive)| Some((index, drive.odometer_km?)))
        .collect();
    let fall = known.windows(2).find_map(|pair| match *pair {
        [(a, before), (b, after)] if after < before => Some((a, before, b, after)),
        _ => None,
    });
    let (a, before, b, after) = fall?;
    let text = format!(
        "the odometer falls from {before:.0} km ({}) to {after:.0} km ({})",
        drives.get(a)?.name,
        drives.get(b)?.name
    );
    let rising = longest_rising(&known);
    let forgotten = known.len() - rising.len();
    for (index, drive) in drives.iter_mut().enumerate() {
        if rising.binary_search(&index).is_err() {
            drive.odometer_km = None;
        }
    }
    Some(format!(
        "{text}: {} left out; put odometer_km in drive.toml right",
        number::count(
            forgotten,
            "reading that does not rise with time is",
            "readings that do not rise with time are"
        )
    ))
}

/// The longest run of readings that never falls, by patience sorting; positions in ascending order.
fn longest_rising(known: &[(usize, f64)]) -> Vec<usize> {
    // The last reading of the best run of each length, and for each reading the one before it.
    let mut ends: Vec<usize> = Vec::new();
    let mut earlier: Vec<Option<usize>> = Vec::with_capacity(known.len());
    let km = |at: usize| known.get(at).map_or(f64::INFINITY, |k| k.1);
    for at in 0..known.len() {
        let length = ends.partition_point(|end| km(*end) <= km(at));
        earlier.push(length.checked_sub(1).and_then(|l| ends.get(l)).copied());
        match ends.get_mut(length) {
            Some(end) => *end = at,
            None => ends.push(at),
        }
    }
    let mut run = Vec::with_capacity(ends.len());
    let mut at = ends.last().copied();
    while let Some(here) = at {
        run.extend(known.get(here).map(|k| k.0));
        at = earlier.get(here).copied().flatten();
    }
    run.reverse();
    run
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trend::DriveSummary;

    fn drive(name: &str, start_ns: i64, odometer_km: Option<f64>) -> TrendDrive {
        TrendDrive {
            name: name.to_owned(),
            summary: DriveSummary {
                start_ns,
                duration_s: 60.0,
                engagements: Vec::new(),
                radius_ratios: [None; 4],
            },
            odometer_km,
            healthy: false,
        }
    }

    #[test]
    fn a_copy_counts_once_and_keeps_what_was_written_beside_it() {
        let mut marked = drive("c", 5, Some(100.0));
        marked.healthy = true;
        let other = TrendDrive {
            summary: DriveSummary {
                duration_s: 61.0,
                ..drive("", 5, None).summary
            },
            ..drive("d", 5, None)
        };
        let (kept, told) = without_copies(vec![
            marked,
            other,
            drive("a", 5, None),
            drive("b", 1, None),
        ]);
        let names: Vec<&str> = kept.iter().map(|d| d.name.as_str()).collect();
        assert_eq!(names, ["b", "a", "d"]);
        assert_eq!((kept[1].odometer_km, kept[1].healthy), (Some(100.0), true));
        assert_eq!(told, ["c holds the same drive as a; it counts once"]);
    }

    #[test]
    fn an_odometer_that_falls_is_told_and_the_fewest_readings_are_forgotten() {
        let series = |km: &[Option<f64>]| -> Vec<TrendDrive> {
            let named = |(i, km): (usize, &Option<f64>)| drive(&i.to_string(), i as i64, *km);
            km.iter().enumerate().map(named).collect()
        };
        let kms = |drives: &[TrendDrive]| -> Vec<Option<f64>> {
            drives.iter().map(|d| d.odometer_km).collect()
        };
        let mut drives = series(&[
            Some(10.0),
            Some(63_600.0),
            None,
            Some(20.0),
            Some(20.0),
            Some(30.0),
        ]);
        let told = forget_falling_odometer(&mut drives).unwrap();
        assert_eq!(
            told,
            "the odometer falls from 63600 km (1) to 20 km (3): 1 reading that does not rise with time is left out; put odometer_km in drive.toml right"
        );
        assert_eq!(
            kms(&drives),
            [Some(10.0), None, None, Some(20.0), Some(20.0), Some(30.0)]
        );
        assert_eq!(forget_falling_odometer(&mut drives), None);
    }
}
