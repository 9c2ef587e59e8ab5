//! Numbers as people read them: no more digits than the uncertainty allows.
//!
//! An uncertainty keeps one or two significant digits, and the value is rounded to the same
//! decimal place (JCGM 100:2008, 7.2.6: at most two significant digits). Two digits stay where the
//! first three are 100 to 354, one from 355 to 949, and 950 upwards becomes 1000 (Particle Data
//! Group, Review of Particle Physics, introduction; from memory). A number too large or too small
//! to read is written with a power of ten. A value that is not a number shows as a dash.

use std::fmt::Write as _;

/// Stands for a number that is not there.
pub const NO_NUMBER: &str = "–";

/// Beyond these powers of ten a number is written with one.
const PLAIN_EXPONENTS: std::ops::RangeInclusive<i32> = -5..=6;

/// Significant digits of a number whose uncertainty is not known.
const DIGITS_WITHOUT_U: i32 = 3;
/// Significant digits of an uncertainty, or of a size that is known only roughly.
const DIGITS_OF_U: i32 = 2;

/// `value ± u`, both at the decimal place that `u` allows; only the value if `u` is nought or not
/// a number.
#[must_use]
pub fn with_uncertainty(value: f64, u: f64) -> String {
    match place_of(u) {
        Some(place) if value.is_finite() => {
            let text = |exponent: i32| {
                let place = place.saturating_sub(exponent);
                format!(
                    "{} ± {}",
                    at_place(value, exponent, place),
                    at_place(u, exponent, place)
                )
            };
            match shared_exponent(value.abs().max(u)) {
                None => text(0),
                Some(exponent) => format!("({}) × 10{}", text(exponent), superscript(exponent)),
            }
        }
        _ => plain(value),
    }
}

/// The value alone, at the decimal place that its standard uncertainty allows.
#[must_use]
pub fn rounded_to(value: f64, u: f64) -> String {
    match place_of(u) {
        Some(place) if value.is_finite() => scaled(value, value.abs().max(u), place),
        _ => plain(value),
    }
}

/// A change with its sign, at the decimal place that its standard uncertainty allows.
#[must_use]
pub fn signed(value: f64, u: f64) -> String {
    let text = rounded_to(value, u);
    if value > 0.0 && text.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        format!("+{text}")
    } else {
        text
    }
}

/// `low to high`, at the decimal place that the standard uncertainty allows.
#[must_use]
pub fn interval(low: f64, high: f64, u: f64) -> String {
    format!("{} to {}", signed(low, u), signed(high, u))
}

/// `low to high` of a condition; one number where both round to the same.
#[must_use]
pub fn span(low: f64, high: f64) -> String {
    let resolution = ((high - low).abs() / 20.0).max(high.abs().max(low.abs()) * 1e-2);
    let place = decade(resolution).unwrap_or(0);
    let size = high.abs().max(low.abs());
    let (low, high) = (scaled(low, size, place), scaled(high, size, place));
    if low == high {
        low
    } else {
        format!("{low} to {high}")
    }
}

/// A number of unknown uncertainty, with three significant digits.
#[must_use]
pub fn plain(value: f64) -> String {
    significant(value, DIGITS_WITHOUT_U)
}

/// A size known only roughly, with two significant digits.
#[must_use]
pub fn rough(value: f64) -> String {
    significant(value, DIGITS_OF_U)
}

fn significant(value: f64, digits: i32) -> String {
    if !value.is_finite() {
        return NO_NUMBER.to_owned();
    }
    let place = decade(value).map_or(0, |decade| decade + 1 - digits);
    scaled(value, value.abs(), place)
}

/// A probability: two significant digits, never below what the method can tell apart from nought.
#[must_use]
pub fn probability(p: f64) -> String {
    if !p.is_finite() {
        NO_NUMBER.to_owned()
    } else if p < 0.001 {
        "< 0.001".to_owned()
    } else if p < 0.1 {
        at_place(p, 0, decade(p).unwrap_or(-2) - 1)
    } else {
        at_place(p.min(1.0), 0, -2)
    }
}

