//! The speed that unknown fields are compared with: from a file, from a satellite receiver in the
//! capture, or from OBD-II answers in it.

use super::obd::{self, Told};
use super::reference_clock::offset_ns;
use super::reference_lag::lag_ns;
use super::survey::Survey;
use super::timeline::Timeline;
use crate::frame::CanId;
use crate::gnss_frames::{self, COURSE, INTERFACE, SPEED};

/// Fewest points of the axis at which a reference tells the speed.
const LEAST_POINTS: usize = 50;
/// A reference value stands for this long, ns.
pub(super) const FRESH_NS: i64 = 1_500_000_000;

/// Where the reference comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReferenceKind {
    /// A file that the user gave.
    File,
    /// A satellite receiver in the capture.
    Gnss,
    /// OBD-II answers in the capture.
    Obd,
}

impl ReferenceKind {
    /// In words.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::File => "speed file",
            Self::Gnss => "satellite speed in the capture",
            Self::Obd => "OBD-II vehicle speed in the capture",
        }
    }
}

/// A speed over ground with its times, in order.
#[derive(Clone, Debug, PartialEq)]
pub struct SpeedReference {
    /// Where it comes from.
    pub kind: ReferenceKind,
    /// Times, ns since the epoch.
    pub t_ns: Vec<i64>,
    /// Speeds, m/s.
    pub speed_mps: Vec<f64>,
    /// Courses over ground, degrees from true north, clockwise; empty if not known, else as many.
    pub course_deg: Vec<f64>,
}

impl SpeedReference {
    /// Its times with a clock's offset taken off, ns since the epoch.
    pub(super) fn times_without(&self, offset_ns: i64) -> Vec<i64> {
        let times = self.t_ns.iter();
        times.map(|t| t.saturating_sub(offset_ns)).collect()
    }
}

/// The reference on the common axis.
#[derive(Clone, Debug)]
pub(crate) struct Aligned {
    pub(crate) kind: ReferenceKind,
    /// Whether it is the car's own speed: no tyre lies between it and the fields.
    pub(crate) own_speed: bool,
    /// Whether it comes in whole km/h, rounded or cut off.
    pub(crate) whole_kmh: bool,
    /// The reference follows the frames by this, s.
    pub(crate) lag_s: f64,
    pub(crate) speed_mps: Vec<f64>,
    /// Where there is a value.
    pub(crate) valid: Vec<bool>,
    /// Turn rate to the left, rad/s; empty if no course is known.
    pub(crate) yaw_rad_s: Vec<f64>,
}

/// The best reference: a file before a receiver before OBD-II.
pub(crate) fn choose(
    given: Option<&SpeedReference>,
    survey: &Survey,
    told: &[Told],
) -> Option<SpeedReference> {
    given
        .filter(|given| given.t_ns.len() >= 3)
        .cloned()
        .or_else(|| gnss(survey))
        .or_else(|| {
            let speed = obd::of(told, "vehicle_speed")?;
            Some(SpeedReference {
                kind: ReferenceKind::Obd,
                t_ns: speed.t_ns.clone(),
                speed_mps: speed
                    .values
                    .iter()
                    .map(|v| speed.unit.in_core(*v))
                    .collect(),
                course_deg: Vec::new(),
            })
        })
}

