//! How well are the crossings of a coupling's pressure timed? Simulated rises, sampled as a bus would.
//!
//!     cargo run --example rise_study -- [ENGAGEMENTS [SEED]]
//!
//! Cars are drawn, some of them worn, and driven; each rise of pressure is then sampled every 5 to
//! 100 ms from a random start, as it is and with a foot of 2 to 8 % of the step that grows while the
//! clearance fills, stamps jittered by a tenth of the period, with noise of 1 % of
//! the step. The truth is where the waveform itself, every millisecond and without noise, crosses the
//! levels of its own states (a pressure that drifts while it is held has no other). Against it: bias, root mean square error, the stated
//! uncertainty and the share of 95 % intervals that hold the truth. Beside them stands the
//! Cramer-Rao bound of one who knows the rise's exact form and looks only for its place and its two
//! levels; an estimator that has to find the form as well cannot quite reach it. Development used
//! seeds below 5000.
#![allow(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a study prints, and may fail loudly"
)]

use slipwright_analysis::transition::measure_first_rise;
use slipwright_sample::car::Car;
use slipwright_sample::drive;
use slipwright_sample::fault::{Cause, Fault};
use slipwright_sample::random::{Purpose, Stream};
use slipwright_sample::scenario::{Campaign, Scenario};
use slipwright_sample::surface::Surface;

/// One true rise: pressure every millisecond from 0.4 s before the reference to the end of its first
/// level, and the reference's place in it.
struct Rise {
    pressure_bar: Vec<f64>,
    reference_s: f64,
    low: f64,
    high: f64,
}

const BEFORE_S: f64 = 0.4;
const LONGEST_S: f64 = 1.2;
const NOISE: f64 = 0.01;
const JITTER: f64 = 0.1;
const LEVELS: [f64; 3] = [0.1, 0.5, 0.9];

fn main() {
    let mut arguments = std::env::args().skip(1);
    let wanted: usize = arguments.next().map_or(1000, |a| a.parse().unwrap());
    let first: u64 = arguments.next().map_or(9000, |a| a.parse().unwrap());
    let mut rises = Vec::new();
    let mut seed = first;
    while rises.len() < wanted {
        rises.extend(rises_of(seed));
        seed += 1;
    }
    rises.truncate(wanted);
    println!(
        "{} rises of {} cars; noise {} % of the step, jitter {} % of the period",
        rises.len(),
        seed - first,
        NOISE * 100.0,
        JITTER * 100.0
    );
    println!(
        "{:>5} {:>5}  {:<6}{:>7}{:>9}{:>9}{:>9}{:>9}{:>10}",
        "ms", "foot", "what", "told", "bias ms", "rms ms", "bound", "mean u", "covered %"
    );
    print_rows(&rises, "", first);
    let mut random = Stream::new(first, 1, Purpose::Sensors);
    let footed: Vec<Rise> = rises
        .iter()
        .map(|rise| rise.with_foot(random.between(0.02, 0.08)))
        .collect();
    print_rows(&footed, "foot", first);
}

fn print_rows(rises: &[Rise], foot: &str, seed: u64) {
    for period_s in [0.005, 0.010, 0.020, 0.050, 0.100] {
        let mut random = Stream::new(seed, 0, Purpose::Sensors);
        let mut sums = [[0.0_f64; 6]; 4];
        for rise in rises {
            one(rise, period_s, &mut random, &mut sums);
        }
        for (what, sum) in ["t10", "t50", "t90", "rise"].into_iter().zip(sums) {
            let n = sum[0].max(1.0);
            println!(
                "{:>5} {foot:>5}  {what:<6}{:>7}{:>9.3}{:>9.3}{:>9.3}{:>9.3}{:>10.1}",
                period_s * 1e3,
                sum[0],
                1e3 * sum[1] / n,
                1e3 * (sum[2] / n).sqrt(),
                1e3 * (sum[3] / n).sqrt(),
                1e3 * sum[4] / n,
                100.0 * sum[5] / n
            );
        }
    }
}

fn rises_of(seed: u64) -> Vec<Rise> {
    let mut random = Stream::new(seed, 0, Purpose::Build);
    let faults = match seed % 4 {
        0 => vec![Fault::new(Cause::WeakPump, random.between(0.2, 0.8))],
        1 => vec![Fault::new(Cause::ExcessClearance, random.between(0.2, 0.8))],
        _ => Vec::new(),
    };
    let low = random.between(40.0, 65.0);
    let cold = random.between(15.0, 70.0);
    let surfaces = [Surface::Wet, Surface::Gravel, Surface::Dry, Surface::Snow];
    let scenario = Scenario {
        seed,
        car_seed: seed,
        car: Car::drawn(seed),
        faults,
        ..Scenario::default()
    }
    .with_campaign(&Campaign {
        drives: 1,
        launches: 8,
        tip_ins: 8,
        turn_ins: 1,
        coasts: 0,
        throttle_percent: [low, low + 35.0],
        fluid_c: [cold, cold + 5.0],
        surfaces: vec![surfaces[seed as usize / 4 % 4]],
        ..Campaign::default()
    });
    let mut rows: Vec<f64> = Vec::new();
    let engagements = drive::states(&scenario, 0, |row| rows.push(row.state.pressure_bar));
    engagements
        .iter()
        .filter(|e| e.dead_time_ms.is_some() && e.rise_time_ms.is_some())
        .filter_map(|e| {
            let at = |t_s: f64| (t_s * 1e3).round() as usize;
            let from = at(e.reference_s - BEFORE_S);
            let to = at((e.reference_s + LONGEST_S).min(e.release_s)).min(rows.len());
            let pressure_bar = rows.get(from..to)?.to_vec();
            let t_s: Vec<f64> = (0..pressure_bar.len())
                .map(|k| 1e-3 * k as f64 - BEFORE_S)
                .collect();
            let levels = measure_first_rise(&t_s, &pressure_bar).ok()?.levels;
            Some(Rise {
                pressure_bar,
                reference_s: BEFORE_S,
                low: levels.low,
                high: levels.high,
            })
        })
        .collect()
}

