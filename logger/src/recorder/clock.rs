//! Time, handed in. Stamps of the kernel are wall time, which may be set while a drive runs; a
//! drive must not jump with it. [`Timeline`] keeps each drive on the wall time at which it began,
//! carried on by the clock that nobody sets, and tells of every step.

use rustix::time::{ClockId, Timespec, clock_gettime};

/// One look at the three clocks, all in nanoseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// `CLOCK_BOOTTIME`: runs always, also through suspend; nobody sets it.
    pub boot_ns: i64,
    /// `CLOCK_MONOTONIC`: as above, but stands still in suspend.
    pub awake_ns: i64,
    /// `CLOCK_REALTIME`: since the epoch; may be set.
    pub real_ns: i64,
    /// Time that the look itself took: what the differences above may be wrong by.
    pub doubt_ns: i64,
}

/// Where the time comes from.
pub trait Clock {
    /// Looks at the clocks.
    fn now(&self) -> Reading;
}

/// The computer's clocks.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemClock;

fn ns(time: Timespec) -> i64 {
    time.tv_sec
        .saturating_mul(1_000_000_000)
        .saturating_add(time.tv_nsec)
}

impl Clock for SystemClock {
    fn now(&self) -> Reading {
        let look = || {
            let before = ns(clock_gettime(ClockId::Boottime));
            let real_ns = ns(clock_gettime(ClockId::Realtime));
            let awake_ns = ns(clock_gettime(ClockId::Monotonic));
            let after = ns(clock_gettime(ClockId::Boottime));
            Reading {
                boot_ns: before + (after - before) / 2,
                awake_ns,
                real_ns,
                doubt_ns: after - before,
            }
        };
        // A look that was interrupted is repeated; three are enough to find a quiet moment.
        let first = look();
        if first.doubt_ns < QUIET_LOOK_NS {
            return first;
        }
        [first, look(), look()]
            .into_iter()
            .min_by_key(|r| r.doubt_ns)
            .unwrap_or(first)
    }
}

/// A look that took less than this was not interrupted.
const QUIET_LOOK_NS: i64 = 20_000;
/// Wall time that moved by more than this against the unset clock was set, not looked at unluckily.
const STEP_NS: i64 = 1_000_000;
/// Wall time is followed by one part in so many: twice the most that the kernel steers by
/// (500 parts in a million, adjtimex(2)).
const STEERING_DIVISOR: i64 = 1_000;
/// Sleep shorter than this is not told.
const SUSPEND_NS: i64 = 200_000_000;
/// A kernel stamp may lie this far past the look at the clocks that follows it.
const AHEAD_NS: i64 = 5_000_000;

/// What the clocks did between two looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClockEvent {
    /// The wall time was set, by this much.
    Stepped {
        /// New minus old, ns.
        by_ns: i64,
    },
    /// The computer slept for this long.
    Suspended {
        /// ns.
        for_ns: i64,
    },
}

/// Places kernel stamps on one time line that never steps.
#[derive(Clone, Copy, Debug)]
pub struct Timeline {
    /// Wall time minus unset time of the drive.
    kept_ns: i64,
    /// The same now, as last seen.
    current_ns: i64,
    /// The same before the last step.
    previous_ns: i64,
    asleep_ns: i64,
    /// Unset time of the last look.
    looked_ns: i64,
}

impl Timeline {
    /// A time line that begins with the wall time of this look.
    #[must_use]
    pub fn new(now: Reading) -> Self {
        let offset = now.real_ns - now.boot_ns;
        Self {
            kept_ns: offset,
            current_ns: offset,
            previous_ns: offset,
            asleep_ns: now.boot_ns - now.awake_ns,
            looked_ns: now.boot_ns,
        }
    }

    /// Takes over the present wall time: between drives, a step may be followed.
    pub fn restart(&mut self) {
        self.kept_ns = self.current_ns;
        self.previous_ns = self.current_ns;
    }

