//! Composite manoeuvres: longer drives made of the plain ones.

use super::{Kind, Manoeuvre, Phase, phases};
use crate::random::Stream;

/// Motorway: cruising, and overtaking in between.
pub(super) fn motorway(m: &Manoeuvre, random: &mut Stream) -> Vec<Phase> {
    let mut list = Vec::new();
    let mut left_s = m.seconds;
    while left_s > 0.0 {
        let cruise = Manoeuvre {
            from_mps: m.from_mps * random.between(0.92, 1.08),
            seconds: random.between(8.0, 25.0),
            steering_deg: random.between(-3.0, 3.0),
            ..Manoeuvre::usual(Kind::Cruise)
        };
        let overtake = Manoeuvre {
            from_mps: cruise.from_mps,
            to_mps: m.from_mps * 1.25,
            throttle_percent: random.between(55.0, 95.0),
            rise_s: random.between(0.15, 0.6),
            seconds: random.between(1.5, 4.0),
            ..Manoeuvre::usual(Kind::TipIn)
        };
        left_s -= cruise.seconds + overtake.seconds;
        list.extend(phases(&cruise, random));
        list.extend(phases(&overtake, random));
    }
    list
}

/// An untidy everyday drive: pieces of all kinds, none of them clean.
pub(super) fn everyday(m: &Manoeuvre, random: &mut Stream) -> Vec<Phase> {
    let mut list = Vec::new();
    // Each piece takes ten seconds or more, so this covers the time; the driver stops on time.
    for _ in 0..(m.seconds / 8.0).ceil() as usize {
        let kind = match (random.uniform() * 10.0) as u32 {
            0 | 1 => Kind::Launch,
            2..=4 => Kind::TipIn,
            5 => Kind::TurnIn,
            6 => Kind::Coast,
            7 => Kind::Brake,
            _ => Kind::Cruise,
        };
        let usual = Manoeuvre::usual(kind);
        let side = if random.chance(0.5) { 1.0 } else { -1.0 };
        let piece = Manoeuvre {
            throttle_percent: random.between(25.0, 90.0),
            rise_s: random.between(0.12, 0.9),
            seconds: usual.seconds * random.between(0.5, 1.5),
            rest_s: random.between(0.6, 6.0),
            from_mps: random.between(4.0, 19.0),
            steering_deg: match kind {
                Kind::TurnIn => side * random.between(60.0, 160.0),
                Kind::Cruise => side * random.between(0.0, 12.0),
                _ => 0.0,
            },
            decel_mps2: random.between(1.2, 3.8),
            in_gear: random.chance(0.7),
            ..usual
        };
        list.extend(phases(&piece, random));
    }
    list
}

#[cfg(test)]
mod tests {
    use super::super::Action;
    use super::*;
    use crate::random::Purpose;

    #[test]
    fn composite_manoeuvres_cover_their_time() {
        let mut random = Stream::new(1, 0, Purpose::Programme);
        for kind in [Kind::Motorway, Kind::Everyday] {
            let list = phases(&Manoeuvre::usual(kind), &mut random);
            let least: f64 = list
                .iter()
                .map(|phase| match phase.action {
                    Action::Rest { seconds } | Action::Keep { seconds, .. } => seconds,
                    _ => 0.0,
                })
                .sum();
            assert!(list.len() > 10, "{kind:?} {}", list.len());
            assert!(least > 20.0, "{kind:?} {least}");
        }
    }
}
