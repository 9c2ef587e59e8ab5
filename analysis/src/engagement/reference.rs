//! The event that times are counted from (definition 6): half of demand's own step.
//!
//! A control unit may close the coupling in stages, to the touch of the plates first and then to
//! its torque. Demand's own step is then the one that pressure's rise belongs to: the last stage
//! before pressure was half way, from the level that pressure rose from. Where that stage cannot be
//! told, nothing is counted from it.

use std::ops::Range;

use slipwright_decoders::role::Role;

use crate::closing::{Closing, Closings};
use crate::drive::{Channel, Drive, at_seconds, seconds_between};
use crate::measure::Missing;
use crate::statistics::quantile::{median, quantile_in_place};
use crate::transition::{
    Plateau, RoughRise, first_plateau, last_plateau, middle_crossing, rough_first_rise,
};

/// A jump from one frame to the next that makes up this share of demand's step is an ideal step: the
/// frame that first carries it is the event. A control unit works in steps of its own period, so
/// there is nothing between two such frames to interpolate. A ramp over more than two frames makes
/// no such jump.
const JUMP_SHARE: f64 = 0.5;

/// How far back the released level is looked at, s.
const LOOK_BACK_S: f64 = 1.0;

/// How far back pressure's released level is looked at, s.
const PRESSURE_BACK_S: f64 = 0.5;

/// A rise of demand by less than this share of what was there is no stage of its own.
const STAGE_SHARE: f64 = 0.15;

/// The frame that first carries a stage may come so many periods after the stage itself.
const LATE_FRAMES: f64 = 1.5;

/// Demand that stays within this share of its step stays where it is.
const STILL_SHARE: f64 = 0.02;

/// Or within so many deviations of its noise.
const STILL_DEVIATIONS: f64 = 6.0;

/// A ramp's code that stands for so many frames is coarser than they are.
const LEAST_STANDING: usize = 3;

const NOT_ASSIGNED: Missing = Missing::NotIdentifiable(
    "demand rose in stages, and pressure does not tell which of them its rise belongs to",
);

/// Demand's (or pressure's) own step within one closing.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Step {
    /// Level before.
    pub(super) low: f64,
    /// Level of the plateau that it rises to.
    pub(super) high: f64,
    /// When half of the step was crossed, ns.
    pub(super) half_ns: i64,
    /// Standard uncertainty of that, s; 0 for an ideal step, whose frame is the event. Or why no
    /// stage of demand is the one that pressure followed.
    pub(super) u_s: Result<f64, Missing>,
    /// A stage came before it.
    pub(super) staged: bool,
    /// End of the plateau that it rises to, ns.
    pub(super) plateau_end_ns: i64,
    /// The longest stretch in which the signal stays where it is, ns.
    pub(super) still_ns: (i64, i64),
    /// Start of the final fall, ns.
    pub(super) release_ns: i64,
}

/// A level that demand rose to.
struct Stage {
    plateau: Plateau,
    /// When demand was half way to it from what was there before, s.
    half_s: f64,
}

/// The samples of one closing. Times in s from its first.
struct Held<'a> {
    channel: &'a Channel,
    start: usize,
    t_s: Vec<f64>,
    value: &'a [f64],
    /// Level before.
    low: f64,
    noise: f64,
    /// One released sample before the rise, if there is one.
    first: usize,
}

