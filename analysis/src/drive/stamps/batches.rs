//! Frames that an adapter hands over in batches, stamped when they are handed over.
//!
//! A frame was received after the hand-over before its own and no later than its own. With frame `k`
//! of a signal sent at `a + k P`, each frame bounds `a` from both sides, and the bounds of many
//! frames together leave little between them; where the batches keep step with the period they leave a
//! whole period, and the uncertainty says so.

use std::collections::HashSet;

use slipwright_decoders::role::Role;
use slipwright_decoders::signal::Series;

/// Stamps closer than this share of a signal's mean interval came in one batch.
const TOGETHER_SHARE: f64 = 0.2;

/// Frames come in batches where this share of a signal's intervals lie within one.
const BATCHED_SHARE: f64 = 0.2;

/// A signal was handed over in the batches where this share of its stamps is theirs.
const SAME_STAMPS_SHARE: f64 = 0.95;

/// Fewest frames that show batches.
const LEAST_FRAMES: usize = 50;

/// The share of intervals within batches is taken from so many stretches of a drive,
const STRETCHES: usize = 10;
/// of so many frames.
const STRETCH_FRAMES: usize = 500;

/// One pace is followed for no longer, ns: a period that is a little off adds up.
const LONGEST_PACE_NS: f64 = 2e9;

/// Bounds may cross by this share of the period: frames jitter.
const CROSSED_SHARE: f64 = 0.1;

/// A period written as a round number lies this close to the mean interval.
const ROUND_SHARE: f64 = 0.03;

/// When the batches of a recording were handed over.
pub(in super::super) struct Batches {
    /// First and last stamp of each, ns.
    at_ns: Vec<(i64, i64)>,
}

impl Batches {
    /// The batches that a drive's signals show; `None` where its frames came one by one: a frame
    /// that its sender sends in pairs is alone with it.
    pub(in super::super) fn of(found: &[(Role, &Series)]) -> Option<Self> {
        let mut seen = HashSet::new();
        let frames: Vec<&Series> = found
            .iter()
            .map(|(_, series)| *series)
            .filter(|s| s.t_ns.len() >= LEAST_FRAMES && seen.insert((&s.bus, s.id)))
            .collect();
        let batched: Vec<&Series> = frames
            .iter()
            .copied()
            .filter(|s| together_share(&s.t_ns) >= BATCHED_SHARE)
            .collect();
        let interval = |s: &Series| mean_interval_ns(&s.t_ns);
        let fastest = |of: &[&Series]| of.iter().map(|s| interval(s)).reduce(f64::min);
        let (own, all) = (fastest(&batched)?, fastest(&frames)?);
        if own > 1.5 * all || batched.iter().any(|s| !s.t_ns.is_sorted()) {
            return None;
        }
        let mut stamps: Vec<i64> = batched
            .iter()
            .flat_map(|s| s.t_ns.iter().copied())
            .collect();
        stamps.sort_unstable();
        let apart = (TOGETHER_SHARE * own) as i64;
        let mut at_ns: Vec<(i64, i64)> = Vec::new();
        for t in stamps {
            match at_ns.last_mut() {
                Some(last) if t.saturating_sub(last.1) <= apart => last.1 = t,
                _ => at_ns.push((t, t)),
            }
        }
        let batches = Self { at_ns };
        // A sender that sends in pairs makes batches of its own frames alone.
        let theirs = frames.iter().filter(|s| batches.holds(&s.t_ns)).count();
        (2 * theirs > frames.len()).then_some(batches)
    }

    /// Whether the stamps of a signal are theirs, as far as some of them tell.
    fn holds(&self, t_ns: &[i64]) -> bool {
        let every = t_ns.len().div_ceil(STRETCH_FRAMES);
        let some = || t_ns.iter().step_by(every);
        let within = |t: i64| {
            let next = self.at_ns.partition_point(|b| b.0 <= t);
            next.checked_sub(1).is_some_and(|i| t <= self.at_ns[i].1)
        };
        let theirs = some().filter(|t| within(**t)).count();
        theirs as f64 >= SAME_STAMPS_SHARE * some().count() as f64
    }

    /// Middle time between two batches, ns.
    pub(in super::super) fn interval_ns(&self) -> f64 {
        let mut gaps: Vec<i64> = self
            .at_ns
            .windows(2)
            .map(|w| w[1].0.saturating_sub(w[0].0))
            .collect();
        gaps.sort_unstable();
        gaps.get(gaps.len() / 2).map_or(0.0, |&g| g as f64)
    }

    /// What a reader of the times must know.
    pub(in super::super) fn sentence(&self) -> String {
        format!(
            "frames were handed over in batches, about every {:.0} ms, and stamped then; their times are spread over each batch by their own periods, and the uncertainty of times counts what that leaves open",
            1e-6 * self.interval_ns()
        )
    }

