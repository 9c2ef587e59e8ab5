//! Under which circumstances something happens: fast or slow, steered, on bumps, at low voltage.
//!
//! A circumstance is named when most of the events lie in the outer fifth of what the whole drive
//! had, and chance would bring that about less than once in a hundred times (binomial tail).

use slipwright_decoders::role::Role;

use crate::drive::{Channel, Drive, at_seconds};
use crate::statistics::binomial::binomial_tail;
use crate::statistics::quantile::quantile;

/// Fewest events of which anything can be said.
const LEAST_EVENTS: usize = 4;
/// Share of the drive that counts as outer.
const OUTER: f64 = 0.2;
/// Most often by chance.
const CHANCE: f64 = 0.01;
/// Bumps show in the signal around the event, s.
const AROUND_S: f64 = 0.3;

/// Sentences on the circumstances of events at these times.
pub(super) fn describe(drive: &Drive, events_ns: &[i64]) -> Vec<String> {
    let mut found = Vec::new();
    if events_ns.len() < LEAST_EVENTS {
        return found;
    }
    let mut look = |of: Role, magnitude: bool, text: &dyn Fn(f64) -> String| {
        let Ok(channel) = drive.channel(of) else {
            return;
        };
        let value = |v: f64| if magnitude { v.abs() } else { v };
        let all: Vec<f64> = channel.value().iter().map(|&v| value(v)).collect();
        let Some(limit) = quantile(&all, 1.0 - OUTER) else {
            return;
        };
        let over = events_ns
            .iter()
            .filter(|&&t| near(channel, t).is_some_and(|v| value(v) > limit))
            .count();
        if let Some(sentence) = outstanding(over, events_ns.len(), &text(limit)) {
            found.push(sentence);
        }
    };
    look(Role::WheelSpeedRearRight, false, &|v| {
        format!("above {:.0} km/h", 3.6 * v)
    });
    look(Role::SteeringAngle, true, &|rad| {
        format!(
            "with the steering wheel turned beyond {:.0} degrees",
            rad.to_degrees()
        )
    });
    if let Some(sentence) = bumps(drive, events_ns) {
        found.push(sentence);
    }
    found
}

fn near(channel: &Channel, t_ns: i64) -> Option<f64> {
    channel
        .at(t_ns)
        .or_else(|| channel.held_at(t_ns))
        .or_else(|| {
            // An event may take this very signal away: what it was shortly before counts.
            channel.held_at(at_seconds(t_ns, -AROUND_S))
        })
}

fn outstanding(over: usize, events: usize, where_: &str) -> Option<String> {
    let most = 2 * over > events;
    (most && binomial_tail(events, over, OUTER) < CHANCE)
        .then(|| format!("{over} of {events} times {where_}"))
}

/// Bumps: the quick part of the long or lateral acceleration around the event.
fn bumps(drive: &Drive, events_ns: &[i64]) -> Option<String> {
    let channel = drive
        .channel(Role::BodyAccelLong)
        .or_else(|_| drive.channel(Role::BodyAccelLat))
        .ok()?;
    let rough = |t_ns: i64| {
        let range = channel.range(at_seconds(t_ns, -AROUND_S), at_seconds(t_ns, AROUND_S));
        let values = channel.value().get(range)?;
        let differences: Vec<f64> = values
            .windows(2)
            .filter_map(|w| Some((w.last()? - w.first()?).abs()))
            .collect();
        (differences.len() >= 4)
            .then(|| quantile(&differences, 0.75))
            .flatten()
    };
    let every = (channel.t_ns().len() / 400).max(1);
    let all: Vec<f64> = channel
        .t_ns()
        .iter()
        .step_by(every)
        .filter_map(|&t| rough(t))
        .collect();
    let limit = quantile(&all, 1.0 - OUTER)?;
    let over = events_ns
        .iter()
        .filter(|&&t| rough(t).is_some_and(|v| v > limit))
        .count();
    outstanding(over, events_ns.len(), "on bumps or rough road")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many events that the chance of none of them is no number any more.
    #[test]
    fn thousands_of_events_still_stand_out() {
        assert!(binomial_tail(10_000, 9_000, OUTER) < 1e-6);
        assert!((binomial_tail(10_000, 2_000, OUTER) - 0.5).abs() < 0.01);
        assert_eq!(
            outstanding(9_000, 10_000, "above 100 km/h").as_deref(),
            Some("9000 of 10000 times above 100 km/h")
        );
    }
}
