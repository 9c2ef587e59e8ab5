//! Bedding-in: new linings change over the first drives.
//!
//! Such a change makes the after set's drives differ from each other. Left alone it would pose as
//! chance, widen every interval, and hide that the last drive is not like the first. So each
//! measure's model is fitted once more with the logarithm of the engagements since the work as a
//! regressor in the after set: wear-in is fast at first and slows down, and each doubling of use
//! then changes as much. The place of an engagement within its drive is a regressor in both sets,
//! so that the warming-up which every drive shows does not read as bedding-in.
//!
//! A trend is shown if its p value, corrected by Holm over the measures, is below 2 %. It is then
//! kept in that measure's model, said in a warning, and the measure's shift is the average over
//! the after set. Where none is shown the model stays without. The mark is lower than the
//! verdicts' because a trend that is only chance, once taken out, makes the drives look more alike
//! than they are.

use super::draft::Draft;
use super::shift::{BeddingIn, estimate};
use crate::number;
use crate::statistics::holm;
use crate::words;

/// Drives after the work without which no trend over drives can be told from their spread.
const LEAST_DRIVES: usize = 3;

/// Corrected p value below which a trend is shown.
const SHOWN: f64 = 0.02;

/// Looks for trends, puts those that are shown into the measures' models, and says them.
pub(super) fn allow_for_trends(drafts: &mut [Draft]) -> Vec<String> {
    let mut found = Vec::new();
    for (index, draft) in drafts.iter().enumerate() {
        if draft.question().is_none() || draft.drives(true) < LEAST_DRIVES {
            continue;
        }
        if let Ok(shift) = estimate(&draft.observations, &draft.matching.strata, true)
            && shift.sureness.is_ok()
            && let Some(trend) = shift.trend
        {
            found.push((index, shift, trend));
        }
    }
    let corrected = holm::plain(
        &found
            .iter()
            .map(|(_, _, trend)| trend.p)
            .collect::<Vec<_>>(),
    );
    let mut warnings = Vec::new();
    for ((index, shift, trend), p) in found.into_iter().zip(corrected) {
        if p < SHOWN
            && let Some(draft) = drafts.get_mut(index)
        {
            warnings.push(sentence(draft, &trend));
            draft.shift = Ok(shift);
        }
    }
    warnings
}

fn sentence(draft: &Draft, trend: &BeddingIn) -> String {
    let u = number::u_of_interval(trend.low, trend.high);
    let unit = words::behind(draft.measure.unit());
    let falls = trend.change < 0.0;
    let (least, most) = if falls {
        (-trend.high, -trend.low)
    } else {
        (trend.low, trend.high)
    };
    format!(
        "{} still {} over the after set, by {}{unit} from its first engagement to its last (95 % \
         interval {} to {}{unit}){}: its shift is the average over the set, and drives recorded later \
         would say more of the final state",
        draft.measure.label(),
        if falls { "falls" } else { "rises" },
        number::rounded_to(trend.change.abs(), u),
        number::rounded_to(least, u),
        number::rounded_to(most, u),
        if draft.measure.rests_on_tyres() {
            ", as new linings do when they bed in"
        } else {
            ", which is not a lining that beds in but oil, air, or what the drives were like"
        },
    )
}
