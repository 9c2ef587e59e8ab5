//! The few statistics that finding needs. Slices of equal length in, plain numbers out; an empty or
//! constant input gives zeros, never NaN.

/// Mean; 0 of nothing.
pub(crate) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Mean of several series at each point; 0 counts for a value that one of them lacks.
pub(crate) fn mean_of_series(series: &[&[f64]], points: usize) -> Vec<f64> {
    let at = |k: usize| {
        series
            .iter()
            .map(move |values| values.get(k).copied().unwrap_or(0.0))
    };
    let count = series.len().max(1) as f64;
    (0..points).map(|k| at(k).sum::<f64>() / count).collect()
}

/// Standard deviation around the mean.
pub(crate) fn deviation(values: &[f64]) -> f64 {
    let mean = mean(values);
    let sum: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (sum / values.len().max(1) as f64).sqrt()
}

/// The value that this share of all does not exceed; 0 of nothing.
pub(crate) fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    quantile_of_sorted(&sorted, share)
}

pub(crate) fn quantile_of_sorted(sorted: &[f64], share: f64) -> f64 {
    let place = share * sorted.len().saturating_sub(1) as f64;
    sorted.get(place.round() as usize).copied().unwrap_or(0.0)
}

/// The values at these places; 0 where there is none.
pub(crate) fn pick(values: &[f64], at: &[usize]) -> Vec<f64> {
    at.iter()
        .map(|&k| values.get(k).copied().unwrap_or(0.0))
        .collect()
}

/// Pearson's correlation; 0 where one of them does not vary.
pub(crate) fn correlation(x: &[f64], y: &[f64]) -> f64 {
    let (mean_x, mean_y) = (mean(x), mean(y));
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (a, b) in x.iter().zip(y) {
        let (a, b) = (a - mean_x, b - mean_y);
        xx += a * a;
        yy += b * b;
        xy += a * b;
    }
    let product: f64 = xx * yy;
    if product > 0.0 {
        xy / product.sqrt()
    } else {
        0.0
    }
}

/// A straight line `y = slope * x + intercept`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Line {
    pub(crate) slope: f64,
    pub(crate) intercept: f64,
    /// Standard deviation of what it leaves, in y.
    pub(crate) residual: f64,
    /// Share of y's variance that it explains.
    pub(crate) r2: f64,
}

