//! Onset of slip: where it leaves three deviations of its noise and stays out.

use std::ops::Range;

use crate::drive::{Column, Drive, at_seconds, seconds_between};
use crate::kinematics::{Kinematics, SlipNoise};
use crate::measure::Missing;

/// Deviations that slip has to leave.
pub const ONSET_DEVIATIONS: f64 = 3.0;

/// It has to stay out this long, s: longer than one swing of a hopping wheel (10 to 16 Hz).
const STAY_S: f64 = 0.05;

/// With nothing on the bus to show the coupling, slip has to stay out this long to be an engagement,
/// s: longer than rough road makes it.
const STAY_ALONE_S: f64 = 0.15;

/// Gap between two slips of one engagement, s.
const JOIN_S: f64 = 0.2;

/// Within this time of a run, a swing as far to the other side gives a bump away, s: it passes under
/// one axle, then under the other.
const SWING_S: f64 = 0.1;

const SLIPPED_BEFORE: Missing =
    Missing::NotIdentifiable("slip was there before the coupling could have been called for");

/// Slip with what is needed to judge it.
#[derive(Clone, Copy, Debug)]
pub struct SlipTrace<'a> {
    drive: &'a Drive,
    kinematics: &'a Kinematics,
    slip: &'a Column,
    noise: &'a SlipNoise,
}

/// Where slip is beyond its noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Onset {
    /// Interpolated time, ns since the epoch.
    pub t_ns: i64,
    /// Its standard uncertainty, s.
    pub u_s: f64,
    /// First sample beyond, as index of the base.
    pub index: usize,
}

/// A slip that stands for an engagement where the bus tells nothing of the coupling.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct SlipSpan {
    pub(super) onset: Onset,
    /// First sample after it.
    pub(super) end: usize,
}

impl<'a> SlipTrace<'a> {
    /// The slip of a drive.
    ///
    /// # Errors
    /// Why there is no slip, or no noise to judge it by.
    pub fn of(drive: &'a Drive, kinematics: &'a Kinematics) -> Result<Self, Missing> {
        let slip = kinematics.slip_mps.as_ref().map_err(Clone::clone)?;
        let noise = kinematics.noise.as_ref().map_err(Clone::clone)?;
        Ok(Self {
            drive,
            kinematics,
            slip,
            noise,
        })
    }

