//! The waveform of a rise: pressure at a record's times, from the parameters that the fit tries, and
//! how it changes with them.
//!
//! With `t` from the demand:
//!
//! - `t < fill_time`: the piston travels; pressure goes from its released level to the return
//!   spring's, `p_fill`.
//! - then `dp/dt = min(rise_rate / (1 + s exp(-p / p_w)), (P(t) - p) / tau)`: the pump's flow goes
//!   into the compliance of oil and pack, which is larger by `s` while the wavy lining is still
//!   pressed flat (over pressures of about `p_w`), until the pressure valve, with its lag `tau`,
//!   takes over. `P(t)` is the level that the engagement comes to, moved with demand by bars per
//!   demand as the drive shows them.
//!
//! The slopes are those of the integration as it is done, carried along with it (E. Hairer,
//! S. P. Nørsett, G. Wanner, Solving Ordinary Differential Equations I, 1993, I.14): one run gives
//! what differences would take twelve for.

use nalgebra::Vector6;

use super::record::Record;

/// Longest step of the integration, s.
const STEP_S: f64 = 1e-3;

/// Parameters by place in the fit.
pub(super) const FILL: usize = 0;
pub(super) const RATE: usize = 1;
const SOFT: usize = 2;
const SOFT_BAR: usize = 3;
const LAG: usize = 4;
const FILL_BAR: usize = 5;

/// The parameters of a drive's rises, out of the fit's logarithms.
pub(super) struct Numbers {
    pub(super) fill_s: f64,
    rate_bar_s: f64,
    soft: f64,
    soft_bar: f64,
    lag_s: f64,
    fill_bar: f64,
    /// Share of the way to the target that a step of the integration leaves.
    left_by_step: f64,
}

/// Pressure, and how it changes with the parameters of the fit: in place of the first, with the
/// time at which the clearance is filled, bar/s.
#[derive(Clone, Copy)]
pub(super) struct Traced {
    pub(super) bar: f64,
    pub(super) slopes: Vector6<f64>,
}

impl Numbers {
    pub(super) fn of(&[fill, rate, soft, soft_bar, lag, fill_bar]: &[f64; 6]) -> Self {
        Self {
            fill_s: fill.exp(),
            rate_bar_s: rate.exp(),
            soft: soft.exp(),
            soft_bar: soft_bar.exp(),
            lag_s: lag.exp(),
            left_by_step: (-STEP_S / lag.exp()).exp(),
            fill_bar,
        }
    }

    /// Pressure above the released level at each of a record's times, the clearance filled at a time
    /// after the demand.
    pub(super) fn trace(&self, record: &Record, filled_s: f64) -> Vec<Traced> {
        let mut out = Vec::with_capacity(record.t_s.len());
        let mut t = filled_s;
        let mut above = Traced {
            bar: self.fill_bar,
            slopes: Vector6::ith(FILL_BAR, 1.0),
        };
        // How the time of the integration changes with its start: not at all from a time that is given.
        let mut t_by_start = 1.0;
        let mut next_target = record.target.partition_point(|(at, _)| *at <= t);
        for &sample_s in &record.t_s {
            if sample_s <= filled_s {
                out.push(self.filling(sample_s, filled_s));
                continue;
            }
            while t < sample_s {
                let change_s = record
                    .target
                    .get(next_target)
                    .map_or(f64::INFINITY, |c| c.0);
                if change_s <= t {
                    next_target += 1;
                    continue;
                }
                let target = next_target
                    .checked_sub(1)
                    .and_then(|k| record.target.get(k))
                    .or(record.target.first())
                    .map_or(0.0, |c| c.1 - record.low_bar);
                let to_given = (sample_s - t).min(change_s - t);
                let h = STEP_S.min(to_given);
                let h_by_start = if to_given <= STEP_S { -t_by_start } else { 0.0 };
                above = self.advance(above, target, h, h_by_start);
                t += h;
                t_by_start += h_by_start;
            }
            out.push(above);
        }
        out
    }

    fn filling(&self, t_s: f64, filled_s: f64) -> Traced {
        let share = (t_s / filled_s).clamp(0.0, 1.0);
        let mut slopes = Vector6::ith(FILL_BAR, share);
        slopes[FILL] = -self.fill_bar * share / filled_s;
        Traced {
            bar: share * self.fill_bar,
            slopes,
        }
    }

