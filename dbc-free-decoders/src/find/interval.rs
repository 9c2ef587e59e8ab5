//! Times from one frame of an identifier to the next, kept as a histogram of sixteen classes an
//! octave: medians to 4 per cent at a fixed size.

const CLASSES_AN_OCTAVE: u32 = 16;
/// Shortest time that is told apart, as a power of two: about 16 microseconds.
const LOWEST_OCTAVE: u32 = 14;
const OCTAVES: u32 = 26;
const CLASSES: usize = (CLASSES_AN_OCTAVE * OCTAVES) as usize;

/// The histogram.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Intervals {
    counts: Vec<u32>,
    total: u64,
    sum_ns: i128,
}

impl Intervals {
    #[inline]
    pub(crate) fn count(&mut self, interval_ns: i64) {
        if self.counts.is_empty() {
            self.counts.resize(CLASSES, 0);
        }
        let ns = interval_ns.max(1).cast_unsigned();
        let octave = ns.ilog2();
        // The four bits below the leading one.
        let within = if octave >= 4 {
            (ns >> (octave - 4)) & 15
        } else {
            0
        };
        let class = octave.saturating_sub(LOWEST_OCTAVE) * CLASSES_AN_OCTAVE + within as u32;
        let class = (class as usize).min(CLASSES - 1);
        if let Some(count) = self.counts.get_mut(class) {
            *count += 1;
        }
        self.total += 1;
        self.sum_ns += i128::from(interval_ns);
    }

    /// The interval that this share of all does not exceed, ns; `None` if there is none.
    pub(crate) fn quantile_ns(&self, share: f64) -> Option<f64> {
        let wanted = (share * self.total as f64).ceil().max(1.0) as u64;
        let mut seen = 0;
        for (class, &count) in self.counts.iter().enumerate() {
            seen += u64::from(count);
            if seen >= wanted {
                let octave = class as u32 / CLASSES_AN_OCTAVE + LOWEST_OCTAVE;
                let within = f64::from(class as u32 % CLASSES_AN_OCTAVE) + 0.5;
                return Some(2_f64.powi(octave as i32) * (1.0 + within / 16.0));
            }
        }
        None
    }

    /// The period of the sender, ns: the mean where the intervals are regular, which is exact over
    /// many frames, else the median.
    pub(crate) fn period_ns(&self) -> Option<f64> {
        let median = self.quantile_ns(0.5)?;
        let mean = self.sum_ns as f64 / self.total as f64;
        Some(if (mean / median - 1.0).abs() < 0.1 {
            mean
        } else {
            median
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_period_is_found_through_jitter_and_gaps() {
        let mut intervals = Intervals::default();
        for n in 0..1000_i64 {
            intervals.count(10_000_000 + (n % 7 - 3) * 200_000);
        }
        intervals.count(3_000_000_000);
        let period = intervals.period_ns().unwrap();
        assert!((period / 10e6 - 1.0).abs() < 0.05, "{period}");
        let late = intervals.quantile_ns(0.999).unwrap();
        assert!(late < 20e6, "{late}");
    }
}