    /// Times of the base, ns.
    #[must_use]
    pub fn base_ns(&self) -> &'a [i64] {
        self.drive.base_ns()
    }

    /// Slip at an index, m/s.
    #[must_use]
    pub fn slip_mps(&self, i: usize) -> Option<f64> {
        self.slip.get(i)
    }

    /// Noise of slip.
    #[must_use]
    pub fn noise(&self) -> &'a SlipNoise {
        self.noise
    }

    /// Systematic standard uncertainty at an index, m/s: what the radius correction leaves.
    #[must_use]
    pub fn u_systematic_mps(&self, i: usize) -> f64 {
        let speed = self
            .kinematics
            .rear_mps
            .as_ref()
            .ok()
            .and_then(|c| c.get(i))
            .unwrap_or(0.0);
        self.kinematics.u_front_ratio * speed
    }

    /// What slip has to exceed at an index to be out of its noise, m/s.
    #[must_use]
    pub fn threshold_mps(&self, i: usize) -> f64 {
        ONSET_DEVIATIONS * self.noise.sigma_mps().hypot(self.u_systematic_mps(i))
    }

    /// Indices of the base with `from_ns <= t <= to_ns`.
    #[must_use]
    pub fn range(&self, from_ns: i64, to_ns: i64) -> Range<usize> {
        self.drive.base_range(from_ns, to_ns)
    }

    /// The first onset within a range of the base.
    #[must_use]
    pub fn first_onset(&self, range: Range<usize>) -> Option<Onset> {
        let base = self.base_ns();
        let to = range.end.min(base.len());
        let mut i = range.start;
        while i < to {
            let end = self.run_beyond(i, to);
            if end > i && seconds_between(base[i], base[end - 1]) >= STAY_S {
                return Some(self.interpolated(i));
            }
            i = end.max(i + 1);
        }
        None
    }

    /// Whether an onset is one: slip was told and within its noise just before. Else slip was there
    /// already when it could first be told.
    pub(super) fn began_at(&self, onset: &Onset) -> Result<(), Missing> {
        let before = onset
            .index
            .checked_sub(1)
            .filter(|&k| self.drive.base_joined(k));
        match before.map(|k| (self.slip.get(k), self.beyond(k))) {
            Some((Some(_), false)) => Ok(()),
            Some((None, _)) => Err(Missing::BelowSensorSpeed),
            _ => Err(SLIPPED_BEFORE),
        }
    }

    /// Every slip that stands for an engagement by itself. `disturbed` marks samples where something
    /// else moves the axles apart.
    pub(super) fn spans(&self, disturbed: impl Fn(usize) -> bool) -> Vec<SlipSpan> {
        let base = self.base_ns();
        let n = base.len();
        let mut found: Vec<SlipSpan> = Vec::new();
        let mut i = 0;
        while i < n {
            let end = self.run_beyond(i, n);
            if end == i {
                i += 1;
                continue;
            }
            let lasts = seconds_between(base[i], base[end - 1]) >= STAY_ALONE_S;
            if lasts && !self.swings_back(i..end) && !(i..end).any(&disturbed) {
                let onset = self.interpolated(i);
                match found.last_mut() {
                    Some(last) if seconds_between(base[last.end - 1], base[i]) < JOIN_S => {
                        last.end = end;
                    }
                    _ => found.push(SlipSpan { onset, end }),
                }
            }
            i = end;
        }
        found
    }

    /// Whether slip is out of its noise at an index.
    #[must_use]
    pub fn beyond(&self, i: usize) -> bool {
        self.slip.get(i).is_some_and(|s| s > self.threshold_mps(i))
    }

    /// End of the run of samples beyond the threshold that starts at `i`; `i` itself if there is
    /// none. A single sample below does not end it; a gap does.
    fn run_beyond(&self, i: usize, to: usize) -> usize {
        let joined = |k: usize| self.drive.base_joined(k);
        let mut end = i;
        loop {
            let follows = end == i || joined(end - 1);
            if end < to && follows && self.beyond(end) {
                end += 1;
            } else if end > i
                && end + 1 < to
                && joined(end - 1)
                && joined(end)
                && self.slip.get(end).is_some()
                && self.beyond(end + 1)
            {
                end += 2;
            } else {
                return end;
            }
        }
    }

    fn interpolated(&self, i: usize) -> Onset {
        let base = self.base_ns();
        let before = i
            .checked_sub(1)
            .filter(|&k| self.drive.base_joined(k))
            .and_then(|k| Some((k, self.slip.get(k)?)));
        let (Some((k, y0)), Some(y1)) = (before, self.slip.get(i)) else {
            // Slip was there already when it could first be told: the onset is this or earlier.
            return Onset {
                t_ns: base[i],
                u_s: 0.0,
                index: i,
            };
        };
        let interval_s = seconds_between(base[k], base[i]);
        let rise = (y1 - y0).max(f64::MIN_POSITIVE);
        let share = ((self.threshold_mps(i) - y0) / rise).clamp(0.0, 1.0);
        let t_ns = at_seconds(base[k], share * interval_s);
        // The slope over a few samples tells how noise moves the crossing; the interval bounds what
        // the pair itself can say.
        let later = (i + 3).min(self.slip.len().saturating_sub(1));
        let slope = self
            .slip
            .get(later)
            .map(|y| (y - y0) / seconds_between(base[k], base[later]))
            .filter(|s| *s > 0.0)
            .unwrap_or(rise / interval_s);
        let by_noise_s = self.noise.sigma_mps() / slope;
        // A slope near zero says nothing; how long slip hovers at the threshold still does.
        let by_hover_s = self.hover_s(i) / 12.0_f64.sqrt();
        Onset {
            t_ns,
            u_s: by_noise_s
                .min(by_hover_s)
                .hypot(interval_s / 12.0_f64.sqrt()),
            index: i,
        }
    }

    /// For how long around sample `i` slip is neither clearly below the threshold nor clearly above
    /// it, s; one deviation is clear.
    fn hover_s(&self, i: usize) -> f64 {
        let base = self.base_ns();
        let sigma = self.noise.sigma_mps();
        let over = |k: usize| Some(self.slip.get(k)? - self.threshold_mps(k));
        let from = (0..i)
            .rev()
            .take_while(|&k| self.drive.base_joined(k))
            .find(|&k| over(k).is_none_or(|y| y < -sigma))
            .unwrap_or(i.saturating_sub(1));
        let to = (i..base.len())
            .find(|&k| over(k).is_none_or(|y| y > sigma))
            .unwrap_or(i);
        seconds_between(base[from], base[to])
    }

    fn swings_back(&self, run: Range<usize>) -> bool {
        let base = self.base_ns();
        let far = |k: usize| self.slip.get(k).is_some_and(|s| s < -self.threshold_mps(k));
        let before = (0..run.start)
            .rev()
            .take_while(|&k| seconds_between(base[k], base[run.start]) < SWING_S)
            .any(far);
        let after = (run.end..base.len())
            .take_while(|&k| seconds_between(base[run.end - 1], base[k]) < SWING_S)
            .any(far);
        before || after
    }
}
