//! Whether four fields are wheel speeds: one scale, the same quick changes, and yet four numbers, each
//! with noise of its own.
//!
//! The last step of the search in `wheel_speed`: a set of four goes in, a score with its reasons comes
//! out.

use super::candidate::{Candidate, Source};
use super::content_numbers::parted;
use super::reference::Aligned;
use super::speed_scale;
use super::statistics::{correlation, deviation, line, mean, mean_of_series, smooth};
use super::timeline::Timeline;
use super::wheel_field::{
    leave_out_foreign_ones, leave_out_impossible_speeds, level_lengths, level_lowest_bits,
};
use super::wheel_own::{self, Apart, least_own};
use super::wheel_speed::{ACCEPTANCE_SCORE, LEAST_R2, SCALE_SHARE, SpeedLike, WheelSet};

/// Window over which slow change is taken out, s.
const SLOW_S: f64 = 4.0;
/// Least deviation of each from what the others tell, in counts. Rounding alone gives
/// sqrt(1/12) = 0.29 and up to 0.41 for a copy of one other.
const LEAST_OWN_NOISE: f64 = 0.45;

/// Steps from which rounding hides what a wheel has of its own, km/h: 0.45 counts of it are 0.01 m/s.
const COARSE_STEP_KMH: f64 = 0.08;
/// Where they do, four that leave their mean by so many counts, and so much alike, may be the wheels: copies
/// leave it by their rounding.
const LEAST_APART: f64 = 0.9;
const LEAST_BALANCE: f64 = 0.6;
/// Speed that a field must be able to tell, and that its bits in use may reach, km/h.
const LEAST_TOP_KMH: f64 = 60.0;
const MOST_TOP_KMH: f64 = 2_000.0;