/// How probable something is, in whole per cent. Nothing that rests on a drive is certain.
#[must_use]
pub fn chance(probability: f64) -> String {
    match probability {
        p if !p.is_finite() => NO_NUMBER.to_owned(),
        p if p < 0.005 => "under 1\u{a0}%".to_owned(),
        p if p > 0.99 => "over 99\u{a0}%".to_owned(),
        p => format!("{:.0}\u{a0}%", 100.0 * p),
    }
}

/// A count.
#[must_use]
pub fn whole(n: usize) -> String {
    at_place(n as f64, 0, 0)
}

/// How often: `once`, or so many times.
#[must_use]
pub fn times(n: usize) -> String {
    match n {
        1 => "once".to_owned(),
        n => format!("{n} times"),
    }
}

/// A count with its noun, in the singular where it is one.
#[must_use]
pub fn count(n: usize, one: &str, many: &str) -> String {
    format!("{} {}", whole(n), if n == 1 { one } else { many })
}

/// Standard uncertainty behind a symmetric 95 % interval (normal distribution, k = 1.96).
#[must_use]
pub fn u_of_interval(low: f64, high: f64) -> f64 {
    (high - low) / (2.0 * 1.96)
}

/// Power of ten of the last digit that an uncertainty of this size leaves.
fn place_of(u: f64) -> Option<i32> {
    let decade = decade(u).filter(|_| u > 0.0)?;
    let leading = (u / 10f64.powi(decade) * 100.0).round();
    // 950 upwards becomes 1000: the second of its two digits stands where the first of u stood.
    Some(if leading < 355.0 { decade - 1 } else { decade })
}

/// Power of ten of the first digit; nothing for nought and for what is not a number.
fn decade(value: f64) -> Option<i32> {
    // Below the smallest normal number the powers of ten are no longer exact.
    (value.is_finite() && value.abs() >= f64::MIN_POSITIVE)
        .then(|| value.abs().log10().floor() as i32)
}

fn shared_exponent(size: f64) -> Option<i32> {
    decade(size).filter(|exponent| !PLAIN_EXPONENTS.contains(exponent))
}

fn scaled(value: f64, size: f64, place: i32) -> String {
    if !value.is_finite() {
        return NO_NUMBER.to_owned();
    }
    match shared_exponent(size) {
        None => at_place(value, 0, place),
        Some(exponent) => {
            let mantissa = at_place(value, exponent, place.saturating_sub(exponent));
            format!("{mantissa} × 10{}", superscript(exponent))
        }
    }
}

