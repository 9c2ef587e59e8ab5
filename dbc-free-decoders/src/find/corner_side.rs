//! Left told from right: by a receiver's course, by a mark that names a turn, or by the sign of a
//! steering or yaw field.
//!
//! Second half of [`super::corner`], which pairs the wheels.

use super::corner::{
    Corners, Geometry, KNOWN_TURN, LEAST_CONFIDENCE, LEAST_SPEED_MPS, PAIRINGS, Side, USUAL_TRACK_M,
};
use super::reference::Aligned;
use super::statistics::{correlation, deviation, mean, regress};
use super::survey::Mark;
use super::timeline::Timeline;

/// A signed field that may tell the turn's sense: its series, and what it is called.
pub(crate) struct TurnField<'a> {
    pub(crate) series: &'a [f64],
    pub(crate) name: String,
    /// Whether the field itself is a turn rate; else it is a steering angle.
    pub(crate) is_rate: bool,
}

/// Sides by a receiver's course alone, where the turns are too wide for the axles' law.
pub(super) fn sides_by_course(
    corners: &mut Corners,
    differences: &[Vec<f64>],
    reference: Option<&Aligned>,
    geometry: Geometry,
    speed: &[f64],
) {
    let Some(course) = reference.filter(|r| !r.yaw_rad_s.is_empty()) else {
        return;
    };
    let scored = differences.iter().enumerate().map(|(k, difference)| {
        (
            k,
            clear_correlation(difference, &course.yaw_rad_s, speed, &course.valid),
        )
    });
    let Some((sides, r)) = scored.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())) else {
        return;
    };
    if r.abs() < 0.6 {
        return;
    }
    let confidence = 0.5 + 0.5 * ((r.abs() - 0.4) / 0.45).clamp(0.0, 0.998);
    set_sides(corners, sides, r, confidence);
    corners.evidence.push(format!(
        "two pairs differ as the course turns (correlation {:.2})",
        r.abs()
    ));
    keep_yaw(corners, differences.get(sides), r, geometry);
}

/// Share of all differences' variance, and size, from which one pairing is the sides.
const LEAST_SHARE: f64 = 0.8;
const LEAST_SIZE_MPS: f64 = 0.06;

/// Sides by size alone: turning sets the sides of a car apart more than anything else does any pair
/// of wheels. Which is left stays open; a steering or yaw field that follows may say. Returns the
/// pairing.
pub(super) fn sides_by_size(
    corners: &mut Corners,
    differences: &[Vec<f64>],
    speed: &[f64],
    accel: &[f64],
    geometry: Geometry,
) -> Option<usize> {
    let moving = |k: usize| speed.get(k).is_some_and(|v| *v > LEAST_SPEED_MPS);
    let ones = vec![1.0; speed.len()];
    let variance = |difference: &Vec<f64>| {
        let columns = [speed, accel, &ones];
        let fit = regress(&columns, difference, &moving).unwrap_or_default();
        let clear: Vec<f64> = (0..speed.len())
            .filter(|&k| moving(k))
            .map(|k| {
                let at = |values: &[f64]| values.get(k).copied().unwrap_or(0.0);
                let told: f64 = fit
                    .iter()
                    .zip(columns)
                    .map(|(c, column)| c * at(column))
                    .sum();
                at(difference) - told
            })
            .collect();
        deviation(&clear).powi(2)
    };
    let variances: Vec<f64> = differences.iter().map(variance).collect();
    let total: f64 = variances.iter().sum();
    let (sides, most) = variances
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1))?;
    if *most < LEAST_SHARE * total || most.sqrt() < LEAST_SIZE_MPS {
        return None;
    }
    keep_yaw(corners, differences.get(sides), 1.0, geometry);
    set_sides(corners, sides, 1.0, 0.5);
    corners.evidence.push(format!(
        "two pairs differ far more than any others ({:.0} % of all): the sides, in turns",
        100.0 * most / total
    ));
    Some(sides)
}

