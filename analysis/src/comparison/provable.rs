//! The smallest change that a campaign would have shown.
//!
//! It is `d SE`, with the campaign's own standard error and with `d` from the power of a t test
//! ([`crate::statistics::student_t::detectable`]): an effect that large is shown with [`POWER`] at the
//! level at which the measure is tested. On logarithms a change is a factor, and the smallest is told
//! in the direction in which the measure improves: a fall of `L (1 - exp(-d SE))` from the level `L`
//! before, or a rise of `L (exp(d SE) - 1)`.
//!
//! No number is given where few degrees of freedom at a strict level ask for more than [`FARTHEST`]
//! times what an interval spans: so far out the t distribution rests on the tails of values that nobody
//! has seen. Nor is one where the level before leaves no room for such a change.
//! Nothing but the decay of pressure, which may rise under hold, falls below nought, and no share
//! exceeds one.

use super::shift::{CONFIDENCE, Shift};
use crate::measure::{Better, Measure};
use crate::statistics::student_t::{detectable, two_sided_critical};

/// Power at which the smallest provable change is given.
pub const POWER: f64 = 0.8;

/// On logarithms nothing is ever gone; a level is taken to be gone where this part of it is left. The
/// model was not made for more: a tenth of slip is its noise. Common practice, no source.
const GONE: f64 = 0.1;

/// How many half widths of its interval a change may be to be told.
const FARTHEST: f64 = 5.0;

/// The smallest change that is shown at `level` with [`POWER`], in the measure's unit; `Err` says in
/// plain words why there is none.
pub(super) fn smallest(
    measure: Measure,
    shift: &Shift,
    df: f64,
    level: f64,
) -> Result<f64, &'static str> {
    const TOO_FEW: &str = "at the level that it is tested at so few drives do not tell which change \
                           would have been shown, so no smallest provable change is given";
    let rises = measure.better() == Better::Higher;
    let errors = detectable(level, POWER, df);
    if errors > FARTHEST * two_sided_critical(1.0 - CONFIDENCE, df) {
        return Err(TOO_FEW);
    }
    let size = shift.of_errors(errors, rises).ok_or(TOO_FEW)?;
    let before = shift.level_before();
    let room = match (measure, shift.is_logarithmic()) {
        (Measure::TransferFraction, _) => 1.0 - before,
        (Measure::Hold, _) => f64::INFINITY,
        (_, true) => (1.0 - GONE) * before,
        (_, false) => before,
    };
    if size <= room {
        return Ok(size);
    }
    Err(if rises {
        "not even a rise to 1 would have been shown in four cases of five, so no smallest provable \
         change is given"
    } else {
        "not even its fall to nothing would have been shown in four cases of five, so no smallest \
         provable change is given"
    })
}
