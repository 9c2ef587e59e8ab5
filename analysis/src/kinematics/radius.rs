//! Radius correction (definition 1): each wheel's rolling radius over the rear mean.
//!
//! On a straight, unbraked, gently moving stretch with the coupling open the four wheels turn the
//! same road, so `ratio_i = v_rear_mean / v_i` of the decoded speeds. What is left in the way is
//! the tyres' own creep under drive: slip of a tyre is proportional to its force while small, and
//! the offset at zero force is the radius difference (the idea of F. Gustafsson, Slip-based
//! tire-road friction estimation, Automatica 33(6), 1997). So where the bus tells engine torque
//! and speed, `ln ratio` is fitted as a line over drive force and taken at zero. Where it does not,
//! the car's own motion tells the force, less exactly: what it takes to speed the car up against its
//! driving resistance. Where the motion has too little spread for a line, coasting is chosen, else
//! steady stretches; what a tyre creeps under an engine that brakes is taken out, and what is not known
//! of it stays as uncertainty.

use serde::{Deserialize, Serialize};

use super::stretch::Stretch;
use crate::measure::{Estimate, Measured, Missing};
use crate::statistics::huber::{Line, huber_line};
use crate::statistics::quantile::{median, quantile};
use crate::statistics::spread::mean;
use crate::vehicle::Vehicle;

/// Radius correction of each wheel: its rolling radius over the rear mean (definition 1). The
/// decoded speed times this is the speed at the contact.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RadiusRatio {
    /// Front left.
    pub front_left: Measured,
    /// Front right.
    pub front_right: Measured,
    /// Rear left.
    pub rear_left: Measured,
    /// Rear right.
    pub rear_right: Measured,
}

/// Gently moving: slower stretches are turns and manoeuvres, m/s.
const LEAST_SPEED_MPS: f64 = 3.0;

/// Limits of acceleration that are tried in turn until enough stretches are found, m/s².
const ACCEL_LIMITS_MPS2: [f64; 3] = [0.5, 1.0, 2.0];

/// Straight: a larger radius of turn than this, m. The turn itself then lengthens the front
/// axle's way by less than 0.01 per cent.
const STRAIGHT_RADIUS_M: f64 = 250.0;

/// Straight by the steering wheel: within this of its middle, rad.
const STRAIGHT_STEERING_RAD: f64 = 0.17;

/// Straight by the rear wheels alone: their relative difference within this of the commonest.
const STRAIGHT_REAR_SHARE: f64 = 0.005;

/// A pedal within this share of its range of rest is not pressed.
const COASTING_PEDAL_SHARE: f64 = 0.03;

/// Axles that roll differ by less than this from what is usual of them: a tyre that grips creeps by one
/// or two per cent (typical initial slope of the published tyre curves).
const MOST_CREEP: f64 = 0.03;

/// Wheels that roll differ by less than this from the rear mean, whatever tyres they carry: an emergency
/// spare wheel is smaller by up to an eighth (common practice, no source). What differs more slides, as
/// everywhere on ice, or is decoded wrong.
const MOST_BY_TYRES: f64 = 0.15;

/// Fewest stretches to rest a ratio on.
const LEAST_STRETCHES: usize = 6;

/// Least standard uncertainty of a driven axle's ratio where no line over drive tells its creep.
const U_UNKNOWN_FORCE: f64 = 1e-3;

/// By how much `ln ratio` of a driven front wheel falls with the acceleration that its drive would give
/// the car, s²/m, where the drive does not tell: a tyre creeps about one thirtieth of its force over its
/// load (typical initial slope of the published tyre curves), and the front axle carries 0.58 of the
/// weight.
const USUAL_CREEP_S2_PER_M: f64 = -1.0 / (30.0 * 0.58 * 9.80665);
/// Relative standard uncertainty of it, and of a slope learnt on other stretches.
const U_CREEP_SHARE: f64 = 0.5;

/// Rolling resistance over weight of a passenger car's tyre on asphalt, times gravity, m/s²: 0.012
/// within 0.010 to 0.015 (common practice, no source).
const ROLLING_MPS2: f64 = 0.12;

/// Air resistance over mass and speed squared, 1/m: half the density of air times a drag area of
/// 0.7 m², over 1500 kg (common practice, no source).
const DRAG_PER_M: f64 = 2.8e-4;

/// Standard uncertainty of the driving resistance so taken, m/s²: a road that rises or falls by half
/// a per cent all along, and with it what the tyres, the load and the wind differ.
const U_RESISTANCE_MPS2: f64 = 0.07;

/// Standard uncertainty that stays when the force is known: road camber and toe.
const U_KNOWN_FORCE: f64 = 1e-4;

/// Standard uncertainty between left and right where only the wheels tell what is straight.
const U_UNKNOWN_TURN: f64 = 5e-4;

