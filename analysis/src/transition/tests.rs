//! Transitions of waveforms whose crossings are known in closed form, with noise, uneven sampling
//! and quantisation.

use proptest::prelude::*;

use super::*;
use crate::trial::{Random, stamps};

/// A waveform and its true crossings, s.
struct Truth {
    name: &'static str,
    value: fn(f64) -> f64,
    /// 10, 50 and 90 %.
    crossing_s: [f64; 3],
}

/// Solves `g(s) = level` for a rising `g` by halving.
fn solve(g: fn(f64) -> f64, level: f64) -> f64 {
    let (mut low, mut high) = (0.0, 2.0);
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if g(middle) < level {
            low = middle
        } else {
            high = middle
        }
    }
    0.5 * (low + high)
}

/// Dead time 80 ms, then `g`.
fn truths() -> Vec<Truth> {
    // First order with dead time 80 ms and time constant 120 ms: t10 .092643, t50 .163178, t90
    // .356310 s, from theta - tau ln(1 - level).
    fn slow(t: f64) -> f64 {
        if t < 0.08 {
            0.0
        } else {
            -(-(t - 0.08) / 0.12).exp_m1()
        }
    }
    fn brisk(t: f64) -> f64 {
        if t < 0.08 {
            0.0
        } else {
            -(-(t - 0.08) / 0.035).exp_m1()
        }
    }
    fn ramp(t: f64) -> f64 {
        ((t - 0.08) / 0.1).clamp(0.0, 1.0)
    }
    /// Two equal lags of 25 ms.
    fn second(t: f64) -> f64 {
        let x = (t - 0.08).max(0.0) / 0.025;
        1.0 - (1.0 + x) * (-x).exp()
    }
    /// Flow-limited for 60 ms, then a lag of 25 ms.
    fn limited(t: f64) -> f64 {
        let s = (t - 0.08).max(0.0);
        if s < 0.06 {
            s / 0.085
        } else {
            1.0 - 0.025 / 0.085 * (-(s - 0.06) / 0.025).exp()
        }
    }
    let of = |name, value: fn(f64) -> f64| Truth {
        name,
        value,
        crossing_s: [0.1, 0.5, 0.9].map(|level| solve(value, level)),
    };
    vec![
        of("first order, slow", slow),
        of("first order, brisk", brisk),
        of("ramp", ramp),
        of("second order", second),
        of("ramp, then lag", limited),
    ]
}

#[test]
fn the_published_check_values_of_a_first_order_rise() {
    let [t10, t50, t90] = truths()[0].crossing_s;
    assert!((t10 - 0.092_643).abs() < 1e-6);
    assert!((t50 - 0.163_178).abs() < 1e-6);
    assert!((t90 - 0.356_310).abs() < 1e-6);
}

/// One sampled waveform of amplitude 12 on a pedestal of 0.4, from `-0.3` to 1.2 s.
fn sampled(
    truth: &Truth,
    random: &mut Random,
    period_s: f64,
    jitter: f64,
    noise: f64,
) -> (Vec<f64>, Vec<f64>) {
    let t = stamps(random, -0.3, 1.2, period_s, jitter);
    let y = t
        .iter()
        .map(|&t| 0.4 + 12.0 * ((truth.value)(t) + noise * random.normal()))
        .collect();
    (t, y)
}

#[test]
fn without_noise_the_crossings_are_found_whatever_the_phase() {
    let mut random = Random::new(7);
    for truth in truths() {
        for _ in 0..20 {
            let (t, y) = sampled(&truth, &mut random, 0.010, 0.2, 0.0);
            let rise = measure_rise(&t, &y).unwrap();
            for (share, true_s) in [0.1, 0.5, 0.9].into_iter().zip(truth.crossing_s) {
                let found = rise.crossing(share).unwrap();
                let off = found.t_s - true_s;
                assert!(
                    off.abs() < 3e-4,
                    "{} at {share}: {off} u {}",
                    truth.name,
                    found.u_s
                );
            }
        }
    }
}

