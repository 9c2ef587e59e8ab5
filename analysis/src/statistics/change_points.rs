//! Where a series changes its level or its slope.
//!
//! The series is cut into pieces, each with a straight line of its own, such that the squared
//! distances from the lines, over the noise variance, plus a penalty for each cut are as small as
//! they can be. The best cuts of all are found by dynamic programming over the last cut (Jackson
//! et al., "An algorithm for optimal partitioning of data on an interval", IEEE Signal Process.
//! Lett. 12 (2005) 105-108); pruning gives the same cuts in less time on long series (Killick,
//! Fearnhead & Eckley, "Optimal detection of changepoints with a linear computational cost",
//! JASA 107 (2012) 1590-1598) and is left out, as a series here has one value a drive.
//!
//! A step between two levels takes fewer numbers than a line on either side, so a piece is looked
//! at once more: where two levels beat its line, and one level, by the Bayesian information
//! criterion (Schwarz, "Estimating the dimension of a model", Ann. Statist. 6 (1978) 461-464), it
//! is cut there too.
//!
//! The noise comes from the series itself, by the distances of each value from the line through
//! its two neighbours, robustly scaled. A value far from the median of its neighbourhood is first
//! pulled in, so that one odd drive is no change (Hampel's filter).

use std::ops::Range;

use super::neighbours::Neighbours;
use super::quantile::median;
use super::spread::robust_sd;

/// Fewest values between two cuts.
pub const SHORTEST: usize = 5;

/// Penalty of a cut: this many times the logarithm of the number of values. A cut takes three
/// parameters (where, level, slope); the Bayesian information criterion would take 3. More is
/// taken because the noise is estimated: at 6, a series without a change shows one in less than 5 %
/// of cases from 12 to 104 values (tested below).
const PENALTY: f64 = 6.0;

/// By how many times the penalty's logarithm two levels must be better than one level, and than a
/// line: they take two parameters (where, level) more than the former, which counts double as for
/// a cut, and one more than the latter.
const STEP_OVER_LEVEL: f64 = 4.0;
const STEP_OVER_LINE: f64 = 1.0;

/// Few values know their noise poorly; a cut then costs more, by this over their number.
const FEW: f64 = 4.0;

/// Values further than so many deviations from the median of their neighbours are pulled in.
const PULLED_IN: f64 = 3.0;

/// Positions at which a new piece begins, ascending. Surplus entries of the longer slice are
/// ignored; `x` must not descend. The noise is taken to be `least_noise` at least, which is what is
/// known of it by other means, or nought. Empty for fewer than two pieces' worth of values.
#[must_use]
pub fn change_points(x: &[f64], y: &[f64], least_noise: f64) -> Vec<usize> {
    let n = x.len().min(y.len());
    let (x, y) = (&x[..n], &y[..n]);
    if n < 2 * SHORTEST {
        return Vec::new();
    }
    let Some(noise) = noise(x, y) else {
        return Vec::new();
    };
    let noise = noise.max(least_noise);
    let y = pulled_in(y, noise);
    let unit = |few: f64| (n as f64).ln() * (1.0 + few / n as f64);
    let sums = Sums::new(x, &y);
    let mut cuts = best_cuts(&sums, noise * noise, PENALTY * unit(FEW));
    let ends: Vec<usize> = cuts.iter().copied().chain([n]).collect();
    let mut start = 0;
    for end in ends {
        cuts.extend(level_step(
            &sums,
            start..end,
            noise * noise,
            unit(2.0 * FEW),
        ));
        start = end;
    }
    cuts.sort_unstable();
    cuts
}

/// Where two levels describe a piece better than its line does, and than one level.
fn level_step(sums: &Sums, piece: Range<usize>, variance: f64, unit: f64) -> Option<usize> {
    let of_levels = |cut: usize| sums.scatter(piece.start, cut) + sums.scatter(cut, piece.end);
    let cut = (piece.start + SHORTEST..(piece.end + 1).saturating_sub(SHORTEST))
        .min_by(|a, b| of_levels(*a).total_cmp(&of_levels(*b)))?;
    // What the two levels leave is noise too, and much of it where single values stand far out.
    let left = of_levels(cut) / (piece.len() - 3) as f64;
    let better_by = |other: f64| (other - of_levels(cut)) / variance.max(left);
    let is_step = better_by(sums.distance(piece.start, piece.end)) > STEP_OVER_LINE * unit
        && better_by(sums.scatter(piece.start, piece.end)) > STEP_OVER_LEVEL * unit;
    is_step.then_some(cut)
}

