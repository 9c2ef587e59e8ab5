//! A swing of torque once per relative turn, over the engagements of a drive: a plate that runs out
//! presses harder on one side.
//!
//! The traction fit gives the square of each engagement's swing, noise taken off. They are averaged
//! by how well each is told; the root is told in per cent, negative where noise outweighs it.

use super::traction::Traction;

/// Swing that an imperfect tyre curve may leave in an engagement, as a share of the torque.
const LEFT_OVER: f64 = 0.05;

/// The swing, per cent, and its standard uncertainty.
pub(super) fn swing(traction: &Traction) -> Option<(f64, f64)> {
    let squares = &traction.swings;
    let weights: Vec<f64> = squares
        .iter()
        .map(|(_, noise)| 1.0 / (noise + LEFT_OVER * LEFT_OVER).powi(2))
        .collect();
    let total: f64 = weights.iter().sum();
    if squares.is_empty() || total <= 0.0 {
        return None;
    }
    let mean = squares
        .iter()
        .zip(&weights)
        .map(|((square, _), w)| square * w)
        .sum::<f64>()
        / total;
    let u_square = (1.0 / total).sqrt();
    let amplitude = mean.abs().sqrt();
    Some((
        100.0 * amplitude * mean.signum(),
        100.0 * u_square / (2.0 * amplitude.max(u_square.sqrt()).max(0.02)),
    ))
}
