//! The waveform of a rise: pressure at a record's times, from the parameters that the fit tries.
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

use super::record::Record;

/// Longest step of the integration, s.
const STEP_S: f64 = 1e-3;

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

impl Numbers {
    pub(super) fn of(x: &[f64]) -> Option<Self> {
        let &[fill, rate, soft, soft_bar, lag, fill_bar] = x else {
            return None;
        };
        Some(Self {
            fill_s: fill.exp(),
            rate_bar_s: rate.exp(),
            soft: soft.exp(),
            soft_bar: soft_bar.exp(),
            lag_s: lag.exp(),
            left_by_step: (-STEP_S / lag.exp()).exp(),
            fill_bar,
        })
    }

    /// Pressure at each of a record's times, the clearance filled by a shift later.
    pub(super) fn pressure_bar(&self, record: &Record, shift_s: f64) -> Vec<f64> {
        let fill_s = (self.fill_s + shift_s).max(0.1 * self.fill_s);
        let mut out = Vec::with_capacity(record.t_s.len());
        let (mut t, mut above) = (fill_s, self.fill_bar);
        let mut next_target = record.target.partition_point(|(at, _)| *at <= t);
        for &sample_s in &record.t_s {
            if sample_s <= fill_s {
                let share = (sample_s / fill_s).clamp(0.0, 1.0);
                out.push(record.low_bar + share * self.fill_bar);
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
                let h = STEP_S.min(sample_s - t).min(change_s - t);
                above = self.advance(above, target, h);
                t += h;
            }
            out.push(record.low_bar + above);
        }
        out
    }

    /// Pressure above the released level after a short time: what the pump can do or, if that is
    /// less, what the valve lets it.
    fn advance(&self, above: f64, target: f64, h: f64) -> f64 {
        // Nearly every step is a whole one.
        let left = if h >= STEP_S {
            self.left_by_step
        } else {
            (-h / self.lag_s).exp()
        };
        let let_in = target + (above - target) * left;
        // The pump gives at least this much: most steps are the valve's, and exponentials take time.
        if let_in <= above + h * self.rate_bar_s / (1.0 + self.soft) {
            return let_in;
        }
        let rate =
            |p: f64| self.rate_bar_s / (1.0 + self.soft * (-p.max(0.0) / self.soft_bar).exp());
        let half = above + 0.5 * h * rate(above);
        let pumped = above + h * rate(half);
        pumped.min(let_in)
    }
}