/// Brings four fields to one lowest bit and one length, and scores them.
pub(crate) fn judge(
    sources: &[Source],
    candidates: &[Candidate],
    mut four: [SpeedLike; 4],
    reference: Option<&Aligned>,
    axis: &Timeline,
) -> Option<WheelSet> {
    level_lowest_bits(sources, candidates, &mut four, axis)?;
    let unproven = level_lengths(sources, candidates, &mut four, axis)?;
    for (k, a) in four.iter().enumerate() {
        let mut after = four.iter().skip(k + 1);
        if after.any(|b| !may_both_be(sources, candidates, a, b)) {
            return None;
        }
    }
    let mut unproven = unproven;
    let mut scale = reference
        .and_then(|reference| speed_scale::estimate(&mean_of(&four, axis), reference, axis));
    for leave_out in [leave_out_foreign_ones, leave_out_impossible_speeds] {
        if let (Some(reference), Some(so_far)) = (reference, scale)
            && leave_out(sources, candidates, &mut four, &mut unproven, &so_far, axis)
        {
            scale = speed_scale::estimate(&mean_of(&four, axis), reference, axis);
        }
    }
    if reference.is_some() && scale.is_none() {
        return None;
    }
    let common = mean_of(&four, axis);
    let raws: Vec<&[f64]> = four.iter().map(|like| like.raw.as_slice()).collect();
    let mut score: f64 = 1.0;
    let mut evidence = Vec::new();
    let mut lower = |factor: f64, why: String| {
        if factor < 0.999 {
            score *= factor.clamp(0.0, 1.0);
        }
        evidence.push(why);
    };
    // Against the reference.
    if let (Some(reference), Some(scale)) = (reference, &scale) {
        let worst = four.iter().map(|like| like.r2).fold(1.0, f64::min);
        let variation = deviation(&reference.speed_mps);
        let factor = ((worst - LEAST_R2) / (0.9 - LEAST_R2)).clamp(0.3, 1.0);
        lower(
            factor,
            format!(
                "follows the {} (r2 {worst:.3} or better for each, residual {:.2} m/s, lag {:.2} s)",
                reference.kind.text(),
                scale.residual_mps,
                reference.lag_s
            ),
        );
        let reach = |bits: f64| (bits.exp2() - 1.0) * scale.scale_kmh + scale.offset_kmh;
        let top = reach(f64::from(four[0].field.length()));
        // Where codes for "not available" moved the highest bits, nothing says that speeds use them.
        let highest = raws
            .iter()
            .copied()
            .flatten()
            .fold(0.0_f64, |a, b| a.max(*b));
        let top_measured = reach((highest + 1.0).log2().ceil());
        let can_stand = scale.offset_kmh <= 0.5 + 3.0 * scale.u_offset_kmh;
        let plausible = top >= LEAST_TOP_KMH && top_measured <= MOST_TOP_KMH;
        if !plausible || !can_stand || variation < 0.05 {
            lower(
                0.5,
                format!(
                    "a field of this scale would reach from {:.0} to {top:.0} km/h",
                    scale.offset_kmh
                ),
            );
        }
    }
    // Among themselves: one scale.
    let slopes: Vec<f64> = raws
        .iter()
        .map(|raw| line(&common, raw, |_| true).slope)
        .collect();
    let spread = slopes.iter().map(|s| (s - 1.0).abs()).fold(0.0, f64::max);
    lower(
        (1.0 - ((spread - 0.02) / SCALE_SHARE).clamp(0.0, 1.0) * 0.6).min(1.0),
        format!("one scale within {:.1} %", 100.0 * spread),
    );
    // The same quick changes.
    let window = axis.points(SLOW_S);
    let short = axis.points(0.3);
    let quick: Vec<Vec<f64>> = raws
        .iter()
        .map(|raw| {
            let (near, slow) = (smooth(raw, short), smooth(raw, window));
            near.iter().zip(&slow).map(|(a, b)| a - b).collect()
        })
        .collect();
    let mut least_shared: f64 = 1.0;
    let mut largest_apart: f64 = 0.0;
    for (k, a) in quick.iter().enumerate() {
        for (j, b) in quick.iter().enumerate().skip(k + 1) {
            least_shared = least_shared.min(correlation(a, b));
            let apart: Vec<f64> = raws[k].iter().zip(raws[j]).map(|(a, b)| a - b).collect();
            largest_apart = largest_apart.max(mean(&apart).abs());
        }
    }
    lower(
        (0.4 + 0.6 * ((least_shared - 0.1) / 0.4).clamp(0.0, 1.0)).min(1.0),
        format!("quick changes shared by all four (correlation {least_shared:.2} or better)"),
    );
    // Means alike: four wheels of one car.
    let zero = scale.map_or(0.0, |scale| -scale.offset_kmh / scale.scale_kmh.max(1e-9));
    let span = (mean(&common) - zero).abs().max(deviation(&common));
    let share = largest_apart / span.max(1e-9);
    lower(
        1.0 - 0.7 * ((share - 0.04) / 0.1).clamp(0.0, 1.0),
        format!("means within {:.1} %", 100.0 * share),
    );
    if reference.is_none() {
        // Speeds rest at a floor and vary widely; without a reference that is all there is.
        let wide = deviation(&common) > 8.0 && least_shared > 0.6;
        lower(
            if wide { 0.8 } else { 0.3 },
            "no reference speed: told by their likeness alone".to_owned(),
        );
    }
    // The dearest question last, and only where it decides.
    let (own, apart) = match raws.as_slice() {
        &[a, b, c, d] if score >= ACCEPTANCE_SCORE => {
            let raws = [a, b, c, d];
            (least_own(&raws), wheel_own::apart(&raws))
        }
        _ => (0.0, Apart::default()),
    };
    if score >= ACCEPTANCE_SCORE {
        let coarse = scale.filter(|scale| scale.scale_kmh >= COARSE_STEP_KMH);
        let turn = apart.least >= LEAST_APART && apart.balance >= LEAST_BALANCE;
        if let Some(scale) = coarse.filter(|_| own < LEAST_OWN_NOISE && turn) {
            score *= 0.8;
            evidence.push(format!(
                "in steps of {} km/h rounding hides what each has of its own, but all four leave their mean alike, as wheels do in turns ({:.1} counts or more)",
                scale.scale_kmh, apart.least
            ));
        } else if own < LEAST_OWN_NOISE {
            score *= 0.3;
            evidence.push(match coarse {
                Some(scale) => format!(
                    "in steps of {} km/h they show no more of their own than rounding ({own:.2} counts): four wheels then look like copies of one speed",
                    scale.scale_kmh
                ),
                None => format!("one of them is made of the other three ({own:.2} counts apart)"),
            });
        } else {
            evidence.push(format!(
                "each has {own:.1} counts or more of its own, which the other three do not tell"
            ));
        }
    }
    let own_mps = own * scale.map_or(0.0, |scale| scale.scale_kmh / 3.6);
    Some(WheelSet {
        members: four,
        unproven,
        scale,
        score,
        own_mps,
        balance: apart.balance,
        whole: false,
        evidence,
    })
}

/// Whether two fields can be two numbers: they share no bits, or contents by turns hold another
/// number each in them.
fn may_both_be(sources: &[Source], candidates: &[Candidate], a: &SpeedLike, b: &SpeedLike) -> bool {
    let source = |like: &SpeedLike| sources.get(candidates.get(like.candidate)?.source);
    let (Some(of_a), Some(of_b)) = (source(a), source(b)) else {
        return false;
    };
    let one_frame = of_a.bus == of_b.bus && of_a.id == of_b.id;
    !one_frame
        || !a.field.shares_bits(&b.field)
        || of_a.selector != of_b.selector && parted(&a.field, &of_a.rows, &of_b.rows)
}

fn mean_of(four: &[SpeedLike; 4], axis: &Timeline) -> Vec<f64> {
    mean_of_series(&four.each_ref().map(|like| like.raw.as_slice()), axis.len())
}
