//! Errors of one quantity under one condition, counted.

use std::fmt;

/// One comparison with the truth.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Told {
    /// A value: its error, its standard uncertainty, and whether its 95 % interval held the truth.
    Value {
        /// Value less truth.
        error: f64,
        /// Standard uncertainty.
        u: f64,
        /// Whether the interval holds the truth.
        held: bool,
    },
    /// There was a truth and no value.
    Missing,
}

impl Told {
    /// A value with a normal interval.
    pub(crate) fn normal(value: f64, u: f64, truth: f64) -> Self {
        let error = value - truth;
        Self::Value {
            error,
            u,
            held: error.abs() <= 1.96 * u,
        }
    }
}

/// The count.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tally {
    errors: Vec<f64>,
    square_u: f64,
    held: usize,
    missing: usize,
}

impl Tally {
    /// The columns' names.
    pub(crate) const HEAD: &str = "                            told missing     bias      rms   median   p95 |e|   mean u covered %";

    /// Counts one more.
    pub(crate) fn add(&mut self, told: Told) {
        match told {
            Told::Value { error, u, held } => {
                self.errors.push(error);
                self.square_u += u * u;
                self.held += usize::from(held);
            }
            Told::Missing => self.missing += 1,
        }
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let n = self.errors.len();
        write!(f, "{n:>6} {:>7}", self.missing)?;
        if n == 0 {
            return Ok(());
        }
        let count = n as f64;
        let bias = self.errors.iter().sum::<f64>() / count;
        let rms = (self.errors.iter().map(|e| e * e).sum::<f64>() / count).sqrt();
        let mut sorted = self.errors.clone();
        sorted.sort_by(f64::total_cmp);
        let mut sizes: Vec<f64> = self.errors.iter().map(|e| e.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        write!(
            f,
            " {bias:>8.4} {rms:>8.4} {:>8.4} {:>9.4} {:>8.4} {:>9.1}",
            sorted[n / 2],
            sizes[(n * 95 / 100).min(n - 1)],
            (self.square_u / count).sqrt(),
            100.0 * self.held as f64 / count
        )
    }
}