/// Bias, root mean square and share covered by 1.96 u, of each crossing and of the rise time.
fn study(truth: &Truth, seed: u64, period_s: f64, noise: f64, n: usize) -> [[f64; 3]; 4] {
    let mut random = Random::new(seed);
    let mut sums = [[0.0; 3]; 4];
    for _ in 0..n {
        let (t, y) = sampled(truth, &mut random, period_s, 0.1, noise);
        let rise = measure_rise(&t, &y).unwrap();
        let truth_s = truth.crossing_s;
        let found = [0.1, 0.5, 0.9].map(|share| rise.crossing(share).unwrap());
        let spread = rise.between(0.1, 0.9).unwrap();
        let offs = [
            (found[0].t_s - truth_s[0], found[0].u_s),
            (found[1].t_s - truth_s[1], found[1].u_s),
            (found[2].t_s - truth_s[2], found[2].u_s),
            (spread.t_s - (truth_s[2] - truth_s[0]), spread.u_s),
        ];
        for (sum, (off, u)) in sums.iter_mut().zip(offs) {
            sum[0] += off;
            sum[1] += off * off;
            sum[2] += f64::from(off.abs() <= 1.96 * u);
        }
    }
    let n = n as f64;
    sums.map(|[a, b, c]| [a / n, (b / n).sqrt(), c / n])
}

/// Fewer recordings than `examples/transition_calibration`, which shows the same in full.
#[test]
fn with_noise_the_times_are_unbiased_and_their_uncertainty_is_honest() {
    let recordings = 40;
    let mut covered_in_all = 0.0;
    let mut studied = 0.0;
    for truth in truths() {
        for period_s in [0.010, 0.020] {
            let result = study(&truth, 11, period_s, 0.01, recordings);
            let [_, [bias, rms, _], ..] = result;
            // The root mean square is known to about a ninth of itself from 40 recordings.
            assert!(
                bias.abs() < 3e-4,
                "{} {period_s}: delay bias {bias}",
                truth.name
            );
            assert!(
                rms < 0.1 * period_s,
                "{} {period_s}: delay rms {rms}",
                truth.name
            );
            for [_, _, covered] in result {
                covered_in_all += covered;
                studied += 1.0;
            }
        }
    }
    let covered = covered_in_all / studied;
    // Known to about half a per cent from so few. These rises have forms that are among those tried; the
    // uncertainty has room for one that is not.
    assert!((0.93..0.985).contains(&covered), "{covered}");
}

/// Dead time 0.1 s, in which pressure creeps to a share of the step, then a rise of 60 ms.
fn footed(foot: f64, rise: fn(f64) -> f64) -> (impl Fn(f64) -> f64, [f64; 3]) {
    let filled = |t: f64| (t / 0.1).clamp(0.0, 1.0);
    let value = move |t: f64| foot * filled(t) + (1.0 - foot) * rise(t - 0.1);
    let crossing_s = [0.1, 0.5, 0.9].map(|level| 0.1 + solve(rise, (level - foot) / (1.0 - foot)));
    (value, crossing_s)
}

