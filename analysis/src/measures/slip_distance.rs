//! Slip distance (definition 8): the integral of slip over the engagement, m: by how much the front
//! tyres' way was longer than the road.
//!
//! `s = integral(slip dt)`, trapezoids between samples and up to the engagement's very end.
//! `u² = (T · u(mean of noise over T))² + (integral of v u(radius ratio))²`, T the engagement's length:
//! noise averages out as the drive itself shows, the radius ratio's error does not.

use super::view::View;
use crate::drive::seconds_between;
use crate::measure::{Estimate, Measured, Missing};

pub(super) fn slip_distance_m(view: &View<'_>) -> Measured {
    let trace = view.slip.as_ref().map_err(Clone::clone)?;
    let base = trace.base_ns();
    let onset = view.pulse.as_ref().ok().and_then(|p| p.onset);
    let start_ns = onset.map_or(view.found.start_ns, |o| o.t_ns.min(view.found.start_ns));
    let from = base
        .partition_point(|&t| t < start_ns)
        .saturating_sub(1)
        .max(view.samples.start);
    let (mut distance, mut systematic, mut length_s, mut samples) = (0.0, 0.0, 0.0, 0);
    if let Some(gap) = view.unseen.iter().find(|gap| gap.after > from) {
        return Err(Missing::Gap(gap.role));
    }
    let last_told = view.last_told();
    let mut begun = false;
    for i in from..view.samples.end.saturating_sub(1) {
        let pair = (
            trace.slip_mps(i),
            trace.slip_mps(i + 1),
            view.drive.base_joined(i),
        );
        let (Some(a), Some(b), true) = pair else {
            // What comes before the wheels turn fast enough is not a gap; what comes after is.
            if begun && last_told.is_some_and(|last| last > i) {
                return Err(Missing::Gap(view.drive.base_role()));
            }
            continue;
        };
        begun = true;
        let dt = seconds_between(base[i], base[i + 1]);
        distance += 0.5 * (a + b) * dt;
        systematic += trace.u_systematic_mps(i) * dt;
        length_s += dt;
        samples += 1;
    }
    if !begun {
        return Err(Missing::BelowSensorSpeed);
    }
    let last = view.samples.end.saturating_sub(1);
    if let (Some(a), Some((b, dt))) = (trace.slip_mps(last), view.slip_at_end()) {
        distance += 0.5 * (a + b) * dt;
        systematic += trace.u_systematic_mps(last) * dt;
        length_s += dt;
    }
    let noise = length_s * trace.noise().of_mean_mps(length_s);
    Ok(Estimate {
        value: distance,
        u: noise.hypot(systematic),
        method: "integral over the engagement, from the wheel sensors' least speed on",
        samples: samples + 1,
    })
}