/// Correlation where there is a reference, with the tyres' share of speed taken out.
pub(super) fn clear_correlation(
    difference: &[f64],
    yaw: &[f64],
    speed: &[f64],
    valid: &[bool],
) -> f64 {
    let keep: Vec<usize> = (0..difference.len())
        .filter(|&k| {
            valid.get(k) == Some(&true) && speed.get(k).is_some_and(|v| *v > LEAST_SPEED_MPS)
        })
        .collect();
    let pick = |values: &[f64]| -> Vec<f64> {
        keep.iter()
            .filter_map(|&k| values.get(k).copied())
            .collect()
    };
    let (v, d, r) = (pick(speed), pick(difference), pick(yaw));
    let share = regress(&[&v], &d, &|_| true)
        .and_then(|c| c.first().copied())
        .unwrap_or(0.0);
    let clear: Vec<f64> = d.iter().zip(&v).map(|(d, v)| d - share * v).collect();
    correlation(&clear, &r)
}

/// `sign` above 0: the first pair of the pairing runs faster when the car turns left, so it is the
/// right side.
pub(super) fn set_sides(corners: &mut Corners, sides: usize, sign: f64, confidence: f64) {
    let Some(&[a, b, c, d]) = PAIRINGS.get(sides) else {
        return;
    };
    let (first, other) = if sign > 0.0 {
        (Side::Right, Side::Left)
    } else {
        (Side::Left, Side::Right)
    };
    for (wheel, side) in [(a, first), (b, first), (c, other), (d, other)] {
        if let Some(entry) = corners.side.get_mut(wheel) {
            *entry = Some(side);
        }
    }
    corners.side_confidence = confidence;
}

pub(super) fn keep_yaw(
    corners: &mut Corners,
    difference: Option<&Vec<f64>>,
    sign: f64,
    geometry: Geometry,
) {
    let track = geometry.track_m.unwrap_or(USUAL_TRACK_M);
    let sign = if sign < 0.0 { -1.0 } else { 1.0 };
    corners.yaw_rad_s = difference
        .map(|c| c.iter().map(|s| sign * s / track).collect())
        .unwrap_or_default();
}

#[expect(
    clippy::too_many_arguments,
    reason = "one question, everything that may answer it"
)]
pub(super) fn tell_sides(
    corners: &mut Corners,
    sides: usize,
    differences: &[Vec<f64>],
    reference: Option<&Aligned>,
    marks: &[Mark],
    geometry: Geometry,
    axis: &Timeline,
    speed: &[f64],
) {
    let Some(difference) = differences.get(sides) else {
        return;
    };
    let course = reference.filter(|r| !r.yaw_rad_s.is_empty());
    if let Some(course) = course {
        let r = clear_correlation(difference, &course.yaw_rad_s, speed, &course.valid);
        if r.abs() > 0.5 {
            set_sides(
                corners,
                sides,
                r,
                0.5 + 0.5 * ((r.abs() - 0.3) / 0.4).clamp(0.0, 0.998),
            );
            corners.evidence.push(format!(
                "left and right by the receiver's course (correlation {:.2})",
                r.abs()
            ));
            keep_yaw(corners, Some(difference), r, geometry);
            return;
        }
    }
    if let Some((sign, text)) = marked_turn(difference, marks, axis) {
        set_sides(corners, sides, sign, 0.98);
        corners
            .evidence
            .push(format!("left and right by the mark \"{text}\""));
        keep_yaw(corners, Some(difference), sign, geometry);
        return;
    }
    keep_yaw(corners, Some(difference), 1.0, geometry);
    // Grouped, but which is left is still open; a steering or yaw field may say.
    set_sides(corners, sides, 1.0, 0.5);
}

