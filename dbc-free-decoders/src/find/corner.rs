//! Which wheel is where.
//!
//! With the car turning left at the rate r, the right wheels run faster than the left ones by r
//! times the track: `S = v_right - v_left = r W`. The rear axle cuts the corner, so the front axle
//! runs faster than the rear one whichever way the car turns, `A = v_front - v_rear =
//! (r L)^2 / (2 v)`, that is `A = alpha S^2 / v` with `alpha = L^2 / (2 W^2)`, about 1.5 for any car
//! (L wheelbase, W track; both follow from turning about one centre on the rear axle's line, as in
//! Ackermann geometry). Of the three ways to pair four wheels one is the sides, one the axles, one
//! the diagonals; the pairing in which that law holds tells all but left from right. For that the
//! turn's sense must be known from outside: the course of a receiver, a mark, or the sign of a
//! steering or yaw field, which ISO 8855 counts positive to the left.

use super::corner_axle::{axle_law, axles_by_drive, set_axles};
use super::corner_side::{sides_by_course, sides_by_size, tell_sides};
use super::reference::Aligned;
use super::statistics::{mean_of_series, normal_share, slope, smooth};
use super::survey::Mark;
use super::timeline::Timeline;

/// Where a wheel is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Axle {
    /// Front axle.
    Front,
    /// Rear axle.
    Rear,
}

/// On which side.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Left in the direction of travel.
    Left,
    /// Right.
    Right,
}

/// What is known of the car's size; used where given.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Geometry {
    /// Wheelbase, m.
    pub wheelbase_m: Option<f64>,
    /// Rear track, m.
    pub track_m: Option<f64>,
}

impl Geometry {
    /// alpha of the axles' law, from the car's size where that is known.
    fn alpha(self) -> f64 {
        let size = self.wheelbase_m.zip(self.track_m);
        size.map_or(USUAL_ALPHA, |(l, w)| l * l / (2.0 * w * w))
    }
}

/// The corners of the four, in their order.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Corners {
    pub(crate) axle: [Option<Axle>; 4],
    pub(crate) axle_confidence: f64,
    pub(crate) side: [Option<Side>; 4],
    pub(crate) side_confidence: f64,
    pub(crate) evidence: Vec<String>,
    /// What to do where they are not told apart.
    pub(crate) to_tell: Vec<&'static str>,
    /// Turn rate to the left, rad/s on the axis; of unknown sign if sides are not told apart; empty
    /// if the sides are not known at all.
    pub(crate) yaw_rad_s: Vec<f64>,
}

/// Confidence from which a corner is named.
pub const LEAST_CONFIDENCE: f64 = 0.9;
/// Slowest speed at which the wheels are looked at, m/s.
pub(super) const LEAST_SPEED_MPS: f64 = 1.2;
/// alpha of cars: wheelbase 2.2 to 3.3 m, track 1.35 to 1.75 m. Common practice, no source.
const ALPHA: std::ops::RangeInclusive<f64> = 0.7..=2.9;
const USUAL_ALPHA: f64 = 1.5;
pub(super) const USUAL_TRACK_M: f64 = 1.55;

/// What tells left from right where nothing did.
pub(super) const KNOWN_TURN: &str =
    "make one known turn and say so with a mark that holds the word left or right";

/// The three pairings: wheel 0 with 1, with 2, with 3; then the other two.
pub(super) const PAIRINGS: [[usize; 4]; 3] = [[0, 1, 2, 3], [0, 2, 1, 3], [0, 3, 1, 2]];

/// Half the sum of one pair less half the sum of the other, smoothed.
fn pair_difference(speeds: &[Vec<f64>], pairing: [usize; 4], window: usize) -> Vec<f64> {
    let at = |wheel: usize, k: usize| {
        speeds
            .get(wheel)
            .and_then(|v| v.get(k))
            .copied()
            .unwrap_or(0.0)
    };
    let [a, b, c, d] = pairing;
    let points = speeds.first().map_or(0, Vec::len);
    let raw: Vec<f64> = (0..points)
        .map(|k| 0.5 * (at(a, k) + at(b, k) - at(c, k) - at(d, k)))
        .collect();
    smooth(&raw, window)
}

/// What it takes to name the axles: deviations off 0, size of the cut corner, and lead over the next
/// best way to pair the wheels.
const LEAST_DEVIATIONS: f64 = 2.5;
const LEAST_CUT_MPS: f64 = 0.006;
const LEAST_LEAD: f64 = 2.0;

