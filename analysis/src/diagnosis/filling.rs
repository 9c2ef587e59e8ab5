//! How long the oil takes to fill the clearance, and how evenly it does so.
//!
//! The measure of dead time counts from half of demand's step. What fills the pack starts with the first
//! frame that asks for it, so where demand steps, the time counts from there: the filling time; for an
//! ideal step the two are one. Where demand climbs for longer than the oil needs, it is demand's climb that
//! is seen and not the filling: there is no filling time then, and dead time stands in.

use super::change::without_conditions;
use super::feature::Feature;
use super::record::{Gathered, Observation, Scene};
use crate::drive::seconds_between;
use crate::measure::Measure;
use crate::statistics::quantile::median;
use crate::statistics::spread::median_and_sigma;

/// A time told worse than this share of it says nothing.
const TOLD: f64 = 0.15;
/// Demand that is half way up within this share of the filling is a step to it.
const STEP_SHARE: f64 = 0.5;
/// Fewest fillings for their scatter.
const LEAST: usize = 4;

/// Times, and their scatter; of engagements that demand called for.
pub(super) fn gather(scene: &Scene<'_>, gathered: &mut Gathered) {
    let mut of_steps = Vec::new();
    let mut counted = 0;
    for (engagement, found) in scene.engagements() {
        let Ok(dead) = engagement.measured(Measure::DeadTime) else {
            continue;
        };
        let climb_ms = 1e3 * seconds_between(found.start_ns, found.reference_ns).max(0.0);
        let filling_ms = dead.value + climb_ms;
        let observed = |ms: f64| {
            (ms > 0.0 && dead.u < TOLD * ms)
                .then(|| Observation::of(engagement, ms.ln(), dead.u / ms))
        };
        if climb_ms <= STEP_SHARE * filling_ms {
            of_steps.extend(observed(filling_ms));
        }
        if let Some(observation) = observed(dead.value) {
            gathered.add(Feature::DeadTime, observation);
            counted += 1;
        }
    }
    if of_steps.len() >= LEAST {
        for &observation in &of_steps {
            gathered.add(Feature::FillingTime, observation);
        }
        scatter(of_steps, gathered);
    } else if counted > 0 {
        gathered.lacks(
            Feature::DeadTimeScatter,
            "fewer than four dead times after a step of demand in the drive",
        );
    }
}

/// Scatter of the filling over the drive, ms, beside what temperature and the size of the step do to it:
/// erratic filling is air or foam.
fn scatter(fillings: Vec<Observation>, gathered: &mut Gathered) {
    let values = without_conditions(Feature::FillingTime, fillings);
    let own: Vec<f64> = values.iter().map(|o| o.u).collect();
    let values: Vec<f64> = values.iter().map(|o| o.value).collect();
    let (Some((centre, sigma)), Some(u)) = (median_and_sigma(&values), median(&own)) else {
        return;
    };
    let freedom = values.len().saturating_sub(1).max(1) as f64;
    // One wild filling in ten is as telling as a wide middle.
    let spread = (values.iter().map(|v| (v - centre).powi(2)).sum::<f64>() / freedom).sqrt();
    // What the crossing times leave uncertain would scatter even a perfect filling.
    let relative = (0.5 * (sigma + spread)).max(u).max(0.004);
    gathered.add(
        Feature::DeadTimeScatter,
        Observation::plain(relative.ln() + centre, 1.0 / (2.0 * freedom).sqrt()),
    );
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Random;

    /// Fillings of 80 ms at a full step that scatter by 1 %, those of small steps slower.
    #[test]
    fn what_the_size_of_the_step_does_is_no_scatter() {
        let mut random = Random::new(4);
        let fillings = (0..24)
            .map(|i| {
                let log_step = [1.0_f64, 0.6, 0.3][i % 3].ln();
                Observation {
                    value: 80.0_f64.ln() - 0.3 * log_step + 0.01 * random.normal(),
                    u: 0.002,
                    temperature_c: Some(40.0),
                    log_step: Some(log_step),
                    at_most: false,
                }
            })
            .collect();
        let mut gathered = Gathered::default();
        scatter(fillings, &mut gathered);
        let told = gathered.of(Feature::DeadTimeScatter)[0];
        // About 93 ms at the middle of the steps.
        assert!(
            (told.value - 0.93_f64.ln()).abs() < 3.0 * told.u,
            "{told:?}"
        );
    }
}
