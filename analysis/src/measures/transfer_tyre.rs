//! Transfer fraction, `tyre` (definition 11): the axles' slips against ground speed, weighted by axle
//! load.
//!
//! At each sample of ground speed, set back by its lag and scaled (see `traction::ground_speed`), both
//! axles' slips follow; a tyre's force is its load share times the force curve at its slip, and the
//! fraction is the ratio of the integrals over the held part. For small slips the curve's slope
//! cancels and the ratio is that of slips times loads; its knee comes from the drive where it
//! shows, else from what is known of tyres.
//!
//! Before the car is fast enough for a slip against the ground to be told, the force is divided by the
//! slip between the axles (see `traction::split`).
//!
//! `u` from the noise of every ground speed sample, scale and lag, axle loads and knee, and the early
//! moments.

use slipwright_decoders::role::Role;

use super::transfer::{NOT_TOLD, UNTOLD_SHARE, model_uncertainty, rear_rolls};
use super::view::View;
use crate::drive::{at_seconds, seconds_between};
use crate::measure::{Estimate, Measured, Missing, TransferEstimate, TransferMethod};
use crate::traction::motion::Motion;
use crate::traction::split::{Force, divided};
use crate::traction::{Sight, Traction};

const ASSUMPTION: &str = "front and rear tyres are alike and on the same surface, so that force over load is the same curve of slip against ground speed, nearly straight for small slips, and the axle loads follow from acceleration";

/// Slower samples tell no slip worth the name, m/s.
const LEAST_MPS: f64 = 3.0;

/// Fewest samples of ground speed.
const LEAST: usize = 3;

/// Relative standard uncertainty of taking the rear's share before the first moment for its share
/// then, where no curve was learnt to divide force by: a road that teaches none is so slippery that
/// both axles slide from the start.
const U_SLIDING: f64 = 0.1;

pub(super) fn transfer_tyre(view: &View<'_>) -> TransferEstimate {
    TransferEstimate {
        method: TransferMethod::Tyre,
        fraction: fraction(view),
        assumption: ASSUMPTION,
        upper_bound: false,
    }
}

/// A sample of ground speed with what the wheels did at that time.
struct Moment {
    t_s: f64,
    ground_mps: f64,
    front_mps: f64,
    rear_mps: f64,
    /// Free front speed over rear speed: above 1 in a bend.
    longer: f64,
    /// Place on the time base.
    sample: usize,
}

fn fraction(view: &View<'_>) -> Measured {
    let ground = view.ground.as_ref().map_err(Clone::clone)?;
    let scale = ground.scale.clone()?;
    let lag = ground.lag_s.clone()?;
    let traction = view.traction.as_ref().map_err(Clone::clone)?;
    rear_rolls(view)?;
    let moments = |k: f64, lag_s: f64| moments(view, k, lag_s);
    let middle = moments(scale.value, lag.value)?;
    let sights = traction.for_ratios();
    let at = |moments: &[Moment], sight: &Sight, early: &Early| {
        let forces: Vec<Forces> = moments
            .iter()
            .map(|m| forces(&traction.motion, m, sight))
            .collect();
        share(&Sums::of(moments, &forces), early)
    };
    let early = early(view, traction, &sights.middle, &middle);
    let (value, by_sights) = sights
        .value_and_u(|sight| {
            let early = self::early(view, traction, sight, &middle);
            at(&middle, sight, &early).map(|s| s.0)
        })
        .ok_or(NOT_ENOUGH_GRIP)?;
    let by = |k: f64, lag_s: f64| {
        moments(k, lag_s)
            .ok()
            .and_then(|m| at(&m, &sights.middle, &early))
            .map_or(0.0, |s| s.0 - value)
    };
    let by_scale = by(scale.value + scale.u, lag.value);
    let by_lag = by(scale.value, lag.value + lag.u);
    let noise = noise(&middle, ground.sigma_mps, &early, &mut |m| {
        forces(&traction.motion, m, &sights.middle)
    });
    let by_early = at(&middle, &sights.middle, &early).map_or(0.0, |s| s.1);
    let u = [
        by_sights,
        by_scale,
        by_lag,
        noise,
        by_early,
        model_uncertainty(view),
    ]
    .iter()
    .fold(0.0, |u: f64, part| u.hypot(*part));
    if u.is_nan() || u >= NOT_TOLD {
        return Err(Missing::NotIdentifiable(
            "the slips were too small against the noise and lag of ground speed",
        ));
    }
    Ok(Estimate {
        value: value.clamp(0.0, 1.0),
        u,
        method: "axle slips against ground speed, by axle load",
        samples: middle.len(),
    })
}

const NOT_ENOUGH_GRIP: Missing =
    Missing::NotIdentifiable("the tyres did not creep forward while the coupling was held");

