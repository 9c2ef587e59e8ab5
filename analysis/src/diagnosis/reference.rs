//! What is expected of a healthy car without a baseline: from the vehicle file where it tells, else
//! from what any healthy coupling does. Widths are generous; where nothing can be expected there is
//! no reference, and what rests on it is not judged.

use super::change::{Against, Reference, thickness};
use super::feature::Feature;
use super::likeness::{climb_ms, temperature_c};
use super::record::DriveRecord;
use crate::coupling::Pack;
use crate::statistics::quantile::median;
use crate::vehicle::Vehicle;

/// Dead time over the time in which the pump's flow fills the clearance: the motor spins up and the
/// line fills too. Our own estimate.
const FILLING: f64 = 1.4;

/// Dead time of a healthy coupling scatters by this itself, ms, and by this share of the time between two
/// frames of demand, within which nobody knows when it rose: evenly spread it would be 0.29 of it.
const SCATTER_MS: f64 = 1.3;
const SCATTER_SHARE: f64 = 0.2;
/// Frames of demand come this often where it is not known, s.
const USUAL_PERIOD_S: f64 = 0.01;

/// A nominal time is known this well, as a logarithm: the size of the step is not that of the nominal value.
const NOMINAL_TIME: f64 = 0.12;
/// And worse by so much for each time that the fluid is thicker than at 40 °C. Our own estimate.
const COLD: f64 = 0.15;

pub(super) fn reference(
    feature: Feature,
    vehicle: &Vehicle,
    now: &[DriveRecord],
) -> Option<Reference> {
    let c = &vehicle.coupling;
    let nominal = |value: f64, u: f64| Reference {
        value,
        u,
        against: Against::Nominal,
    };
    let usual = |value: f64, u: f64| Reference {
        value,
        u,
        against: Against::Usual,
    };
    Some(match feature {
        // For a step of demand the two are one.
        Feature::DeadTime | Feature::FillingTime => {
            match (c.nominal_dead_time_ms, filling_ms(vehicle)) {
                (Some(ms), _) => nominal(ms.ln(), NOMINAL_TIME.hypot(cold(now))),
                (None, Some(ms)) => nominal(ms.ln(), 0.35_f64.hypot(cold(now))),
                (None, None) => return None,
            }
        }
        Feature::RiseTime => {
            let ms = c.nominal_rise_time_ms?;
            // 10 to 90 per cent of a climb is 0.8 of it, and what follows it takes both times together.
            let climb = 0.8 * climb_ms(now).unwrap_or(0.0) / ms;
            let longer = 1.0_f64.hypot(climb).ln();
            let u = NOMINAL_TIME.hypot(cold(now)).hypot(0.5 * longer);
            nominal(ms.ln() + longer, u)
        }
        Feature::TorquePerBar => {
            let pack = Pack::of(vehicle).ok()?;
            let known = vehicle.mass.kg.is_some()
                && vehicle.tyres.rolling_radius_m.is_some()
                && vehicle.driveline.rear_drive_ratio.is_some();
            if !known {
                return None;
            }
            // Friction, efficiency and loads of a healthy car are known this well; where slip ends, heat
            // and losses leave a little less than the nominal value.
            nominal(pack.torque_per_bar_nm().ln() - 0.1, 0.2)
        }
        Feature::DeadTimeScatter => {
            let periods: Vec<f64> = now.iter().filter_map(|r| r.demand_period_s).collect();
            let period_ms = 1e3 * median(&periods).unwrap_or(USUAL_PERIOD_S);
            usual(SCATTER_MS.hypot(SCATTER_SHARE * period_ms).ln(), 0.6)
        }
        Feature::Hold => usual(0.7, 0.7),
        // A valve regulates a little above what it is asked for.
        Feature::PressureShort => usual(0.2, 0.01_f64.mul_add(c.max_pressure_bar?, 0.1)),
        // A sound pack swings as much at one order as at the next; few circles scatter.
        Feature::SlipSwing => usual(-0.1, 0.2),
        // The largest of many frequencies stands out a little even of noise.
        Feature::Shudder => usual(0.13, 0.2),
        Feature::FrictionFall => usual(0.8, 0.25),
        // A closed pack follows within a tenth of a metre a second, less or more with the road.
        Feature::HeldSlip => usual(0.1_f64.ln(), 0.7),
        Feature::TurnDrag => usual(0.0, 4.0 * thick(now).max(1.0)),
        Feature::TyreRatio => usual(0.0, 0.20),
        Feature::Ripple
        | Feature::ShortSwing
        | Feature::ShortShudder
        | Feature::FillCurrent
        | Feature::HoldCurrent => {
            return None;
        }
    })
}

/// How thick the fluid was, over its thickness at 40 °C; 1 where nobody knows.
fn thick(now: &[DriveRecord]) -> f64 {
    temperature_c(now).map_or(1.0, thickness)
}

/// What cold fluid leaves uncertain of a nominal time, as a logarithm.
fn cold(now: &[DriveRecord]) -> f64 {
    COLD * (thick(now) - 1.0).max(0.0)
}

/// Time in which the pump's flow fills the clearance, ms.
fn filling_ms(vehicle: &Vehicle) -> Option<f64> {
    let c = &vehicle.coupling;
    let volume_m3 = c.piston_area_m2? * c.clearance_m?;
    Some(1e3 * FILLING * volume_m3 / c.pump_flow_m3_s?)
}
