//! Time stamps of any resolution to nanoseconds since the epoch (options if_tsresol and
//! if_tsoffset, draft section 4.2).

/// Nanoseconds in a second.
const NS_PER_S: i64 = 1_000_000_000;

/// What the stamps of one interface count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Clock {
    resolution: u8,
    offset_s: i64,
    /// Nanoseconds that one count lasts, where they are whole.
    factor: i64,
    /// The offset in nanoseconds, where it fits.
    offset_ns: i64,
    /// Stamps below this are `factor` times the stamp plus `offset_ns`, without any overflow.
    direct_below: u64,
}

impl Clock {
    /// One count is a nanosecond since the epoch.
    pub const NANOSECONDS: Self = Self::new(9, 0);
    /// One count is a microsecond since the epoch: the format's default.
    pub const MICROSECONDS: Self = Self::new(6, 0);

    /// A clock from the option if_tsresol (upper bit clear: 10 to the power of -n seconds, set: 2
    /// to the power of -n) and the option if_tsoffset (seconds, added to each stamp).
    #[must_use]
    pub const fn new(resolution: u8, offset_s: i64) -> Self {
        let factor = match resolution {
            0..=9 => 10i64.pow(9 - resolution as u32),
            0x80 => NS_PER_S,
            _ => 0,
        };
        let (factor, offset_ns) = match offset_s.checked_mul(NS_PER_S) {
            Some(offset_ns) => (factor, offset_ns),
            None => (0, 0),
        };
        let direct_below = if factor == 0 {
            0
        } else if offset_ns > 0 {
            ((i64::MAX - offset_ns) / factor) as u64 + 1
        } else {
            (i64::MAX / factor) as u64 + 1
        };
        Self {
            resolution,
            offset_s,
            factor,
            offset_ns,
            direct_below,
        }
    }

    /// Seconds that one count lasts.
    #[must_use]
    pub fn resolution_s(self) -> f64 {
        let power = i32::from(self.resolution & 0x7F);
        if self.is_binary() {
            2f64.powi(-power)
        } else {
            10f64.powi(-power)
        }
    }

    /// Seconds that are added to each stamp.
    #[must_use]
    pub fn offset_s(self) -> i64 {
        self.offset_s
    }

    /// A stamp in nanoseconds since the epoch, rounded to the nearest (halves up) where one count
    /// is no whole number of them. `None` outside the years 1677 to 2262, which 64 bits hold.
    #[must_use]
    pub fn to_ns(self, stamp: u64) -> Option<i64> {
        if let Some(ns) = self.direct_ns(stamp) {
            return Some(ns);
        }
        // 64 bits times 30 bits: never more than 94, so nothing below overflows 128.
        let counts_ns = i128::from(stamp) * i128::from(NS_PER_S);
        let power = u32::from(self.resolution & 0x7F);
        let ns = match (self.is_binary(), power) {
            (_, 0) => counts_ns,
            (true, _) => (counts_ns + (1 << (power - 1))) >> power,
            // Half of 10 to the power of 30 is above any count of 94 bits: rounds to 0.
            (false, 30..) => 0,
            (false, _) => {
                let divisor = 10i128.pow(power);
                (counts_ns + divisor / 2) / divisor
            }
        };
        i64::try_from(ns + i128::from(self.offset_s) * i128::from(NS_PER_S)).ok()
    }

    /// [`Self::to_ns`] for the common resolutions and times; `None` says nothing.
    #[inline]
    pub(crate) fn direct_ns(&self, stamp: u64) -> Option<i64> {
        (stamp < self.direct_below).then(|| stamp as i64 * self.factor + self.offset_ns)
    }

    fn is_binary(self) -> bool {
        self.resolution & 0x80 != 0
    }
}

impl Default for Clock {
    fn default() -> Self {
        Self::MICROSECONDS
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_constants_are_what_the_options_give() {
        assert_eq!(Clock::new(9, 0), Clock::NANOSECONDS);
        assert_eq!(Clock::new(6, 0), Clock::MICROSECONDS);
        assert_eq!(Clock::default(), Clock::MICROSECONDS);
    }

    #[test]
    fn halves_round_up_and_the_range_is_kept() {
        // 10^-10 s: five counts are half a nanosecond.
        assert_eq!(Clock::new(10, 0).to_ns(4), Some(0));
        assert_eq!(Clock::new(10, 0).to_ns(5), Some(1));
        // 2^-32 s: the fraction of NTP stamps; one half is 0x8000_0000.
        assert_eq!(
            Clock::new(0x80 | 32, 1).to_ns(0x8000_0000),
            Some(1_500_000_000)
        );
        assert_eq!(Clock::NANOSECONDS.to_ns(i64::MAX as u64), Some(i64::MAX));
        assert_eq!(Clock::NANOSECONDS.to_ns(i64::MAX as u64 + 1), None);
        assert_eq!(
            Clock::new(9, -1).to_ns(i64::MAX as u64 + 1),
            Some(i64::MAX - 999_999_999)
        );
        assert_eq!(Clock::new(0, 0).to_ns(u64::MAX), None);
        assert_eq!(Clock::new(127, 7).to_ns(u64::MAX), Some(7_000_000_000));
        assert_eq!(Clock::new(9, i64::MIN).to_ns(0), None);
    }

    proptest! {
        /// Against the defining fraction: the result is within half a nanosecond of it.
        #[test]
        fn a_stamp_is_its_fraction_of_a_second(
            stamp: u64, binary: bool, power in 0u8..=36, offset_s in -20_000_000_000i64..20_000_000_000,
        ) {
            let clock = Clock::new(power | u8::from(binary) << 7, offset_s);
            let base: u128 = if binary { 2 } else { 10 };
            // ns = stamp * 10^9 / base^power: compare twice both sides times base^power.
            let scale = (base.pow(u32::from(power))) as i128;
            let exact = i128::from(stamp) * 1_000_000_000;
            match clock.to_ns(stamp) {
                Some(ns) => {
                    let counted = i128::from(ns) - i128::from(offset_s) * 1_000_000_000;
                    // Whole and remaining part apart, since the product may not fit 128 bits.
                    let (whole, rest) = (exact / scale, exact % scale);
                    let up = i128::from(rest >= scale - rest);
                    prop_assert_eq!(counted, whole + up);
                }
                None => {
                    let ns = exact / scale + i128::from(offset_s) * 1_000_000_000;
                    prop_assert!(ns < i128::from(i64::MIN) || ns >= i128::from(i64::MAX));
                }
            }
        }
    }
}
