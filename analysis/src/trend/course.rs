//! A measure's course: one value a drive, with what differed from drive to drive taken out.
//!
//! Drives differ in their launches and tip-ins, in accelerator position and in fluid temperature, and the
//! temperature follows the seasons. Each engagement is brought to the median conditions of its
//! kind, as far as is known what a condition does ([`Effect`]), then to the level of the commonest
//! kind; the drive's value is the median. What is not known of a condition's effect stays with the
//! course: [`Course::doubt`] says how much two stretches of it may differ for that alone.
//!
//! Where the bus carries no fluid temperature, the season cannot be taken out, and how far it may
//! reach is in doubt the same way.

use super::doubt::{Cause, Doubt, Followed};
use super::effect::Effect;
use super::{TrendDrive, months};
use crate::comparison::condition::Condition;
use crate::engagement::{Conditions, Kind, Reference};
use crate::measure::{Better, Measure};
use crate::statistics::quantile::median;
use crate::statistics::spread::{error_of_median, robust_sd};
use crate::statistics::theil_sen;

/// One drive's value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Its drive, by position.
    pub drive: usize,
    /// When, ns since the epoch.
    pub t_ns: i64,
    /// Distance on the odometer, km.
    pub odometer_km: Option<f64>,
    /// Median over its engagements.
    pub value: f64,
    /// Its standard uncertainty from their spread; none for a single engagement.
    pub u: Option<f64>,
    /// How many.
    pub engagements: usize,
}

/// One engagement's value.
pub(super) struct Entry {
    pub(super) drive: usize,
    /// Its kind, by position.
    pub(super) group: usize,
    /// How many boundaries lie before it: work, or whatever else moved the level at a known time.
    pub(super) stretch: usize,
    pub(super) conditions: Conditions,
    pub(super) value: f64,
    /// The value at the level of the commonest kind.
    pub(super) levelled: f64,
}

/// The conditions that are taken out, one after the other.
const CONDITIONS: [Condition; 4] = [
    Condition::Speed,
    Condition::DemandStep,
    Condition::AcceleratorPosition,
    Condition::FluidTemperature,
];

/// A kind must have met the commonest in so many drives.
const LEAST_MEETINGS: usize = 3;
/// By how many of its standard uncertainties an effect is taken to be off.
const DEVIATIONS: [f64; 4] = [-2.0, -1.0, 1.0, 2.0];

/// A measure over a series of drives.
pub(super) struct Course {
    /// One value a drive that has any, in the order of the drives.
    pub(super) points: Vec<Point>,
    /// The least and the most that the measure can be.
    bounds: (f64, f64),
    conditions: Vec<Followed>,
}

impl Course {
    /// Follows a measure; its level may move at the `boundaries`, ns since the epoch.
    pub(super) fn of(drives: &[TrendDrive], measure: Measure, boundaries: &[i64]) -> Self {
        let mut entries = entries(drives, measure, boundaries);
        leave_out_strangers(&mut entries);
        let bounds = bounds(&entries, measure);
        let start_ns = drives.first().map_or(0, |d| d.summary.start_ns);
        let t: Vec<f64> = drives
            .iter()
            .map(|d| months(start_ns, d.summary.start_ns))
            .collect();
        let mut effects = Vec::new();
        for condition in CONDITIONS {
            level_groups(&mut entries);
            if let Some(effect) = Effect::learn(condition, &entries, &t) {
                effect.take_out(&mut entries);
                effects.push(effect);
            }
        }
        level_groups(&mut entries);
        let mut course = Self {
            points: Vec::new(),
            bounds,
            conditions: effects.iter().map(Followed::from).collect(),
        };
        // The entries stand drive by drive.
        let mut start = 0;
        for own in entries.chunk_by(|a, b| a.drive == b.drive) {
            course.points.extend(point(drives, own));
            for (followed, effect) in course.conditions.iter_mut().zip(&effects) {
                let away: Vec<f64> = (effect.away.iter().skip(start).take(own.len()))
                    .filter_map(|away| *away)
                    .collect();
                followed.away.push(median(&away).unwrap_or(0.0));
            }
            start += own.len();
        }
        let warm = |e: &&Entry| Condition::FluidTemperature.of(&e.conditions).is_some();
        if 2 * entries.iter().filter(warm).count() < entries.len() {
            course.conditions.push(Followed::season(&course.points));
        }
        course
    }

