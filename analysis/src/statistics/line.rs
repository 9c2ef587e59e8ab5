//! Straight and curved lines through the samples of a steady signal, by least squares.

use crate::statistics::huber::neighbour_widening;
use crate::statistics::spread::mean;

/// A straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Line {
    /// Value in the middle of the time.
    pub(crate) level: f64,
    /// Rise per second.
    pub(crate) slope_per_s: f64,
    /// Standard uncertainty of the slope, the correlation of neighbours included.
    pub(crate) u_slope_per_s: f64,
}

/// Least-squares straight line. `None` with fewer than three samples or no spread of time.
pub(crate) fn straight(t_s: &[f64], y: &[f64]) -> Option<Line> {
    let (t_mean, level) = (mean(t_s)?, mean(y)?);
    let s_tt: f64 = t_s.iter().map(|t| (t - t_mean).powi(2)).sum();
    if t_s.len() < 3 || s_tt <= 0.0 {
        return None;
    }
    let s_ty: f64 = t_s
        .iter()
        .zip(y)
        .map(|(t, y)| (t - t_mean) * (y - level))
        .sum();
    let slope_per_s = s_ty / s_tt;
    let left: Vec<f64> = t_s
        .iter()
        .zip(y)
        .map(|(t, y)| y - level - slope_per_s * (t - t_mean))
        .collect();
    let variance = left.iter().map(|r| r * r).sum::<f64>() / (t_s.len() as f64 - 2.0);
    let u_slope_per_s = (variance / s_tt).sqrt() * neighbour_widening(&left);
    Some(Line {
        level,
        slope_per_s,
        u_slope_per_s,
    })
}

/// What is left of a signal without the parabola through it.
pub(crate) fn without_parabola(t_s: &[f64], y: &[f64]) -> Option<Vec<f64>> {
    let t_mean = mean(t_s)?;
    let line = straight(t_s, y)?;
    let x: Vec<f64> = t_s.iter().map(|t| t - t_mean).collect();
    let squares: Vec<f64> = x.iter().map(|x| x * x).collect();
    // The part of x² that is neither level nor slope.
    let curve = straight(t_s, &squares)?;
    let bent: Vec<f64> = squares
        .iter()
        .zip(&x)
        .map(|(s, x)| s - curve.level - curve.slope_per_s * x)
        .collect();
    let left: Vec<f64> = y
        .iter()
        .zip(&x)
        .map(|(y, x)| y - line.level - line.slope_per_s * x)
        .collect();
    let s_bb: f64 = bent.iter().map(|b| b * b).sum();
    if s_bb <= 0.0 {
        return Some(left);
    }
    let bend = bent.iter().zip(&left).map(|(b, r)| b * r).sum::<f64>() / s_bb;
    Some(left.iter().zip(&bent).map(|(r, b)| r - bend * b).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parabola_leaves_nothing() {
        let t: Vec<f64> = (0..50).map(|i| f64::from(i) * 0.013).collect();
        let y: Vec<f64> = t.iter().map(|t| 3.0 - 2.0 * t + 5.0 * t * t).collect();
        assert!(
            without_parabola(&t, &y)
                .unwrap()
                .iter()
                .all(|r| r.abs() < 1e-12)
        );
        let y: Vec<f64> = t.iter().map(|t| 3.0 - 2.0 * t).collect();
        let line = straight(&t, &y).unwrap();
        assert!((line.slope_per_s + 2.0).abs() < 1e-12);
        assert!(straight(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]).is_none());
    }
}
