//! How often chance alone brings about so many of so many.

use statrs::distribution::{Binomial, DiscreteCDF};

/// Chance of at least `k` of `n` at probability `p`.
pub(crate) fn binomial_tail(n: usize, k: usize, p: f64) -> f64 {
    let Some(below) = k.checked_sub(1) else {
        return 1.0;
    };
    Binomial::new(p, n as u64).map_or(1.0, |events| events.sf(below as u64))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exact: P(X >= 2) of 3 at 0.5 is 0.5; P(X >= 5) of 5 at 0.2 is 0.2^5.
    #[test]
    fn binomial_tails() {
        assert!((binomial_tail(3, 2, 0.5) - 0.5).abs() < 1e-12);
        assert!((binomial_tail(5, 5, 0.2) - 0.2_f64.powi(5)).abs() < 1e-12);
        assert!((binomial_tail(5, 0, 0.2) - 1.0).abs() < 1e-12);
    }
}