    /// Pressure above the released level after a short time: what the pump can do or, if that is
    /// less, what the valve lets it.
    #[inline]
    fn advance(&self, from: Traced, target: f64, h: f64, h_by_start: f64) -> Traced {
        // Nearly every step is a whole one.
        let left = if h >= STEP_S {
            self.left_by_step
        } else {
            (-h / self.lag_s).exp()
        };
        let away = (from.bar - target) * left;
        let let_in = target + away;
        // The pump gives at least this much: most steps are the valve's, and exponentials take time.
        let is_let = let_in <= from.bar + h * self.rate_bar_s / (1.0 + self.soft);
        if !is_let {
            let (rate, change) = self.pumped(from.bar);
            let half_bar = from.bar + 0.5 * h * rate;
            let (rate_half, change_half) = self.pumped(half_bar);
            let bar = from.bar + h * rate_half;
            if bar < let_in {
                let mut half = from.slopes + 0.5 * h * change.with(&from.slopes);
                half[FILL] += 0.5 * h_by_start * rate;
                let mut slopes = from.slopes + h * change_half.with(&half);
                slopes[FILL] += h_by_start * rate_half;
                return Traced { bar, slopes };
            }
        }
        let mut slopes = from.slopes * left;
        slopes[LAG] += away * h / self.lag_s;
        slopes[FILL] -= away / self.lag_s * h_by_start;
        Traced {
            bar: let_in,
            slopes,
        }
    }

    /// How fast the pump alone lets pressure rise, bar/s, and how that changes.
    #[inline]
    fn pumped(&self, above_bar: f64) -> (f64, Change) {
        let above = above_bar.max(0.0) / self.soft_bar;
        let wave = self.soft * (-above).exp();
        let rate = self.rate_bar_s / (1.0 + wave);
        let by_wave = rate * wave / (1.0 + wave);
        let by_bar = match above_bar > 0.0 {
            true => by_wave / self.soft_bar,
            false => 0.0,
        };
        let change = Change {
            by_bar,
            rate,
            by_wave,
            above,
        };
        (rate, change)
    }
}

/// How the pump's rise changes: with pressure, 1/s, and with the logarithms of its parameters.
struct Change {
    by_bar: f64,
    rate: f64,
    by_wave: f64,
    above: f64,
}

impl Change {
    /// In all, where pressure changes with the parameters so.
    #[inline]
    fn with(&self, pressure: &Vector6<f64>) -> Vector6<f64> {
        let mut out = pressure * self.by_bar;
        out[RATE] += self.rate;
        out[SOFT] -= self.by_wave;
        out[SOFT_BAR] -= self.by_wave * self.above;
        out
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A rise with the pump the limit, then the valve; demand moves once meanwhile.
    pub(in super::super) fn record() -> Record {
        Record {
            t_s: (-5..40).map(|k| 0.0041 * f64::from(k)).collect(),
            pressure_bar: Vec::new(),
            low_bar: 0.3,
            u_reference_s: 0.0,
            target: vec![(-0.1, 12.3), (0.0937, 14.1)],
        }
    }

    #[test]
    fn slopes_are_those_of_the_pressure() {
        let record = record();
        let (mut seen, mut moved_by) = (0, [0.0_f64; 6]);
        for x in [
            [-2.9, 5.6, 1.0, 0.4, -4.6, 0.5],
            [-3.3, 6.4, 1.9, 0.9, -3.4, 0.7],
            // The valve is slower than the pump throughout, and the spring stands for nothing.
            [-2.5, 8.0, 0.5, 0.2, -2.9, -0.1],
        ] {
            let at = |x: &[f64; 6]| {
                let numbers = Numbers::of(x);
                numbers.trace(&record, numbers.fill_s)
            };
            let here = at(&x);
            for i in 0..6 {
                // Small enough to stay beside the kinks.
                let h = 1e-6;
                let moved = |by: f64| {
                    let mut moved = x;
                    moved[i] += by;
                    at(&moved)
                };
                let scale = if i == FILL { x[FILL].exp() } else { 1.0 };
                for ((up, down), traced) in moved(h).iter().zip(&moved(-h)).zip(&here) {
                    let slope = (up.bar - down.bar) / (2.0 * h);
                    let said = traced.slopes[i] * scale;
                    assert!(
                        (slope - said).abs() < 1e-5 * (1.0 + slope.abs()),
                        "{x:?} {i}: {slope}, said {said}"
                    );
                    moved_by[i] += slope.abs();
                    seen += 1;
                }
            }
        }
        assert_eq!(seen, 3 * 6 * 45);
        assert!(moved_by.iter().all(|m| *m > 1.0), "{moved_by:?}");
    }
}