/// What suits the correction, as said to a person.
const SUITABLE: &str = "straight, unbraked, gently moving stretch with the coupling open";

/// Nothing rolls, as said to a person.
const APART: &str = "wherever the wheels should roll alike they differ by more than tyres can: they slide, or the decoder file has a wrong scale or place";

const BY_FORCE: &str = "robust line over drive force, at zero force";
const BY_MOTION: &str = "robust line over acceleration, at zero drive force";
const BY_COASTING: &str = "robust mean over coasting stretches";
const BY_STEADY: &str = "robust mean over steady stretches, drive force unknown";

/// The correction and what slip needs of it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Correction {
    /// For the record.
    pub(super) ratio: RadiusRatio,
    /// Factors to apply, 1 where unknown: front left, front right, rear left, rear right.
    pub(super) factor: [f64; 4],
    /// Standard uncertainty of the front mean's factor; slip inherits it times speed.
    pub(super) u_front: f64,
}

/// Without any estimate the wheels may differ by this much (standard uncertainty): a worn tyre
/// against a new one differs by about one per cent.
const U_UNCORRECTED: f64 = 5e-3;

/// Estimates the correction; `Err` as the reason in each ratio when nothing suits.
pub(super) fn radius_correction(
    stretches: &[Stretch],
    yaw_offset_rad_s: Option<f64>,
    vehicle: &Vehicle,
    missing_wheel: Option<&Missing>,
) -> Correction {
    // On a slippery road force does not explain creep by a line; then coasting tells more.
    let (rolling, sliding): (Vec<&Stretch>, Vec<&Stretch>) =
        stretches.iter().partition(|s| s.rolls());
    let chosen = candidates(&rolling, yaw_offset_rad_s)
        .into_iter()
        .min_by(|a, b| a.u_front().total_cmp(&b.u_front()));
    let Some(chosen) = chosen else {
        let none = Missing::NoSuitableStretch(SUITABLE);
        let why = match missing_wheel {
            Some(why) => why.clone(),
            None => {
                let sliding: Vec<&Stretch> = suits(&sliding).collect();
                let (sliding, _) = straight(&sliding, yaw_offset_rad_s);
                if sliding.len() < LEAST_STRETCHES {
                    none
                } else {
                    Missing::NotIdentifiable(APART)
                }
            }
        };
        let ratio = || Err(why.clone());
        return Correction {
            ratio: RadiusRatio {
                front_left: ratio(),
                front_right: ratio(),
                rear_left: ratio(),
                rear_right: ratio(),
            },
            factor: [1.0; 4],
            u_front: U_UNCORRECTED,
        };
    };
    let samples = chosen.stretches.iter().map(|s| s.samples).sum();
    let method = chosen.by.method();
    let (creep, u_creep) = (chosen.creep(), chosen.u_creep());
    let u_turn = if chosen.straight_known {
        U_KNOWN_FORCE
    } else {
        U_UNKNOWN_TURN
    };
    let half_track_m = vehicle.geometry.track_rear_m.map_or(0.0, |t| t / 2.0);
    // With a sensor the turn that is left is taken out; the outer wheel runs faster by r times
    // half the track.
    let turn = |s: &Stretch| {
        let yaw = s
            .yaw_rad_s
            .zip(yaw_offset_rad_s)
            .map_or(0.0, |(r, offset)| r - offset);
        yaw * half_track_m
    };
    let wheel = |i: usize, side: f64| -> (Measured, f64) {
        let line = chosen.line(|s: &Stretch| s.wheel_mps[i] - side * turn(s));
        match line {
            Some(line) => {
                let (creep, u_creep) = if i < 2 {
                    (creep, u_creep)
                } else {
                    (0.0, U_KNOWN_FORCE)
                };
                let value = (line.intercept - creep).exp();
                let u = value * line.u_intercept.hypot(u_creep).hypot(u_turn);
                (
                    Ok(Estimate {
                        value,
                        u,
                        method,
                        samples,
                    }),
                    value,
                )
            }
            None => (Err(Missing::NoSuitableStretch(SUITABLE)), 1.0),
        }
    };
    let (front_left, fl) = wheel(0, -1.0);
    let (front_right, fr) = wheel(1, 1.0);
    let (rear_left, rl) = wheel(2, -1.0);
    let (rear_right, rr) = wheel(3, 1.0);
    let u_front = chosen.u_front();
    Correction {
        ratio: RadiusRatio {
            front_left,
            front_right,
            rear_left,
            rear_right,
        },
        factor: [fl, fr, rl, rr],
        u_front,
    }
}