/// Standard deviation of the noise around a smooth course. `None` with fewer than three values.
fn noise(x: &[f64], y: &[f64]) -> Option<f64> {
    let distances = Neighbours::at(x).distances(y);
    let largest = y.iter().fold(0.0f64, |most, v| most.max(v.abs()));
    // Values without any noise still need a scale for the penalty.
    Some(
        robust_sd(&distances)?
            .max(1e-9 * largest)
            .max(f64::MIN_POSITIVE.sqrt()),
    )
}

/// Pulls values in to what the median of five neighbours allows.
fn pulled_in(y: &[f64], noise: f64) -> Vec<f64> {
    (0..y.len())
        .map(|i| {
            let start = i.saturating_sub(2).min(y.len().saturating_sub(5));
            let around = y.get(start..(start + 5).min(y.len())).unwrap_or(y);
            let middle = median(around).unwrap_or_default();
            let reach = PULLED_IN * noise;
            y.get(i)
                .map_or(middle, |v| v.clamp(middle - reach, middle + reach))
        })
        .collect()
}

/// Running sums from which any piece's distance from its line follows.
struct Sums {
    at: Vec<[f64; 5]>,
}

impl Sums {
    fn new(x: &[f64], y: &[f64]) -> Self {
        // Centred, so that the differences of sums keep their digits.
        let centre = |v: &[f64]| v.iter().sum::<f64>() / v.len().max(1) as f64;
        let (cx, cy) = (centre(x), centre(y));
        let mut at = vec![[0.0; 5]];
        let mut sums = [0.0; 5];
        for (x, y) in x.iter().zip(y) {
            let (x, y) = (x - cx, y - cy);
            for (sum, add) in sums.iter_mut().zip([x, y, x * x, x * y, y * y]) {
                *sum += add;
            }
            at.push(sums);
        }
        Self { at }
    }

    /// Squared distances of the values from `start` to before `end` from their mean.
    fn scatter(&self, start: usize, end: usize) -> f64 {
        let [sy, syy] = [1, 4].map(|i| self.at[end][i] - self.at[start][i]);
        (syy - sy * sy / (end - start) as f64).max(0.0)
    }

    /// Squared distances of the values from `start` to before `end` from their least-squares line.
    fn distance(&self, start: usize, end: usize) -> f64 {
        let n = (end - start) as f64;
        let [sx, sy, sxx, sxy, syy] = std::array::from_fn(|i| self.at[end][i] - self.at[start][i]);
        let (vx, vy, c) = (sxx - sx * sx / n, syy - sy * sy / n, sxy - sx * sy / n);
        let explained = if vx > 1e-12 * sxx.abs() {
            c * c / vx
        } else {
            0.0
        };
        (vy - explained).max(0.0)
    }
}

