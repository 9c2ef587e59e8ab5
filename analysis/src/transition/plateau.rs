//! Plateaus: where a signal that has risen stops rising, and where it begins to fall for good.
//! Demand that is modulated while it is held has no single upper state; its own step is the rise
//! to its first plateau, and its release the fall from its last.

use std::ops::Range;

use crate::statistics::quantile::median;

/// For so long a plateau's level may not rise by more than a share of the step, s.
const LOOK_AHEAD_S: f64 = 0.1;

/// That share.
const STILL_SHARE: f64 = 0.05;

/// A plateau reaches as far as the signal stays within this share of the step.
const SAME_LEVEL_SHARE: f64 = 0.15;

/// A stretch in which a signal stays at one level.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Plateau {
    /// Its samples.
    pub(crate) range: Range<usize>,
    /// Their median.
    pub(crate) level: f64,
}

/// The first plateau of a signal that rose from `low` at sample `onset`, within `onset..end`.
/// `noise` is the signal's standard deviation. `None` if that range is empty.
#[must_use]
pub(crate) fn first_plateau(
    t_s: &[f64],
    y: &[f64],
    low: f64,
    onset: usize,
    end: usize,
    noise: f64,
) -> Option<Plateau> {
    let end = end.min(t_s.len()).min(y.len());
    if onset >= end {
        return None;
    }
    let still = |k: usize| {
        let allowed = (STILL_SHARE * (y[k] - low).abs()).max(3.0 * noise);
        (k + 1..end)
            .take_while(|&j| j <= k + 3 || t_s[j] - t_s[k] <= LOOK_AHEAD_S)
            .all(|j| y[j] - y[k] <= allowed)
    };
    let start = (onset..end).find(|&k| still(k)).unwrap_or(end - 1);
    let near_end = (start..end)
        .take_while(|&j| j <= start + 3 || t_s[j] - t_s[start] <= LOOK_AHEAD_S)
        .last()
        .map_or(start + 1, |j| j + 1);
    let first_level = median(&y[start..near_end])?;
    let allowed = (SAME_LEVEL_SHARE * (first_level - low).abs()).max(4.0 * noise);
    // One sample outside is a glitch; two in a row are a departure.
    let outside = |j: usize| (y[j] - first_level).abs() > allowed;
    let stop = (start..end)
        .find(|&j| outside(j) && (j + 1 >= end || outside(j + 1)))
        .unwrap_or(end)
        .max(start + 1);
    Some(Plateau {
        range: start..stop,
        level: median(&y[start..stop])?,
    })
}

/// The last plateau of a signal that has fallen back to `low` at sample `end`, within
/// `start..end`: the mirror of [`first_plateau`].
#[must_use]
pub(crate) fn last_plateau(
    t_s: &[f64],
    y: &[f64],
    low: f64,
    start: usize,
    end: usize,
    noise: f64,
) -> Option<Plateau> {
    let end = end.min(t_s.len()).min(y.len());
    if start >= end {
        return None;
    }
    let last = t_s[end - 1];
    let back_t: Vec<f64> = t_s[start..end].iter().rev().map(|t| last - t).collect();
    let back_y: Vec<f64> = y[start..end].iter().rev().copied().collect();
    let mirrored = first_plateau(&back_t, &back_y, low, 0, back_y.len(), noise)?;
    let range = end - mirrored.range.end..end - mirrored.range.start;
    Some(Plateau {
        range,
        level: mirrored.level,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn times(n: usize) -> Vec<f64> {
        (0..n).map(|i| i as f64 * 0.01).collect()
    }

    #[test]
    fn a_second_step_is_another_plateau() {
        let y: Vec<f64> = (0..200)
            .map(|i| match i {
                0..20 => 0.0,
                20..80 => 40.0,
                80..180 => 80.0,
                _ => 0.0,
            })
            .collect();
        let first = first_plateau(&times(200), &y, 0.0, 20, 180, 0.0).unwrap();
        assert_eq!((first.range, first.level), (20..80, 40.0));
        let last = last_plateau(&times(200), &y, 0.0, 20, 180, 0.0).unwrap();
        assert_eq!((last.range, last.level), (80..180, 80.0));
    }

    #[test]
    fn a_slow_approach_ends_at_its_level() {
        let y: Vec<f64> = times(300)
            .iter()
            .map(|t| 80.0 * -(-t / 0.2).exp_m1())
            .collect();
        let plateau = first_plateau(&times(300), &y, 0.0, 1, 300, 0.0).unwrap();
        assert!((plateau.level - 80.0).abs() < 0.5, "{plateau:?}");
    }

    #[test]
    fn no_samples_no_plateau() {
        assert_eq!(first_plateau(&[], &[], 0.0, 0, 5, 0.1), None);
        assert_eq!(last_plateau(&[0.0], &[1.0], 0.0, 1, 1, 0.1), None);
    }
}
