//! p values, quantiles and power of t tests.
//!
//! Degrees of freedom may be fractional, as Satterthwaite's are.
//! The two-sided p value is `I_{df / (df + t²)}(df / 2, 1 / 2)`, with the regularised incomplete
//! beta function (Abramowitz & Stegun 26.5.27), which keeps its relative precision far out.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};
use statrs::function::beta::checked_beta_reg;
use statrs::function::gamma::ln_gamma;

use super::root;

/// Degrees of freedom beyond which the normal distribution stands in; they differ by less than
/// 1e-7 in any quantile used here.
const PRACTICALLY_NORMAL: f64 = 1e8;

/// Probability that |T| exceeds |t| when nothing is there. 1 for `t` not a number, or degrees of
/// freedom that are not positive.
#[must_use]
pub fn two_sided_p(t: f64, df: f64) -> f64 {
    if t.is_nan() || df.is_nan() || df <= 0.0 {
        return 1.0;
    }
    if t.is_infinite() {
        return 0.0;
    }
    if df > PRACTICALLY_NORMAL {
        return 2.0 * normal_above(t.abs());
    }
    checked_beta_reg(0.5 * df, 0.5, df / (df + t * t)).map_or(1.0, |p| p.clamp(0.0, 1.0))
}

/// The t that |T| exceeds with probability `alpha` (0 to 1, both excluded). Infinite for degrees
/// of freedom that are not positive.
#[must_use]
pub fn two_sided_critical(alpha: f64, df: f64) -> f64 {
    if df.is_nan() || df <= 0.0 {
        return f64::INFINITY;
    }
    let alpha = alpha.clamp(f64::MIN_POSITIVE, 1.0);
    if df > PRACTICALLY_NORMAL {
        return normal_critical(alpha);
    }
    let Ok(distribution) = StudentsT::new(0.0, 1.0, df) else {
        return f64::INFINITY;
    };
    let start = distribution.inverse_cdf(1.0 - 0.5 * alpha);
    polish(start, alpha, df)
}

/// The z that a standard normal exceeds in absolute value with probability `alpha`.
#[must_use]
pub fn normal_critical(alpha: f64) -> f64 {
    -Normal::standard().inverse_cdf(0.5 * alpha)
}

/// Probability that a standard normal exceeds `z`.
#[must_use]
pub fn normal_above(z: f64) -> f64 {
    Normal::standard().sf(z)
}

/// Bisection around a start value: the library's inverse holds about eight digits, and none for
/// very small probabilities.
fn polish(start: f64, alpha: f64, df: f64) -> f64 {
    let mut low = 0.0;
    let mut high = if start.is_finite() && start > 0.0 {
        start
    } else {
        1.0
    };
    while two_sided_p(high, df) > alpha && high < 1e150 {
        low = high;
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if two_sided_p(middle, df) > alpha {
            low = middle;
        } else {
            high = middle;
        }
        if high - low <= 1e-13 * high {
            break;
        }
    }
    0.5 * (low + high)
}

/// Power of a two-sided t test: the probability that |T| exceeds `critical` when the true effect
/// is `effect` standard errors.
///
/// With `T = (Z + effect) / S` and `S² = chi²_df / df`, the probability is the integral over the
/// density of S of `Phi(effect - critical s) + Phi(-effect - critical s)` (the noncentral t
/// distribution), taken by Simpson's rule.
#[must_use]
pub fn power(effect: f64, critical: f64, df: f64) -> f64 {
    if !(critical.is_finite() && df > 0.0) {
        return 0.0;
    }
    let df = df.min(1e6);
    let half = 0.5 * df;
    let log_scale = std::f64::consts::LN_2 + half * half.ln() - ln_gamma(half);
    // Ten standard deviations of S about its mean hold all but 1e-20 of its density. With
    // s = x² the integrand stays smooth at zero for few degrees of freedom.
    let reach = 10.0 / (2.0 * df).sqrt();
    let (low, high) = ((1.0 - reach).max(0.0).sqrt(), (1.0 + reach).sqrt());
    // Each panel is a fraction of the width over which the normal distribution rises.
    let panels = 2 * (80 + (4.0 * critical).min(4_000.0) as usize);
    let step = (high - low) / panels as f64;
    let integrand = |x: f64| {
        if x <= 0.0 {
            return 0.0;
        }
        let s = x * x;
        let density = 2.0 * (log_scale + (2.0 * df - 1.0) * x.ln() - half * s * s).exp();
        density * (normal_above(critical * s - effect) + normal_above(critical * s + effect))
    };
    let mut sum = integrand(low) + integrand(high);
    for panel in 1..panels {
        let weight = if panel % 2 == 1 { 4.0 } else { 2.0 };
        sum += weight * integrand(low + step * panel as f64);
    }
    (sum * step / 3.0).clamp(0.0, 1.0)
}

