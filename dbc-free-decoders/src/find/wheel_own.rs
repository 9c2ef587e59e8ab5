//! What each of four speeds has of its own: the part that the other three do not tell.
//!
//! Each wheel runs over its own stretch of road. Copies of one speed, filtered in one way or another,
//! and means of an axle or of all wheels beside the numbers they were made of, hold nothing new: a
//! sum of the other three at several delays gives them to within the rounding of a code. Asked by
//! `wheel_score` of sets that pass all else.

use super::statistics::{deviation, line, solve};

/// Delays at which the others are laid beside it, in points of the axis; they stand for any filter
/// of up to a second.
const LAGS: [i64; 11] = [-16, -8, -4, -2, -1, 0, 1, 2, 4, 8, 16];
/// Most points that are fitted.
const MOST_POINTS: usize = 3000;

/// Standard deviation, in counts, of what the other three leave of the one that they tell best.
pub(super) fn least_own(raws: &[&[f64]; 4]) -> f64 {
    (0..raws.len())
        .map(|k| left_by_others(raws, k))
        .fold(f64::INFINITY, f64::min)
}

fn left_by_others(raws: &[&[f64]; 4], member: usize) -> f64 {
    let Some(own) = raws.get(member) else {
        return 0.0;
    };
    let others: Vec<&&[f64]> = raws
        .iter()
        .enumerate()
        .filter(|(k, _)| *k != member)
        .map(|(_, raw)| raw)
        .collect();
    let edge = LAGS.iter().map(|lag| lag.unsigned_abs()).max().unwrap_or(0) as usize;
    let last = own.len().saturating_sub(edge);
    let stride = (last.saturating_sub(edge) / MOST_POINTS).max(1);
    // Counted from one point, so that large codes cost no digits.
    let zero = own.get(edge).copied().unwrap_or(0.0);
    let rows: Vec<Vec<f64>> = (edge..last)
        .step_by(stride)
        .map(|k| {
            let at = |raw: &[f64], lag: i64| {
                let place = k as i64 + lag;
                let value = usize::try_from(place).ok().and_then(|k| raw.get(k));
                value.map_or(0.0, |value| value - zero)
            };
            let mut row = vec![1.0];
            row.extend(others.iter().flat_map(|raw| LAGS.map(|lag| at(raw, lag))));
            row.push(at(own, 0));
            row
        })
        .collect();
    let columns = LAGS.len() * others.len() + 1;
    if rows.len() < 10 * columns {
        return 0.0;
    }
    let mut matrix = vec![vec![0.0; columns + 1]; columns];
    for row in &rows {
        for (sums, a) in matrix.iter_mut().zip(row) {
            for (sum, b) in sums.iter_mut().zip(row) {
                *sum += a * b;
            }
        }
    }
    // A little of each number's own rounding on the diagonal keeps equal columns apart.
    let rounding = rows.len() as f64 / 12.0;
    for (k, sums) in matrix.iter_mut().enumerate().skip(1) {
        if let Some(sum) = sums.get_mut(k) {
            *sum += 0.01 * rounding;
        }
    }
    let Some(fit) = solve(matrix) else {
        return 0.0;
    };
    let left: Vec<f64> = rows
        .iter()
        .filter_map(|row| {
            let told: f64 = fit.iter().zip(row).map(|(c, a)| c * a).sum();
            Some(row.last()? - told)
        })
        .collect();
    deviation(&left)
}

/// How far the four lie around their mean.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Apart {
    /// The least deviation, in counts.
    pub(super) least: f64,
    /// The least over the greatest, 0 to 1.
    pub(super) balance: f64,
}

/// In turns the wheels of each side leave the mean by half the difference of the sides, and under drive
/// those of each axle. An axle's mean beside two of the wheels hardly leaves it, nor does a copy.
pub(super) fn apart(raws: &[&[f64]; 4]) -> Apart {
    let points = raws.iter().map(|raw| raw.len()).min().unwrap_or(0);
    let common: Vec<f64> = (0..points)
        .map(|k| raws.iter().filter_map(|raw| raw.get(k)).sum::<f64>() / 4.0)
        .collect();
    let deviations = raws.map(|raw| {
        let apart: Vec<f64> = raw.iter().zip(&common).map(|(v, m)| v - m).collect();
        // Tyres differ by a share of the speed.
        line(&common, &apart, |_| true).residual
    });
    let (least, most) = deviations
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |(least, most), d| {
            (least.min(*d), most.max(*d))
        });
    Apart {
        least,
        balance: least / most.max(1e-9),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::statistics::smooth;

    /// A road's roughness of its own, and a speed that is common.
    fn noise(seed: u64, n: usize) -> Vec<f64> {
        let mut state = seed;
        (0..n)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 40) as f64 / f64::from(1_u32 << 24) - 0.5
            })
            .collect()
    }

    #[test]
    fn four_wheels_have_noise_of_their_own_and_means_and_copies_have_not() {
        let n = 3000;
        let speed: Vec<f64> = (0..n)
            .map(|k| 2000.0 + 1500.0 * (k as f64 * 0.003).sin())
            .collect();
        let wheel = |seed: u64| -> Vec<f64> {
            let noise = noise(seed, n);
            speed
                .iter()
                .zip(noise)
                .map(|(v, e)| (v + 8.0 * e).round())
                .collect()
        };
        let wheels = [wheel(1), wheel(2), wheel(3), wheel(4)];
        let own = least_own(&wheels.each_ref().map(Vec::as_slice));
        assert!(own > 1.5, "{own}");
        let mean: Vec<f64> = (0..n)
            .map(|k| (0.5 * (wheels[0][k] + wheels[1][k])).round())
            .collect();
        let filtered: Vec<f64> = smooth(&mean, 5).iter().map(|v| v.round()).collect();
        // A turn to and fro, which the wheels of both axles share.
        let turning = |wheel: usize| -> Vec<f64> {
            let side = if wheel.is_multiple_of(2) { 1.0 } else { -1.0 };
            wheels[wheel]
                .iter()
                .enumerate()
                .map(|(k, v)| v + side * 60.0 * (k as f64 * 0.02).sin())
                .collect()
        };
        let turned = [0, 1, 2, 3].map(turning);
        let rear_mean: Vec<f64> = (0..n)
            .map(|k| 0.5 * (turned[2][k] + turned[3][k]))
            .collect();
        let balanced = |four: [&Vec<f64>; 4]| apart(&four.map(Vec::as_slice)).balance;
        assert!(balanced(turned.each_ref()) > 0.9);
        assert!(balanced([&turned[2], &turned[3], &mean, &rear_mean]) < 0.2);
        let copies = [&wheels[0], &wheels[1], &mean, &filtered];
        let own = least_own(&copies.map(Vec::as_slice));
        assert!(own < 0.45, "{own}");
    }
}