impl Stretch {
    /// Whether the wheels turn so much alike that it may be their tyres.
    fn rolls(&self) -> bool {
        let apart = |v: &f64| (self.rear_mps / v).ln().abs() < MOST_BY_TYRES;
        self.wheel_mps.iter().all(apart)
    }
}

#[derive(Clone, Copy)]
enum By {
    Force,
    Motion,
    Coasting,
    Steady,
}

impl By {
    fn method(self) -> &'static str {
        match self {
            Self::Force => BY_FORCE,
            Self::Motion => BY_MOTION,
            Self::Coasting => BY_COASTING,
            Self::Steady => BY_STEADY,
        }
    }

    /// What drives the front axle in a stretch, in a unit of its own; 0 where nothing tells it.
    fn drive(self, stretch: &Stretch) -> f64 {
        match self {
            Self::Force => stretch.force_n.unwrap_or(0.0),
            Self::Motion => {
                stretch.accel_mps2 + ROLLING_MPS2 + DRAG_PER_M * stretch.rear_mps.powi(2)
            }
            Self::Coasting | Self::Steady => 0.0,
        }
    }
}

struct Chosen<'a> {
    stretches: Vec<&'a Stretch>,
    by: By,
    straight_known: bool,
    /// By how much `ln ratio` of a front wheel rises with what the motion says drives it, s²/m, where
    /// the motion tells.
    creep_s2_per_m: Option<f64>,
}

impl Chosen<'_> {
    /// `ln` of rear mean over a speed, as a robust line over what drives or as a level.
    fn line(&self, speed: impl Fn(&Stretch) -> f64) -> Option<Line> {
        let drive: Vec<f64> = self.stretches.iter().map(|s| self.by.drive(s)).collect();
        let y: Vec<f64> = self
            .stretches
            .iter()
            .map(|s| (s.rear_mps / speed(s)).ln())
            .collect();
        huber_line(&drive, &y)
    }

    fn front_line(&self) -> Option<Line> {
        self.line(|s| s.front_mps)
    }

    fn u_front(&self) -> f64 {
        self.front_line()
            .map_or(U_UNCORRECTED, |l| l.u_intercept.hypot(self.u_creep()))
    }

    /// By how much creep shifts `ln ratio` of the front wheels on stretches without a line over drive:
    /// by the slope that other stretches taught, else by the usual one while the engine surely brakes.
    fn creep(&self) -> f64 {
        match (self.by, self.creep_s2_per_m) {
            (By::Force | By::Motion, _) => 0.0,
            (By::Coasting | By::Steady, Some(slope)) => slope * self.mean_motion(),
            (By::Coasting, None) => USUAL_CREEP_S2_PER_M * self.mean_motion().min(0.0),
            (By::Steady, None) => 0.0,
        }
    }

    /// Standard uncertainty of the front ratios from what is not known of creep.
    fn u_creep(&self) -> f64 {
        let slope = self.creep_s2_per_m.unwrap_or(USUAL_CREEP_S2_PER_M);
        let by_resistance = slope * U_RESISTANCE_MPS2;
        let left = match (self.by, self.creep_s2_per_m) {
            (By::Force, _) => return U_KNOWN_FORCE,
            (By::Motion, _) => return U_KNOWN_FORCE.hypot(by_resistance),
            (By::Coasting, _) | (By::Steady, Some(_)) => U_CREEP_SHARE * self.creep(),
            (By::Steady, None) => slope * self.mean_motion(),
        };
        U_UNKNOWN_FORCE.max(by_resistance.hypot(left))
    }

    /// Mean of what the motion says drives the front axle, m/s².
    fn mean_motion(&self) -> f64 {
        let drive: Vec<f64> = self.stretches.iter().map(|s| By::Motion.drive(s)).collect();
        mean(&drive).unwrap_or(0.0)
    }
}

