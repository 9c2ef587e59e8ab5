//! Where slip ends: the torque per bar at which the closed coupling stops slipping.
//!
//! On a straight road with the axles turning alike the rear axle takes its share of the car's
//! acceleration by load, `w a`. As long as the coupling carries more than that, `w a < k p`, nothing
//! slips; beyond it slip grows with what is missing: `s/v = c max(0, w a - k p (1 + e exp(-v_s/v_0)))`,
//! `p` the pressure above the touch point, `v_s` the sliding speed. So slip over what the rear axle
//! would take is a hinge, and its corner tells `k` without a tyre curve: below it the coupling is
//! rigid whatever the road. `c` is the tyres' softness and differs from road to road; the friction
//! of low sliding, `e`, bends the corner.
//!
//! Where `k` lies at the low end of the grid nothing that was driven held, and all that is known is the
//! largest `k` that fits as well: a bound.
//!
//! Least absolute deviations over a grid of `k` and `e`, `c` by reweighting; uncertainty by leaving
//! out one engagement at a time (the jackknife). The method is ours.

use super::trace::{BEFORE_S, Sample};
use crate::statistics::spread::mean;
use crate::traction::{GRAVITY_MPS2, HEIGHT_SHARE, REAR_SHARE};

/// Samples are averaged over this long, s.
const BLOCK_S: f64 = 0.1;
/// The closing itself is over this long after the demand, counted from the start of a run that begins
/// with the first sample looked for, s.
const CLOSED_FROM_S: f64 = BEFORE_S + 0.35;
/// Slower than this slip ratios tell too little, m/s.
const LEAST_MPS: f64 = 1.2;
/// Share of the load on the rear axle, and what each m/s² of acceleration moves there: usual values, because
/// only their change would move a change of friction.
const REAR: f64 = REAR_SHARE.0;
const MOVED: f64 = HEIGHT_SHARE.0 / GRAVITY_MPS2;
/// The axles' creep is held within this, as a share: beyond, tyres slide and softness means nothing.
const CREEP: [f64; 2] = [-0.03, 0.06];
/// Creep counts as slip from here on; where fewer or more blocks than these shares slip, there is no
/// corner to see.
const SLIPS: f64 = 0.01;
const SLIPPING: [f64; 2] = [0.03, 0.98];
/// And fewer blocks than these that slip show no course.
const LEAST_SLIPPING: usize = 15;
/// The stiffest tyres, creep per m/s²: on dry asphalt a tyre needs about a twentieth of slip for its
/// full load. Common practice, no source.
const STIFFEST: f64 = 0.015;
/// Sliding speed over which friction passes from its value at rest to its value in sliding, m/s.
const FADE_MPS: f64 = 0.2;
/// Friction at rest over that in sliding, less one: the grid, and the value for `k` alone.
const FALLS: [f64; 12] = [
    -0.3, -0.17, -0.05, 0.1, 0.25, 0.45, 0.65, 0.9, 1.2, 1.55, 1.95, 2.4,
];
const USUAL_FALL: f64 = -0.05;
/// Grid of `k` about the usual value: logarithms from, to, and steps.
const LOGS: (f64, f64, u32) = (-1.6, 1.2, 112);
/// Standard uncertainty of the fall, at least: half a step of its grid.
const LEAST_U_FALL: f64 = 0.06;
/// Least deviation that counts, as creep.
const LEAST_DEVIATION: f64 = 0.004;
/// Fewest blocks and runs.
const LEAST_BLOCKS: usize = 40;
const LEAST_RUNS: usize = 4;

/// What the corner tells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lock {
    /// Natural logarithm of acceleration per bar, m/s² per bar, at usual friction of low sliding.
    pub(super) log_slope: f64,
    /// Standard uncertainty of it.
    pub(super) u_log_slope: f64,
    /// Friction at low sliding over that at high, less one.
    pub(super) fall: f64,
    /// Standard uncertainty of it.
    pub(super) u_fall: f64,
}

/// A tenth of a second.
#[derive(Clone, Copy)]
struct Block {
    creep: f64,
    /// Acceleration of the rear axle's share, m/s².
    taken: f64,
    bar: f64,
    /// How much of the friction of rest is felt, 0 to 1.
    rest: f64,
}

/// Why there is no corner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum NoCorner {
    /// Slip does not show one.
    Unseen,
    /// It lies at this logarithm of acceleration per bar or below: nothing that was driven held.
    AtMost {
        /// The bound.
        log_slope: f64,
        /// Standard uncertainty of the bound.
        u: f64,
    },
    /// It lies above the grid.
    AtLeast,
}