    /// A signal's stamps, spread over the batches by its own period, and the standard uncertainty that
    /// they share, s. `None` where they are not of these batches.
    pub(super) fn spread(&self, t_ns: &[i64], timeout_ns: i64) -> Option<(Vec<i64>, f64)> {
        if t_ns.len() < LEAST_FRAMES {
            return None;
        }
        let received = self.received(t_ns)?;
        let mean = mean_interval_ns(t_ns);
        let millisecond = (mean * 1e-6).round() * 1e6;
        let stated = timeout_ns as f64 / 5.0;
        [stated, millisecond, mean]
            .into_iter()
            .filter(|p| *p > 0.0 && (p - mean).abs() <= ROUND_SHARE * mean)
            .map(|period| paces(&received, period))
            // The true period is the one that breaks the fewest bounds; the mean is known least well.
            .min_by_key(Vec::len)
            .map(|paces| placed(t_ns, &paces))
    }

    /// Each frame's earliest and latest time of receipt.
    fn received(&self, t_ns: &[i64]) -> Option<Vec<(f64, f64)>> {
        let usual = self.interval_ns() as i64;
        let mut next = 0;
        let mut theirs = 0;
        let received = t_ns
            .iter()
            .map(|&t| {
                while self.at_ns.get(next + 1).is_some_and(|b| b.0 <= t) {
                    next += 1;
                }
                let (first, last) = self.at_ns[next];
                let is_theirs = first <= t && t <= last;
                theirs += usize::from(is_theirs);
                let latest = if is_theirs { first } else { t };
                let before = match (is_theirs, next.checked_sub(1)) {
                    (true, Some(k)) => self.at_ns[k].0,
                    (true, None) => first.saturating_sub(usual),
                    (false, _) => first.min(t),
                };
                (
                    before.saturating_sub(t_ns[0]) as f64,
                    latest.saturating_sub(t_ns[0]) as f64,
                )
            })
            .collect();
        (theirs as f64 >= SAME_STAMPS_SHARE * t_ns.len() as f64).then_some(received)
    }
}

/// A stretch of frames at one pace: how many, its first frame's time, and the half width of what
/// the bounds leave, ns.
struct Pace {
    frames: usize,
    from: f64,
    period: f64,
    left: f64,
}

fn paces(received: &[(f64, f64)], period: f64) -> Vec<Pace> {
    let mut paces = Vec::new();
    let mut start = 0;
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    let mut close = |start: usize, end: usize, low: f64, high: f64| {
        paces.push(Pace {
            frames: end - start,
            from: 0.5 * (low + high),
            period,
            left: 0.5 * (high - low).max(0.0),
        });
    };
    for (i, &(earliest, latest)) in received.iter().enumerate() {
        let passed = (i - start) as f64 * period;
        let (new_low, new_high) = (low.max(earliest - passed), high.min(latest - passed));
        let (width, before) = (new_high - new_low, high - low);
        // Where batches keep step with the period a lost frame moves the bounds side by side.
        let moved = before > 0.5 * period && width < 0.05 * period;
        let broken = width < -CROSSED_SHARE * period || moved || passed > LONGEST_PACE_NS;
        if broken && i > start {
            close(start, i, low, high);
            start = i;
            (low, high) = (earliest, latest);
        } else {
            (low, high) = (new_low, new_high);
        }
    }
    if start < received.len() {
        close(start, received.len(), low, high);
    }
    paces
}

/// The frames' times, which rise, and their common standard uncertainty.
fn placed(t_ns: &[i64], paces: &[Pace]) -> (Vec<i64>, f64) {
    let mut out: Vec<i64> = Vec::with_capacity(t_ns.len());
    let mut squares = 0.0;
    for pace in paces {
        for k in 0..pace.frames {
            let since = (pace.from + k as f64 * pace.period).round() as i64;
            let t = t_ns[0].saturating_add(since);
            let after = out.last().map_or(i64::MIN, |last| last.saturating_add(1));
            out.push(t.max(after));
        }
        // Evenly likely over what the bounds leave.
        squares += pace.frames as f64 * pace.left * pace.left / 3.0;
    }
    let u_s = 1e-9 * (squares / out.len().max(1) as f64).sqrt();
    (out, u_s)
}

fn mean_interval_ns(t_ns: &[i64]) -> f64 {
    match t_ns {
        [first, .., last] => last.saturating_sub(*first) as f64 / (t_ns.len() - 1) as f64,
        _ => f64::INFINITY,
    }
}

fn together_share(t_ns: &[i64]) -> f64 {
    let apart = (TOGETHER_SHARE * mean_interval_ns(t_ns)) as i64;
    let stretches = t_ns.chunks((t_ns.len() / STRETCHES).max(STRETCH_FRAMES));
    // Stretches, for every so many of them would keep step with the batches.
    let (mut together, mut all) = (0, 0);
    for stretch in stretches {
        let some = &stretch[..stretch.len().min(STRETCH_FRAMES)];
        together += some
            .windows(2)
            .filter(|w| w[1].saturating_sub(w[0]) <= apart)
            .count();
        all += some.len().saturating_sub(1);
    }
    together as f64 / all.max(1) as f64
}

