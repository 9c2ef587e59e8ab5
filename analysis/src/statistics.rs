//! Estimators and tests, one file each, that know nothing of cars.
//!
//! Comparison, trend, plan and the models of coupling and tyres ask them; they are given finite
//! numbers in slices and give back numbers or `None` where the question has no answer (no values,
//! no spread, no repetition). They hold no state, and nothing in them is drawn at random. Callers
//! leave out values that are not finite.
//!
//! - [`quantile`]: order statistics; [`spread`]: scale, robust and plain.
//! - [`huber`]: a straight line that wild points cannot move.
//! - [`hodges_lehmann`]: by how much one sample is shifted against another, with an interval, from
//!   the distribution in `mann_whitney`.
//! - [`two_level`]: the shift when values are nested in clusters, with the degrees of freedom
//!   that few clusters leave.
//! - `binomial`: how often chance brings about so many of so many.
//! - [`holm`]: several questions asked of the same data.
//! - [`student_t`]: p values, quantiles and power of t tests.
//! - [`least_squares`]: a model of any form, with the covariance of its parameters.
//! - `line`: a straight line or a parabola through samples in time.
//! - [`theil_sen`]: a slope that outliers cannot move; [`change_points`]: where a series changes;
//!   [`step_at`]: by how much it changes there, without its slow course.
//! - `neighbours`: what a series does from one value to the next, without its slow course.
//! - [`nearest`]: the closest point within a box, for matching.
//! - `root`: where a rising function is nought; `minimum`: where a function is least; `selection`:
//!   order statistics of differences that are never written down.

pub(crate) mod binomial;
pub mod change_points;
pub mod hodges_lehmann;
pub mod holm;
pub mod huber;
pub mod least_squares;
pub(crate) mod line;
mod mann_whitney;
mod minimum;
pub mod nearest;
pub(crate) mod neighbours;
pub mod quantile;
pub(crate) mod root;
mod selection;
pub mod spread;
pub mod step_at;
pub mod student_t;
pub mod theil_sen;
pub mod two_level;

#[cfg(test)]
mod reference_tests;
