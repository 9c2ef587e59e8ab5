//! When a fitted shape crosses shares and values of its step, and how well that is known.

use nalgebra::DVector;

use super::{Fit, Foot};
use crate::transition::shape::{Numbers, STEP};

impl Fit {
    /// When the model crosses a share of its step, and the variance of that time for a unit variance
    /// of the samples.
    pub(in crate::transition) fn crossing(&self, share: f64) -> Option<(f64, f64)> {
        let (t, gradient) = self.share_gradient(share)?;
        Some((t, self.variance(&gradient)?))
    }

    /// Time between the crossings of two shares, and its variance as above.
    pub(in crate::transition) fn interval(&self, from: f64, to: f64) -> Option<(f64, f64)> {
        let (t_from, g_from) = self.share_gradient(from)?;
        let (t_to, g_to) = self.share_gradient(to)?;
        Some((t_to - t_from, self.variance(&(g_to - g_from))?))
    }

    /// When the model crosses a value, and the variance of that time for a unit variance of the
    /// samples; the value itself counts as exact.
    pub(in crate::transition) fn crossing_value(&self, value: f64) -> Option<(f64, f64)> {
        let (t, gradient) = self.value_gradient(value)?;
        Some((t, self.variance(&gradient)?))
    }

    /// Time between the crossings of two values, and its variance as above.
    pub(in crate::transition) fn interval_values(&self, from: f64, to: f64) -> Option<(f64, f64)> {
        let (t_from, g_from) = self.value_gradient(from)?;
        let (t_to, g_to) = self.value_gradient(to)?;
        Some((t_to - t_from, self.variance(&(g_to - g_from))?))
    }

    fn value_gradient(&self, value: f64) -> Option<(f64, DVector<f64>)> {
        let share = (value - self.low) / self.amplitude;
        if !(share > 0.0 && share < 1.0) {
            return None;
        }
        let (t, mut gradient) = self.share_gradient(share)?;
        // A higher level or step brings the crossing forward.
        let per_value = self.delay_per_value(t);
        if per_value <= 0.0 {
            return None;
        }
        gradient[0] = -per_value;
        gradient[1] = -share * per_value;
        Some((t, gradient))
    }

    /// When the model crosses a share of its step.
    pub(in crate::transition) fn crosses_s(&self, share: f64) -> Option<f64> {
        match self.foot {
            Some(foot) if share <= foot.share => {
                let part = (share / foot.share).max(0.0);
                Some(foot.from_s + part * (self.onset_s - foot.from_s))
            }
            foot => {
                let before = foot.map_or(0.0, |f| f.share);
                let of_rise = (share - before) / (1.0 - before);
                Some(self.onset_s + self.shape.crossing_s(of_rise, &self.numbers)?)
            }
        }
    }

    /// When the model crosses a share of its step, and how that changes with its parameters.
    fn share_gradient(&self, share: f64) -> Option<(f64, DVector<f64>)> {
        let mut gradient = DVector::zeros(self.parameters);
        let foot = self.foot.map_or(0.0, |f| f.share);
        if let Some(Foot { from_s, .. }) = self.foot.filter(|f| share <= f.share) {
            let (part, lasts_s) = (share / foot, self.onset_s - from_s);
            gradient[2] = part;
            gradient[self.parameters - 1] = -part * lasts_s / foot;
            return Some((from_s + part * lasts_s, gradient));
        }
        let of_rise = |foot: f64| (share - foot) / (1.0 - foot);
        let at = |foot: f64, p: &Numbers| self.shape.crossing_s(of_rise(foot), p);
        gradient[2] = 1.0;
        for i in 0..self.shape.count() {
            let up = at(foot, &self.shape.moved(&self.numbers, i, STEP))?;
            let down = at(foot, &self.shape.moved(&self.numbers, i, -STEP))?;
            gradient[3 + i] = (up - down) / (2.0 * STEP);
        }
        if self.foot.is_some() {
            let step = STEP.min(0.5 * (share - foot));
            let (up, down) = (
                at(foot + step, &self.numbers)?,
                at(foot - step, &self.numbers)?,
            );
            gradient[self.parameters - 1] = (up - down) / (2.0 * step);
        }
        let t = self.onset_s + at(foot, &self.numbers)?;
        t.is_finite().then_some((t, gradient))
    }

    fn variance(&self, gradient: &DVector<f64>) -> Option<f64> {
        let variance = (gradient.transpose() * &self.inverse * gradient)[(0, 0)];
        (variance.is_finite() && variance >= 0.0).then_some(variance)
    }
}
