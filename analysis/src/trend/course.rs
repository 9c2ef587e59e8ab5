//! A measure's course: one value a drive, with what differed from drive to drive taken out.
//!
//! Drives differ in their launches and tip-ins, in accelerator position and in fluid temperature, and the
//! temperature follows the seasons. What a condition does is learnt inside drives only: value and
//! condition are counted from the medians of the same kind in the same drive, and the slope through
//! them (Theil-Sen) is taken where its interval does not hold nought. Whatever changes slowly over
//! months is thus never taken for an effect of the weather, nor the weather for wear. Each
//! engagement is brought to the conditions of the whole series; the drive's value is the median.

use super::TrendDrive;
use crate::comparison::condition::Condition;
use crate::engagement::{Conditions, Kind, Reference};
use crate::measure::Measure;
use crate::statistics::quantile::median;
use crate::statistics::spread::{error_of_median, robust_sd};
use crate::statistics::theil_sen;

/// Confidence with which a condition must be shown to matter.
const CONFIDENCE: f64 = 0.99;
/// Fewer pairs than this tell nothing of a condition.
const LEAST_PAIRS: usize = 30;

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

struct Entry {
    drive: usize,
    group: usize,
    conditions: Conditions,
    value: f64,
}

/// The conditions that are taken out, one after the other.
const CONDITIONS: [Condition; 4] = [
    Condition::Speed,
    Condition::DemandStep,
    Condition::AcceleratorPosition,
    Condition::FluidTemperature,
];

/// One value a drive that has any, in the order of the drives.
pub(super) fn course(drives: &[TrendDrive], measure: Measure) -> Vec<Point> {
    let mut entries = entries(drives, measure);
    for condition in CONDITIONS {
        take_out(&mut entries, condition);
    }
    level_groups(&mut entries);
    // They stand drive by drive.
    entries
        .chunk_by(|a, b| a.drive == b.drive)
        .filter_map(|own| {
            let index = own.first()?.drive;
            let drive = drives.get(index)?;
            let values: Vec<f64> = own.iter().map(|e| e.value).collect();
            let spread = robust_sd(&values).filter(|_| values.len() > 1);
            Some(Point {
                drive: index,
                t_ns: drive.summary.start_ns,
                odometer_km: drive.odometer_km,
                value: median(&values)?,
                u: spread.map(|sd| error_of_median(sd, values.len())),
                engagements: values.len(),
            })
        })
        .collect()
}

/// Every value, with kinds and references kept apart; of the references only the commoner one.
fn entries(drives: &[TrendDrive], measure: Measure) -> Vec<Entry> {
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
            conditions: e.conditions,
            value,
        });
    }
    entries
}

/// Brings every value to the median of one condition, where that condition is shown to matter.
fn take_out(entries: &mut [Entry], condition: Condition) {
    let of = |e: &Entry| condition.of(&e.conditions);
    let mut pairs: (Vec<f64>, Vec<f64>) = Default::default();
    let mut order: Vec<&Entry> = entries.iter().filter(|e| of(e).is_some()).collect();
    order.sort_by_key(|e| (e.drive, e.group));
    for same in order.chunk_by(|a, b| (a.drive, a.group) == (b.drive, b.group)) {
        let conditions: Vec<f64> = same.iter().filter_map(|e| of(e)).collect();
        let values: Vec<f64> = same.iter().map(|e| e.value).collect();
        let (Some(x), Some(y)) = (median(&conditions), median(&values)) else {
            continue;
        };
        // A single engagement is its own median and says nothing.
        if same.len() > 1 {
            pairs.0.extend(conditions.iter().map(|c| c - x));
            pairs.1.extend(values.iter().map(|v| v - y));
        }
    }
    let all: Vec<f64> = order.iter().filter_map(|e| of(e)).collect();
    let (Some(usual), true) = (median(&all), pairs.0.len() >= LEAST_PAIRS) else {
        return;
    };
    let Some(line) = theil_sen::fit(&pairs.0, &pairs.1, CONFIDENCE) else {
        return;
    };
    if line.low <= 0.0 && line.high >= 0.0 {
        return;
    }
    for entry in entries {
        if let Some(value) = of(entry) {
            entry.value -= line.slope * (value - usual);
        }
    }
}

/// Brings every kind to the level of all of them together, so that a drive with more launches
/// does not stand out. How the kinds differ is learnt inside drives that have both.
fn level_groups(entries: &mut [Entry]) {
    let groups = entries.iter().map(|e| e.group + 1).max().unwrap_or(0);
    let drives = entries.iter().map(|e| e.drive + 1).max().unwrap_or(0);
    let mut of_drive: Vec<Vec<Vec<f64>>> = vec![vec![Vec::new(); groups]; drives];
    for entry in entries.iter() {
        of_drive[entry.drive][entry.group].push(entry.value);
    }
    let counts: Vec<usize> = (0..groups)
        .map(|g| entries.iter().filter(|e| e.group == g).count())
        .collect();
    let Some(main) = (0..groups).max_by_key(|g| (counts[*g], std::cmp::Reverse(*g))) else {
        return;
    };
    let offsets: Vec<Option<f64>> = (0..groups)
        .map(|g| {
            let differences: Vec<f64> = of_drive
                .iter()
                .filter_map(|d| Some(median(&d[g])? - median(&d[main])?))
                .collect();
            median(&differences)
        })
        .collect();
    for entry in entries {
        // A kind that never meets the main one in a drive cannot be levelled and stays as it is.
        entry.value -= offsets[entry.group].unwrap_or(0.0);
    }
}
