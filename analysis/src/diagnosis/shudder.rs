//! Shudder: swings of slip in 4 to 30 Hz while the closed coupling slips slowly, against the same
//! swings with the coupling open.
//!
//! Shudder stands at few frequencies, those of the driveline's own swing and of sticking and slipping,
//! while a wheel sensor's noise fills the whole band. Slip is cut into pieces, each without its straight line and under a Hann
//! window; the power of many pieces, frequency by frequency (P. D. Welch, The use of fast Fourier
//! transform for the estimation of power spectra, IEEE Trans. Audio Electroacoust. 15 (1967) 70-73),
//! closed over open, is largest where the coupling adds most. The sample rate limits the band: wheel
//! speeds every 20 ms tell up to 22 Hz.
//!
//! Steady sliding tells it best: a slow circle with the coupling closed. What launches and tip-ins show
//! holds the driveline's answer to the pedal too; it is a feature of its own, told only where a drive
//! has nothing steady, and only against the car's own healthy drives.

use super::feature::Feature;
use super::record::{Gathered, Observation, Scene};
use crate::closing::ClosedSpan;
use crate::drive::{at_seconds, seconds_between};
use crate::robust::{median, quantile};

/// The band and the pace through it, Hz; a piece of [`PIECE_S`] resolves twice its inverse.
const FROM_HZ: f64 = 4.0;
const TO_HZ: f64 = 30.0;
const PACE_HZ: f64 = 1.5;
/// The highest frequency that samples tell, as a share of their rate.
const NYQUIST_SHARE: f64 = 0.45;
/// Length of a piece and from one to the next, s.
const PIECE_S: f64 = 0.64;
const NEXT_S: f64 = 0.32;
/// Shudder shows at slow sliding: median difference of the shafts over a piece, as a speed of the
/// rear wheels, m/s.
const SLIDES_MPS: [f64; 2] = [0.035, 1.2];
/// The closing's own swing is over after this, and the opening's, s.
const CLOSES_S: f64 = 0.4;
const OPENS_S: f64 = 0.6;
/// Slower than this the sensors' own steps swing, m/s.
const LEAST_MPS: f64 = 1.0;
/// Deviation of the result with one piece: half the logarithm of a quantile of noise powers, of pieces
/// that overlap by half.
const ONE_PIECE: f64 = 0.5;
const NO_STEADY_SLIDING: &str = "too little slow sliding to tell its swings; hold a slow circle with the coupling closed, best uphill, the pedal past where it closes and then eased";
/// Fewest pieces on either side, and fewest samples of one.
const LEAST: usize = 4;
const LEAST_SAMPLES: usize = 12;
/// From this long after it closed a coupling that still slides does so steadily, s: the driveline's
/// answer to the pedal and to a change of gear is over. So many pieces of that are looked at alone.
const STEADY_S: f64 = 3.0;
const LEAST_STEADY: usize = 8;

pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    let (feature, observation) = match observe(scene) {
        Ok(told) => told,
        Err(why) => {
            gathered.lacks(Feature::ShortShudder, why.clone());
            return gathered.lacks(Feature::Shudder, why);
        }
    };
    if feature == Feature::ShortShudder {
        gathered.lacks(Feature::Shudder, NO_STEADY_SLIDING);
    }
    gathered.add(feature, observation);
}

fn observe(scene: &Scene<'_>) -> Result<(Feature, Observation), String> {
    let base = scene.drive.base_ns();
    let steps: Vec<f64> = base
        .windows(2)
        .map(|w| seconds_between(w[0], w[1]))
        .collect();
    let step_s = median(&steps).ok_or("too few wheel speeds")?;
    let top_hz = TO_HZ.min(NYQUIST_SHARE / step_s.max(1e-3));
    let count = ((top_hz - FROM_HZ) / PACE_HZ).floor();
    if count < 2.0 {
        return Err("wheel speeds come too seldom to tell swings from 4 Hz on".to_owned());
    }
    let bands_hz: Vec<f64> = (0..=count as u32)
        .map(|i| FROM_HZ + PACE_HZ * f64::from(i))
        .collect();
    let pieces = pieces(scene, step_s, &bands_hz)?;
    let (feature, closed) = match pieces.steady.len() >= LEAST_STEADY {
        true => (Feature::Shudder, pieces.steady),
        false => (
            Feature::ShortShudder,
            [pieces.steady, pieces.short].concat(),
        ),
    };
    if closed.len() < LEAST || pieces.open.len() < LEAST {
        return Err(NO_STEADY_SLIDING.to_owned());
    }
    // Shudder comes and goes; where there are enough pieces a higher quantile of them is looked at.
    // Powers of noise are distributed exponentially, whose quantiles over its median are taken off.
    let (share, noise) = match closed.len() {
        0..LEAST_STEADY => (0.5, 1.0),
        _ => (0.75, 2.0),
    };
    let over: Vec<f64> = (0..bands_hz.len())
        .filter_map(|band| {
            let of = |side: &[Vec<f64>]| -> Vec<f64> { side.iter().map(|p| p[band]).collect() };
            let (most, still) = (quantile(&of(&closed), share)?, median(&of(&pieces.open))?);
            (still > 0.0 && most > 0.0).then(|| 0.5 * (most / (noise * still)).ln())
        })
        .collect();
    // Neighbouring frequencies share a window's width; a line shows in two of them.
    let highest = over
        .windows(2)
        .map(|pair| 0.5 * (pair[0] + pair[1]))
        .fold(f64::NEG_INFINITY, f64::max);
    let u = ONE_PIECE / (closed.len() as f64).sqrt();
    Ok((feature, Observation::plain(highest, u)))
}

