//! One engagement with the parts of the drive that belong to it: what all measures look at.

use std::ops::Range;

use slipwright_decoders::role::Role;

use super::asked::Asked;
use super::pulse::{Pulse, pulse};
use super::unseen::{Unseen, lost_wheel, unseen};
use crate::closing::lost_after;
use crate::drive::{Channel, Drive, at_seconds, seconds_between};
use crate::engagement::{Found, Reference, SlipTrace};
use crate::kinematics::Kinematics;
use crate::measure::{Estimate, Measured, Missing};
use crate::traction::{GroundSpeed, Traction};
use crate::transition::{
    LEAST_SAMPLES, NoRise, Rise, Timed, first_level_lasts, measure_first_rise, resolution,
};
use crate::vehicle::Vehicle;

/// The released level of pressure is looked at this long before the start, s.
const LEAD_S: f64 = 0.5;

/// A held part shorter than this tells nothing, s.
const SHORTEST_HELD_S: f64 = 0.1;

/// Fewest samples of a held part.
pub(super) const LEAST_HELD: usize = 5;

/// Without a pressure signal the coupling counts as held from this long after its demand, s: ample
/// for a healthy coupling. Common practice, no source.
const HELD_WITHOUT_PRESSURE_S: f64 = 0.4;

/// The settled part after the step is enough from this length on, s.
const SHORT_SETTLED_S: f64 = 0.5;

/// After demand has moved while the coupling is held, pressure has settled this much later, s. Common
/// practice, no source.
const SETTLED_S: f64 = 0.35;

/// After 90 % of the step a first-order rise needs this share of its rise time until it is within
/// half a per cent of its level: (ln 200 - ln 10) / ln 9.
const SETTLING_SHARE: f64 = 1.36;

/// What all engagements of a drive share.
#[derive(Clone, Copy)]
pub(super) struct Whole<'a> {
    pub(super) drive: &'a Drive,
    pub(super) kinematics: &'a Kinematics,
    pub(super) vehicle: &'a Vehicle,
    pub(super) traction: &'a Result<Traction, Missing>,
    pub(super) ground: &'a Result<GroundSpeed, Missing>,
    /// The step of pressure's code, bar; 0 without pressure.
    pub(super) pressure_step_bar: f64,
    /// What demand asks of pressure.
    pub(super) asked: Asked,
}

/// The step of pressure's code: the smallest between two values of a drive, bar.
pub(super) fn pressure_step_bar(drive: &Drive) -> f64 {
    let pressure = drive.channel(Role::CouplingPressure);
    pressure.map_or(0.0, |channel| resolution(channel.value()))
}

/// What a measure looks at. Times in seconds count from the start of the engagement.
pub(super) struct View<'a> {
    pub(super) drive: &'a Drive,
    pub(super) kinematics: &'a Kinematics,
    pub(super) vehicle: &'a Vehicle,
    pub(super) found: &'a Found,
    /// How the force divides between the axles, or why that cannot be told.
    pub(super) traction: &'a Result<Traction, Missing>,
    /// Ground speed against the wheels, or why there is none.
    pub(super) ground: &'a Result<GroundSpeed, Missing>,
    /// Slip, or why there is none.
    pub(super) slip: Result<SlipTrace<'a>, Missing>,
    /// From when slip counts, ns since the epoch: the start, or the onset of slip if times count from
    /// that. What the front axle did before is the driver's doing and not the coupling's.
    pub(super) from_ns: i64,
    /// The engagement's samples on the base, from there to its end.
    pub(super) samples: Range<usize>,
    /// Stretches of it in which wheels were not seen.
    pub(super) unseen: Vec<Unseen>,
    /// The slip of this engagement, or why none stands out.
    pub(super) pulse: Result<Pulse, Missing>,
    /// Pressure's rise, or why there is none.
    pub(super) rise: Result<Rise, Missing>,
    /// The step of pressure's code, bar.
    pub(super) pressure_step_bar: f64,
}