/// Tells the corners of four speeds on the axis, m/s.
pub(crate) fn tell(
    speeds: &[Vec<f64>; 4],
    reference: Option<&Aligned>,
    marks: &[Mark],
    geometry: Geometry,
    axis: &Timeline,
) -> Corners {
    let window = axis.points(0.6);
    let points = axis.len();
    let all = mean_of_series(&speeds.each_ref().map(Vec::as_slice), points);
    let speed = smooth(&all, window);
    let accel: Vec<f64> = slope(&speed)
        .iter()
        .map(|s| (s / axis.step_s()).clamp(-12.0, 12.0))
        .collect();
    let moving = |k: usize| speed.get(k).is_some_and(|v| *v > LEAST_SPEED_MPS);
    let differences: Vec<Vec<f64>> = PAIRINGS
        .iter()
        .map(|&pairing| pair_difference(speeds, pairing, window))
        .collect();
    let steady = |k: usize| accel.get(k).is_some_and(|a| a.abs() < 0.8) && moving(k);
    let steady_points = (0..points).filter(|&k| steady(k)).count();
    let mut corners = Corners {
        axle: [None; 4],
        axle_confidence: 0.0,
        side: [None; 4],
        side_confidence: 0.0,
        evidence: Vec::new(),
        to_tell: Vec::new(),
        yaw_rad_s: Vec::new(),
    };
    if steady_points < axis.points(4.0) {
        corners
            .to_tell
            .push("drive at a walking pace or faster for some minutes, with turns both ways");
        return corners;
    }
    let alpha = geometry.alpha();
    let mut fits = axle_law(&differences, &speed, &accel, &steady, points, axis.step_s());
    fits.sort_by(|a, b| b.merit(alpha).total_cmp(&a.merit(alpha)));
    let best = fits.first();
    let second = fits.get(1).map_or(0.0, |fit| fit.merit(alpha));
    let turned = best.filter(|fit| {
        fit.deviations > LEAST_DEVIATIONS
            && ALPHA.contains(&fit.alpha.abs())
            && fit.explained_mps > LEAST_CUT_MPS
            && fit.merit(alpha) > LEAST_LEAD * second
    });
    match turned {
        Some(fit) => {
            // How far the next best explanation is behind counts as well as the fit itself.
            let lead = 1.0 - 0.15 * (LEAST_LEAD * second / fit.merit(alpha).max(1e-9)).min(1.0);
            set_axles(
                &mut corners,
                fit,
                normal_share(fit.deviations.min(4.0)).min(0.999) * lead,
            );
            corners.evidence.push(format!(
                "in turns the front axle runs faster than the rear by {:.2} times the sides' difference squared over speed (geometry says about {alpha:.1}; {:.0} deviations)",
                fit.alpha.abs(), fit.deviations
            ));
            tell_sides(
                &mut corners,
                fit.sides,
                &differences,
                reference,
                marks,
                geometry,
                axis,
                &speed,
            );
        }
        None => {
            // The sides may still show where a receiver's course follows them, or by their size.
            sides_by_course(&mut corners, &differences, reference, geometry, &speed);
            let sides = match corners.yaw_rad_s.is_empty() {
                true => sides_by_size(&mut corners, &differences, &speed, &accel, geometry),
                false => None,
            };
            let law = |sides: usize, axles: usize| {
                fits.iter()
                    .find(|fit| (fit.sides, fit.axles) == (sides, axles))
                    .map(|fit| (fit.alpha, fit.deviations))
            };
            axles_by_drive(
                &mut corners,
                &differences,
                (&speed, &accel),
                &moving,
                sides,
                &law,
            );
            if corners.axle_confidence < LEAST_CONFIDENCE {
                corners.to_tell.push("drive two slow, tight turns each way, without accelerating: the rear axle cuts the corner");
            }
        }
    }
    if corners.side_confidence < LEAST_CONFIDENCE {
        corners.to_tell.push(KNOWN_TURN);
    }
    corners
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A long, narrow car, 3.2 m by 1.4 m, that weaves at 4 m/s: its alpha of 2.6 is far from the
    /// usual one, which only its size tells.
    #[test]
    fn the_cars_size_is_used_where_it_is_known() {
        let axis = Timeline::new(&[(0, 120_000_000_000)]);
        let (wheelbase_m, track_m, speed_mps) = (3.2, 1.4, 4.0);
        let wheel = |front: bool, right: f64| -> Vec<f64> {
            (0..axis.len())
                .map(|k| {
                    let rate = 0.4 * (k as f64 * 0.02).sin();
                    let side = speed_mps + right * rate * track_m / 2.0;
                    if front {
                        side.hypot(rate * wheelbase_m)
                    } else {
                        side
                    }
                })
                .collect()
        };
        let speeds = [
            wheel(true, -1.0),
            wheel(true, 1.0),
            wheel(false, -1.0),
            wheel(false, 1.0),
        ];
        let confidence = |geometry| tell(&speeds, None, &[], geometry, &axis).axle_confidence;
        let known = Geometry {
            wheelbase_m: Some(wheelbase_m),
            track_m: Some(track_m),
        };
        assert!((known.alpha() - 2.612).abs() < 1e-3);
        let (usual, told) = (confidence(Geometry::default()), confidence(known));
        assert!(told > usual && told > LEAST_CONFIDENCE, "{usual} {told}");
    }
}
