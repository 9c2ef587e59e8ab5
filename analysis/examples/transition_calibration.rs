//! How well crossing times are found: bias, root mean square and coverage over many noisy, jittered
//! recordings of known rises, beside the Cramer-Rao bound of each rise's own model.
//!
//!     cargo run --release -p slipwright-analysis --example transition_calibration [RECORDINGS [SEED]]
//!
//! Every rise has a dead time of 80 ms and starts anywhere between two frames. The bound is that of
//! an estimator that knows which kind of rise it is and has no bias; one that has to find that out,
//! as a user's tool has to, cannot quite reach it. Where the rise bends sharply between two frames
//! the bound itself is only approximate.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_macros,
    clippy::disallowed_methods,
    clippy::unwrap_used,
    reason = "an example prints its table"
)]

use slipwright_analysis::transition::measure_rise;

#[path = "../src/trial/random.rs"]
mod random;

use random::{Random, stamps};

/// A kind of rise: from 0 to 1, with its parameters (dead time first), s.
struct Kind {
    name: &'static str,
    parameters: &'static [f64],
    value: fn(f64, &[f64]) -> f64,
}

const KINDS: &[Kind] = &[
    Kind {
        name: "first order, 30 ms",
        parameters: &[0.08, 0.030],
        value: first_order,
    },
    Kind {
        name: "first order, 60 ms",
        parameters: &[0.08, 0.060],
        value: first_order,
    },
    Kind {
        name: "first order, 120 ms",
        parameters: &[0.08, 0.120],
        value: first_order,
    },
    Kind {
        name: "ramp, 100 ms",
        parameters: &[0.08, 0.100],
        value: ramp,
    },
    Kind {
        name: "two lags, 25 + 25 ms",
        parameters: &[0.08, 0.025, 0.0251],
        value: two_lags,
    },
    Kind {
        name: "two lags, 50 + 8 ms",
        parameters: &[0.08, 0.050, 0.008],
        value: two_lags,
    },
    Kind {
        name: "oscillating, 60 ms, 0.5",
        parameters: &[0.08, 0.060, 0.5],
        value: oscillating,
    },
    Kind {
        name: "ramp 60, then lag 25 ms",
        parameters: &[0.08, 0.060, 0.025],
        value: ramp_then_lag,
    },
    Kind {
        name: "ramp 60 through lag 15",
        parameters: &[0.08, 0.060, 0.015],
        value: ramp_through_lag,
    },
    Kind {
        name: "cut exponential",
        parameters: &[0.08, 0.090, 1.5],
        value: cut_exponential,
    },
    Kind {
        name: "stiffening",
        parameters: &[0.08, 0.090, -1.5],
        value: cut_exponential,
    },
    Kind {
        name: "logistic, 18 ms",
        parameters: &[0.16, 0.018],
        value: logistic,
    },
    Kind {
        name: "raised cosine, 120 ms",
        parameters: &[0.08, 0.120],
        value: raised_cosine,
    },
];

fn first_order(t: f64, p: &[f64]) -> f64 {
    if t < p[0] {
        0.0
    } else {
        -(-(t - p[0]) / p[1]).exp_m1()
    }
}

fn ramp(t: f64, p: &[f64]) -> f64 {
    ((t - p[0]) / p[1]).clamp(0.0, 1.0)
}

fn two_lags(t: f64, p: &[f64]) -> f64 {
    let s = (t - p[0]).max(0.0);
    1.0 - (p[1] * (-s / p[1]).exp() - p[2] * (-s / p[2]).exp()) / (p[1] - p[2])
}

/// Natural period over two pi, and damping.
fn oscillating(t: f64, p: &[f64]) -> f64 {
    let s = (t - p[0]).max(0.0) / (p[1] / 2.0);
    let root = (1.0 - p[2] * p[2]).sqrt();
    1.0 - (-p[2] * s).exp() * ((root * s).cos() + p[2] / root * (root * s).sin())
}

fn ramp_then_lag(t: f64, p: &[f64]) -> f64 {
    let (s, whole) = ((t - p[0]).max(0.0), p[1] + p[2]);
    if s < p[1] {
        s / whole
    } else {
        1.0 - p[2] / whole * (-(s - p[1]) / p[2]).exp()
    }
}

fn ramp_through_lag(t: f64, p: &[f64]) -> f64 {
    let lagged = |s: f64| {
        if s <= 0.0 {
            0.0
        } else {
            s + p[2] * (-s / p[2]).exp_m1()
        }
    };
    let s = t - p[0];
    (lagged(s) - lagged(s - p[1])) / p[1]
}

fn cut_exponential(t: f64, p: &[f64]) -> f64 {
    let u = ((t - p[0]) / p[1]).clamp(0.0, 1.0);
    (-p[2] * u).exp_m1() / (-p[2]).exp_m1()
}

