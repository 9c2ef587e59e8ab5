//! What the resolution of a pressure's code hides. Pressure that scatters by less than its code
//! resolves shows as one code, or as two in turn, and neither its trend nor its ripple can be told any
//! better than that: a step `q` counts as a rectangular distribution, `q / sqrt(12)` (JCGM 100:2008,
//! F.2.2.1). Scatter of half a step and more spreads over several codes and averages the step out
//! (R. M. Gray, D. L. Neuhoff, Quantization, IEEE Transactions on Information Theory 44(6), 1998,
//! on dither; the source from memory).

/// Up to this scatter of the codes, in steps, all of a step is hidden.
const HIDDEN_STEPS: f64 = 0.5;

/// From this scatter on, in steps, nothing is: what scatters by half a step and the step itself,
/// `sqrt(1/4 + 1/12)`, rounded up.
const SEEN_STEPS: f64 = 0.6;

/// Standard uncertainty of a level from its code's step, given how the codes scatter, all in the same
/// unit.
pub(super) fn u_hidden(step: f64, scatter: f64) -> f64 {
    if step <= 0.0 {
        return 0.0;
    }
    let share = (SEEN_STEPS - scatter / step) / (SEEN_STEPS - HIDDEN_STEPS);
    share.clamp(0.0, 1.0) * step / 12.0_f64.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Random;

    /// Codes of a still pressure of any scatter at any place between two codes: their deviation is
    /// that of the scatter and the step together, within its uncertainty.
    #[test]
    fn a_deviation_of_codes_is_known_to_what_their_step_hides() {
        let mut random = Random::new(811);
        for sigma in [0.0, 0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 2.0] {
            let (mut held, mut all) = (0, 0);
            for _ in 0..60 {
                let place = random.uniform();
                let n = 150;
                let codes: Vec<f64> = (0..n)
                    .map(|_| (place + sigma * random.normal()).round())
                    .collect();
                let mean = codes.iter().sum::<f64>() / f64::from(n);
                let squares: f64 = codes.iter().map(|c| (c - mean).powi(2)).sum();
                let scatter = (squares / f64::from(n - 1)).sqrt();
                let truth = (sigma * sigma + 1.0 / 12.0_f64).sqrt();
                let by_count = scatter / (2.0 * f64::from(n)).sqrt();
                let u = by_count.hypot(u_hidden(1.0, scatter));
                assert!(u > 0.0);
                all += 1;
                held += i32::from((scatter - truth).abs() <= 1.96 * u);
            }
            assert!(held * 10 >= all * 9, "{sigma}: {held} of {all}");
        }
    }

    #[test]
    fn a_signal_without_steps_hides_nothing() {
        assert_eq!(u_hidden(0.0, 0.0), 0.0);
        assert_eq!(u_hidden(0.25, 1.0), 0.0);
        assert!((u_hidden(0.25, 0.0) - 0.25 / 12.0_f64.sqrt()).abs() < 1e-15);
    }
}