/// `value / 10^exponent` rounded to `10^place`, thousands set apart, with a true minus sign.
fn at_place(value: f64, exponent: i32, place: i32) -> String {
    // Two steps, as 10^-308 is no longer a normal number.
    let half = exponent / 2;
    let value = value / 10f64.powi(half) / 10f64.powi(exponent - half);
    // A double has no more than 17 significant digits to show.
    let place = place.clamp(-15, 15);
    let rounded = if place > 0 {
        let unit = 10f64.powi(place);
        (value / unit).round() * unit
    } else {
        value
    };
    let decimals = usize::try_from(-place).unwrap_or(0);
    let digits = format!("{:.decimals$}", rounded.abs());
    let (whole, fraction) = digits.split_once('.').unwrap_or((&digits, ""));
    let mut text = String::new();
    if rounded < 0.0 && digits.bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        text.push('−');
    }
    for (i, digit) in whole.chars().enumerate() {
        // Four digits stay together, as in a year (ISO 80000-1:2009, 7.3.1 allows it).
        if whole.len() > 4 && i > 0 && (whole.len() - i) % 3 == 0 {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    if !fraction.is_empty() {
        let _ = write!(text, ".{fraction}");
    }
    text
}

fn superscript(exponent: i32) -> String {
    exponent
        .to_string()
        .chars()
        .map(|c| match c {
            '-' => '⁻',
            '1' => '¹',
            '2' => '²',
            '3' => '³',
            _ => c
                .to_digit(10)
                .and_then(|d| char::from_u32(0x2070 + d))
                .unwrap_or(c),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Examples of JCGM 100:2008, 7.2.6 (from memory): 10.05762 Ω with 27 mΩ is 10.058 Ω, and
    /// 28.05 kHz is rounded down to 28 kHz.
    #[test]
    fn the_guide_to_uncertainty_rounds_so() {
        assert_eq!(with_uncertainty(10.057_62, 0.027), "10.058 ± 0.027");
        assert_eq!(with_uncertainty(500.0, 28.05), "500 ± 28");
    }

    #[test]
    fn digits_follow_the_uncertainty() {
        let check = |value, u, text| assert_eq!(with_uncertainty(value, u), text);
        check(1.823_4, 0.044, "1.82 ± 0.04");
        check(1.823_4, 0.012_34, "1.823 ± 0.012");
        check(1.823_4, 0.096_2, "1.82 ± 0.10");
        check(183.4, 7.4, "183 ± 7");
        check(12_345.0, 420.0, "12\u{202f}300 ± 400");
        check(1_234.0, 420.0, "1200 ± 400");
        check(-0.001, 0.04, "0.00 ± 0.04");
        check(-3.21, 0.2, "−3.21 ± 0.20");
        check(3.0, 4000.0, "0 ± 4000");
        check(421_000_000.0, 3_000_000.0, "(4.210 ± 0.030) × 10⁸");
        check(0.000_001_82, 0.000_000_04, "(1.82 ± 0.04) × 10⁻⁶");
        check(1.5, 0.0, "1.50");
        check(1.5, f64::NAN, "1.50");
        check(f64::NAN, 1.0, "–");
    }

    #[test]
    fn changes_and_intervals_carry_their_sign() {
        assert_eq!(signed(-1.213, 0.064), "−1.21");
        assert_eq!(signed(0.213, 0.064), "+0.21");
        assert_eq!(signed(0.000_1, 0.064), "0.00");
        assert_eq!(
            interval(-1.339, -1.082, u_of_interval(-1.339, -1.082)),
            "−1.34 to −1.08"
        );
    }

    #[test]
    fn spans_probabilities_counts() {
        assert_eq!(span(37.6, 71.24), "38 to 71");
        assert_eq!(span(50.0, 50.0), "50.0");
        assert_eq!(span(0.0, 0.0), "0");
        assert_eq!(probability(0.000_04), "< 0.001");
        assert_eq!(probability(0.021_4), "0.021");
        assert_eq!(probability(0.314), "0.31");
        assert_eq!(chance(0.995), "over 99\u{a0}%");
        assert_eq!(chance(0.99), "99\u{a0}%");
        assert_eq!(chance(0.004), "under 1\u{a0}%");
        assert_eq!(count(1, "drive", "drives"), "1 drive");
        assert_eq!(count(12_000, "drive", "drives"), "12\u{202f}000 drives");
    }

    proptest! {
        #[test]
        fn any_number_gives_a_short_text(value in any::<f64>(), u in any::<f64>()) {
            for text in [
                with_uncertainty(value, u), rounded_to(value, u), signed(value, u),
                interval(value, u, u), span(value, u), plain(value), rough(value), probability(value),
            ] {
                prop_assert!(!text.is_empty() && text.chars().count() <= 64, "{}", text);
                prop_assert!(!text.contains("NaN") && !text.contains("inf"), "{}", text);
            }
        }

        /// The printed value stays within half of the printed last place, which is at most a
        /// twentieth of a decade above u.
        #[test]
        fn rounding_stays_within_the_uncertainty(value in -1e5..1e5f64, u in 1e-3..1e3f64) {
            let text = with_uncertainty(value, u).replace('\u{202f}', "").replace('−', "-");
            prop_assume!(!text.contains('×'));
            let (shown, shown_u) = text.split_once(" ± ").unwrap();
            let (shown, shown_u): (f64, f64) = (shown.parse().unwrap(), shown_u.parse().unwrap());
            prop_assert!((shown - value).abs() <= 0.15 * u, "{}", text);
            prop_assert!((shown_u - u).abs() <= 0.15 * u, "{}", text);
        }
    }
}