    /// Compares the clocks with the last look.
    pub fn observe(&mut self, now: Reading) -> Vec<ClockEvent> {
        let mut events = Vec::new();
        let asleep_ns = now.boot_ns - now.awake_ns;
        if asleep_ns - self.asleep_ns > SUSPEND_NS + now.doubt_ns {
            events.push(ClockEvent::Suspended {
                for_ns: asleep_ns - self.asleep_ns,
            });
            self.asleep_ns = asleep_ns;
        }
        let offset = now.real_ns - now.boot_ns;
        let change_ns = offset - self.current_ns;
        if change_ns.abs() > STEP_NS + now.doubt_ns {
            events.push(ClockEvent::Stepped { by_ns: change_ns });
            self.previous_ns = self.current_ns;
            self.current_ns = offset;
        } else if now.doubt_ns < QUIET_LOOK_NS {
            // A time service steers the wall time by small changes of its pace. They are followed
            // so slowly that no two stamps change their order.
            let most_ns = now.boot_ns.saturating_sub(self.looked_ns).max(0) / STEERING_DIVISOR;
            self.current_ns += change_ns.clamp(-most_ns, most_ns);
        }
        self.looked_ns = now.boot_ns;
        events
    }

    /// Unset time to the drive's time line, ns since the epoch.
    #[must_use]
    pub fn at(&self, boot_ns: i64) -> i64 {
        boot_ns.saturating_add(self.kept_ns)
    }

    /// The unset time of a kernel stamp.
    ///
    /// A stamp made just before a step is read just after it: it is taken on whichever of the two
    /// wall times makes it the younger, but not from the future.
    #[must_use]
    pub fn boot_ns(&self, real_ns: i64, now: Reading) -> i64 {
        if real_ns == 0 {
            return now.boot_ns;
        }
        let age = |offset: i64| now.boot_ns - (real_ns - offset);
        let (current, previous) = (age(self.current_ns), age(self.previous_ns));
        let possible = |age: i64| age >= -(AHEAD_NS + now.doubt_ns);
        let age = match (possible(current), possible(previous)) {
            (true, true) => current.min(previous),
            (true, false) => current,
            (false, true) => previous,
            // Stepped again within one look: the time of reading is the best there is.
            (false, false) => 0,
        };
        now.boot_ns - age.max(0)
    }

    /// How far the wall time has been set since the drive began, ns.
    #[must_use]
    pub fn set_by_ns(&self) -> i64 {
        self.current_ns - self.kept_ns
    }
}

/// Brings a controller's own stamps onto the unset clock.
///
/// The controller's clock starts anywhere and drifts. A frame reaches the kernel some time after
/// the controller stamped it, never before, so the smallest difference seen is the offset; it may
/// rise again only as fast as two cheap crystals drift apart.
#[derive(Clone, Copy, Debug, Default)]
pub struct HardwareStamps {
    offset: Option<(i64, i64)>,
}

/// 200 parts in a million: two crystals of 100 each.
const DRIFT_PER_SECOND_NS: i64 = 200_000;
/// A difference that grew by more than this is a controller that started anew.
const RESTARTED_NS: i64 = 1_000_000_000;

