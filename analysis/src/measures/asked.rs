//! The pressure that demand asks for, and whether a rise came to it.
//!
//! A demand that ends before the clearance is full leaves pressure where it was; the fill's own
//! pressure, or a step of the signal's code, is no step that times could be counted to.

use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Quantity;

use crate::drive::{Drive, at_seconds, seconds_between};
use crate::engagement::{Found, Reference};
use crate::measure::Missing;
use crate::statistics::quantile::{median, quantile};
use crate::transition::Rise;
use crate::vehicle::Vehicle;

/// Demand that stays at its level for so long shows what pressure it stands for, s.
const SHOWN_S: f64 = 0.5;

/// Pressure's released level is looked at this long before demand, s.
const BEFORE_S: f64 = 0.3;

/// Pressure that was let go on its way has come to this share of what demand asked at least, or its
/// step is not demand's.
const CUT_OFF_SHARE: f64 = 0.67;

/// It was on its way where it came to its highest level no longer than this before demand ended, s.
const ON_ITS_WAY_S: f64 = 0.1;

/// A step of a short demand below this share of what it asked is no answer to it.
const SHORT_SHARE: f64 = 0.33;

/// And of a long one: a leak or a dead band leaves more.
const HELD_SHARE: f64 = 0.1;

/// Where nothing tells what demand asks for, a step of fewer steps of pressure's code is none.
const LEAST_CODES: f64 = 3.0;

const LET_GO: Missing = Missing::NotIdentifiable(
    "demand was let go before pressure had risen to what it asked; hold it longer",
);
const HARDLY: Missing = Missing::NotIdentifiable(
    "pressure rose to less than a tenth of what demand asked, which is no step to count times to",
);

/// What a unit of demand stands for in a drive, bar.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Asked {
    /// As demand's own unit or the drive's longer engagements tell it.
    shown: Option<f64>,
    /// As the vehicle file's highest pressure has it for the whole demand.
    stated: Option<f64>,
}

impl Asked {
    pub(super) fn of(drive: &Drive, found: &[Found], vehicle: &Vehicle) -> Self {
        let (Ok(demand), Ok(pressure)) = (
            drive.channel(Role::CouplingDemand),
            drive.channel(Role::CouplingPressure),
        ) else {
            return Self::default();
        };
        let bar_per_demand = |f: &Found| {
            let step = f.conditions.demand_step.filter(|d| *d > 0.0)?;
            let held_ns = f.plateau_end_ns.min(f.release_ns);
            if seconds_between(f.reference_ns, held_ns) < SHOWN_S {
                return None;
            }
            let value =
                |from_ns: i64, to_ns: i64| &pressure.value()[pressure.range(from_ns, to_ns)];
            let before_ns = at_seconds(f.reference_ns, -BEFORE_S).max(f.clear_from_ns);
            let low = median(value(before_ns, f.reference_ns))?;
            let high = quantile(value(f.reference_ns, held_ns), 0.9)?;
            Some((high - low) / step)
        };
        let shown = match demand.quantity {
            Quantity::Pressure => Some(1.0),
            _ => {
                let all: Vec<f64> = found.iter().filter_map(bar_per_demand).collect();
                median(&all).filter(|b| *b > 0.0)
            }
        };
        let highest_bar = vehicle.coupling.max_pressure_bar;
        let in_percent = demand.quantity == Quantity::Percent;
        Self {
            shown,
            stated: highest_bar.filter(|_| in_percent).map(|bar| 0.01 * bar),
        }
    }

    /// Whether a rise came to what the demand of its engagement asked, as far as can be told.
    pub(super) fn answered(
        &self,
        drive: &Drive,
        found: &Found,
        rise: &Rise,
        pressure_step_bar: f64,
    ) -> Result<(), Missing> {
        let step = match (found.reference, found.conditions.demand_step) {
            (Reference::Demand, Some(step)) if step > 0.0 => step,
            _ => return Ok(()),
        };
        // A fit of what was cut off may end anywhere.
        let seen = drive
            .channel(Role::CouplingPressure)
            .map_or(0.0, |pressure| {
                let window = pressure.range(found.start_ns, found.release_ns);
                let top = pressure.value()[window].iter().copied();
                top.fold(f64::NEG_INFINITY, f64::max) - rise.levels.low
            });
        let reached = rise.levels.amplitude().min(seen);
        let held_s = seconds_between(found.reference_ns, found.release_ns);
        let short = held_s < SHOWN_S;
        let why = if short { LET_GO } else { HARDLY };
        let Some(bar_per_demand) = self.shown else {
            let stated = self.stated.map_or(0.0, |b| HELD_SHARE * b * step);
            let enough = reached >= stated.max(LEAST_CODES * pressure_step_bar);
            return if enough { Ok(()) } else { Err(why) };
        };
        let share = reached / (bar_per_demand * step);
        let high_s = rise.crossing(0.9).map_or(0.0, |high| high.t_s);
        let left_s = seconds_between(found.start_ns, found.release_ns) - high_s;
        let cut_off = left_s < ON_ITS_WAY_S && share < CUT_OFF_SHARE;
        let least = if short { SHORT_SHARE } else { HELD_SHARE };
        match (cut_off, share < least) {
            (true, _) => Err(LET_GO),
            (_, true) => Err(why),
            _ => Ok(()),
        }
    }
}