impl Rise {
    /// The same after a creep to a share of the step, from the reference until it begins to rise.
    fn with_foot(&self, share: f64) -> Self {
        let (from_s, onset_s) = (self.reference_s, self.crossing(0.02));
        let step = self.high - self.low;
        let creeping = |(k, p): (usize, &f64)| {
            let filled = ((1e-3 * k as f64 - from_s) / (onset_s - from_s)).clamp(0.0, 1.0);
            p + share * filled * (step - (p - self.low))
        };
        Self {
            pressure_bar: self.pressure_bar.iter().enumerate().map(creeping).collect(),
            ..*self
        }
    }

    fn at(&self, t_s: f64) -> f64 {
        let place = (t_s * 1e3).max(0.0);
        let k = (place as usize).min(self.pressure_bar.len() - 2);
        let (a, b) = (self.pressure_bar[k], self.pressure_bar[k + 1]);
        a + (place - k as f64).min(1.0) * (b - a)
    }

    fn slope(&self, t_s: f64) -> f64 {
        (self.at(t_s + 1e-3) - self.at(t_s - 1e-3)) / 2e-3
    }

    fn crossing(&self, share: f64) -> f64 {
        let level = self.low + share * (self.high - self.low);
        let from = (self.reference_s * 1e3) as usize;
        let k = (from..self.pressure_bar.len())
            .find(|&k| self.pressure_bar[k] >= level)
            .expect("a true rise crosses its levels");
        let (a, b) = (self.pressure_bar[k - 1], self.pressure_bar[k]);
        1e-3 * (k as f64 - 1.0 + (level - a) / (b - a))
    }

    /// Deviation of the place alone, s: form known, place and both levels not.
    fn bound_s(&self, t_s: &[f64]) -> f64 {
        let step = self.high - self.low;
        let mut normal = nalgebra::Matrix3::<f64>::zeros();
        for t in t_s.iter().map(|t| t + self.reference_s) {
            let row =
                nalgebra::Vector3::new(1.0, (self.at(t) - self.low) / step, self.slope(t) / step);
            normal += row * row.transpose();
        }
        normal
            .try_inverse()
            .map_or(f64::NAN, |inverse| NOISE * inverse[(2, 2)].sqrt())
    }
}

fn one(rise: &Rise, period_s: f64, random: &mut Stream, sums: &mut [[f64; 6]; 4]) {
    let length_s = 1e-3 * (rise.pressure_bar.len() - 2) as f64;
    let offset_s = period_s * random.uniform();
    let mut t_s = Vec::new();
    let mut y = Vec::new();
    let mut k = 0.0;
    loop {
        let jitter = JITTER * (2.0 * random.uniform() - 1.0);
        let t = offset_s + period_s * (k + 0.5 + jitter);
        if t > length_s {
            break;
        }
        t_s.push(t - rise.reference_s);
        y.push(rise.at(t) + NOISE * (rise.high - rise.low) * random.normal());
        k += 1.0;
    }
    let Ok(found) = measure_first_rise(&t_s, &y) else {
        return;
    };
    let truth = LEVELS.map(|level| rise.crossing(level) - rise.reference_s);
    let bound_s = rise.bound_s(&t_s);
    for (k, level) in LEVELS.into_iter().enumerate() {
        if let Some(crossing) = found.crossing(level) {
            add(&mut sums[k], crossing.t_s - truth[k], crossing.u_s, bound_s);
        }
    }
    if let Some(spread) = found.between(0.1, 0.9) {
        add(
            &mut sums[3],
            spread.t_s - (truth[2] - truth[0]),
            spread.u_s,
            f64::NAN,
        );
    }
}

fn add(sum: &mut [f64; 6], error_s: f64, u_s: f64, bound_s: f64) {
    let held = f64::from(u8::from(error_s.abs() <= 1.96 * u_s));
    let parts = [
        1.0,
        error_s,
        error_s * error_s,
        bound_s * bound_s,
        u_s,
        held,
    ];
    for (s, part) in sum.iter_mut().zip(parts) {
        *s += part;
    }
}