impl<'a> View<'a> {
    pub(super) fn of(whole: &Whole<'a>, found: &'a Found) -> Self {
        let Whole {
            drive,
            kinematics,
            vehicle,
            traction,
            ground,
            pressure_step_bar,
            asked,
        } = *whole;
        let slip = SlipTrace::of(drive, kinematics);
        let from_ns = match found.reference {
            Reference::Demand => found.start_ns,
            Reference::Slip => found.start_ns.min(found.reference_ns),
        };
        let samples = drive.base_range(from_ns, found.end_ns);
        let unseen = slip
            .as_ref()
            .map_or_else(|_| Vec::new(), |s| unseen(drive, s, samples.clone()));
        let pulse = slip
            .as_ref()
            .map_err(Clone::clone)
            .and_then(|s| pulse(s, from_ns, samples.clone(), &unseen));
        let rise = pressure_rise(drive, found).and_then(|rise| {
            asked.answered(drive, found, &rise, pressure_step_bar)?;
            Ok(rise)
        });
        Self {
            drive,
            kinematics,
            vehicle,
            found,
            traction,
            ground,
            slip,
            from_ns,
            samples,
            unseen,
            pulse,
            rise,
            pressure_step_bar,
        }
    }

    /// Seconds from the start of the engagement.
    pub(super) fn seconds(&self, t_ns: i64) -> f64 {
        seconds_between(self.found.start_ns, t_ns)
    }

    /// When pressure crosses a share of its step, s from the start.
    pub(super) fn pressure_crossing(&self, share: f64) -> Result<Timed, Missing> {
        let rise = self.rise.as_ref().map_err(Clone::clone)?;
        let role = Role::CouplingPressure;
        let percent = (share * 100.0).round() as u8;
        let crossing = rise
            .crossing(share)
            .ok_or(Missing::NoCrossing { role, percent })?;
        let t_ns = at_seconds(self.found.start_ns, crossing.t_s);
        match carried_at(self.drive.channel(role)?, t_ns) {
            Some(_) => Ok(crossing),
            None => Err(Missing::Gap(role)),
        }
    }

    /// Time from the reference to pressure's crossing of a share of its step, ms.
    pub(super) fn since_reference_ms(&self, share: f64) -> Measured {
        // Pressure first: when it is missing, that is the reason a reader can act on.
        let crossing = self.pressure_crossing(share)?;
        let u_reference_s = self.found.u_reference_s.clone()?;
        let u_stamp_s = self.drive.channel(Role::CouplingPressure)?.u_stamp_s();
        let rise = self.rise.as_ref().map_err(Clone::clone)?;
        placed(rise, crossing)?;
        let since_s = crossing.t_s - self.seconds(self.found.reference_ns);
        let by_demand = self.found.reference == Reference::Demand;
        if !by_demand && since_s < 0.0 {
            return Err(Missing::NotIdentifiable(
                "pressure came before slip, and without demand on the bus nothing tells when it was called for",
            ));
        }
        Ok(Estimate {
            value: since_s * 1e3,
            u: crossing.u_s.hypot(u_reference_s).hypot(u_stamp_s) * 1e3,
            method: match (by_demand, rise.is_interpolated()) {
                (true, false) => "half of demand to the fitted rise of pressure",
                (true, true) => {
                    "half of demand to interpolated pressure; too few samples lie within its step for a fit"
                }
                (false, false) => "onset of slip to the fitted rise of pressure",
                (false, true) => {
                    "onset of slip to interpolated pressure; too few samples lie within its step for a fit"
                }
            },
            samples: rise.samples,
        })
    }

    /// The held part: from 90 % of pressure's step to the start of the release. Without a pressure
    /// signal it begins a fixed time after demand.
    pub(super) fn held_ns(&self) -> Result<(i64, i64), Missing> {
        let from_ns = match self.pressure_crossing(0.9) {
            Ok(crossing) => at_seconds(self.found.start_ns, crossing.t_s),
            Err(Missing::Role(_)) if self.found.reference == Reference::Demand => {
                at_seconds(self.found.reference_ns, HELD_WITHOUT_PRESSURE_S)
            }
            Err(why) => return Err(why),
        };
        long_enough(from_ns, self.found.release_ns)
    }

