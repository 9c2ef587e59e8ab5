//! Which identifiers fall silent together, on one bus and on all of them.

use slipwright_decoders::frame::CanId;

use crate::drive::seconds_between;
use crate::traffic_watch::{Span, WatchedBus, WatchedId};

/// Silences that begin within this of each other belong together, s; slow identifiers get two of
/// their own periods, because nobody sees them go before their next frame is due.
const TOGETHER_S: f64 = 0.1;
/// A bus is silent as a whole from this share of its identifiers on.
const WHOLE_BUS: f64 = 0.9;

/// What dropped out at one time on one bus.
#[derive(Clone, Debug)]
pub(super) struct Event {
    pub(super) span: Span,
    pub(super) ids: Vec<CanId>,
    /// All that could be missed in that time, and enough of it to speak of the bus.
    pub(super) whole_bus: bool,
    /// All that could be missed in that time, however little.
    pub(super) all_noticed: bool,
}

/// Takes out of the events of several buses those in which every bus falls silent at once: their times
/// on the first bus.
pub(super) fn take_common(buses: &mut [Vec<Event>]) -> Vec<Span> {
    let [first, others @ ..] = buses else {
        return Vec::new();
    };
    if others.is_empty() {
        return Vec::new();
    }
    let meets = |span: &Span, event: &Event| {
        let shorter = span.seconds().min(event.span.seconds());
        event.all_noticed && span.shared_s(&event.span) > 0.5 * shorter
    };
    let common: Vec<Span> = first
        .iter()
        .filter(|event| event.all_noticed)
        .map(|event| event.span)
        .filter(|span| {
            others
                .iter()
                .all(|bus| bus.iter().any(|event| meets(span, event)))
        })
        .collect();
    for bus in buses {
        bus.retain(|event| !common.iter().any(|span| meets(span, event)));
    }
    common
}

/// Silences grouped by when they begin; without those to the end of which `sleeps` says that they are sleep.
pub(super) fn events(
    bus: &WatchedBus,
    periodic: impl Fn(CanId) -> bool,
    sleeps: impl Fn(i64) -> bool,
) -> Vec<Event> {
    let ids: Vec<&WatchedId> = bus.ids.iter().filter(|id| periodic(id.id)).collect();
    let mut silences: Vec<(Span, CanId, f64)> = ids
        .iter()
        .filter_map(|id| Some((id, id.period_s?)))
        .flat_map(|(id, period_s)| id.silent.iter().map(move |span| (*span, id.id, period_s)))
        .filter(|(span, ..)| span.to_ns < bus.span.to_ns || !sleeps(span.from_ns))
        .collect();
    silences.sort_by_key(|(span, _, _)| span.from_ns);
    let slowest_s = silences.iter().map(|s| s.2).fold(0.0, f64::max);
    let mut taken = vec![false; silences.len()];
    let mut events = Vec::new();
    for i in 0..silences.len() {
        if taken.get(i).copied().unwrap_or(true) {
            continue;
        }
        let Some(&(first, id, period_s)) = silences.get(i) else {
            continue;
        };
        let mut event = Event {
            span: first,
            ids: vec![id],
            whole_bus: false,
            all_noticed: false,
        };
        for (k, (span, other, other_s)) in silences.iter().enumerate().skip(i + 1) {
            let reach_s = TOGETHER_S + 2.0 * period_s.max(*other_s);
            let apart_s = seconds_between(first.from_ns, span.from_ns);
            if apart_s > TOGETHER_S + 2.0 * slowest_s {
                break;
            }
            let overlap = first.shared_s(span) > 0.5 * first.seconds().min(span.seconds());
            if apart_s <= reach_s && overlap && !event.ids.contains(other) {
                event.ids.push(*other);
                if let Some(flag) = taken.get_mut(k) {
                    *flag = true;
                }
            }
        }
        // Only identifiers quick enough to be missed in that time can take part.
        let noticed = ids
            .iter()
            .filter(|id| id.period_s.is_some_and(|p| 5.0 * p < event.span.seconds()))
            .count();
        event.all_noticed = noticed > 0 && event.ids.len() as f64 >= WHOLE_BUS * noticed as f64;
        event.whole_bus = event.all_noticed && noticed >= 3;
        event.ids.sort_unstable();
        events.push(event);
    }
    events
}