fn moments(view: &View<'_>, scale: f64, lag_s: f64) -> Result<Vec<Moment>, Missing> {
    let held = view.held_samples()?;
    let base = view.drive.base_ns();
    let (from_ns, to_ns) = (base[held.start], base[held.end - 1]);
    let channel = view.drive.channel(Role::GroundSpeed)?;
    let k = view.kinematics;
    let [front, rear, free] = [&k.front_mps, &k.rear_mps, &k.free_mps].map(|c| c.as_ref());
    let (front, rear, free) = (
        front.map_err(Clone::clone)?,
        rear.map_err(Clone::clone)?,
        free.map_err(Clone::clone)?,
    );
    let range = channel.range(at_seconds(from_ns, lag_s), at_seconds(to_ns, lag_s));
    let drive = view.drive;
    let found: Vec<Moment> = range
        .filter_map(|i| {
            let t_ns = at_seconds(channel.t_ns()[i], -lag_s);
            let rear_mps = drive.column_at(rear, t_ns)?;
            let moment = Moment {
                t_s: seconds_between(from_ns, t_ns),
                ground_mps: channel.value()[i] / scale,
                front_mps: drive.column_at(front, t_ns)?,
                rear_mps,
                longer: drive.column_at(free, t_ns)? / rear_mps,
                sample: base.partition_point(|&t| t < t_ns).min(base.len() - 1),
            };
            (moment.ground_mps > LEAST_MPS).then_some(moment)
        })
        .collect();
    if found.len() < LEAST {
        return Err(Missing::TooFewSamples {
            have: found.len(),
            need: LEAST,
        });
    }
    Ok(found)
}

/// What was driven before the first moment told, of the weight times s.
#[derive(Clone, Copy, Default)]
struct Early {
    /// At either axle, where the slip between the axles and the force divide it.
    axles: [f64; 2],
    /// In all, where they do not because no curve was learnt.
    sliding: f64,
    /// In all, where the wheels turned too slowly for their sensors.
    untold: f64,
}

fn early(view: &View<'_>, traction: &Traction, sight: &Sight, moments: &[Moment]) -> Early {
    let mut early = Early::default();
    let (Ok(held), Some(first)) = (view.held_samples(), moments.first()) else {
        return early;
    };
    let samples = held.start..first.sample.clamp(held.start, held.end);
    let forces = divided(
        view.drive,
        view.kinematics,
        &traction.motion,
        sight,
        samples.clone(),
    );
    for (force, i) in forces.iter().zip(samples) {
        let dt = view.drive.step_s(i);
        match force {
            Force::Divided(d) if traction.learnt.is_ok() => {
                early.axles[0] += d.front * dt;
                early.axles[1] += d.rear * dt;
            }
            Force::Divided(d) => early.sliding += (d.front + d.rear).max(0.0) * dt,
            Force::Sum(all) => early.untold += all.max(0.0) * dt,
            Force::Missing => {}
        }
    }
    early
}

/// Force of the weight at a moment: by the curve at each axle, and in all by the source.
#[derive(Clone, Copy)]
struct Forces {
    axles: [f64; 2],
    driven: f64,
}

fn forces(motion: &Motion, moment: &Moment, sight: &Sight) -> Forces {
    let force = motion.force(moment.sample, &sight.assumed).unwrap_or(0.0);
    let loads = sight.assumed.loads(force);
    let take = motion.wheels_take(moment.sample, loads);
    let slips = [
        moment.front_mps / (moment.ground_mps * moment.longer) - 1.0,
        moment.rear_mps / moment.ground_mps - 1.0,
    ];
    Forces {
        axles: [0, 1].map(|k| loads[k] * sight.curve.force(slips[k]) + take[k]),
        driven: force + take[0] + take[1],
    }
}

/// The share then is taken over this many moments.
const FIRST: usize = 3;

/// Integrals over the moments, of the weight times s.
#[derive(Clone, Copy)]
struct Sums {
    axles: [f64; 2],
    driven: f64,
    /// Forces at the first moments, of the weight.
    first: [f64; 2],
}

impl Sums {
    /// Trapezoids for the axles, which the curve tells at each moment; the source's force stands
    /// until the next.
    fn of(moments: &[Moment], forces: &[Forces]) -> Self {
        let mut sums = Self {
            axles: [0.0; 2],
            driven: 0.0,
            first: [0, 1].map(|k| forces.iter().take(FIRST).map(|f| f.axles[k]).sum()),
        };
        for (pair, times) in forces.windows(2).zip(moments.windows(2)) {
            let dt = times[1].t_s - times[0].t_s;
            sums.driven += pair[0].driven * dt;
            for k in 0..2 {
                sums.axles[k] += 0.5 * (pair[0].axles[k] + pair[1].axles[k]) * dt;
            }
        }
        sums
    }

    /// The same with other forces at moment `i`.
    fn with(mut self, moments: &[Moment], i: usize, was: &Forces, is: &Forces) -> Self {
        let t_s = |i: usize| moments[i].t_s;
        let (before, after) = (i.saturating_sub(1), (i + 1).min(moments.len() - 1));
        self.driven += (is.driven - was.driven) * (t_s(after) - t_s(i));
        for k in 0..2 {
            let change = is.axles[k] - was.axles[k];
            self.axles[k] += 0.5 * change * (t_s(after) - t_s(before));
            if i < FIRST {
                self.first[k] += change;
            }
        }
        self
    }
}

