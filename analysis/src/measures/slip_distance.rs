//! Slip distance (definition 8): the integral of slip over the engagement, m: by how much the front
//! tyres' way was longer than the road.
//!
//! `s = integral(slip dt)`, trapezoids between samples, from the engagement's very start up to its end.
//! `u² = (T · u(mean of noise over T))² + (integral of v u(radius ratio))²`, T the engagement's length:
//! noise averages out as the drive itself shows, the radius ratio's error does not.

use super::view::View;
use crate::drive::seconds_between;
use crate::measure::{Estimate, Measured, Missing};

pub(super) fn slip_distance_m(view: &View<'_>) -> Measured {
    let trace = view.slip.as_ref().map_err(Clone::clone)?;
    let base = trace.base_ns();
    if let Some(gap) = view.unseen.first() {
        return Err(Missing::Gap(gap.role));
    }
    let (mut distance, mut systematic, mut length_s, mut samples) = (0.0, 0.0, 0.0, 0);
    let last_told = view.last_told();
    let mut begun = false;
    for i in view.samples.start..view.samples.end.saturating_sub(1) {
        let pair = (
            trace.slip_mps(i),
            trace.slip_mps(i + 1),
            view.drive.base_joined(i),
        );
        let (Some(a), Some(b), true) = pair else {
            // What comes before the wheels turn fast enough is not a gap; what comes after is.
            if begun && last_told.is_some_and(|last| last > i) {
                return Err(view.untold(i));
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
    let (first, last) = (view.samples.start, view.samples.end.saturating_sub(1));
    for (i, edge) in [(first, view.slip_at_begin()), (last, view.slip_at_end())] {
        if let (Some(a), Some((b, dt))) = (trace.slip_mps(i), edge) {
            distance += 0.5 * (a + b) * dt;
            systematic += trace.u_systematic_mps(i) * dt;
            length_s += dt;
        }
    }
    let noise = length_s * trace.noise().of_mean_mps(length_s);
    Ok(Estimate {
        value: distance,
        u: noise.hypot(systematic),
        method: "integral over the engagement, from the wheel sensors' least speed on",
        samples: samples + 1,
    })
}