/// Finds the corner.
///
/// # Errors
/// Why there is none.
pub(super) fn find(runs: &[Vec<Sample>], usual_slope: f64) -> Result<Lock, NoCorner> {
    let runs: Vec<Vec<Block>> = runs
        .iter()
        .map(|run| blocks(run))
        .filter(|blocks| !blocks.is_empty())
        .collect();
    let all = || runs.iter().flatten();
    let count = all().count();
    let slipping = all().filter(|b| b.creep > SLIPS).count();
    let share = slipping as f64 / count.max(1) as f64;
    if runs.len() < LEAST_RUNS
        || count < LEAST_BLOCKS
        || slipping < LEAST_SLIPPING
        || !(SLIPPING[0]..SLIPPING[1]).contains(&share)
    {
        return Err(NoCorner::Unseen);
    }
    let whole: Vec<Block> = all().copied().collect();
    let at_usual = corner(&whole, usual_slope, USUAL_FALL);
    if at_usual.softness <= STIFFEST {
        return Err(NoCorner::Unseen);
    }
    let step = (LOGS.1 - LOGS.0) / f64::from(LOGS.2);
    let log = at_usual.log_slope - usual_slope.ln();
    if log < LOGS.0 + 1.5 * step {
        let most = |blocks: &[Block]| corner(blocks, usual_slope, USUAL_FALL).most(runs.len());
        return Err(NoCorner::AtMost {
            log_slope: most(&whole),
            u: jackknife(&runs, step, most)?,
        });
    }
    if log > LOGS.1 - 1.5 * step {
        return Err(NoCorner::AtLeast);
    }
    let slope = |blocks: &[Block]| corner(blocks, usual_slope, USUAL_FALL).log_slope;
    let fall = |blocks: &[Block]| best_fall(blocks, usual_slope);
    Ok(Lock {
        log_slope: at_usual.log_slope,
        u_log_slope: jackknife(&runs, step, slope)?,
        fall: fall(&whole),
        u_fall: jackknife(&runs, LEAST_U_FALL, fall)?,
    })
}

/// Standard uncertainty of what the runs tell, no less than `least`, from leaving out one at a time.
fn jackknife(
    runs: &[Vec<Block>],
    least: f64,
    tell: impl Fn(&[Block]) -> f64,
) -> Result<f64, NoCorner> {
    let values: Vec<f64> = (0..runs.len())
        .map(|left_out| {
            let others = runs.iter().enumerate().filter(|(k, _)| *k != left_out);
            let rest: Vec<Block> = others.flat_map(|(_, run)| run.iter().copied()).collect();
            tell(&rest)
        })
        .collect();
    let centre = mean(&values).ok_or(NoCorner::Unseen)?;
    let n = values.len() as f64;
    let squares: f64 = values.iter().map(|v| (v - centre).powi(2)).sum();
    let u = ((n - 1.0) / n * squares).sqrt();
    u.is_finite()
        .then_some(u.max(least))
        .ok_or(NoCorner::Unseen)
}

fn blocks(run: &[Sample]) -> Vec<Block> {
    let mut found = Vec::new();
    let mut t_s = 0.0;
    let mut part: Vec<&Sample> = Vec::new();
    let mut part_s = 0.0;
    for sample in run {
        t_s += sample.step_s;
        if t_s < CLOSED_FROM_S || sample.speed_mps < LEAST_MPS || sample.bar <= 1.0 {
            part.clear();
            part_s = 0.0;
            continue;
        }
        part.push(sample);
        part_s += sample.step_s;
        if part_s >= BLOCK_S {
            let n = part.len() as f64;
            let of = |value: fn(&Sample) -> f64| part.iter().map(|s| value(s)).sum::<f64>() / n;
            let accel = of(|s| s.accel_mps2);
            found.push(Block {
                creep: of(|s| s.slip_ratio).clamp(CREEP[0], CREEP[1]),
                taken: (REAR + MOVED * accel) * accel,
                bar: of(|s| s.bar),
                rest: (-of(|s| s.sliding_mps) / FADE_MPS).exp(),
            });
            part.clear();
            part_s = 0.0;
        }
    }
    found
}

struct Corner {
    cost: f64,
    log_slope: f64,
    softness: f64,
    /// Every slope of the grid, upwards, as its logarithm, with its cost.
    profile: Vec<(f64, f64)>,
}

impl Corner {
    /// The largest slope that fits within two units of log-likelihood as well as the best. Deviations are
    /// Laplace's, whose likelihood falls by `n ln cost`; of a run's blocks, which repeat each other, two
    /// count.
    fn most(&self, runs: usize) -> f64 {
        let fits = self.cost * (1.0 / runs.max(1) as f64).exp();
        let all = self.profile.iter().filter(|(_, cost)| *cost <= fits);
        all.map(|(log, _)| *log).fold(self.log_slope, f64::max)
    }
}

/// The best corner at this friction of rest.
fn corner(blocks: &[Block], usual_slope: f64, fall: f64) -> Corner {
    let mut best = Corner {
        cost: f64::INFINITY,
        log_slope: usual_slope.ln(),
        softness: 0.0,
        profile: Vec::new(),
    };
    let mut profile = Vec::new();
    let mut missing = vec![0.0; blocks.len()];
    for step in 0..=LOGS.2 {
        let share = f64::from(step) / f64::from(LOGS.2);
        let log_slope = usual_slope.ln() + LOGS.0 + (LOGS.1 - LOGS.0) * share;
        let slope = log_slope.exp();
        for (m, b) in missing.iter_mut().zip(blocks) {
            *m = (b.taken - slope * b.bar * (1.0 + fall * b.rest)).max(0.0);
        }
        let (cost, softness) = softness(blocks, &missing);
        profile.push((log_slope, cost));
        if cost < best.cost {
            best.cost = cost;
            best.log_slope = log_slope;
            best.softness = softness;
        }
    }
    Corner { profile, ..best }
}

