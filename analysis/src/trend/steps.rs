//! Where a measure stepped, and by how much: without work, where its course says so, and at work.
//!
//! The size of a step is that at its day ([`step_at`]): what crept on either side is not in it. Work
//! and new tyres need no finding; they are boundaries, between which changes are looked for.

use super::course::{Course, Point};
use super::{CONFIDENCE, WorkMark, months};
use crate::statistics::step_at::step_at;
use crate::statistics::student_t::two_sided_critical;
use crate::statistics::{change_points, hodges_lehmann, quantile};

/// Drives on each side of a step that its size is taken from, at most.
const BESIDE: usize = 8;
/// A change is the same one if it is found within so many drives.
const NEAR: usize = 2;

/// A step of a measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Difference at that day between the line through the drives after it and the line through
    /// those before: what the measure did on either side is not in it.
    pub shift: f64,
    /// Ends of its 95 % interval; none where so few drives cannot carry one (4 and 4, 3 and 5, or 2
    /// and 8 can).
    pub interval: Option<(f64, f64)>,
}

/// Where a measure changed without any work.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChangePoint {
    /// Start of the last drive before it, ns since the epoch.
    pub after_ns: i64,
    /// Start of the first drive after it, ns since the epoch.
    pub t_ns: i64,
    /// Distance on the odometer at that drive, km.
    pub odometer_km: Option<f64>,
    /// Its size.
    pub step: Option<Step>,
}

/// Changes inside each stretch between one boundary and the next.
pub(super) fn changes(course: &Course, boundaries: &[i64]) -> Vec<ChangePoint> {
    let stretch = |p: &Point| boundaries.iter().filter(|at| **at <= p.t_ns).count();
    let mut changes = Vec::new();
    let mut start = 0;
    for piece in course.points.chunk_by(|a, b| stretch(a) == stretch(b)) {
        let Some(first) = piece.first() else { continue };
        let x: Vec<f64> = piece.iter().map(|p| months(first.t_ns, p.t_ns)).collect();
        let y: Vec<f64> = piece.iter().map(|p| p.value).collect();
        // Drives cannot repeat better than each is known.
        let known: Vec<f64> = piece.iter().filter_map(|p| p.u).collect();
        let find = |y: &[f64]| {
            change_points::change_points(&x, y, quantile::median(&known).unwrap_or(0.0))
        };
        let mut cuts = find(&y);
        // A change is one whatever conditions do, as far as that is known.
        for other in course.others() {
            if cuts.is_empty() {
                break;
            }
            let there = find(other.get(start..).unwrap_or_default());
            cuts.retain(|cut| there.iter().any(|c| c.abs_diff(*cut) <= NEAR));
        }
        for (index, &cut) in cuts.iter().enumerate() {
            let from = index.checked_sub(1).and_then(|i| cuts.get(i)).copied();
            let until = cuts.get(index + 1).copied().unwrap_or(y.len());
            let before: Vec<usize> = (start + from.unwrap_or(0)..start + cut).collect();
            let after: Vec<usize> = (start + cut..start + until).collect();
            let (Some(last), Some(next)) = (piece.get(cut.saturating_sub(1)), piece.get(cut))
            else {
                continue;
            };
            changes.push(ChangePoint {
                after_ns: last.t_ns,
                t_ns: next.t_ns,
                odometer_km: next.odometer_km,
                step: step(course, &before, &after, None),
            });
        }
        start += piece.len();
    }
    changes
}

/// The step between the last points of one piece and the first of the next, at a known time or,
/// where nobody knows it, anywhere between the two.
fn step(course: &Course, before: &[usize], after: &[usize], t_ns: Option<i64>) -> Option<Step> {
    let before = before.get(before.len().saturating_sub(BESIDE)..)?;
    let after = after.get(..after.len().min(BESIDE))?;
    let at = [before, after].concat();
    let points: Vec<&Point> = at.iter().filter_map(|i| course.points.get(*i)).collect();
    let start_ns = points.first()?.t_ns;
    let x: Vec<f64> = points.iter().map(|p| months(start_ns, p.t_ns)).collect();
    let y: Vec<f64> = points.iter().map(|p| p.value).collect();
    let known: Vec<f64> = points.iter().filter_map(|p| p.u).collect();
    let gap = (*x.get(before.len().checked_sub(1)?)?, *x.get(before.len())?);
    let place = t_ns.map_or(0.5 * (gap.0 + gap.1), |t_ns| months(start_ns, t_ns));
    // Drives cannot repeat better than each is known.
    let least = quantile::median(&known).unwrap_or(0.0);
    let found = step_at(&x, &y, before.len(), place, least)?;
    // Somewhere in the gap: evenly likely, so a standard deviation of its length over the root of 12.
    let somewhere = match t_ns {
        Some(_) => 0.0,
        None => (found.slopes.1 - found.slopes.0) * (gap.1 - gap.0) / 12.0_f64.sqrt(),
    };
    // A line asks no less of its values than ranks do.
    let (of_before, of_after) = y.split_at(before.len());
    let carried = hodges_lehmann::interval(of_before, of_after, CONFIDENCE);
    let doubt = course.doubt_of_sum(&at, &found.weights);
    let reach = carried
        .and(found.u)
        .map(|u| two_sided_critical(1.0 - CONFIDENCE, found.free) * u.hypot(somewhere));
    Some(Step {
        shift: found.shift,
        interval: reach
            .map(|reach| (found.shift - reach, found.shift + reach))
            .map(|ends| doubt.widened(found.shift, ends)),
    })
}

/// What each work changed, between the boundary before it and the one after it.
pub(super) fn work_steps(
    course: &Course,
    work: &[WorkMark],
    boundaries: &[i64],
) -> Vec<(usize, Step)> {
    let between = |from: Option<i64>, to: Option<i64>| -> Vec<usize> {
        (0..course.points.len())
            .filter(|i| {
                let t_ns = course.points.get(*i).map_or(i64::MIN, |p| p.t_ns);
                from.is_none_or(|from| t_ns >= from) && to.is_none_or(|to| t_ns < to)
            })
            .collect()
    };
    (work.iter().enumerate())
        .filter_map(|(index, work)| {
            let here = Some(work.t_ns);
            let earlier = boundaries
                .iter()
                .copied()
                .filter(|at| *at < work.t_ns)
                .max();
            let later = boundaries
                .iter()
                .copied()
                .filter(|at| *at > work.t_ns)
                .min();
            let (before, after) = (between(earlier, here), between(here, later));
            Some((index, step(course, &before, &after, here)?))
        })
        .collect()
}
