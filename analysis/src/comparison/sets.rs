//! The two sets of drives as given, and what is wrong with them.

use crate::engagement::Reference;
use crate::measure::Measure;
use crate::measures::{DriveMeasures, Engagement};
use crate::number;

/// Drives that can be compared, in the order of their start, with what a reader must know.
pub struct Sets<'a> {
    /// Before the work.
    pub before: Vec<&'a DriveMeasures>,
    /// After the work.
    pub after: Vec<&'a DriveMeasures>,
    /// Where each of them stands in its set as given, before and after.
    pub given: [Vec<usize>; 2],
    /// Plain sentences.
    pub warnings: Vec<String>,
}

/// A drive, and where it stands in its set as given.
type Given<'a> = (usize, &'a DriveMeasures);

impl<'a> Sets<'a> {
    /// Takes out repeated drives and looks for sets that are mixed up.
    pub fn new(before: &'a [DriveMeasures], after: &'a [DriveMeasures]) -> Self {
        let mut warnings = Vec::new();
        let mut before = once(before, "before", &mut warnings);
        let mut after = once(after, "after", &mut warnings);
        let in_both: Vec<(Given<'a>, Given<'a>)> = before
            .iter()
            .flat_map(|b| {
                let twins = after.iter().filter(|a| same_recording(b.1, a.1));
                twins.map(|a| (*b, *a))
            })
            .collect();
        for ((_, b), (_, a)) in &in_both {
            let names = if b.name == a.name {
                b.name.clone()
            } else {
                format!("{} and {}", b.name, a.name)
            };
            warnings.push(format!(
                "the same drive is in both sets and was left out of both: {names}"
            ));
        }
        let parts: Vec<(Given<'a>, Given<'a>)> = before
            .iter()
            .flat_map(|b| {
                let parts = after
                    .iter()
                    .filter(|a| !same_recording(b.1, a.1) && same_drive(b.1, a.1));
                parts.map(|a| (*b, *a))
            })
            .collect();
        for ((_, b), (_, a)) in &parts {
            warnings.push(format!(
                "{} and {} hold the same minutes of one drive, in both sets, and were left out of both",
                b.name, a.name
            ));
        }
        let in_both: Vec<(Given<'a>, Given<'a>)> = in_both.into_iter().chain(parts).collect();
        before.retain(|(at, _)| !in_both.iter().any(|(b, _)| b.0 == *at));
        after.retain(|(at, _)| !in_both.iter().any(|(_, a)| a.0 == *at));
        before.sort_by_key(|(_, drive)| drive.start_ns);
        after.sort_by_key(|(_, drive)| drive.start_ns);
        let (before_at, before): (Vec<usize>, Vec<_>) = before.into_iter().unzip();
        let (after_at, after): (Vec<usize>, Vec<_>) = after.into_iter().unzip();
        warnings.extend(order(&before, &after));
        warnings.extend(references(&before, &after));
        Self {
            before,
            after,
            given: [before_at, after_at],
            warnings,
        }
    }
}

/// Whether two measured drives come from the same recording, whatever its file is called.
#[must_use]
pub fn same_recording(a: &DriveMeasures, b: &DriveMeasures) -> bool {
    a.start_ns == b.start_ns
        && a.frames == b.frames
        && a.duration_s.to_bits() == b.duration_s.to_bits()
        && a.engagements.len() == b.engagements.len()
        && a.engagements.iter().zip(&b.engagements).all(|(x, y)| {
            x.start_ns == y.start_ns && x.end_ns == y.end_ns && x.measures == y.measures
        })
}

/// Whether two measured drives hold a stretch of the same drive, as a part that was cut from the other
/// does: recorded at one time, with an engagement at the same nanoseconds, driven alike, whose
/// pressure wavered alike to the last bit. What is learnt from a drive as a whole, such as the tyres'
/// radii, may differ.
fn same_drive(a: &DriveMeasures, b: &DriveMeasures) -> bool {
    let end_ns = |d: &DriveMeasures| d.start_ns.saturating_add((1e9 * d.duration_s) as i64);
    a.start_ns <= end_ns(b)
        && b.start_ns <= end_ns(a)
        && a.engagements
            .iter()
            .any(|x| b.engagements.iter().any(|y| same_engagement(x, y)))
}

fn same_engagement(x: &Engagement, y: &Engagement) -> bool {
    let pressure = [Measure::Ripple, Measure::Hold];
    (x.start_ns, x.end_ns, x.reference_ns) == (y.start_ns, y.end_ns, y.reference_ns)
        && x.conditions == y.conditions
        && pressure.iter().any(|m| x.measured(*m).is_ok())
        && pressure.iter().all(|m| x.measured(*m) == y.measured(*m))
}

fn once<'a>(drives: &'a [DriveMeasures], set: &str, warnings: &mut Vec<String>) -> Vec<Given<'a>> {
    let mut kept: Vec<Given<'a>> = Vec::with_capacity(drives.len());
    // Equal recordings have equal starts, so only such are compared.
    let mut by_start: std::collections::HashMap<i64, Vec<usize>> = std::collections::HashMap::new();
    for (at, drive) in drives.iter().enumerate() {
        let places = by_start.entry(drive.start_ns).or_default();
        let seen = places
            .iter()
            .filter_map(|i| kept.get(*i))
            .find(|(_, k)| same_recording(k, drive));
        if let Some((_, first)) = seen {
            warnings.push(format!(
                "{} is the same recording as {} of the {set} set and was counted once",
                drive.name, first.name
            ));
        } else {
            places.push(kept.len());
            kept.push((at, drive));
        }
    }
    kept
}

/// Sets whose times of recording do not fit their names. Both sets are sorted by start.
fn order(before: &[&DriveMeasures], after: &[&DriveMeasures]) -> Option<String> {
    let (first_before, last_before) = (before.first()?, before.last()?);
    let (first_after, last_after) = (after.first()?, after.last()?);
    if last_after.start_ns < first_before.start_ns {
        return Some(
            "every after drive was recorded before every before drive: the sets look swapped, so \
             read reduced as increased, or swap them"
                .to_owned(),
        );
    }
    (first_after.start_ns < last_before.start_ns).then(|| {
        format!(
            "{} of the after set was recorded before {} of the before set: check which set each \
             belongs to",
            first_after.name, last_before.name
        )
    })
}

/// Sets whose times are counted from different events.
fn references(before: &[&DriveMeasures], after: &[&DriveMeasures]) -> Option<String> {
    let share = |drives: &[&DriveMeasures]| {
        let all = drives.iter().flat_map(|d| &d.engagements);
        let (mut demand, mut total) = (0_usize, 0_usize);
        for engagement in all {
            total += 1;
            demand += usize::from(engagement.reference == Reference::Demand);
        }
        (demand, total)
    };
    let ((b, b_all), (a, a_all)) = (share(before), share(after));
    let uneven = (b == 0) != (a == 0) || (b == b_all) != (a == a_all);
    let part = |part, all| {
        format!(
            "{part} of {}",
            number::count(all, "engagement", "engagements")
        )
    };
    (uneven && b_all > 0 && a_all > 0).then(|| {
        format!(
            "{} of the before set and {} of the after set are timed from demand, the others from \
             slip; the two kinds are never compared with each other",
            part(b, b_all),
            part(a, a_all),
        )
    })
}