    /// The held part on the base.
    pub(super) fn held_samples(&self) -> Result<Range<usize>, Missing> {
        let (from_ns, to_ns) = self.held_ns()?;
        let samples = self.drive.base_range(from_ns, to_ns);
        if samples.len() < LEAST_HELD {
            return Err(Missing::TooFewSamples {
                have: samples.len(),
                need: LEAST_HELD,
            });
        }
        Ok(samples)
    }

    /// The part of the held part in which pressure has settled and demand stays at the level that it
    /// stepped to. Where it left that soon, the longest part in which it stays at any level.
    pub(super) fn settled_ns(&self) -> Result<(i64, i64), Missing> {
        let high = self.pressure_crossing(0.9)?;
        let rise = self.rise.as_ref().map_err(Clone::clone)?;
        let rise_s = rise.between(0.1, 0.9).map_or(0.0, |t| t.t_s.max(0.0));
        let from_ns = at_seconds(self.found.start_ns, high.t_s + SETTLING_SHARE * rise_s);
        let release_ns = self.found.release_ns;
        let first = (from_ns, self.found.plateau_end_ns.min(release_ns));
        let (still_ns, moved_ns) = self.found.still_ns;
        let later = (
            from_ns.max(at_seconds(still_ns, SETTLED_S)),
            moved_ns.min(release_ns),
        );
        let lasts_s = |span: (i64, i64)| seconds_between(span.0, span.1);
        let soon_left = lasts_s(first) < SHORT_SETTLED_S && lasts_s(later) > lasts_s(first);
        let (from_ns, to_ns) = if soon_left { later } else { first };
        long_enough(from_ns, to_ns)
    }

    /// Pressure's samples within a span, times in s from its begin.
    pub(super) fn pressure_between(
        &self,
        (from_ns, to_ns): (i64, i64),
        least: usize,
    ) -> Result<(Vec<f64>, Vec<f64>), Missing> {
        let channel = self.drive.channel(Role::CouplingPressure)?;
        let range = channel.range(from_ns, to_ns);
        if range.len() < least {
            return Err(Missing::TooFewSamples {
                have: range.len(),
                need: least,
            });
        }
        if lost_within(channel, range) {
            return Err(Missing::Gap(Role::CouplingPressure));
        }
        Ok(channel.window(from_ns, to_ns, from_ns))
    }

    /// Slip where it begins to count, m/s, between its first sample and the one before, and how long
    /// before its first sample that is, s. `None` where that sample begins it, or slip is not told
    /// there.
    pub(super) fn slip_at_begin(&self) -> Option<(f64, f64)> {
        let first = self.samples.start;
        let before = first.checked_sub(1)?;
        let (last, t) = (self.base_t(before)?, self.base_t(first)?);
        let (a, b) = self.slip_pair(before)?;
        let before_s = seconds_between(self.from_ns, t);
        let share = before_s / seconds_between(last, t);
        (share > 0.0 && share < 1.0).then_some((b - share * (b - a), before_s))
    }

    /// Slip at the engagement's very end, m/s, between its last sample and the next, and how long after
    /// its last sample that is, s. `None` where that sample ends it, or slip is not told there.
    pub(super) fn slip_at_end(&self) -> Option<(f64, f64)> {
        let last = self.samples.end.checked_sub(1)?;
        let (t, next) = (self.base_t(last)?, self.base_t(last + 1)?);
        let (a, b) = self.slip_pair(last)?;
        let after_s = seconds_between(t, self.found.end_ns);
        let share = after_s / seconds_between(t, next);
        (share > 0.0 && share < 1.0).then_some((a + share * (b - a), after_s))
    }

    fn base_t(&self, i: usize) -> Option<i64> {
        self.drive.base_ns().get(i).copied()
    }