#[cfg(test)]
mod tests {
    use slipwright_decoders::unit::Unit;

    use super::*;
    use crate::trial::{EPOCH_NS, Random, series};

    /// Frames every `period_s` from `from_s` on, for 20 s, and when they were handed over.
    fn frames(period_s: f64, from_s: f64, batch_s: f64) -> (Vec<f64>, Vec<f64>) {
        let mut random = Random::new(41);
        let sent: Vec<f64> = (0..(20.0 / period_s) as u32)
            .map(|k| from_s + period_s * f64::from(k) + 2e-4 * random.uniform())
            .collect();
        let stamped = sent
            .iter()
            .map(|t| (t / batch_s).ceil() * batch_s)
            .collect();
        (sent, stamped)
    }

    fn seconds(t_ns: i64) -> f64 {
        (t_ns - EPOCH_NS) as f64 * 1e-9
    }

    #[test]
    fn frames_of_a_batch_are_spread_by_their_period() {
        for (batch_s, fast_s) in [(0.02, 0.01), (0.05, 0.01), (0.033, 0.01), (0.0487, 0.013)] {
            let (sent, stamped) = frames(fast_s, 0.0031, batch_s);
            let (slow_sent, slow_stamped) = frames(0.02, 0.0044, batch_s);
            let fast = series(Role::CouplingPressure, Unit::Bar, &stamped, |t| t);
            let mut slow = series(Role::CouplingDemand, Unit::Percent, &slow_stamped, |t| t);
            slow.id = slipwright_decoders::frame::CanId::Base(0x101);
            let found = [
                (Role::CouplingPressure, &fast),
                (Role::CouplingDemand, &slow),
            ];
            let batches = Batches::of(&found).unwrap();
            assert!((batches.interval_ns() * 1e-9 - batch_s).abs() < 0.001);
            for (series, sent) in [(&fast, &sent), (&slow, &slow_sent)] {
                let (t_ns, u_s) = batches.spread(&series.t_ns, series.timeout_ns).unwrap();
                assert!(u_s <= 0.02 / 12.0_f64.sqrt() + 1e-4, "{u_s}");
                let most = t_ns
                    .iter()
                    .zip(sent)
                    .map(|(t, s)| (seconds(*t) - s).abs())
                    .fold(0.0, f64::max);
                assert!(most < 2.0 * u_s + 8e-4, "{batch_s}: {most}, u {u_s}");
                assert!(t_ns.windows(2).all(|w| w[1] > w[0]));
            }
            // Batches that slip against the period tell the time to a fraction of it.
            if batch_s == 0.033 || batch_s == 0.0487 {
                let (_, u_s) = batches.spread(&fast.t_ns, fast.timeout_ns).unwrap();
                assert!(u_s < 6e-4, "{u_s}");
            }
        }
    }

    #[test]
    fn a_lost_frame_moves_the_rest_of_its_batch_only() {
        for batch_s in [0.05, 0.033] {
            let (mut sent, mut stamped) = frames(0.01, 0.0031, batch_s);
            for lost in [1500, 900, 333] {
                sent.remove(lost);
                stamped.remove(lost);
            }
            let one = series(Role::CouplingPressure, Unit::Bar, &stamped, |t| t);
            let batches = Batches::of(&[(Role::CouplingPressure, &one)]).unwrap();
            let (t_ns, _) = batches.spread(&one.t_ns, one.timeout_ns).unwrap();
            let off = t_ns
                .iter()
                .zip(&sent)
                .filter(|(t, s)| (seconds(**t) - **s).abs() > 0.008)
                .count();
            assert!(off <= 3 * 6, "{batch_s}: {off}");
        }
    }

    #[test]
    fn frames_that_come_one_by_one_are_no_batches() {
        let mut random = Random::new(42);
        let jittered: Vec<f64> = (0..500)
            .map(|k| 0.01 * (f64::from(k) + 0.2 * random.uniform()))
            .collect();
        let one = series(Role::CouplingPressure, Unit::Bar, &jittered, |t| t);
        assert!(Batches::of(&[(Role::CouplingPressure, &one)]).is_none());
        // A sender that sends in pairs, beside a faster one that does not, or one as fast.
        let pairs: Vec<f64> = (0..500)
            .map(|k| 0.05 * f64::from(k / 2) + 0.001 * f64::from(k % 2))
            .collect();
        let mut paired = series(Role::CouplingDemand, Unit::Percent, &pairs, |t| t);
        paired.id = slipwright_decoders::frame::CanId::Base(0x101);
        let found = [
            (Role::CouplingPressure, &one),
            (Role::CouplingDemand, &paired),
        ];
        assert!(Batches::of(&found).is_none());
        let slower: Vec<f64> = jittered.iter().map(|t| 2.5 * t).collect();
        let slower = series(Role::CouplingPressure, Unit::Bar, &slower, |t| t);
        let found = [
            (Role::CouplingPressure, &slower),
            (Role::CouplingDemand, &paired),
        ];
        assert!(Batches::of(&found).is_none());
    }
}