/// Every way that the drive allows, each with the stretches that suit it.
fn candidates<'a>(all: &[&'a Stretch], yaw_offset_rad_s: Option<f64>) -> Vec<Chosen<'a>> {
    let moving: Vec<&Stretch> = suits(all).collect();
    let (mut straight, straight_known) = straight(&moving, yaw_offset_rad_s);
    leave_sliding_out(&mut straight);
    let chosen = |stretches: Vec<_>, by| Chosen {
        stretches,
        by,
        straight_known,
        creep_s2_per_m: None,
    };
    let mut found = Vec::new();
    // Drive explains creep, so its line may use brisker stretches than the mean can. Brakes that nothing
    // tells slow all four wheels: what slows the car more than an engine does is not the engine's.
    let [by_engine, brisk, _] = ACCEL_LIMITS_MPS2;
    let brisk = straight.iter().copied().filter(|s| {
        let slowing = if s.brakes_told { brisk } else { by_engine };
        (-slowing..brisk).contains(&s.accel_mps2)
    });
    let with_force: Vec<&Stretch> = brisk.clone().filter(|s| s.force_n.is_some()).collect();
    let with_motion: Vec<&Stretch> = brisk.collect();
    for (stretches, by) in [(with_force, By::Force), (with_motion, By::Motion)] {
        if stretches.len() >= 2 * LEAST_STRETCHES && reaches_zero(&stretches, by) {
            found.push(chosen(stretches, by));
        }
    }
    let creep_s2_per_m = found
        .iter()
        .find(|c| matches!(c.by, By::Motion))
        .and_then(|c| Some(c.front_line()?.slope));
    let gentle = ACCEL_LIMITS_MPS2.iter().find_map(|&limit| {
        let within: Vec<&Stretch> = straight
            .iter()
            .copied()
            .filter(|s| s.accel_mps2.abs() < limit)
            .collect();
        (within.len() >= LEAST_STRETCHES).then_some(within)
    });
    if let Some(gentle) = gentle {
        let top = all.iter().filter_map(|s| s.pedal).fold(0.0, f64::max);
        let coasting: Vec<&Stretch> = gentle
            .iter()
            .copied()
            .filter(|s| s.pedal.is_some_and(|p| p <= COASTING_PEDAL_SHARE * top))
            .collect();
        found.push(if coasting.len() >= LEAST_STRETCHES {
            chosen(coasting, By::Coasting)
        } else {
            chosen(gentle, By::Steady)
        });
    }
    for way in &mut found {
        way.creep_s2_per_m = creep_s2_per_m;
    }
    found
}

/// Those that move, unbraked, with the coupling open.
fn suits<'a>(all: &[&'a Stretch]) -> impl Iterator<Item = &'a Stretch> {
    all.iter()
        .copied()
        .filter(|s| s.rear_mps > LEAST_SPEED_MPS && s.released && !s.braked)
}

/// Leaves out stretches in which an axle slides: what spins or locks tells no radius, and the force that
/// goes with it would pull a line along however few they are.
fn leave_sliding_out(stretches: &mut Vec<&Stretch>) {
    let apart = |s: &Stretch| (s.rear_mps / s.front_mps).ln();
    let all: Vec<f64> = stretches.iter().map(|s| apart(s)).collect();
    if let Some(middle) = median(&all) {
        stretches.retain(|s| (apart(s) - middle).abs() < MOST_CREEP);
    }
}

/// Whether zero drive lies within or close to what was seen, so that the line is not stretched.
fn reaches_zero(stretches: &[&Stretch], by: By) -> bool {
    let drive: Vec<f64> = stretches.iter().map(|s| by.drive(s)).collect();
    match (quantile(&drive, 0.1), quantile(&drive, 0.9)) {
        (Some(low), Some(high)) => {
            let spread = high - low;
            low - spread <= 0.0 && high + spread >= 0.0
        }
        _ => false,
    }
}

/// The straight ones, and whether something other than the wheels told so.
fn straight<'a>(moving: &[&'a Stretch], yaw_offset_rad_s: Option<f64>) -> (Vec<&'a Stretch>, bool) {
    if let Some(offset) = yaw_offset_rad_s {
        let keep = |s: &&Stretch| {
            s.yaw_rad_s
                .is_some_and(|r| (r - offset).abs() * STRAIGHT_RADIUS_M < s.rear_mps)
        };
        return (moving.iter().copied().filter(keep).collect(), true);
    }
    let angles: Vec<f64> = moving.iter().filter_map(|s| s.steering_rad).collect();
    if 2 * angles.len() > moving.len()
        && let Some(middle) = median(&angles)
    {
        let keep = |s: &&Stretch| {
            s.steering_rad
                .is_some_and(|a| (a - middle).abs() < STRAIGHT_STEERING_RAD)
        };
        return (moving.iter().copied().filter(keep).collect(), true);
    }
    let difference = |s: &Stretch| (s.wheel_mps[3] - s.wheel_mps[2]) / s.rear_mps;
    let all: Vec<f64> = moving.iter().map(|s| difference(s)).collect();
    let Some(commonest) = shortest_half_middle(all) else {
        return (Vec::new(), false);
    };
    let keep = |s: &&Stretch| (difference(s) - commonest).abs() < STRAIGHT_REAR_SHARE;
    (moving.iter().copied().filter(keep).collect(), false)
}

/// Middle of the shortest interval that holds half of the values: where they lie densest.
fn shortest_half_middle(mut values: Vec<f64>) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    let half = values.len().div_ceil(2);
    values
        .windows(half.max(1))
        .map(|w| (w[half.max(1) - 1] - w[0], (w[half.max(1) - 1] + w[0]) / 2.0))
        .reduce(|best, next| if next.0 < best.0 { next } else { best })
        .map(|(_, middle)| middle)
}