    /// Slip at a sample and the next, m/s, where both belong together.
    fn slip_pair(&self, i: usize) -> Option<(f64, f64)> {
        let trace = self.slip.as_ref().ok()?;
        let joined = self.drive.base_joined(i);
        Some((trace.slip_mps(i)?, trace.slip_mps(i + 1)?)).filter(|_| joined)
    }

    /// Why slip is not told between a sample and the next.
    pub(super) fn untold(&self, i: usize) -> Missing {
        let pair = [i, i + 1];
        if pair.iter().any(|&k| self.kinematics.rear_spins(k)) {
            return Missing::NotIdentifiable(
                "one rear wheel spins here, and neither a yaw sensor nor the front wheels tell how the car turns",
            );
        }
        let lost = pair.iter().find_map(|&k| lost_wheel(self.drive, k));
        Missing::Gap(lost.unwrap_or(self.drive.base_role()))
    }

    /// The last of the engagement's samples at which slip is told: after it nothing is missing, slip
    /// has ended.
    pub(super) fn last_told(&self) -> Option<usize> {
        let trace = self.slip.as_ref().ok()?;
        let mut samples = self.samples.clone();
        samples.rfind(|&i| trace.slip_mps(i).is_some())
    }
}

fn long_enough(from_ns: i64, to_ns: i64) -> Result<(i64, i64), Missing> {
    if seconds_between(from_ns, to_ns) >= SHORTEST_HELD_S {
        Ok((from_ns, to_ns))
    } else {
        Err(Missing::NoHeldPart)
    }
}

/// Pressure's rise to its own first plateau.
fn pressure_rise(drive: &Drive, found: &Found) -> Result<Rise, Missing> {
    let role = Role::CouplingPressure;
    let channel = drive.channel(role)?;
    let from_ns = found.clear_from_ns.max(at_seconds(found.start_ns, -LEAD_S));
    let range = channel.range(from_ns, found.release_ns);
    // What was not received cannot have been crossed.
    let gap = lost_within(channel, range.start..range.end + 1);
    let (t_s, value) = channel.window(from_ns, found.release_ns, found.start_ns);
    if let Err(why) = &found.end_seen
        && !first_level_lasts(&t_s, &value)
    {
        return Err(if gap { Missing::Gap(role) } else { why.clone() });
    }
    measure_first_rise(&t_s, &value).map_err(|why| match why {
        _ if gap => Missing::Gap(role),
        NoRise::TooFewSamples { have } => Missing::TooFewSamples {
            have,
            need: LEAST_SAMPLES,
        },
        NoRise::InNoise => Missing::StepInNoise(role),
        NoRise::NoCrossing(percent) => Missing::NoCrossing { role, percent },
    })
}

/// A time that is known to no better than the rise and a sample is none.
pub(super) fn placed(rise: &Rise, time: Timed) -> Result<(), Missing> {
    if time.u_s <= rise.widest_u_s {
        Ok(())
    } else {
        Err(Missing::NotIdentifiable(
            "the samples on the rise of pressure are too few or too noisy to place it",
        ))
    }
}

/// The value at a time, carried over an invalid code as over a frame that was not received.
pub(super) fn carried_at(channel: &Channel, t_ns: i64) -> Option<f64> {
    channel.at(t_ns).or_else(|| {
        let t = channel.t_ns();
        let i = t.partition_point(|&own| own <= t_ns).checked_sub(1)?;
        if lost_after(channel, i) {
            return None;
        }
        let share = seconds_between(t[i], t_ns) / seconds_between(t[i], t[i + 1]);
        let value = channel.value();
        Some(value[i] + share * (value[i + 1] - value[i]))
    })
}

/// Whether a signal was lost for longer than its timeout between the samples of a range.
fn lost_within(channel: &Channel, range: Range<usize>) -> bool {
    let end = range.end.min(channel.t_ns().len());
    !channel.unbroken(range.start..end)
        && (range.start + 1..end).any(|i| lost_after(channel, i - 1))
}