fn logistic(t: f64, p: &[f64]) -> f64 {
    1.0 / (1.0 + (-(t - p[0]) / p[1]).exp())
}

fn raised_cosine(t: f64, p: &[f64]) -> f64 {
    0.5 * (1.0 - (std::f64::consts::PI * ((t - p[0]) / p[1]).clamp(0.0, 1.0)).cos())
}

const FROM_S: f64 = -0.3;
const TO_S: f64 = 1.3;
const NOISE: f64 = 0.01;
const JITTER: f64 = 0.1;
const LEVELS: [f64; 3] = [0.1, 0.5, 0.9];

/// When the rise first crosses a level.
fn crossing(kind: &Kind, parameters: &[f64], level: f64) -> f64 {
    let (mut low, mut high) = (0.0, 0.0);
    while (kind.value)(high, parameters) < level {
        low = high;
        high += 1e-4;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if (kind.value)(middle, parameters) < level {
            low = middle
        } else {
            high = middle
        }
    }
    0.5 * (low + high)
}

/// Cramer-Rao bound of each crossing's deviation, s: levels and shape unknown, kind known.
fn bound(kind: &Kind, t: &[f64]) -> [f64; 3] {
    let p = kind.parameters;
    let m = p.len() + 2;
    let h = 1e-6;
    let moved = |i: usize, by: f64| {
        let mut q = p.to_vec();
        q[i] += by;
        q
    };
    let mut normal = nalgebra::DMatrix::<f64>::zeros(m, m);
    for &t in t {
        let mut row = nalgebra::DVector::<f64>::zeros(m);
        row[0] = 1.0;
        row[1] = (kind.value)(t, p);
        for i in 0..p.len() {
            row[2 + i] =
                ((kind.value)(t, &moved(i, h)) - (kind.value)(t, &moved(i, -h))) / (2.0 * h);
        }
        normal += &row * row.transpose();
    }
    let Some(inverse) = normal.try_inverse() else {
        return [f64::NAN; 3];
    };
    LEVELS.map(|level| {
        let mut gradient = nalgebra::DVector::<f64>::zeros(m);
        for i in 0..p.len() {
            gradient[2 + i] = (crossing(kind, &moved(i, h), level)
                - crossing(kind, &moved(i, -h), level))
                / (2.0 * h);
        }
        NOISE * (gradient.transpose() * &inverse * &gradient)[(0, 0)].sqrt()
    })
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let n: usize = arguments.next().map_or(1000, |a| a.parse().unwrap());
    let seed: u64 = arguments.next().map_or(1, |a| a.parse().unwrap());
    println!(
        "{n} recordings a line, noise {} % of the step, jitter {} % of the period",
        NOISE * 100.0,
        JITTER * 100.0
    );
    println!(
        "{:<26}{:>6}  {:<5}{:>9}{:>9}{:>9}{:>9}{:>10}",
        "rise", "ms", "what", "bias ms", "rms ms", "bound", "mean u", "covered %"
    );
    for kind in KINDS {
        for period_s in [0.010, 0.020] {
            let mut random = Random::new(seed);
            let truth = LEVELS.map(|level| crossing(kind, kind.parameters, level));
            let mut sums = [[0.0_f64; 5]; 4];
            for _ in 0..n {
                let t = stamps(&mut random, FROM_S, TO_S, period_s, JITTER);
                let y: Vec<f64> = t
                    .iter()
                    .map(|&t| {
                        2.0 + 15.0 * ((kind.value)(t, kind.parameters) + NOISE * random.normal())
                    })
                    .collect();
                let rise = measure_rise(&t, &y).unwrap();
                let limits = bound(kind, &t);
                for (k, level) in LEVELS.into_iter().enumerate() {
                    let found = rise.crossing(level).unwrap();
                    add(&mut sums[k], found.t_s - truth[k], found.u_s, limits[k]);
                }
                let spread = rise.between(0.1, 0.9).unwrap();
                add(
                    &mut sums[3],
                    spread.t_s - (truth[2] - truth[0]),
                    spread.u_s,
                    f64::NAN,
                );
            }
            for (what, sum) in ["t10", "t50", "t90", "rise"].into_iter().zip(sums) {
                let [bias, square, limit, u, covered] = sum.map(|s| s / n as f64);
                println!(
                    "{:<26}{:>6}  {:<5}{:>9.3}{:>9.3}{:>9.3}{:>9.3}{:>10.1}",
                    kind.name,
                    period_s * 1e3,
                    what,
                    bias * 1e3,
                    square.sqrt() * 1e3,
                    limit.sqrt() * 1e3,
                    u * 1e3,
                    covered * 100.0
                );
            }
        }
    }
}

fn add(sum: &mut [f64; 5], off: f64, u: f64, limit: f64) {
    for (s, v) in sum.iter_mut().zip([
        off,
        off * off,
        limit * limit,
        u,
        f64::from(off.abs() <= 1.96 * u),
    ]) {
        *s += v;
    }
}
