//! One engagement with the parts of the drive that belong to it: what all measures look at.

use std::ops::Range;

use slipwright_decoders::role::Role;

use super::pulse::{Pulse, pulse};
use super::unseen::{Unseen, unseen};
use crate::drive::{Channel, Drive, at_seconds, seconds_between};
use crate::engagement::{Found, Reference, SlipTrace};
use crate::kinematics::Kinematics;
use crate::measure::{Estimate, Measured, Missing};
use crate::traction::{GroundSpeed, Traction};
use crate::transition::{LEAST_SAMPLES, NoRise, Rise, Timed, measure_first_rise};
use crate::vehicle::Vehicle;

/// The released level is looked at this long before the start, s; slip may also call for demand
/// this early.
const LEAD_S: f64 = 0.5;

/// A held part shorter than this tells nothing, s.
const SHORTEST_HELD_S: f64 = 0.1;

/// Fewest samples of a held part.
pub(super) const LEAST_HELD: usize = 5;

/// Without a pressure signal the coupling counts as held from this long after its demand, s: ample
/// for a healthy coupling. Common practice, no source.
const HELD_WITHOUT_PRESSURE_S: f64 = 0.4;

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
    /// The engagement's samples on the base, from where slip may have called for it to its end.
    pub(super) samples: Range<usize>,
    /// Stretches of it in which wheels were not seen.
    pub(super) unseen: Vec<Unseen>,
    /// The slip of this engagement, or why none stands out.
    pub(super) pulse: Result<Pulse, Missing>,
    /// Pressure's rise, or why there is none.
    pub(super) rise: Result<Rise, Missing>,
}

impl<'a> View<'a> {
    pub(super) fn of(whole: &Whole<'a>, found: &'a Found) -> Self {
        let Whole {
            drive,
            kinematics,
            vehicle,
            traction,
            ground,
        } = *whole;
        let slip = SlipTrace::of(drive, kinematics);
        let from_ns = found.clear_from_ns.max(at_seconds(found.start_ns, -LEAD_S));
        let samples = drive.base_range(from_ns, found.end_ns);
        let unseen = slip
            .as_ref()
            .map_or_else(|_| Vec::new(), |s| unseen(drive, s, samples.clone()));
        let pulse = slip
            .as_ref()
            .map_err(Clone::clone)
            .and_then(|s| pulse(s, samples.clone(), &unseen));
        let rise = pressure_rise(drive, found);
        Self {
            drive,
            kinematics,
            vehicle,
            found,
            traction,
            ground,
            slip,
            samples,
            unseen,
            pulse,
            rise,
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
        match self.drive.channel(role)?.at(t_ns) {
            Some(_) => Ok(crossing),
            None => Err(Missing::Gap(role)),
        }
    }

    /// Time from the reference to pressure's crossing of a share of its step, ms.
    pub(super) fn since_reference_ms(&self, share: f64) -> Measured {
        // Pressure first: when it is missing, that is the reason a reader can act on.
        let crossing = self.pressure_crossing(share)?;
        let u_reference_s = self.found.u_reference_s.clone()?;
        let rise = self.rise.as_ref().map_err(Clone::clone)?;
        let since_s = crossing.t_s - self.seconds(self.found.reference_ns);
        let by_demand = self.found.reference == Reference::Demand;
        Ok(Estimate {
            value: since_s * 1e3,
            u: crossing.u_s.hypot(u_reference_s) * 1e3,
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

    /// The held part after the slip has ended: where slip is steady. Where it never ends, all of the
    /// held part.
    pub(super) fn steady_ns(&self) -> Result<(i64, i64), Missing> {
        let (held_ns, release_ns) = self.held_ns()?;
        let ended_ns = self.pulse.as_ref().ok().and_then(|pulse| {
            let onset = pulse.onset.as_ref()?;
            Some(at_seconds(onset.t_ns, pulse.lasts.as_ref().ok()?.t_s))
        });
        let from_ns = ended_ns.map_or(held_ns, |ended_ns| ended_ns.max(held_ns));
        long_enough(from_ns, release_ns).or(Ok((held_ns, release_ns)))
    }

    /// The part of the held part in which pressure has settled and demand stays at its first level.
    pub(super) fn settled_ns(&self) -> Result<(i64, i64), Missing> {
        let high = self.pressure_crossing(0.9)?;
        let rise = self.rise.as_ref().map_err(Clone::clone)?;
        let rise_s = rise.between(0.1, 0.9).map_or(0.0, |t| t.t_s.max(0.0));
        let from_ns = at_seconds(self.found.start_ns, high.t_s + SETTLING_SHARE * rise_s);
        long_enough(
            from_ns,
            self.found.plateau_end_ns.min(self.found.release_ns),
        )
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
        if !channel.unbroken(range) {
            return Err(Missing::Gap(Role::CouplingPressure));
        }
        Ok(channel.window(from_ns, to_ns, from_ns))
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
    let (t_s, value) = channel.window(from_ns, found.release_ns, found.start_ns);
    measure_first_rise(&t_s, &value).map_err(|why| match why {
        NoRise::TooFewSamples { have } => Missing::TooFewSamples {
            have,
            need: LEAST_SAMPLES,
        },
        NoRise::InNoise => Missing::StepInNoise(role),
        NoRise::NoCrossing(percent) => {
            // What was not received cannot have been crossed.
            if gap_within(channel, from_ns, found.release_ns) {
                Missing::Gap(role)
            } else {
                Missing::NoCrossing { role, percent }
            }
        }
    })
}

fn gap_within(channel: &Channel, from_ns: i64, to_ns: i64) -> bool {
    !channel.unbroken(channel.range(from_ns, to_ns))
}