/// The step of a closing. `None` where its rise lies across a gap.
pub(super) fn step(
    drive: &Drive,
    channel: &Channel,
    all: &Closings,
    closing: &Closing,
    after_ns: i64,
) -> Option<Step> {
    let (t, value) = (channel.t_ns(), channel.value());
    let Range { start, end } = closing.range;
    let from_ns = after_ns.max(at_seconds(*t.get(start)?, -LOOK_BACK_S));
    let before = channel.range(from_ns, t[start].saturating_sub(1));
    let held = Held {
        channel,
        start,
        t_s: t[start..end]
            .iter()
            .map(|&s| seconds_between(t[start], s))
            .collect(),
        value: &value[start..end],
        low: median(&value[before.clone()]).unwrap_or(all.released),
        noise: all.noise,
        first: start.saturating_sub(2).max(before.start.min(start)),
    };
    let stages = held.stages();
    let first = &stages.first()?.plateau;
    let all_of_it = held.value.len();
    let last = last_plateau(
        &held.t_s,
        held.value,
        held.low,
        first.range.start,
        all_of_it,
        held.noise,
    )?;
    let release_ns = t[start + last.range.end - 1];
    let pressure = (channel.role == Role::CouplingDemand && stages.len() > 1)
        .then(|| drive.channel(Role::CouplingPressure).ok())
        .flatten();
    let followed = pressure.and_then(|pressure| {
        let from_ns = after_ns.max(at_seconds(t[start], -PRESSURE_BACK_S));
        let (t_s, bar) = pressure.window(from_ns, release_ns, t[start]);
        rough_first_rise(&t_s, &bar)
    });
    let (low, stage, told) = match &followed {
        Some(rise) => held.stage_followed(&stages, rise),
        None => (held.low, 0, Ok(())),
    };
    let Plateau { range, level: high } = &stages[stage].plateau;
    let (half_ns, u_s) = held.half(low, *high, range.end)?;
    let staged = half_ns > t[start + first.range.end - 1];
    // Pressure that was on its way before the stage was called for did not answer it.
    let answers = followed.is_none_or(|rise| {
        let half_s = seconds_between(t[start], half_ns);
        !staged || rise.crossing_s[0] > half_s - LATE_FRAMES * held.frame_s()
    });
    Some(Step {
        low,
        high: *high,
        half_ns,
        u_s: match told {
            Ok(()) if answers => Ok(u_s),
            _ => Err(NOT_ASSIGNED),
        },
        staged,
        plateau_end_ns: t[start + range.end - 1],
        still_ns: held.longest_still_ns(),
        release_ns,
    })
}

