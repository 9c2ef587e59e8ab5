//! From bits to fields: which bits belong to one number, in which order.
//!
//! Three published observations make the boundaries. From a number's highest bit down the flip rate
//! rises, and it drops where the next number begins (READ, Marchetti and Stabili 2019). Both byte
//! orders are tried and the better one is taken by what the byte borders show (CAN-D, Verma et al.,
//! arXiv 2006.05993). Beside the rates, neighbouring bits of one number flip together: when a bit
//! flips, a carry passed the bit below. That tells neighbours of one number from two numbers whose
//! rates happen to rise, and the right order from the wrong one.

use super::bit_activity::BitActivity;
use super::field_bits::little_number;
use super::protection::Guard;
use super::rows::Rows;
use super::segment_link::{chains, links};
use super::segment_value::{LEAST_STEPS, continues, end_in_ones};
use crate::field::BitOrder;

/// Above this flip rate a bit is noise that no carry shows in.
const NOISY_RATE: f64 = 0.22;
/// Least joint flips beyond chance, as a share of what a carry would give.
pub(super) const LEAST_CARRY: f64 = 0.3;
/// Least share of the lower bit's flips in which the upper one flips too, beyond chance, for the bits
/// of a number that rests and moves by leaps.
const LEAST_TOGETHER: f64 = 0.35;
/// Least flips of a lower bit, as a share of those of the bit above it.
const LEAST_BELOW: f64 = 0.2;
/// Least carry where the flip rate rises into noise, in which carries drown.
const LEAST_CARRY_INTO_NOISE: f64 = 0.14;
const LEAST_NOISE_RATE: f64 = 0.08;
/// Rise of the carries that marks the beginning of another number.
const CARRY_RISE: f64 = 0.35;
/// Deviations above chance.
const SIGNIFICANT: f64 = 3.0;

/// A run of bits that move as one number. Bits are numbered by its order, as in
/// [`crate::field::Field`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Segment {
    /// First bit in the order's numbering.
    pub start: usize,
    /// Number of bits, every one of which moved.
    pub length: usize,
    /// Order.
    pub order: BitOrder,
    /// Whether the bits lie in one byte, so that the order is not proven by them.
    pub within_byte: bool,
}

impl Segment {
    /// Its bits, numbered as sent.
    pub(super) fn bits_sent(&self) -> impl Iterator<Item = usize> + Clone {
        let order = self.order;
        (self.start..self.start + self.length).map(move |bit| match order {
            BitOrder::Big => bit,
            BitOrder::Little => little_number(bit),
        })
    }
}

/// What two neighbouring bits say of each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pair {
    /// Share of carries beyond chance, about 1 for neighbours in one number.
    pub(super) carry: f64,
    pub(super) significant: bool,
    pub(super) both_noisy: bool,
    /// Whether they flip at the same moments, both seldom: a number that rests and leaps has no
    /// carries to show, but its bits share their moments. The highest bit of the next number may
    /// share them too, but flips much less than a lowest bit does.
    pub(super) together: bool,
    /// Whether the flip rate rises into noise from one to the other, with some carry left.
    pub(super) into_noise: bool,
}

pub(super) fn pair(activity: &BitActivity, high: usize, low: usize, joint: u32) -> Pair {
    let flips = f64::from(activity.flips(high));
    let rate = activity.rate(low);
    let joint = f64::from(joint);
    let chance = flips * rate;
    let deviation = (chance * (1.0 - rate)).sqrt();
    let high_rate = activity.rate(high);
    let back = (joint / f64::from(activity.flips(low)).max(1.0) - high_rate) / (1.0 - high_rate);
    let significant = joint - chance > SIGNIFICANT * deviation;
    Pair {
        together: significant
            && back > LEAST_TOGETHER
            && high_rate.max(rate) < NOISY_RATE
            && rate > LEAST_BELOW * high_rate
            && activity.flips(low) >= LEAST_STEPS as u32,
        carry: if rate < 1.0 {
            (joint / flips.max(1.0) - rate) / (1.0 - rate)
        } else {
            0.0
        },
        into_noise: joint - chance > 2.0 * SIGNIFICANT * deviation
            && joint / flips.max(1.0) - rate > LEAST_CARRY_INTO_NOISE * (1.0 - rate)
            && rate > high_rate.max(LEAST_NOISE_RATE),
        significant,
        both_noisy: rate > NOISY_RATE
            && activity.rate(high) > NOISY_RATE
            && rate > 0.6 * activity.rate(high),
    }
}

/// A run of moving bits in one byte: first (highest) and last bit as sent, belonging together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Run {
    pub(super) first: usize,
    pub(super) last: usize,
}

/// The fields of an identifier of so many data bytes.
#[must_use]
pub fn segments(
    activity: &BitActivity,
    rows: &Rows,
    bytes: usize,
    guards: &[Guard],
) -> Vec<Segment> {
    let usable =
        |bit: usize| activity.flips(bit) > 0 && !guards.iter().any(|guard| guard.covers(bit));
    let mut runs: Vec<Run> = Vec::new();
    for bit in (0..8 * bytes).filter(|&bit| usable(bit)) {
        let joins = bit % 8 != 0
            && runs.last().is_some_and(|run| run.last + 1 == bit)
            && within_byte(activity, bit - 1);
        match runs.last_mut() {
            Some(run) if joins => run.last = bit,
            _ => runs.push(Run {
                first: bit,
                last: bit,
            }),
        }
    }
    join_by_value(activity, rows, &mut runs);
    let links = links(activity, rows, &runs);
    chains(&runs, &links)
        .iter()
        .filter_map(|chain| segment(&runs, chain, bytes))
        .collect()
}

