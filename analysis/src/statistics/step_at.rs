//! The size of a step at a known place, with the slow course on either side taken out.
//!
//! Each side has a straight line of its own; the step is the difference of the two lines at the
//! place. Comparing levels instead puts half of what the course did on either side into the step.
//! The lines are fitted with Huber's weights. A slope is held back by what is believed beforehand
//! (ridge regression; Hoerl & Kennard, Technometrics 12 (1970) 55-67): nought, with a few times the
//! standard deviation of all values over that of all places. Where the values tell a slope this
//! moves nothing; where a side lies within a short time its line is nearly its level, and costs no
//! more.
//!
//! A line is not drawn on beyond its own side by more than that side's length: what happened in a
//! longer gap nobody saw, and it counts to the step.

use super::huber::CLIP;
use super::spread::{robust_sd, sd};

/// Rounds of reweighting; what still changes then is far below the uncertainty.
const ROUNDS: usize = 10;

/// The standard deviation of what is believed of a slope, by that of all values over that of all
/// places. A course that a step sets back is up to twice as steep; believing in twice that leaves
/// the size of the step unbiased (tested in `trend`).
const BELIEVED: f64 = 4.0;

/// A step.
#[derive(Clone, Debug, PartialEq)]
pub struct StepAt {
    /// Its size: after less before.
    pub shift: f64,
    /// Standard uncertainty; nothing where so few values do not know their own noise.
    pub u: Option<f64>,
    /// Degrees of freedom of `u`.
    pub free: f64,
    /// Slopes before and after.
    pub slopes: (f64, f64),
    /// By how much each value moves the step.
    pub weights: Vec<f64>,
}

/// The step at `place`, between the first `before` values and the rest. `x` must not descend; the
/// noise is taken to be `least_noise` at least. Nothing if a side has no value, or the slices
/// differ in length.
#[must_use]
pub fn step_at(
    x: &[f64],
    y: &[f64],
    before: usize,
    place: f64,
    least_noise: f64,
) -> Option<StepAt> {
    let n = x.len();
    if y.len() != n || before == 0 || before >= n {
        return None;
    }
    let (left_x, right_x) = x.split_at(before);
    let span = |x: &[f64]| x[x.len() - 1] - x[0];
    let reach = [
        place.min(left_x[before - 1] + span(left_x)),
        place.max(right_x[0] - span(right_x)),
    ];
    let from_reach = |(i, x): (usize, &f64)| x - reach[usize::from(i >= before)];
    let z: Vec<f64> = x.iter().enumerate().map(from_reach).collect();
    // No spread of the values or places believes in no slope.
    let believed = BELIEVED * sd(y)? / sd(x)?;
    let mut weights = vec![1.0; n];
    let mut sigma = least_noise;
    let mut round = 0;
    loop {
        let held = if believed.is_finite() && believed > 0.0 {
            (sigma / believed).powi(2)
        } else {
            f64::INFINITY
        };
        let sides = [0..before, before..n]
            .map(|at| Side::fit(&z[at.clone()], &y[at.clone()], &weights[at], held));
        let of = |i: usize| &sides[usize::from(i >= before)];
        let left: Vec<f64> = (0..n).map(|i| y[i] - of(i).at(z[i])).collect();
        let free = n as f64 - 2.0 - sides[0].used - sides[1].used;
        round += 1;
        let scale = (n as f64 / free.max(1.0)).sqrt() * robust_sd(&left)?;
        if round == ROUNDS || free < 1.0 || scale <= 0.0 {
            let contrast = |i: usize| {
                if i < before {
                    -of(i).by[i]
                } else {
                    of(i).by[i - before]
                }
            };
            let variance = sigma * sigma * (sides[0].variance + sides[1].variance);
            return Some(StepAt {
                shift: sides[1].level - sides[0].level,
                u: (free >= 1.0).then(|| variance.sqrt()),
                free,
                slopes: (sides[0].slope, sides[1].slope),
                weights: (0..n).map(contrast).collect(),
            });
        }
        for (weight, left) in weights.iter_mut().zip(&left) {
            *weight = (CLIP * scale / left.abs().max(f64::MIN_POSITIVE)).min(1.0);
        }
        // Huber's asymptotic variance: the clipped residuals' square over the unclipped share's.
        let clipped: f64 = weights
            .iter()
            .zip(&left)
            .map(|(w, r)| (w * r).powi(2))
            .sum();
        let whole = weights.iter().filter(|w| **w >= 1.0).count().max(1);
        sigma = ((clipped / free).sqrt() * n as f64 / whole as f64).max(least_noise);
    }
}

/// The line of one side, counted from the place where it is asked.
struct Side {
    level: f64,
    slope: f64,
    /// Variance of the level for noise of variance 1.
    variance: f64,
    /// How much of a degree of freedom the slope takes up.
    used: f64,
    /// By how much each value moves the level.
    by: Vec<f64>,
}