    /// Whether the season is in doubt.
    pub(super) fn knows_no_temperature(&self) -> bool {
        self.conditions.iter().any(|f| f.cause == Cause::Season)
    }

    /// A value as far as the measure can go: what is added and taken off for conditions and kinds
    /// knows no ends.
    pub(super) fn possible(&self, value: f64) -> f64 {
        value.max(self.bounds.0).min(self.bounds.1)
    }

    /// Whether nothing negative was measured.
    pub(super) fn is_never_negative(&self) -> bool {
        self.bounds.0 >= 0.0
    }

    /// The points, none beyond what the measure can be.
    pub(super) fn possible_points(&self) -> Vec<Point> {
        let possible = |p: &Point| Point {
            value: self.possible(p.value),
            ..*p
        };
        self.points.iter().map(possible).collect()
    }

    /// How much the level of some points may differ from that of others because conditions did.
    pub(super) fn doubt(&self, before: &[usize], after: &[usize]) -> Doubt {
        let middle = |away: &[f64], at: &[usize]| {
            let of: Vec<f64> = at.iter().filter_map(|i| away.get(*i)).copied().collect();
            median(&of).unwrap_or(0.0)
        };
        Doubt::of(&self.conditions, |away| {
            middle(away, after) - middle(away, before)
        })
    }

    /// How much a sum of some points, each times its weight, may be off because conditions
    /// differed.
    pub(super) fn doubt_of_sum(&self, at: &[usize], weights: &[f64]) -> Doubt {
        Doubt::of(&self.conditions, |away| {
            let of = at.iter().map(|i| away.get(*i).copied().unwrap_or(0.0));
            of.zip(weights).map(|(away, weight)| away * weight).sum()
        })
    }

    /// How much the slope through some points may be off because conditions changed along with
    /// `x`: when, or how far driven, a value a point.
    pub(super) fn doubt_of_slope(&self, at: &[usize], x: &[f64]) -> Doubt {
        Doubt::of(&self.conditions, |away| {
            let of: Vec<f64> = at.iter().filter_map(|i| away.get(*i)).copied().collect();
            theil_sen::fit(x, &of, super::CONFIDENCE).map_or(0.0, |line| line.slope)
        })
    }

    /// What else the points' values could be, were a condition's effect other than it was taken
    /// for.
    pub(super) fn others(&self) -> impl Iterator<Item = Vec<f64>> {
        self.conditions.iter().flat_map(|followed| {
            DEVIATIONS.map(|deviations| {
                (self.points.iter().zip(&followed.away))
                    .map(|(p, away)| p.value - deviations * followed.u_slope * away)
                    .collect()
            })
        })
    }
}

fn point(drives: &[TrendDrive], own: &[Entry]) -> Option<Point> {
    let index = own.first()?.drive;
    let drive = drives.get(index)?;
    let values: Vec<f64> = own.iter().map(|e| e.levelled).collect();
    let spread = robust_sd(&values).filter(|_| values.len() > 1);
    Some(Point {
        drive: index,
        t_ns: drive.summary.start_ns,
        odometer_km: drive.odometer_km,
        value: median(&values)?,
        u: spread.map(|sd| error_of_median(sd, values.len())),
        engagements: values.len(),
    })
}