/// The rear's share, and its uncertainty from the early part.
fn share(sums: &Sums, early: &Early) -> Option<(f64, f64)> {
    let [front, rear] = sums.axles;
    let told = front + rear;
    if told <= 0.0 {
        return None;
    }
    let first = sums.first;
    let first_share = if first[0] + first[1] > 0.0 {
        (first[1] / (first[0] + first[1])).clamp(0.0, 1.0)
    } else {
        0.5
    };
    // The curve is known but for its scale, which the force of the engine has; so has the early part.
    let early_scale = if sums.driven > 0.0 {
        (told / sums.driven).clamp(0.2, 5.0)
    } else {
        1.0
    };
    let by = |force: f64| force * early_scale;
    let axles = early.axles.map(by);
    let (sliding, untold) = (by(early.sliding), by(early.untold));
    let total = told + axles[0] + axles[1] + sliding + untold;
    let rear = rear + axles[1] + first_share * (sliding + UNTOLD_SHARE.0 * untold);
    let u = (U_SLIDING * sliding).hypot(UNTOLD_SHARE.1 * untold);
    Some((rear / total, first_share * u / total))
}

/// What the noise of each ground speed sample does to the share: each is moved by its deviation, and
/// only its own forces are worked out anew.
fn noise(
    moments: &[Moment],
    sigma_mps: f64,
    early: &Early,
    forces: &mut dyn FnMut(&Moment) -> Forces,
) -> f64 {
    let middle: Vec<Forces> = moments.iter().map(&mut *forces).collect();
    let sums = Sums::of(moments, &middle);
    let Some((share_then, _)) = share(&sums, early) else {
        return f64::INFINITY;
    };
    let mut variance = 0.0;
    for (i, (moment, was)) in moments.iter().zip(&middle).enumerate() {
        let moved = Moment {
            ground_mps: moment.ground_mps + sigma_mps,
            ..*moment
        };
        let moved = sums.with(moments, i, was, &forces(&moved));
        if let Some((there, _)) = share(&moved, early) {
            variance += (there - share_then).powi(2);
        }
    }
    variance.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Random;

    const SIGMA_MPS: f64 = 0.05;

    fn drawn(random: &mut Random, n: usize) -> Vec<Moment> {
        let mut t_s = 0.0;
        (0..n)
            .map(|sample| {
                t_s += random.between(0.01, 0.15);
                let ground_mps = random.between(3.0, 20.0);
                Moment {
                    t_s,
                    ground_mps,
                    front_mps: ground_mps * random.between(1.0, 1.06),
                    rear_mps: ground_mps * random.between(1.0, 1.03),
                    longer: random.between(1.0, 1.01),
                    sample,
                }
            })
            .collect()
    }

    /// A bent curve, and a source that differs from it.
    fn bent(moment: &Moment) -> Forces {
        let force = |v: f64, free: f64| 0.5 * (20.0 * (v / free - 1.0)).tanh();
        Forces {
            axles: [
                force(moment.front_mps, moment.ground_mps * moment.longer),
                force(moment.rear_mps, moment.ground_mps),
            ],
            driven: 0.3 + 0.01 * (moment.sample % 7) as f64,
        }
    }

    fn whole(moments: &[Moment], early: &Early) -> Option<f64> {
        let forces: Vec<Forces> = moments.iter().map(bent).collect();
        share(&Sums::of(moments, &forces), early).map(|s| s.0)
    }

    /// The definition: the whole share anew with each sample moved.
    fn noise_by_definition(moments: &[Moment], early: &Early) -> f64 {
        let middle = whole(moments, early).unwrap();
        let moved = |i: usize| -> Vec<Moment> {
            let shift = |k: usize| if k == i { SIGMA_MPS } else { 0.0 };
            let all = moments.iter().enumerate();
            all.map(|(k, m)| Moment {
                ground_mps: m.ground_mps + shift(k),
                ..*m
            })
            .collect()
        };
        (0..moments.len())
            .filter_map(|i| whole(&moved(i), early))
            .map(|there| (there - middle).powi(2))
            .sum::<f64>()
            .sqrt()
    }

    #[test]
    fn noise_is_that_of_the_whole_share_with_each_sample_moved() {
        let mut random = Random::new(5);
        for n in [3, 4, 5, 40, 200] {
            let moments = drawn(&mut random, n);
            let early = Early {
                axles: [0.02, 0.01],
                sliding: 0.03,
                untold: 0.05,
            };
            let truth = noise_by_definition(&moments, &early);
            let found = noise(&moments, SIGMA_MPS, &early, &mut bent);
            assert!(
                (found / truth - 1.0).abs() < 1e-6,
                "{n}: {found}, true {truth}"
            );
        }
    }

    /// An hour of ground speed ten times a second costs two looks a sample.
    #[test]
    fn noise_of_a_long_hold_looks_at_each_sample_twice() {
        let moments = drawn(&mut Random::new(6), 36_000);
        let mut looks = 0;
        let found = noise(&moments, SIGMA_MPS, &Early::default(), &mut |m| {
            looks += 1;
            bent(m)
        });
        assert!(found.is_finite() && found > 0.0);
        assert_eq!(looks, 2 * moments.len());
    }
}