/// Whether bit `high` and the one after it, in the same byte, are of one number.
fn within_byte(activity: &BitActivity, high: usize) -> bool {
    let joint = activity.joint_next.get(high).copied().unwrap_or(0);
    let here = pair(activity, high, high + 1, joint);
    if here.significant && here.carry > LEAST_CARRY || here.together {
        return true;
    }
    // From a number's highest bit down carries show less and less. Where they show again, another
    // number has begun.
    let begins = (high + 1) % 8 < 7 && {
        let joint = activity.joint_next.get(high + 1).copied().unwrap_or(0);
        let next = pair(activity, high + 1, high + 2, joint);
        next.significant && next.carry > here.carry.max(0.0) + CARRY_RISE
    };
    (here.both_noisy || here.into_noise) && !begins
}

/// Joins neighbouring runs of a byte where the numbers say so.
fn join_by_value(activity: &BitActivity, rows: &Rows, runs: &mut Vec<Run>) {
    let mut k = 1;
    while k < runs.len() {
        let (Some(&above), Some(&below)) = (runs.get(k - 1), runs.get(k)) else {
            break;
        };
        let near = above.last + 1 == below.first && below.first % 8 != 0;
        // One or two noisy bits under moving ones are their number's lowest.
        let tail = below.last - below.first < 2
            && (below.first..=below.last).all(|bit| (0.25..0.8).contains(&activity.rate(bit)))
            && activity.rate(above.last) > 0.03;
        if near
            && activity.rate(below.first) > 0.5 * activity.rate(above.last)
            && (tail || one_number(rows, &above, &below))
        {
            if let Some(run) = runs.get_mut(k - 1) {
                run.last = below.last;
            }
            runs.remove(k);
        } else {
            k += 1;
        }
    }
}

/// Whether the values of two runs show that the lower one continues the upper one.
pub(super) fn one_number(rows: &Rows, above: &Run, below: &Run) -> bool {
    let (upper, lower) = ((above.first, above.last), (below.first, below.last));
    continues(rows, upper, lower) || end_in_ones(rows, upper, lower)
}

fn segment(
    runs: &[Run],
    (chain, order): &(Vec<usize>, Option<BitOrder>),
    bytes: usize,
) -> Option<Segment> {
    let top = runs.get(*chain.first()?)?;
    let bottom = runs.get(*chain.last()?)?;
    let order_or_big = order.unwrap_or(BitOrder::Big);
    let length: usize = chain
        .iter()
        .filter_map(|&run| runs.get(run))
        .map(|run| run.last - run.first + 1)
        .sum();
    let start = match order_or_big {
        BitOrder::Big => top.first,
        BitOrder::Little => little_number(bottom.last),
    };
    (top.first < 8 * bytes).then_some(Segment {
        start,
        length,
        order: order_or_big,
        within_byte: chain.len() == 1,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::{Coding, Field};
    use crate::find::survey::Survey;
    use crate::frame::{BusIndex, CanId, Frame, FrameFlags};

    /// A smooth number with noise, in counts.
    fn wander(n: i64, phase: f64, size: f64, noise: f64) -> u64 {
        let t = n as f64 * 0.01;
        let slow = 0.5 - 0.5 * (0.21 * t + phase).cos();
        let jitter =
            ((n.wrapping_mul(7919) ^ n.wrapping_mul(104_729) >> 3) % 17) as f64 / 8.0 - 1.0;
        (size * slow + noise * jitter + 20.0).max(0.0) as u64
    }

    fn surveyed(fields: &[(u16, u8, BitOrder)], frames: i64) -> Survey {
        let mut survey = Survey::new();
        for n in 0..frames {
            let mut data = [0; 8];
            for (k, &(start, length, order)) in fields.iter().enumerate() {
                let field = Field::new(start, length, order, Coding::Unsigned).unwrap();
                let size = 0.9 * field.mask() as f64;
                let value = wander(n, k as f64, size, 4.0).min(field.mask());
                field.insert(&mut data, value).unwrap();
            }
            survey.push(&Frame {
                t_ns: n * 10_000_000,
                bus: BusIndex::new(0),
                id: CanId::Base(0x123),
                flags: FrameFlags::default(),
                data: &data,
            });
        }
        survey
    }

    fn check(fields: &[(u16, u8, BitOrder)]) {
        let survey = surveyed(fields, 12_000);
        let id = &survey.buses[0].ids[1];
        let found = segments(&id.activity, &id.rows, 8, &[]);
        let mut got: Vec<_> = found.iter().map(|s| (s.start, s.length, s.order)).collect();
        let mut want: Vec<_> = fields
            .iter()
            .map(|&(start, length, order)| (usize::from(start), usize::from(length), order))
            .collect();
        got.sort_by_key(|s| s.0);
        want.sort_by_key(|s| s.0);
        assert_eq!(got, want);
    }

    #[test]
    fn fields_of_both_orders_and_any_length_come_out_whole() {
        use BitOrder::{Big, Little};
        check(&[(0, 16, Big), (16, 16, Big), (32, 16, Big), (48, 16, Big)]);
        check(&[
            (0, 16, Little),
            (16, 16, Little),
            (32, 16, Little),
            (48, 16, Little),
        ]);
        check(&[(0, 12, Big), (12, 12, Big), (24, 12, Big), (36, 12, Big)]);
        check(&[
            (0, 12, Little),
            (12, 12, Little),
            (24, 12, Little),
            (36, 12, Little),
        ]);
        check(&[(3, 13, Big), (19, 13, Big)]);
        check(&[
            (0, 14, Little),
            (14, 14, Little),
            (28, 14, Little),
            (42, 14, Little),
        ]);
    }
}