fn best_cuts(sums: &Sums, variance: f64, penalty: f64) -> Vec<usize> {
    let n = sums.at.len() - 1;
    // Best cost of the first `end` values, and where their last piece begins.
    let mut best: Vec<(f64, usize)> = vec![(f64::INFINITY, 0); n + 1];
    best[0] = (-penalty, 0);
    for end in SHORTEST..=n {
        for start in 0..=end - SHORTEST {
            let cost = best[start].0 + sums.distance(start, end) / variance + penalty;
            if cost < best[end].0 {
                best[end] = (cost, start);
            }
        }
    }
    let mut cuts = Vec::new();
    let mut end = n;
    while end > 0 {
        let start = best[end].1;
        if start > 0 {
            cuts.push(start);
        }
        end = start;
    }
    cuts.reverse();
    cuts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Random;

    fn noisy(n: usize, seed: u64, of: impl Fn(f64) -> f64) -> (Vec<f64>, Vec<f64>) {
        let mut random = Random::new(seed);
        let x: Vec<f64> = (0..n)
            .map(|i| i as f64 + 0.3 * random.normal().clamp(-1.0, 1.0))
            .collect();
        let y = x.iter().map(|x| of(*x) + random.normal()).collect();
        (x, y)
    }

    #[test]
    fn a_course_without_a_change_seldom_shows_one() {
        for n in [12, 26, 52, 104] {
            for slope in [0.0, 0.3] {
                let shown = (0..200)
                    .filter(|seed| {
                        let (x, y) = noisy(n, 1_000 + seed, |x| 40.0 + slope * x);
                        !change_points(&x, &y, 0.0).is_empty()
                    })
                    .count();
                assert!(shown <= 10, "{shown} of 200 with {n} values, slope {slope}");
            }
        }
    }

    #[test]
    fn a_step_is_found_where_it_is() {
        let near = (0..100)
            .filter(|seed| {
                let (x, y) = noisy(104, 5_000 + seed, |x| if x < 59.5 { 40.0 } else { 44.0 });
                matches!(change_points(&x, &y, 0.0)[..], [at] if at.abs_diff(60) <= 1)
            })
            .count();
        assert!(near >= 90, "{near} of 100");
    }

    /// Two levels cost less than two lines, and a line through a step leaves a quarter of it.
    #[test]
    fn a_small_step_is_told_from_a_slope() {
        let found = (0..200)
            .filter(|seed| {
                let of = |x: f64| if x < 11.5 { 40.0 } else { 43.5 };
                let (x, y) = noisy(24, 30_000 + seed, of);
                matches!(change_points(&x, &y, 0.0)[..], [at] if at.abs_diff(12) <= 1)
            })
            .count();
        assert!(found >= 160, "{found} of 200");
        for slope in [0.05, 0.1, 0.2, 0.4] {
            let shown = (0..200)
                .filter(|seed| {
                    let (x, y) = noisy(24, 40_000 + seed, |x| 40.0 + slope * x);
                    !change_points(&x, &y, 0.0).is_empty()
                })
                .count();
            // A slope that is hardly one is the hardest to tell from a step.
            assert!(shown <= 18, "{shown} of 200 with slope {slope}");
        }
    }

    /// Values that are mostly alike and now and then far out have no step where they run high.
    #[test]
    fn noise_known_otherwise_is_respected() {
        let x: Vec<f64> = (0..30).map(f64::from).collect();
        let y: Vec<f64> = x
            .iter()
            .map(|x| if *x < 12.0 { 5.0 } else { 5.5 })
            .collect();
        assert!(change_points(&x, &y, 1.0).is_empty());
    }

    #[test]
    fn a_bend_is_found_near_where_it_is() {
        let near = (0..100)
            .filter(|seed| {
                let of = |x: f64| 40.0 + 0.5 * (x - 60.0).max(0.0);
                let (x, y) = noisy(104, 9_000 + seed, of);
                matches!(change_points(&x, &y, 0.0)[..], [at] if at.abs_diff(60) <= 12)
            })
            .count();
        assert!(near >= 85, "{near} of 100");
    }

    #[test]
    fn one_odd_value_is_no_change() {
        let shown = (0..100)
            .filter(|seed| {
                let (x, mut y) = noisy(60, 12_000 + seed, |_| 40.0);
                y[30] += 50.0;
                !change_points(&x, &y, 0.0).is_empty()
            })
            .count();
        assert!(shown <= 5, "{shown} of 100");
    }

    #[test]
    fn without_noise_the_cut_is_exact() {
        let x: Vec<f64> = (0..30).map(f64::from).collect();
        let y: Vec<f64> = x
            .iter()
            .map(|x| if *x < 12.0 { 5.0 } else { 5.5 })
            .collect();
        assert_eq!(change_points(&x, &y, 0.0), [12]);
        assert!(change_points(&x, &[7.0; 30], 0.0).is_empty());
        assert!(change_points(&x[..9], &y[..9], 0.0).is_empty());
    }

    /// The same sums written out.
    fn distance(x: &[f64], y: &[f64]) -> f64 {
        let n = x.len() as f64;
        let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
        let slope = x
            .iter()
            .zip(y)
            .map(|(x, y)| (x - mx) * (y - my))
            .sum::<f64>()
            / x.iter().map(|x| (x - mx).powi(2)).sum::<f64>();
        x.iter()
            .zip(y)
            .map(|(x, y)| (y - my - slope * (x - mx)).powi(2))
            .sum()
    }

    /// No set of cuts costs less, over every set there is.
    #[test]
    fn no_other_cuts_are_better() {
        for seed in 0..20 {
            let (x, y) = noisy(16, 20_000 + seed, |x| if x < 7.5 { 0.0 } else { 3.0 });
            let penalty = 4.0;
            let cost = |cuts: &[usize]| -> f64 {
                let ends: Vec<usize> = cuts.iter().copied().chain([16]).collect();
                let mut start = 0;
                let mut sum = penalty * cuts.len() as f64;
                for end in ends {
                    sum += distance(&x[start..end], &y[start..end]);
                    start = end;
                }
                sum
            };
            let mut least = cost(&[]);
            for a in SHORTEST..=16 - SHORTEST {
                least = least.min(cost(&[a]));
                for b in a + SHORTEST..=16 - SHORTEST {
                    least = least.min(cost(&[a, b]));
                }
            }
            let found = best_cuts(&Sums::new(&x, &y), 1.0, penalty);
            assert!((cost(&found) - least).abs() < 1e-9, "{found:?}");
        }
    }
}