/// Powers of each piece, one a frequency.
#[derive(Default)]
struct Pieces {
    open: Vec<Vec<f64>>,
    /// Closed and sliding slowly, soon after it closed: launches and tip-ins.
    short: Vec<Vec<f64>>,
    /// Closed and sliding slowly for long.
    steady: Vec<Vec<f64>>,
}

fn pieces(scene: &Scene<'_>, step_s: f64, bands_hz: &[f64]) -> Result<Pieces, String> {
    let k = scene.kinematics;
    let (Ok(front), Ok(rear)) = (&k.front_mps, &k.rear_mps) else {
        return Err("axle speeds cannot be told".to_owned());
    };
    let base = scene.drive.base_ns();
    let (Some(&begin), Some(&end)) = (base.first(), base.last()) else {
        return Err("too few wheel speeds".to_owned());
    };
    let mut pieces = Pieces::default();
    let mut from_ns = begin;
    while from_ns < end {
        let to_ns = at_seconds(from_ns, PIECE_S);
        let at = from_ns;
        from_ns = at_seconds(from_ns, NEXT_S);
        let Some(side) = side(&k.closed, at, to_ns).filter(|_| scene.clean(at, to_ns)) else {
            continue;
        };
        let range = base.partition_point(|&t| t < at)..base.partition_point(|&t| t < to_ns);
        let (points, shafts): (Vec<(f64, f64)>, Vec<f64>) = range
            .filter_map(|i| {
                let (v_f, v_r) = (front.get(i)?, rear.get(i)?);
                let point = (seconds_between(at, base[i]), v_f - v_r);
                (v_r > LEAST_MPS).then(|| (point, scene.shafts_mps(v_f, v_r)))
            })
            .unzip();
        if points.len() < LEAST_SAMPLES || (points.len() as f64) < 0.85 * PIECE_S / step_s {
            continue;
        }
        let middle = median(&shafts).unwrap_or(0.0);
        let slides = (SLIDES_MPS[0]..SLIDES_MPS[1]).contains(&middle.abs());
        let list = match side {
            Side::Open => &mut pieces.open,
            _ if !slides => continue,
            Side::Short => &mut pieces.short,
            Side::Steady => &mut pieces.steady,
        };
        list.push(powers(&points, bands_hz));
    }
    Ok(pieces)
}

/// What the coupling does over a whole piece.
#[derive(Clone, Copy)]
enum Side {
    Open,
    Short,
    Steady,
}

/// What the coupling does over the whole piece; `None` where it opens or closes.
fn side(spans: &[ClosedSpan], from_ns: i64, to_ns: i64) -> Option<Side> {
    let next = spans.partition_point(|s| at_seconds(s.end_ns, OPENS_S) <= from_ns);
    match spans.get(next) {
        Some(span) if from_ns >= at_seconds(span.start_ns, CLOSES_S) && to_ns <= span.end_ns => {
            match from_ns >= at_seconds(span.start_ns, STEADY_S) {
                true => Some(Side::Steady),
                false => Some(Side::Short),
            }
        }
        Some(span) if to_ns > at_seconds(span.start_ns, -0.2) => None,
        _ => Some(Side::Open),
    }
}

/// Power of the piece at these frequencies, without its line, under a Hann window.
fn powers(points: &[(f64, f64)], bands_hz: &[f64]) -> Vec<f64> {
    let n = points.len() as f64;
    let (t, v) = points
        .iter()
        .fold((0.0, 0.0), |(t, v), p| (t + p.0 / n, v + p.1 / n));
    let (mut tt, mut tv) = (0.0, 0.0);
    for p in points {
        tt += (p.0 - t).powi(2);
        tv += (p.0 - t) * (p.1 - v);
    }
    let slope = if tt > 0.0 { tv / tt } else { 0.0 };
    bands_hz
        .iter()
        .map(|hz| {
            let (mut re, mut im) = (0.0, 0.0);
            for p in points {
                let phase = std::f64::consts::TAU * p.0;
                let window = 0.5 * (1.0 - (phase / PIECE_S).cos());
                let rest = window * (p.1 - v - slope * (p.0 - t));
                let (sine, cosine) = (hz * phase).sin_cos();
                re += rest * cosine;
                im += rest * sine;
            }
            (re * re + im * im) / (n * n)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Random;

    #[test]
    fn a_line_stands_out_of_noise_at_its_frequency() {
        let mut random = Random::new(8);
        let bands: Vec<f64> = (0..18).map(|i| 4.0 + 1.5 * f64::from(i)).collect();
        let mut sum = vec![0.0; bands.len()];
        for _ in 0..20 {
            let piece: Vec<(f64, f64)> = (0..64)
                .map(|i| {
                    let t = 0.01 * f64::from(i);
                    let line = 0.02 * (std::f64::consts::TAU * 13.0 * t).sin();
                    (t, 0.3 + 0.5 * t + line + 0.03 * random.normal())
                })
                .collect();
            for (s, p) in sum.iter_mut().zip(powers(&piece, &bands)) {
                *s += p;
            }
        }
        let most = sum.iter().copied().fold(0.0, f64::max);
        let at = sum.iter().position(|&p| p == most).unwrap();
        assert!((bands[at] - 13.0).abs() <= 1.5, "{}", bands[at]);
        let others = median(&sum).unwrap();
        assert!(most > 5.0 * others, "{most} {others}");
    }
}