/// Least squares. `keep` says which points count.
pub(crate) fn line(x: &[f64], y: &[f64], keep: impl Fn(usize) -> bool) -> Line {
    let (mut n, mut sx, mut sy, mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    // Centred on one of the points, so that large offsets cost no digits.
    let (x0, y0) = (
        x.first().copied().unwrap_or(0.0),
        y.first().copied().unwrap_or(0.0),
    );
    for (k, (&a, &b)) in x.iter().zip(y).enumerate() {
        if keep(k) {
            let (a, b) = (a - x0, b - y0);
            n += 1.0;
            sx += a;
            sy += b;
            sxx += a * a;
            sxy += a * b;
            syy += b * b;
        }
    }
    let n = f64::max(n, 1.0);
    let (vxx, vxy, vyy) = (sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n);
    if vxx <= 0.0 {
        return Line::default();
    }
    let slope = vxy / vxx;
    let left = (vyy - slope * vxy).max(0.0);
    Line {
        slope,
        intercept: (sy - slope * sx) / n + y0 - slope * x0,
        residual: (left / n).sqrt(),
        r2: if vyy > 0.0 { 1.0 - left / vyy } else { 0.0 },
    }
}

/// Distance from a fit beyond which a point is far off: four robust deviations. `off` are the distances of
/// all.
pub(crate) fn far_off(off: &[f64]) -> f64 {
    // 1.4826: from the median of absolute deviations to a normal law's standard deviation.
    4.0 * 1.4826 * quantile(off, 0.5)
}

/// Least squares without the points that lie more than four robust deviations off, three times.
pub(crate) fn robust_line(x: &[f64], y: &[f64]) -> Line {
    let mut fit = line(x, y, |_| true);
    for _ in 0..3 {
        let off: Vec<f64> = x
            .iter()
            .zip(y)
            .map(|(a, b)| (b - fit.slope * a - fit.intercept).abs())
            .collect();
        let limit = far_off(&off);
        if limit <= 0.0 {
            break;
        }
        let kept: Vec<bool> = off.iter().map(|off| *off <= limit).collect();
        fit = line(x, y, |k| kept.get(k).copied().unwrap_or(false));
    }
    // The share explained counts what was left out too.
    let all: Vec<f64> = x
        .iter()
        .zip(y)
        .map(|(a, b)| b - fit.slope * a - fit.intercept)
        .collect();
    let variance = deviation(y).powi(2);
    let left = all.iter().map(|v| v * v).sum::<f64>() / all.len().max(1) as f64;
    let r2 = if variance > 0.0 {
        (1.0 - left / variance).max(0.0)
    } else {
        0.0
    };
    Line { r2, ..fit }
}

/// Blocks that uncertainties are taken from, so that slow errors count as slow.
const BLOCKS: usize = 12;

/// Value of `estimate` over all points, and its standard uncertainty by leaving out one block of
/// neighbours after the other (delete-a-group jackknife; Kott, Journal of Official Statistics 17
/// (2001) 521; from memory).
pub(crate) fn jackknife(n: usize, estimate: impl Fn(&dyn Fn(usize) -> bool) -> f64) -> (f64, f64) {
    let whole = estimate(&|_| true);
    let parts: Vec<f64> = (0..BLOCKS)
        .map(|block| estimate(&|k| k * BLOCKS / n.max(1) != block))
        .collect();
    let centre = mean(&parts);
    let sum: f64 = parts.iter().map(|v| (v - centre).powi(2)).sum();
    (whole, (sum * (BLOCKS as f64 - 1.0) / BLOCKS as f64).sqrt())
}

/// Ordinary least squares of `y` on the columns, by the normal equations; `None` where the columns
/// do not differ enough.
pub(crate) fn regress(
    columns: &[&[f64]],
    y: &[f64],
    keep: &dyn Fn(usize) -> bool,
) -> Option<Vec<f64>> {
    let m = columns.len();
    let mut matrix = vec![vec![0.0; m + 1]; m];
    for k in (0..y.len()).filter(|&k| keep(k)) {
        for (row, a) in matrix.iter_mut().zip(columns) {
            let a = a.get(k).copied().unwrap_or(0.0);
            let others = columns.iter().map(|b| b.get(k).copied().unwrap_or(0.0));
            let right = y.get(k).copied().unwrap_or(0.0);
            for (cell, b) in row.iter_mut().zip(others.chain([right])) {
                *cell += a * b;
            }
        }
    }
    solve(matrix)
}

/// Gauss elimination with row pivots; the last column is the right side.
pub(crate) fn solve(mut matrix: Vec<Vec<f64>>) -> Option<Vec<f64>> {
    let m = matrix.len();
    let cell = |matrix: &[Vec<f64>], r: usize, c: usize| {
        matrix
            .get(r)
            .and_then(|row| row.get(c))
            .copied()
            .unwrap_or(0.0)
    };
    for pivot in 0..m {
        let best = (pivot..m).max_by(|&a, &b| {
            cell(&matrix, a, pivot)
                .abs()
                .total_cmp(&cell(&matrix, b, pivot).abs())
        })?;
        matrix.swap(pivot, best);
        let top = matrix.get(pivot)?.clone();
        let lead = top.get(pivot).copied()?;
        if lead.abs() < 1e-12 {
            return None;
        }
        for (r, row) in matrix.iter_mut().enumerate() {
            if r != pivot {
                let factor = row.get(pivot).copied()? / lead;
                row.iter_mut().zip(&top).for_each(|(a, b)| *a -= factor * b);
            }
        }
    }
    (0..m)
        .map(|r| Some(cell(&matrix, r, m) / cell(&matrix, r, r)))
        .collect()
}

/// Mean over a window of so many points around each.
pub(crate) fn smooth(values: &[f64], points: usize) -> Vec<f64> {
    let half = points / 2;
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0);
    let mut sum = 0.0;
    for v in values {
        sum += v;
        sums.push(sum);
    }
    (0..values.len())
        .map(|k| {
            let (from, to) = (k.saturating_sub(half), (k + half + 1).min(values.len()));
            let at = |n: usize| sums.get(n).copied().unwrap_or(0.0);
            (at(to) - at(from)) / (to - from).max(1) as f64
        })
        .collect()
}