impl Side {
    /// `held` is the weight of the belief that there is no slope.
    fn fit(z: &[f64], y: &[f64], weights: &[f64], held: f64) -> Self {
        let sum = |of: &dyn Fn(usize) -> f64| (0..z.len()).map(of).sum::<f64>();
        let all = sum(&|i| weights[i]);
        let middle = sum(&|i| weights[i] * z[i]) / all;
        let mean = sum(&|i| weights[i] * y[i]) / all;
        let lever = sum(&|i| weights[i] * (z[i] - middle).powi(2));
        // Centred, the belief stands beside the lever.
        let told = lever + held;
        let share = if told > 0.0 && held.is_finite() {
            1.0 / told
        } else {
            0.0
        };
        let slope = share * sum(&|i| weights[i] * (z[i] - middle) * y[i]);
        Self {
            level: mean - slope * middle,
            slope,
            variance: 1.0 / all + share * middle * middle,
            used: share * lever,
            by: (0..z.len())
                .map(|i| weights[i] * (1.0 / all - share * middle * (z[i] - middle)))
                .collect(),
        }
    }

    fn at(&self, z: f64) -> f64 {
        self.level + self.slope * z
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::student_t::two_sided_critical;
    use crate::trial::Random;

    /// A course that rises by 2 before 8.5 and falls by 1 after it, where it steps by -30.
    fn course(x: f64) -> f64 {
        if x < 8.5 { 2.0 * x } else { -13.0 - (x - 8.5) }
    }

    #[test]
    fn a_step_between_two_lines_is_told_whole() {
        let x: Vec<f64> = (0..16)
            .map(|i| f64::from(i) + 0.1 * f64::from(i % 3))
            .collect();
        let y: Vec<f64> = x.iter().map(|x| course(*x)).collect();
        let before = x.iter().filter(|x| **x < 8.5).count();
        let found = step_at(&x, &y, before, 8.5, 0.0).unwrap();
        assert!((found.shift + 30.0).abs() < 1e-6, "{found:?}");
        assert!((found.slopes.0 - 2.0).abs() < 1e-6 && (found.slopes.1 + 1.0).abs() < 1e-6);
        let by_weights: f64 = found.weights.iter().zip(&y).map(|(w, y)| w * y).sum();
        assert!((by_weights - found.shift).abs() < 1e-9, "{by_weights}");
    }

    #[test]
    fn its_interval_holds_the_truth_as_often_as_said() {
        let mut random = Random::new(36_000);
        for n in [8, 16, 30] {
            let (mut covered, mut sum) = (0, 0.0);
            for _ in 0..1000 {
                let x: Vec<f64> = (0..n).map(|i| f64::from(i) * 17.0 / f64::from(n)).collect();
                let y: Vec<f64> = x.iter().map(|x| course(*x) + random.normal()).collect();
                let found = step_at(&x, &y, n as usize / 2, 8.5, 0.0).unwrap();
                let reach = two_sided_critical(0.05, found.free) * found.u.unwrap();
                covered += usize::from((found.shift + 30.0).abs() <= reach);
                sum += found.shift;
            }
            assert!((920..=980).contains(&covered), "{n}: {covered} of 1000");
            assert!((sum / 1000.0 + 30.0).abs() < 0.2, "{n}: {}", sum / 1000.0);
        }
    }

    #[test]
    fn one_wild_value_does_not_move_it() {
        let mut random = Random::new(36_001);
        let x: Vec<f64> = (0..16).map(f64::from).collect();
        let mut y: Vec<f64> = x
            .iter()
            .map(|x| course(*x) + 0.5 * random.normal())
            .collect();
        let clean = step_at(&x, &y, 9, 8.5, 0.0).unwrap();
        y[12] += 100.0;
        let found = step_at(&x, &y, 9, 8.5, 0.0).unwrap();
        assert!(
            (found.shift - clean.shift).abs() < 1.0,
            "{found:?} {clean:?}"
        );
    }

    /// Two afternoons, a month apart: nobody saw what crept in between.
    #[test]
    fn a_line_is_not_drawn_through_a_gap_that_nobody_saw() {
        let x = [0.0, 0.01, 0.02, 0.03, 1.0, 1.01, 1.02, 1.03];
        let y = [100.0, 101.0, 99.5, 101.5, 70.0, 71.0, 69.0, 70.5];
        let found = step_at(&x, &y, 4, 0.5, 0.0).unwrap();
        assert!((found.shift + 30.4).abs() < 3.0, "{found:?}");
        assert!(found.u.unwrap() < 3.0, "{found:?}");
    }

    #[test]
    fn few_values_have_a_step_without_an_uncertainty() {
        let found = step_at(&[0.0, 1.0], &[5.0, 3.0], 1, 0.5, 0.0).unwrap();
        assert_eq!((found.shift, found.u), (-2.0, None));
        let still = step_at(&[0.0, 1.0, 2.0], &[5.0; 3], 1, 0.5, 0.0).unwrap();
        assert_eq!(still.shift, 0.0);
        assert_eq!(step_at(&[0.0, 1.0], &[5.0, 3.0], 0, 0.5, 0.0), None);
        assert_eq!(step_at(&[0.0, 1.0], &[5.0, 3.0], 2, 0.5, 0.0), None);
        // All at one time, as of a clock that stands.
        let found = step_at(&[1.0; 4], &[5.0, 5.0, 3.0, 3.0], 2, 1.0, 0.0).unwrap();
        assert!((found.shift + 2.0).abs() < 1e-12, "{found:?}");
    }
}