impl HardwareStamps {
    /// The unset time of a controller stamp whose kernel stamp lies at `boot_ns`.
    pub fn place(&mut self, hardware_ns: i64, boot_ns: i64) -> i64 {
        let difference = boot_ns.saturating_sub(hardware_ns);
        let offset = match self.offset {
            Some((offset, at)) if (difference - offset).abs() < RESTARTED_NS => {
                let seconds_ns = boot_ns.saturating_sub(at).clamp(0, 60_000_000_000);
                let rise = seconds_ns / 1_000 * DRIFT_PER_SECOND_NS / 1_000_000;
                difference.min(offset + rise)
            }
            _ => difference,
        };
        self.offset = Some((offset, boot_ns));
        hardware_ns.saturating_add(offset)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const S: i64 = 1_000_000_000;

    fn look(boot_ns: i64, real_ns: i64) -> Reading {
        Reading {
            boot_ns,
            awake_ns: boot_ns,
            real_ns,
            doubt_ns: 1_000,
        }
    }

    #[test]
    fn a_step_is_told_and_not_followed() {
        let mut line = Timeline::new(look(10 * S, 1_000 * S));
        assert_eq!(line.observe(look(11 * S, 1_001 * S)), []);
        let after = look(12 * S, 4_602 * S);
        assert_eq!(
            line.observe(after),
            [ClockEvent::Stepped { by_ns: 3_600 * S }]
        );
        // Stamped before the step, read after it; and stamped after it.
        assert_eq!(
            line.at(line.boot_ns(1_001 * S + S / 2, after)),
            1_001 * S + S / 2
        );
        assert_eq!(line.at(line.boot_ns(4_602 * S - 7, after)), 1_002 * S - 7);
        assert_eq!(line.set_by_ns(), 3_600 * S);
        line.restart();
        assert_eq!(line.at(12 * S), 4_602 * S);
    }

    #[test]
    fn a_steered_clock_is_followed_without_a_word() {
        let mut line = Timeline::new(look(10 * S, 1_000 * S));
        let mut last_ns = 0;
        // A minute, looked at every 10 ms, 500 parts in a million fast.
        for i in 1..6_000_i64 {
            let elapsed = i * 10_000_000;
            let now = look(10 * S + elapsed, 1_000 * S + elapsed + elapsed / 2_000);
            assert_eq!(line.observe(now), []);
            let stamp = line.at(line.boot_ns(now.real_ns, now));
            let wrong = stamp - (1_000 * S + elapsed);
            assert!(wrong.abs() < 20_000, "{wrong} ns off after {elapsed} ns");
            assert!(stamp > last_ns);
            last_ns = stamp;
        }
        assert!((line.set_by_ns() - 30_000_000).abs() < 20_000);
    }

    #[test]
    fn sleep_is_no_step() {
        let mut line = Timeline::new(look(10 * S, 1_000 * S));
        let awake = Reading {
            boot_ns: 70 * S,
            awake_ns: 11 * S,
            real_ns: 1_060 * S,
            doubt_ns: 0,
        };
        assert_eq!(
            line.observe(awake),
            [ClockEvent::Suspended { for_ns: 59 * S }]
        );
        assert_eq!(line.observe(awake), []);
    }

    #[test]
    fn controller_stamps_follow_a_drifting_clock() {
        let mut stamps = HardwareStamps::default();
        // 50 parts in a million fast, started at 7 s; 40 µs to 2 ms on its way to the kernel.
        for i in 0..20_000_i64 {
            let true_ns = 100 * S + i * 10_000_000;
            let hardware_ns = 7 * S + (true_ns - 100 * S) / 1_000_000 * 1_000_050;
            let delay_ns = if i % 7 == 0 {
                40_000
            } else {
                40_000 + (i * 7_919) % 2_000_000
            };
            let placed = stamps.place(hardware_ns, true_ns + delay_ns);
            let wrong = placed - true_ns;
            assert!(
                i < 10 || (0..=80_000).contains(&wrong),
                "frame {i}: {wrong} ns"
            );
        }
        // The adapter is plugged in again: its clock starts anew.
        let placed = stamps.place(5, 900 * S);
        assert_eq!(placed, 900 * S);
    }

    proptest! {
        #[test]
        fn stamps_keep_their_order_over_any_step(
            step_ms in -10_000_000_i64..10_000_000, age_us in 0_i64..900, gap_us in 1_i64..900,
        ) {
            prop_assume!(step_ms.abs() > 10);
            let mut line = Timeline::new(look(50 * S, 5_000 * S));
            let now = look(51 * S, 5_001 * S + step_ms * 1_000_000);
            line.observe(now);
            // One stamp from before the step, one from after it, read together.
            let before = 5_001 * S - (age_us + gap_us) * 1_000;
            let after = now.real_ns - age_us * 1_000;
            let (a, b) = (line.boot_ns(before, now), line.boot_ns(after, now));
            prop_assert_eq!(b - a, gap_us * 1_000);
        }
    }
}
