//! From the parts of numbers in each byte to whole numbers: which part continues which across a byte's
//! border, in which order.
//!
//! Second step of [`super::segment`], which finds the parts.

use super::bit_activity::BitActivity;
use super::rows::Rows;
use super::segment::{LEAST_CARRY, Run, one_number, pair};
use crate::field::BitOrder;

/// Least carry at a byte border, where it decides between orders too.
const LEAST_CARRY_AT_BORDER: f64 = 0.4;

/// The lower run that continues another one in the next byte, in which order, and how surely.
#[derive(Clone, Copy, Debug)]
pub(super) struct Link {
    high: usize,
    low: usize,
    order: BitOrder,
    weight: f64,
}

/// Every link that the borders between bytes show.
pub(super) fn links(activity: &BitActivity, rows: &Rows, runs: &[Run]) -> Vec<Link> {
    let ending = |bit: usize| runs.iter().position(|run| run.last == bit);
    let beginning = |bit: usize| runs.iter().position(|run| run.first == bit);
    let bytes = activity.joint_little.len();
    let mut links = Vec::new();
    let mut noisy = Vec::new();
    for byte in 1..bytes {
        let border = 8 * byte;
        let big = (ending(border - 1), beginning(border), border - 1, border);
        let little = (
            ending(border + 7),
            beginning(border - 8),
            border + 7,
            border - 8,
        );
        for (order, (high, low, high_bit, low_bit)) in
            [(BitOrder::Big, big), (BitOrder::Little, little)]
        {
            let (Some(high), Some(low)) = (high, low) else {
                continue;
            };
            let joint = match order {
                BitOrder::Big => activity.joint_next.get(border - 1),
                BitOrder::Little => activity.joint_little.get(byte),
            };
            let pair = pair(activity, high_bit, low_bit, joint.copied().unwrap_or(0));
            let continued = || {
                let runs = runs.get(high).zip(runs.get(low));
                activity.rate(low_bit) > 0.5 * activity.rate(high_bit)
                    && runs.is_some_and(|(above, below)| one_number(rows, above, below))
            };
            let surely = if pair.significant && pair.carry > LEAST_CARRY_AT_BORDER {
                pair.carry
            } else if pair.together || pair.into_noise {
                0.5 * LEAST_CARRY
            } else if continued() {
                LEAST_CARRY
            } else {
                0.0
            };
            let flips = f64::from(activity.flips(high_bit)).min(100.0);
            let link = Link {
                high,
                low,
                order,
                weight: surely * flips.sqrt(),
            };
            if surely > 0.0 {
                links.push(link);
            } else if pair.both_noisy {
                noisy.push(link);
            }
        }
    }
    // Where carries do not show, in the noisy low bits of a number, its rest in the next byte is told
    // by having no beginning of its own: a part of a byte whose highest bit is noise already. The
    // order is then the one that the frame's other numbers have.
    let of = |order: BitOrder| -> f64 {
        links
            .iter()
            .filter(|link| link.order == order)
            .map(|link| link.weight)
            .sum()
    };
    let (big, little) = (of(BitOrder::Big), of(BitOrder::Little));
    let order = if big > little {
        BitOrder::Big
    } else {
        BitOrder::Little
    };
    if big != little {
        links.extend(noisy.into_iter().filter(|link| {
            let part = runs
                .get(link.low)
                .is_some_and(|run| run.last - run.first < 7);
            link.order == order && part
        }));
    }
    links
}

/// Runs chained from high to low, the surest links first; a chain has one order.
pub(super) fn chains(runs: &[Run], links: &[Link]) -> Vec<(Vec<usize>, Option<BitOrder>)> {
    let mut below: Vec<Option<usize>> = vec![None; runs.len()];
    let mut above: Vec<Option<usize>> = vec![None; runs.len()];
    let mut order: Vec<Option<BitOrder>> = vec![None; runs.len()];
    let mut sorted: Vec<&Link> = links.iter().collect();
    sorted.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    for link in sorted {
        let free = below.get(link.high) == Some(&None) && above.get(link.low) == Some(&None);
        let orders = [order.get(link.high), order.get(link.low)];
        let same = orders
            .iter()
            .all(|of| of.is_some_and(|of| of.is_none_or(|of| of == link.order)));
        if free && same && link.high != link.low {
            if let Some(entry) = below.get_mut(link.high) {
                *entry = Some(link.low);
            }
            if let Some(entry) = above.get_mut(link.low) {
                *entry = Some(link.high);
            }
            // The whole chain on both sides takes the order; a run not yet linked has none.
            for run in [link.high, link.low] {
                if let Some(entry) = order.get_mut(run) {
                    *entry = Some(link.order);
                }
            }
        }
    }
    let mut chains = Vec::new();
    for start in (0..runs.len()).filter(|&run| above.get(run) == Some(&None)) {
        let mut chain = vec![start];
        while let Some(Some(next)) = chain.last().and_then(|&run| below.get(run)) {
            chain.push(*next);
        }
        let of = order.get(start).copied().flatten();
        chains.push((chain, of));
    }
    chains
}