/// The smallest effect, in standard errors, that a two-sided test at `alpha` shows with the given
/// power. Infinite for degrees of freedom that are not positive.
#[must_use]
pub fn detectable(alpha: f64, wanted_power: f64, df: f64) -> f64 {
    let critical = two_sided_critical(alpha, df);
    if !critical.is_finite() {
        return f64::INFINITY;
    }
    // The power rises smoothly from the level to 1.
    let lack = |effect: f64| power(effect, critical, df) - wanted_power;
    let at_low = lack(0.0);
    if at_low >= 0.0 {
        return 0.0;
    }
    let mut high = critical + 5.0;
    let mut at_high = lack(high);
    while at_high <= 0.0 {
        high *= 2.0;
        if high > 1e12 {
            return f64::INFINITY;
        }
        at_high = lack(high);
    }
    let is_close =
        |x: f64, before: f64, here: f64| here.abs() < 1e-9 || (x - before).abs() < 1e-12 * high;
    root::crossing((0.0, at_low), (high, at_high), lack, is_close)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn closed_forms_for_one_and_two_degrees_of_freedom() {
        // df 1 (Cauchy): p = 1 - 2/pi atan t; df 2: p = 1 - t / sqrt(2 + t²).
        for t in [0.1, 1.0, 4.3, 40.0] {
            let cauchy = 1.0 - 2.0 / std::f64::consts::PI * f64::atan(t);
            assert!((two_sided_p(t, 1.0) - cauchy).abs() < 1e-14);
            let two = 1.0 - t / (2.0 + t * t).sqrt();
            assert!((two_sided_p(t, 2.0) - two).abs() < 1e-14);
        }
    }

    #[test]
    fn quantiles_invert_p_values() {
        for df in [0.7, 1.0, 2.0, 3.4, 4.0, 10.0, 57.3, 1000.0] {
            for alpha in [0.9, 0.5, 0.05, 0.004, 1e-6] {
                let t = two_sided_critical(alpha, df);
                assert!(
                    (two_sided_p(t, df) / alpha - 1.0).abs() < 1e-9,
                    "{df} {alpha} {t}"
                );
            }
        }
        // Student's table, e.g. NIST/SEMATECH e-Handbook 1.3.6.7.2: 2.776 for df 4, 2.228 for 10.
        assert!((two_sided_critical(0.05, 4.0) - 2.776).abs() < 5e-4);
        assert!((two_sided_critical(0.05, 10.0) - 2.228).abs() < 5e-4);
        assert!((two_sided_critical(0.05, 1e9) - 1.959_963_985).abs() < 1e-8);
    }

    #[test]
    fn nothing_is_shown_without_degrees_of_freedom() {
        assert_eq!(two_sided_p(5.0, 0.0), 1.0);
        assert_eq!(two_sided_p(f64::NAN, 4.0), 1.0);
        assert_eq!(two_sided_critical(0.05, 0.0), f64::INFINITY);
        assert_eq!(detectable(0.05, 0.8, 0.0), f64::INFINITY);
    }

    #[test]
    fn the_detectable_effect_has_the_power_asked_for() {
        for df in [1.0, 2.0, 4.0, 6.3, 60.0] {
            for alpha in [0.05, 0.004] {
                let critical = two_sided_critical(alpha, df);
                let effect = detectable(alpha, 0.8, df);
                assert!(
                    (power(effect, critical, df) - 0.8).abs() < 1e-8,
                    "{df} {alpha}"
                );
                // Common approximation for many degrees of freedom: t + z.
                assert!(df < 50.0 || (effect - critical - 0.8416).abs() < 0.02);
            }
        }
        assert_eq!(detectable(0.9, 0.8, 4.0), 0.0);
    }

    #[test]
    fn power_at_no_effect_is_the_level() {
        for df in [1.0, 2.0, 4.0, 33.0, 1e5] {
            let critical = two_sided_critical(0.05, df);
            assert!((power(0.0, critical, df) - 0.05).abs() < 1e-5, "{df}");
        }
    }
}