/// The first turn within half a minute of a mark that names its sense.
fn marked_turn<'a>(
    difference: &[f64],
    marks: &'a [Mark],
    axis: &Timeline,
) -> Option<(f64, &'a str)> {
    const LOOK_S: f64 = 30.0;
    for mark in marks {
        let text = mark.text.to_lowercase();
        let left = match (text.contains("left"), text.contains("right")) {
            (true, false) => true,
            (false, true) => false,
            _ => continue,
        };
        let from = axis.t_ns().partition_point(|t| *t < mark.t_ns);
        let to = (from + axis.points(LOOK_S)).min(difference.len());
        let span = difference.get(from..to).unwrap_or_default();
        let limit = 0.25 * span.iter().map(|v| v.abs()).fold(0.0, f64::max).max(0.2);
        // The first stretch that turns for a second.
        let second = axis.points(1.0);
        let Some(turn) = span.windows(second).find(|w| mean(w).abs() > limit) else {
            continue;
        };
        let sign = mean(turn).signum();
        return Some((if left { sign } else { -sign }, mark.text.as_str()));
    }
    None
}

/// Left from right by the sign of steering or yaw fields, where nothing surer told it.
pub(crate) fn by_sign_convention(corners: &mut Corners, fields: &[TurnField<'_>], speed: &[f64]) {
    if corners.side_confidence >= LEAST_CONFIDENCE || corners.yaw_rad_s.is_empty() {
        return;
    }
    let valid: Vec<bool> = vec![true; speed.len()];
    let mut votes: Vec<(f64, &str)> = Vec::new();
    for field in fields {
        let turn: Vec<f64> = match field.is_rate {
            true => field.series.to_vec(),
            false => field.series.iter().zip(speed).map(|(s, v)| s * v).collect(),
        };
        let r = clear_correlation(&corners.yaw_rad_s, &turn, speed, &valid);
        if r.abs() > 0.6 {
            votes.push((r, &field.name));
        }
    }
    let (Some(first), rest) = (votes.first(), votes.get(1..).unwrap_or_default()) else {
        return;
    };
    let agree = rest.iter().all(|(r, _)| r.signum() == first.0.signum());
    let names: Vec<&str> = votes.iter().map(|(_, name)| *name).collect();
    if !agree {
        corners.evidence.push(format!(
            "the signs of {} disagree on which side is left",
            names.join(" and ")
        ));
        return;
    }
    if first.0 < 0.0 {
        for side in corners.side.iter_mut().flatten() {
            *side = if *side == Side::Left {
                Side::Right
            } else {
                Side::Left
            };
        }
        corners.yaw_rad_s.iter_mut().for_each(|r| *r = -*r);
    }
    corners.side_confidence = if votes.len() > 1 { 0.95 } else { 0.9 };
    corners.to_tell.retain(|&text| text != KNOWN_TURN);
    corners.evidence.push(format!(
        "left and right rest on the sign of {}, taken as positive to the left (ISO 8855); one known turn would prove it",
        names.join(" and ")
    ));
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A mark may say how a place was left, and the road then runs straight.
    #[test]
    fn a_mark_without_a_turn_leaves_the_next_one_to_tell() {
        let second = 1_000_000_000;
        let axis = Timeline::new(&[(0, 120 * second)]);
        let difference: Vec<f64> = axis
            .t_ns()
            .iter()
            .map(|t| {
                if (70 * second..75 * second).contains(t) {
                    -0.8
                } else {
                    0.0
                }
            })
            .collect();
        let mark = |t_ns, text: &str| Mark {
            t_ns,
            text: text.to_owned(),
        };
        let marks = [
            mark(-second, "Left the car park"),
            mark(60 * second, "turn right now"),
            mark(200 * second, "left"),
        ];
        let told = marked_turn(&difference, &marks, &axis);
        assert_eq!(told, Some((1.0, "turn right now")));
        assert_eq!(marked_turn(&difference, &marks[2..], &axis), None);
    }
}