/// Pressure that creeps while the clearance fills, and frames so slow that one or two lie within the
/// rise: what is told is told with an uncertainty that holds.
#[test]
fn a_foot_and_slow_frames_are_told_honestly() {
    let rises: [fn(f64) -> f64; 3] = [
        |s| (s / 0.06).clamp(0.0, 1.0),
        |s| -(-s.max(0.0) / 0.03).exp_m1(),
        |s| {
            let x = (s / 0.012).max(0.0);
            1.0 - (1.0 + x) * (-x).exp()
        },
    ];
    let mut random = Random::new(81);
    for (period_s, most_u_s) in [(0.01, 0.003), (0.02, 0.006), (0.05, 0.018), (0.1, 0.045)] {
        let (mut held, mut all, mut u_s) = ([0; 3], 0, 0.0);
        for rise in rises {
            for k in 0..60 {
                let (value, [t10, t50, t90]) = footed(0.02 * f64::from(k % 5), rise);
                let t = stamps(&mut random, -0.5, 1.5, period_s, 0.02);
                let noisy = |t: &f64| ((20.0 * value(*t) + 0.05 * random.normal()) / 0.05).round();
                let y: Vec<f64> = t.iter().map(noisy).map(|code| 0.05 * code).collect();
                let found = measure_first_rise(&t, &y).unwrap();
                let low = found.crossing(0.1).unwrap();
                let times = [
                    (low, t10),
                    (found.crossing(0.5).unwrap(), t50),
                    (found.between(0.1, 0.9).unwrap(), t90 - t10),
                ];
                for (held, (found, truth)) in held.iter_mut().zip(times) {
                    *held += usize::from((found.t_s - truth).abs() <= 1.96 * found.u_s);
                }
                all += 1;
                u_s += low.u_s;
            }
        }
        let u_s = u_s / all as f64;
        assert!(u_s < most_u_s, "{period_s}: {u_s}");
        for held in held {
            assert!(held * 100 >= all * 84, "{period_s}: {held} of {all}");
        }
    }
}

/// A coarse code makes steps; they count as noise and the times stay right.
#[test]
fn quantisation_counts_as_noise() {
    let mut random = Random::new(5);
    for truth in truths() {
        let (mut covered, mut squares) = (0.0, 0.0);
        for _ in 0..40 {
            let (t, mut y) = sampled(&truth, &mut random, 0.010, 0.1, 0.0);
            for v in &mut y {
                // Sixty codes to the step.
                *v = (*v / 0.2).round() * 0.2;
            }
            let found = measure_rise(&t, &y).unwrap().crossing(0.5).unwrap();
            let off = found.t_s - truth.crossing_s[1];
            covered += f64::from(off.abs() < 1.96 * found.u_s) / 40.0;
            squares += off * off / 40.0;
        }
        assert!(
            squares.sqrt() < 1e-3 && covered > 0.8,
            "{} {} {covered}",
            truth.name,
            squares.sqrt()
        );
    }
}

#[test]
fn a_step_shorter_than_two_samples_is_interpolated_and_says_so() {
    let t: Vec<f64> = (0..100).map(|i| f64::from(i) * 0.01).collect();
    let y: Vec<f64> = t
        .iter()
        .map(|&t| if t < 0.5 { 0.0 } else { 10.0 })
        .collect();
    let rise = measure_rise(&t, &y).unwrap();
    assert!(rise.is_interpolated());
    let half = rise.crossing(0.5).unwrap();
    assert!(
        (half.t_s - 0.495).abs() < 1e-9 && half.u_s > 0.002,
        "{half:?}"
    );
}

#[test]
fn what_is_no_step_says_why() {
    assert_eq!(
        measure_rise(&[0.0], &[1.0]).unwrap_err(),
        NoRise::TooFewSamples { have: 1 }
    );
    assert_eq!(
        measure_rise(&[0.0; 8], &[1.0; 8]).unwrap_err(),
        NoRise::InNoise
    );
    let mut random = Random::new(3);
    let t: Vec<f64> = (0..200).map(|i| f64::from(i) * 0.01).collect();
    let y: Vec<f64> = t.iter().map(|_| random.normal()).collect();
    assert!(measure_rise(&t, &y).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever comes in, no panic and no number that is not finite comes out.
    #[test]
    fn any_input_is_borne(
        mut t in prop::collection::vec(-1e6..1e6_f64, 0..60),
        y in prop::collection::vec(prop_oneof![Just(0.0), Just(1.0), -1e3..1e3_f64], 0..60),
    ) {
        t.sort_by(f64::total_cmp);
        if let Ok(rise) = measure_rise(&t, &y) {
            for share in [0.1, 0.5, 0.9] {
                if let Some(found) = rise.crossing(share) {
                    prop_assert!(found.t_s.is_finite() && found.u_s.is_finite());
                }
            }
        }
    }
}
