//! Interface statistics: what the recorder counted, above all the frames that were lost.

use slipwright_decoders::frame::BusIndex;

use super::clock::Clock;
use super::format::{ByteOrder, option};
use super::interface::ReadOptions;
use super::options::Options;

/// Counts of one interface since the recording began; absent ones were not counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Statistics {
    /// The interface.
    pub bus: BusIndex,
    /// When the counts were taken, in nanoseconds since the epoch.
    pub t_ns: i64,
    /// When counting began (isb_starttime).
    pub start_ns: Option<i64>,
    /// When counting ended (isb_endtime).
    pub end_ns: Option<i64>,
    /// Frames received from the interface (isb_ifrecv).
    pub received: Option<u64>,
    /// Frames that the interface dropped (isb_ifdrop).
    pub dropped_by_interface: Option<u64>,
    /// Frames that a filter let through (isb_filteraccept).
    pub accepted: Option<u64>,
    /// Frames that the operating system dropped (isb_osdrop).
    pub dropped_by_os: Option<u64>,
    /// Frames handed to the recorder (isb_usrdeliv).
    pub delivered: Option<u64>,
}

impl Statistics {
    /// No counts yet.
    #[must_use]
    pub fn at(bus: BusIndex, t_ns: i64) -> Self {
        Self {
            bus,
            t_ns,
            start_ns: None,
            end_ns: None,
            received: None,
            dropped_by_interface: None,
            accepted: None,
            dropped_by_os: None,
            delivered: None,
        }
    }

    /// Frames dropped on the way from the bus to the recorder; `None` if nobody counted.
    #[must_use]
    pub fn dropped(&self) -> Option<u64> {
        match (self.dropped_by_interface, self.dropped_by_os) {
            (None, None) => None,
            (interface, os) => Some(interface.unwrap_or(0).saturating_add(os.unwrap_or(0))),
        }
    }

    /// Reads an interface statistics block's body past the interface number.
    pub(crate) fn read<'a>(
        body: &'a [u8],
        order: ByteOrder,
        bus: BusIndex,
        clock: &Clock,
    ) -> Option<(Self, ReadOptions<'a>)> {
        let mut statistics = Self::at(bus, clock.to_ns(order.stamp_at(body, 4)?)?);
        let mut rest = ReadOptions::default();
        let mut options = Options::new(body.get(12..).unwrap_or_default(), order);
        for (code, value) in &mut options {
            let stamp = || clock.to_ns(order.stamp_at(value, 0)?);
            let count = || value.try_into().ok().map(|value| order.u64(value));
            match code {
                option::COMMENT => rest.comments.push(value),
                option::STATISTICS_START => statistics.start_ns = stamp(),
                option::STATISTICS_END => statistics.end_ns = stamp(),
                option::STATISTICS_RECEIVED => statistics.received = count(),
                option::STATISTICS_DROPPED => statistics.dropped_by_interface = count(),
                option::STATISTICS_ACCEPTED => statistics.accepted = count(),
                option::STATISTICS_OS_DROPPED => statistics.dropped_by_os = count(),
                option::STATISTICS_DELIVERED => statistics.delivered = count(),
                _ => {}
            }
        }
        rest.broken = options.is_broken();
        Some((statistics, rest))
    }
}