/// The least and the most that a value can be once conditions and kinds are taken out: nothing is
/// better than the best that was measured, and what was never negative stays so.
fn bounds(entries: &[Entry], measure: Measure) -> (f64, f64) {
    let (least, most) = entries
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), e| {
            (a.min(e.value), b.max(e.value))
        });
    match measure.better() {
        Better::Lower => (least, f64::INFINITY),
        Better::Higher if least >= 0.0 => (0.0, most),
        Better::Higher => (f64::NEG_INFINITY, most),
    }
}

/// Every value, with kinds and references kept apart; of the references only the commoner one.
fn entries(drives: &[TrendDrive], measure: Measure, boundaries: &[i64]) -> Vec<Entry> {
    let stretch = |index: usize| {
        let t_ns = drives.get(index).map_or(i64::MIN, |d| d.summary.start_ns);
        boundaries.iter().filter(|at| **at <= t_ns).count()
    };
    let all = || {
        drives.iter().enumerate().flat_map(|(index, drive)| {
            drive
                .summary
                .engagements
                .iter()
                .filter_map(move |e| Some((index, e, e.value(measure)?)))
        })
    };
    let by_demand = all()
        .filter(|(_, e, _)| e.reference == Reference::Demand)
        .count();
    let reference = if 2 * by_demand >= all().count() {
        Reference::Demand
    } else {
        Reference::Slip
    };
    let mut kinds: Vec<Kind> = Vec::new();
    let mut entries = Vec::new();
    for (drive, e, value) in all().filter(|(_, e, _)| e.reference == reference) {
        let known = kinds.iter().position(|k| *k == e.kind);
        let group = known.unwrap_or_else(|| {
            kinds.push(e.kind);
            kinds.len() - 1
        });
        entries.push(Entry {
            drive,
            group,
            stretch: stretch(drive),
            conditions: e.conditions,
            value,
            levelled: value,
        });
    }
    entries
}

/// Values of each kind, drive by drive.
fn by_kind(entries: &[Entry]) -> Vec<Vec<Vec<f64>>> {
    let groups = entries.iter().map(|e| e.group + 1).max().unwrap_or(0);
    entries
        .chunk_by(|a, b| a.drive == b.drive)
        .map(|own| {
            let mut of_drive = vec![Vec::new(); groups];
            for entry in own {
                of_drive[entry.group].push(entry.value);
            }
            of_drive
        })
        .collect()
}

/// The commonest kind.
fn main_kind(entries: &[Entry]) -> Option<usize> {
    let groups = entries.iter().map(|e| e.group + 1).max()?;
    let count = |g: usize| entries.iter().filter(|e| e.group == g).count();
    (0..groups).max_by_key(|g| (count(*g), std::cmp::Reverse(*g)))
}

/// Leaves out kinds that met the commonest in too few drives to tell how they differ from it.
fn leave_out_strangers(entries: &mut Vec<Entry>) {
    let Some(main) = main_kind(entries) else {
        return;
    };
    let drives = by_kind(entries);
    let meets = |g: usize| {
        let both = |d: &&Vec<Vec<f64>>| !d[g].is_empty() && !d[main].is_empty();
        drives.iter().filter(both).count()
    };
    let groups = drives.first().map_or(0, Vec::len);
    let known: Vec<bool> = (0..groups)
        .map(|g| g == main || meets(g) >= LEAST_MEETINGS)
        .collect();
    entries.retain(|e| known[e.group]);
}

/// Brings every kind to the level of the commonest, so that a drive with more launches
/// does not stand out. How the kinds differ is learnt inside drives that have both.
fn level_groups(entries: &mut [Entry]) {
    let Some(main) = main_kind(entries) else {
        return;
    };
    let drives = by_kind(entries);
    let groups = drives.first().map_or(0, Vec::len);
    let offsets: Vec<f64> = (0..groups)
        .map(|g| {
            let differences: Vec<f64> = drives
                .iter()
                .filter_map(|d| Some(median(&d[g])? - median(&d[main])?))
                .collect();
            median(&differences).unwrap_or(0.0)
        })
        .collect();
    for entry in entries {
        entry.levelled = entry.value - offsets[entry.group];
    }
}