/// Mean absolute deviation and softness for what is missing.
fn softness(blocks: &[Block], missing: &[f64]) -> (f64, f64) {
    let mut softness = 0.0;
    for round in 0..4 {
        let (mut xy, mut xx) = (0.0, 1e-9);
        for (m, b) in missing.iter().zip(blocks) {
            let weight = match round {
                0 => 1.0,
                _ if b.creep >= CREEP[1] && softness * m >= CREEP[1] => 0.0,
                _ => 1.0 / off(b, softness * m).max(LEAST_DEVIATION),
            };
            xy += weight * m * b.creep;
            xx += weight * m * m;
        }
        softness = (xy / xx).max(STIFFEST);
    }
    let sum: f64 = missing
        .iter()
        .zip(blocks)
        .map(|(m, b)| off(b, softness * m))
        .sum();
    (sum / blocks.len().max(1) as f64, softness)
}

/// How far a creep is off; beyond the limit both are the limit.
fn off(block: &Block, creep: f64) -> f64 {
    (block.creep - creep.min(CREEP[1])).abs()
}

fn best_fall(blocks: &[Block], usual_slope: f64) -> f64 {
    let costs: Vec<f64> = FALLS
        .iter()
        .map(|&fall| corner(blocks, usual_slope, fall).cost)
        .collect();
    let least = costs.iter().copied().fold(f64::INFINITY, f64::min);
    // Where the cost hardly changes the middle of what fits is said, not an end of the grid.
    let (mut sum, mut weight) = (0.0, 0.0);
    for (fall, cost) in FALLS.iter().zip(&costs) {
        let w = (-(cost / least - 1.0) / 0.02).exp();
        sum += w * fall;
        weight += w;
    }
    sum / weight
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Random;

    /// Pull-aways whose acceleration falls while pressure stands, on tyres of some softness.
    fn made(k: f64, fall: f64, softness: f64) -> Vec<Vec<Sample>> {
        let mut random = Random::new(3);
        (0..10)
            .map(|run| {
                let bar = 7.0 + 0.8 * f64::from(run);
                (0..260)
                    .map(|i| {
                        let t_s = 0.018 * f64::from(i);
                        let accel = 4.6 - 0.75 * t_s;
                        let speed_mps = 1.0 + 2.5 * t_s;
                        let taken = (REAR + MOVED * accel) * accel;
                        // Sliding and what it lets through depend on each other; a few rounds.
                        let mut creep = 0.0;
                        for _ in 0..30 {
                            let sliding: f64 = 0.53 * creep * speed_mps;
                            let carried = k * bar * (1.0 + fall * (-sliding / FADE_MPS).exp());
                            creep = 0.5 * creep + 0.5 * softness * (taken - carried).max(0.0);
                        }
                        Sample {
                            step_s: if i == 0 { 0.0 } else { 0.018 },
                            speed_mps,
                            slip_ratio: creep + 0.006 * random.normal(),
                            bar,
                            accel_mps2: accel + 0.05 * random.normal(),
                            sliding_mps: 0.53 * creep * speed_mps,
                        }
                    })
                    .collect()
            })
            .collect()
    }

    #[test]
    fn the_corner_is_found_on_soft_and_on_stiff_tyres() {
        for softness in [0.025, 0.08] {
            for k in [0.10, 0.13] {
                let lock = find(&made(k, USUAL_FALL, softness), 0.12).unwrap();
                let off = lock.log_slope - f64::ln(k);
                assert!(off.abs() < 0.06, "{softness} {k}: {off} {lock:?}");
                assert!(lock.u_log_slope < 0.1, "{lock:?}");
            }
        }
    }

    #[test]
    fn friction_that_falls_with_sliding_is_told_from_one_that_does_not() {
        let sound = find(&made(0.11, -0.05, 0.08), 0.12).unwrap();
        let falls = find(&made(0.11, 0.3, 0.08), 0.12).unwrap();
        assert!(falls.fall > sound.fall + 0.15, "{sound:?} {falls:?}");
    }

    #[test]
    fn without_slip_there_is_no_corner() {
        assert!(find(&made(0.4, USUAL_FALL, 0.05), 0.12).is_err());
    }

    /// A pack that carries a tenth of the usual slips in all that was driven: how much it carries is a
    /// bound, far below the usual and not below the truth.
    #[test]
    fn a_corner_below_all_that_was_driven_is_a_bound_and_no_value() {
        let found = find(&made(0.012, USUAL_FALL, 0.02), 0.12);
        let Err(NoCorner::AtMost { log_slope, u }) = found else {
            panic!("{found:?}");
        };
        let most = f64::ln(0.5 * 0.12);
        assert!((f64::ln(0.012)..most).contains(&log_slope), "{found:?}");
        assert!(u < 0.3, "{found:?}");
    }
}