impl Held<'_> {
    /// The levels that demand rose to, the first one and each that is higher than what was there.
    fn stages(&self) -> Vec<Stage> {
        let mut stages: Vec<Stage> = Vec::new();
        let (mut from, mut before) = (0, self.low);
        while let Some(plateau) = first_plateau(
            &self.t_s,
            self.value,
            self.low,
            from,
            self.value.len(),
            self.noise,
        ) {
            let least = (STAGE_SHARE * (before - self.low)).max(4.0 * self.noise);
            let (Plateau { range, level }, half) = (&plateau, 0.5 * (before + plateau.level));
            let rises = level - before > least || stages.is_empty();
            let at = (from..range.start).find(|&i| self.value[i] >= half);
            let half_s = self.t_s[at.unwrap_or(range.start)];
            (from, before) = (range.end, *level);
            if rises {
                stages.push(Stage { plateau, half_s });
            }
        }
        stages
    }

    /// The level that pressure's rise began from, the stage that it belongs to, and whether that can
    /// be told.
    fn stage_followed(
        &self,
        stages: &[Stage],
        rise: &RoughRise,
    ) -> (f64, usize, Result<(), Missing>) {
        let [_, half_s] = rise.crossing_s;
        let stage = stages.iter().rposition(|s| s.half_s <= half_s).unwrap_or(0);
        let low = match stage.checked_sub(1) {
            Some(before) if !rise.from_rest => stages[before].plateau.level,
            _ => self.low,
        };
        // The frame that carries the next stage may have been late.
        let late_s = half_s + LATE_FRAMES * self.frame_s();
        let told = match stages.get(stage + 1) {
            Some(next) if next.half_s <= late_s => Err(NOT_ASSIGNED),
            _ => Ok(()),
        };
        (low, stage, told)
    }

    /// When half of the step from `low` to `high` was crossed before sample `end`, ns, and its standard
    /// uncertainty, s. `None` where that lies across a gap. Of an ideal step it is the frame that carries it.
    fn half(&self, low: f64, high: f64, end: usize) -> Option<(i64, f64)> {
        let (t, value) = (self.channel.t_ns(), self.channel.value());
        let window = self.first..self.start + end;
        let origin_ns = t[self.start];
        let t_s: Vec<f64> = t[window.clone()]
            .iter()
            .map(|&s| seconds_between(origin_ns, s))
            .collect();
        let half = low + 0.5 * (high - low);
        let crossing = middle_crossing(&t_s, &value[window], half)?;
        let at = self.first + crossing.before;
        if !self.channel.joined(at) {
            return None;
        }
        let jump = value[at + 1] - value[at];
        // A frame that came late may have been on time where its demand was followed.
        let u_stamp_s = (0.5 * self.channel.late_s(at + 1)).hypot(self.channel.u_stamp_s());
        if jump >= JUMP_SHARE * (high - low) {
            return Some((t[at + 1], u_stamp_s));
        }
        if let Some((since_s, u_s)) = self.between_codes(at, half) {
            return Some((at_seconds(t[at], since_s), u_s.hypot(u_stamp_s)));
        }
        let slope = jump / seconds_between(t[at], t[at + 1]);
        let u_s = (self.noise / slope).hypot(u_stamp_s);
        Some((at_seconds(origin_ns, crossing.t_s), u_s))
    }

    /// When a ramp crosses a level between samples `at` and `at + 1` of the channel, where its code stands
    /// for several frames before it moves on: on the lines between the times at which the code changes,
    /// each with the middle of its two values, s from sample `at`, with the standard uncertainty. Whether
    /// the sender rounds or cuts off is not known; of a step of the code half stays open.
    fn between_codes(&self, at: usize, level: f64) -> Option<(f64, f64)> {
        let (t, value) = (self.channel.t_ns(), self.channel.value());
        let from = (self.first..=at)
            .rev()
            .take_while(|&i| value[i] == value[at]);
        let from = from.last()?;
        let to = at
            + 1
            + value[at + 1..]
                .iter()
                .take_while(|v| **v == value[at + 1])
                .count();
        if from == self.first || to >= self.start + self.value.len() {
            return None;
        }
        let changes_at = |i: usize| {
            let middle = 0.5 * (seconds_between(t[at], t[i - 1]) + seconds_between(t[at], t[i]));
            (middle, 0.5 * (value[i - 1] + value[i]))
        };
        let stands = (at + 1 - from).max(to - at - 1);
        let rises = value[from - 1] < value[at] && value[at + 1] < value[to];
        if stands < LEAST_STANDING || !rises {
            return None;
        }
        let middle = changes_at(at + 1);
        let (a, b) = if level < middle.1 {
            (changes_at(from), middle)
        } else {
            (middle, changes_at(to))
        };
        let lasts_s = b.0 - a.0;
        let since_s = a.0 + (level - a.1) / (b.1 - a.1) * lasts_s;
        let u_s = (0.5 * lasts_s).hypot(self.frame_s()) / 12.0_f64.sqrt();
        Some((since_s, u_s))
    }

    /// Median time between its frames, s.
    fn frame_s(&self) -> f64 {
        let mut steps: Vec<f64> = self.t_s.windows(2).map(|w| w[1] - w[0]).collect();
        quantile_in_place(&mut steps, 0.5).unwrap_or(0.0)
    }

    fn longest_still_ns(&self) -> (i64, i64) {
        let top = self.value.iter().copied().fold(self.low, f64::max);
        let allowed = (STILL_SHARE * (top - self.low)).max(STILL_DEVIATIONS * self.noise);
        let (mut best, mut from) = (0..0, 0);
        let lasts = |r: &Range<usize>| match r.end.checked_sub(1) {
            Some(last) => self.t_s[last] - self.t_s[r.start],
            None => 0.0,
        };
        for i in 0..self.value.len() {
            if (self.value[i] - self.value[from]).abs() > allowed {
                from = i;
            }
            if lasts(&(from..i + 1)) > lasts(&best) {
                best = from..i + 1;
            }
        }
        let t = self.channel.t_ns();
        let last = best.end.saturating_sub(1);
        (t[self.start + best.start], t[self.start + last])
    }
}
