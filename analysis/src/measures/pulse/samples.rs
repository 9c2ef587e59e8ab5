//! The samples of one engagement's slip, and their local polynomials.

use std::ops::Range;

use crate::drive::seconds_between;
use crate::engagement::SlipTrace;
use crate::measure::Missing;
use crate::statistics::quantile::quantile_in_place;

/// Fewest samples in which a slip can be found.
const LEAST: usize = 5;

/// Every sample that has slip.
pub(super) struct Samples {
    /// Times from the first of them, s.
    pub(super) t_s: Vec<f64>,
    /// Slip, m/s.
    pub(super) slip_mps: Vec<f64>,
    /// Their indices on the base.
    pub(super) index: Vec<usize>,
    /// Median interval, s.
    pub(super) interval_s: f64,
}

/// Value and slope of a local polynomial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Local {
    pub(super) value: f64,
    pub(super) slope_per_s: f64,
}

impl Samples {
    pub(super) fn of(trace: &SlipTrace<'_>, range: Range<usize>) -> Result<Self, Missing> {
        let base = trace.base_ns();
        let (mut t_s, mut slip_mps, mut index) = (Vec::new(), Vec::new(), Vec::new());
        for i in range {
            if let Some(slip) = trace.slip_mps(i) {
                let first = *index.first().unwrap_or(&i);
                t_s.push(seconds_between(base[first], base[i]));
                slip_mps.push(slip);
                index.push(i);
            }
        }
        if index.is_empty() {
            return Err(Missing::BelowSensorSpeed);
        }
        if index.len() < LEAST {
            return Err(Missing::TooFewSamples {
                have: index.len(),
                need: LEAST,
            });
        }
        let mut intervals: Vec<f64> = t_s.windows(2).map(|w| w[1] - w[0]).collect();
        let interval_s = quantile_in_place(&mut intervals, 0.5)
            .unwrap_or(0.01)
            .max(1e-6);
        Ok(Self {
            t_s,
            slip_mps,
            index,
            interval_s,
        })
    }

    pub(super) fn len(&self) -> usize {
        self.t_s.len()
    }

    /// Samples within a span of time.
    pub(super) fn between(&self, from_s: f64, to_s: f64) -> Range<usize> {
        let from = self.t_s.partition_point(|&t| t < from_s);
        from..self.t_s.partition_point(|&t| t <= to_s).max(from)
    }

    /// Local parabola at a time, tricube-weighted over `reach_s` to either side; a line where too few
    /// samples lie there for a parabola, their mean where too few for a line.
    pub(super) fn local(&self, t_s: f64, reach_s: f64) -> Local {
        let wide_s = 1.2 * reach_s + 1e-9;
        let near = self.between(t_s - wide_s, t_s + wide_s);
        let mut m = [0.0; 5];
        let mut b = [0.0; 3];
        let count = near.len();
        for i in near.clone() {
            let x = (self.t_s[i] - t_s) / wide_s;
            let weight = (1.0 - x.abs().powi(3)).max(0.0).powi(3);
            let mut power = weight;
            for (k, moment) in m.iter_mut().enumerate() {
                *moment += power;
                if let Some(product) = b.get_mut(k) {
                    *product += power * self.slip_mps[i];
                }
                power *= x;
            }
        }
        if m[0] <= 0.0 {
            let nearest = near.start.min(self.len() - 1);
            return Local {
                value: self.slip_mps[nearest],
                slope_per_s: 0.0,
            };
        }
        let parabola = nalgebra::Matrix3::new(m[0], m[1], m[2], m[1], m[2], m[3], m[2], m[3], m[4]);
        if count >= 5
            && parabola.determinant() > 1e-6 * m[0].powi(3)
            && let Some(inverse) = parabola.try_inverse()
        {
            let solved = inverse * nalgebra::Vector3::new(b[0], b[1], b[2]);
            return Local {
                value: solved[0],
                slope_per_s: solved[1] / wide_s,
            };
        }
        let determinant = m[0] * m[2] - m[1] * m[1];
        if determinant > 1e-6 * m[0] * m[0] {
            return Local {
                value: (m[2] * b[0] - m[1] * b[1]) / determinant,
                slope_per_s: (m[0] * b[1] - m[1] * b[0]) / determinant / wide_s,
            };
        }
        Local {
            value: b[0] / m[0],
            slope_per_s: 0.0,
        }
    }
}