/// Central difference over two points, per point.
pub(crate) fn slope(values: &[f64]) -> Vec<f64> {
    let at = |k: usize| values.get(k).copied().unwrap_or(0.0);
    let last = values.len().saturating_sub(1);
    (0..values.len())
        .map(|k| {
            let (from, to) = (k.saturating_sub(1), (k + 1).min(last));
            (at(to) - at(from)) / (to - from).max(1) as f64
        })
        .collect()
}

/// Where a parabola through three values in equal steps, the middle one the highest, has its top: in
/// steps from the middle, -0.5 to 0.5; 0 where it has none.
pub(crate) fn peak_offset([before, top, after]: [f64; 3]) -> f64 {
    let bend = before - 2.0 * top + after;
    if bend < 0.0 {
        (0.5 * (before - after) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

/// Share of a normal law's probability below this many deviations (Abramowitz and Stegun 26.2.17;
/// error below 1e-7).
pub(crate) fn normal_share(deviations: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.231_641_9 * deviations.abs());
    let series = t
        * (0.319_381_530
            + t * (-0.356_563_782
                + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let density = (-0.5 * deviations * deviations).exp() / std::f64::consts::TAU.sqrt();
    if deviations >= 0.0 {
        1.0 - density * series
    } else {
        density * series
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_regressions_with_known_answers() {
        let x: Vec<f64> = (0..100).map(f64::from).collect();
        let mut y: Vec<f64> = x.iter().map(|x| 0.01 * x - 67.67).collect();
        let fit = line(&x, &y, |_| true);
        assert!((fit.slope - 0.01).abs() < 1e-12 && (fit.intercept + 67.67).abs() < 1e-9);
        y[3] = 1e6;
        let fit = robust_line(&x, &y);
        assert!((fit.slope - 0.01).abs() < 1e-9, "{fit:?}");
        // 1 - (x - 0.25)^2 at -1, 0 and 1.
        let top = peak_offset([1.0 - 1.5625, 1.0 - 0.0625, 1.0 - 0.5625]);
        assert!((top - 0.25).abs() < 1e-12, "{top}");
        let ones = vec![1.0; 100];
        let square: Vec<f64> = x.iter().map(|x| x * x).collect();
        let y: Vec<f64> = x.iter().map(|x| 3.0 - 2.0 * x + 0.5 * x * x).collect();
        let c = regress(&[&ones, &x, &square], &y, &|_| true).unwrap();
        assert!(
            (c[0] - 3.0).abs() < 1e-6 && (c[1] + 2.0).abs() < 1e-7 && (c[2] - 0.5).abs() < 1e-9
        );
        assert_eq!(regress(&[&ones, &ones], &y, &|_| true), None);
    }

    #[test]
    fn degenerate_input_gives_numbers() {
        assert_eq!(mean(&[]), 0.0);
        assert_eq!(correlation(&[1.0, 1.0], &[1.0, 2.0]), 0.0);
        assert_eq!(line(&[1.0, 1.0], &[1.0, 2.0], |_| true), Line::default());
        assert!(smooth(&[], 5).is_empty() && slope(&[1.0]) == [0.0]);
        assert_eq!(peak_offset([1.0, 1.0, 1.0]), 0.0);
        assert!((normal_share(1.96) - 0.975).abs() < 1e-4);
    }
}
