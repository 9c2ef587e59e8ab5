//! A car that is switched off: its control units stop sending one after another while it stands, and that
//! is no drop-out.

use crate::drive::{Drive, seconds_between};
use crate::traffic_watch::{Span, WatchedBus};

use super::Recording;
use super::plausible::wheels_at;

/// A car whose wheels all turn slower than this stands or is about to, m/s: sensors tell nothing slower.
const STANDS_MPS: f64 = 1.2;
/// Control units fall asleep one after another within this, s.
pub(super) const ASLEEP_S: f64 = 3.0;
/// So has one that is silent for longer, if this share of its bus is silent to the end as well: some units
/// run on for minutes.
const ASLEEP_SHARE: f64 = 0.5;

/// How a recording ends.
pub(super) struct Sleep<'a> {
    recording: &'a Recording<'a>,
    /// Since when the car stands to the end; `None` where it rolls, or nobody knows.
    stands_from_ns: Option<i64>,
}

impl<'a> Sleep<'a> {
    pub(super) fn of(recording: &'a Recording<'a>, drive: &Drive) -> Self {
        let base = drive.base_ns();
        let mut stands_from_ns = None;
        for (i, &t_ns) in base.iter().enumerate().rev() {
            let known = wheels_at(drive, i).into_iter().flatten();
            match known.reduce(f64::max) {
                Some(fastest) if fastest > STANDS_MPS => break,
                Some(_) => stands_from_ns = Some(t_ns),
                None => {}
            }
        }
        Self {
            recording,
            stands_from_ns,
        }
    }

    /// Whether what is silent on a bus from this time to its end sleeps.
    pub(super) fn from(&self, bus: &WatchedBus, from_ns: i64) -> bool {
        let Some(stands_from_ns) = self.stands_from_ns else {
            return false;
        };
        if seconds_between(from_ns, bus.span.to_ns) <= ASLEEP_S {
            return true;
        }
        let paced = bus.ids.iter().filter(|id| id.period_s.is_some());
        let to_the_end = |silent: &Span| silent.to_ns >= bus.span.to_ns;
        let asleep = paced
            .clone()
            .filter(|id| id.silent.last().is_some_and(to_the_end));
        from_ns >= stands_from_ns && asleep.count() as f64 >= ASLEEP_SHARE * paced.count() as f64
    }

    /// Whether a signal of the named bus that was received last at this time sleeps since; where it did not
    /// stop with its bus.
    pub(super) fn since(&self, bus: &str, last_ns: i64) -> bool {
        let bus = self.recording.traffic.bus(bus);
        bus.is_some_and(|bus| self.from(bus, last_ns))
    }
}