fn gnss(survey: &Survey) -> Option<SpeedReference> {
    let bus = survey.buses.iter().find(|bus| bus.name == INTERFACE)?;
    let told = |id: CanId, read: fn(&[u8]) -> Option<f64>| -> Vec<(i64, f64)> {
        let seen = bus.ids.iter().skip(1).find(|seen| seen.id == id);
        let rows = seen.into_iter().flat_map(|seen| seen.rows.iter());
        rows.filter_map(|(t_ns, data)| Some((t_ns, read(data)?)))
            .collect()
    };
    let speeds = told(SPEED, gnss_frames::speed_mps);
    if speeds.len() < 3 {
        return None;
    }
    let courses = told(COURSE, gnss_frames::course_deg);
    // A receiver tells both at once, the course after the speed.
    let next = |t: i64| {
        let after = courses.partition_point(|(at, _)| *at < t);
        let next = courses.get(after).or_else(|| courses.last());
        next.map(|(_, course)| *course)
    };
    let course_deg: Option<Vec<f64>> = speeds.iter().map(|(t, _)| next(*t)).collect();
    Some(SpeedReference {
        kind: ReferenceKind::Gnss,
        t_ns: speeds.iter().map(|(t, _)| *t).collect(),
        speed_mps: speeds.iter().map(|(_, v)| *v).collect(),
        course_deg: course_deg.unwrap_or_default(),
    })
}

/// Lays the reference on the axis, with the lag at which it fits best to the fields that fit at all.
pub(crate) fn align(
    reference: &SpeedReference,
    fields: &[&[f64]],
    axis: &Timeline,
) -> Option<Aligned> {
    let points = |valid: &[bool]| valid.iter().filter(|&&valid| valid).count();
    if points(&axis.covered(&reference.t_ns, FRESH_NS)) < LEAST_POINTS {
        return None;
    }
    // What came in the capture itself has the capture's clock.
    let offset_ns = match reference.kind {
        ReferenceKind::File => offset_ns(reference, fields, axis),
        ReferenceKind::Gnss | ReferenceKind::Obd => 0,
    };
    let by_own_clock = SpeedReference {
        t_ns: reference.times_without(offset_ns),
        ..reference.clone()
    };
    let reference = &by_own_clock;
    let valid = axis.covered(&reference.t_ns, FRESH_NS);
    if points(&valid) < LEAST_POINTS {
        return None;
    }
    let lag_ns = lag_ns(reference, &valid, fields, axis);
    Some(Aligned {
        kind: reference.kind,
        own_speed: reference.kind == ReferenceKind::Obd,
        whole_kmh: reference.kind == ReferenceKind::Obd,
        lag_s: offset_ns.saturating_add(lag_ns) as f64 * 1e-9,
        speed_mps: axis.resample(&reference.t_ns, &reference.speed_mps, lag_ns),
        valid,
        yaw_rad_s: yaw(reference, axis, lag_ns),
    })
}

/// Turn rate to the left from the course, which counts clockwise; 0 below walking pace, where a
/// receiver's course wanders.
fn yaw(reference: &SpeedReference, axis: &Timeline, lag_ns: i64) -> Vec<f64> {
    const LEAST_SPEED_MPS: f64 = 1.5;
    const WINDOW_S: f64 = 1.0;
    if reference.course_deg.len() != reference.t_ns.len() {
        return Vec::new();
    }
    let mut unwrapped = Vec::with_capacity(reference.course_deg.len());
    let mut last: Option<f64> = None;
    for course in &reference.course_deg {
        let next = last.map_or(*course, |last: f64| {
            last + (course - last + 180.0).rem_euclid(360.0) - 180.0
        });
        unwrapped.push(next);
        last = Some(next);
    }
    let course = axis.resample(&reference.t_ns, &unwrapped, lag_ns);
    let speed = axis.resample(&reference.t_ns, &reference.speed_mps, lag_ns);
    let half = axis.points(0.5 * WINDOW_S);
    let at = |k: usize| {
        course
            .get(k.min(course.len().saturating_sub(1)))
            .copied()
            .unwrap_or(0.0)
    };
    (0..course.len())
        .map(|k| {
            let (from, to) = (k.saturating_sub(half), (k + half).min(course.len() - 1));
            let seconds = (to - from).max(1) as f64 * axis.step_s();
            let rate = -(at(to) - at(from)).to_radians() / seconds;
            let moving = speed.get(k).is_some_and(|v| *v > LEAST_SPEED_MPS);
            if moving { rate.clamp(-1.5, 1.5) } else { 0.0 }
        })
        .collect()
}
