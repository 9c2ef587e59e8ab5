//! Campaigns with known truth, made directly as measured drives.
//!
//! No signals are simulated here, only what a comparison sees: engagements with their conditions,
//! and measures that depend on the conditions, on the drive and on chance. For measure `k` of an
//! engagement in drive `i`,
//!
//! `y = base_k kind_k change_k exp(-a_k (T - 50) + b_k ln(demand / 50) + c_k ln(rate / 150)
//!      + d_k (speed / 10) + drive_ik + chance)`,
//!
//! and measures of slip also go with the accelerator where demand does not.
//!
//! Drives share part of `drive_ik` over all measures, engagements part of their chance, so the
//! measures' errors are correlated as real ones are. Shared by the tests and by
//! `examples/comparison_calibration.rs`.

use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::engagement::{Conditions, Kind, Reference};
use crate::kinematics::RadiusRatio;
use crate::measure::{Estimate, Measure, Missing};
use crate::measures::{DriveMeasures, Engagement, Trace};

/// How one engagement's chance is distributed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Tails {
    /// Normal.
    Normal,
    /// Student's t with 3 degrees of freedom, scaled to the same quartiles.
    Heavy,
    /// Normal, but one engagement in twenty is off by a factor of 1.5 to 3.
    Botched,
}

/// What a campaign is like.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Plan {
    /// Drives before and after.
    pub(crate) drives: (usize, usize),
    /// Fewest and most launches a drive.
    pub(crate) launches: (usize, usize),
    /// Fewest and most tip-ins a drive.
    pub(crate) tip_ins: (usize, usize),
    /// Standard deviation from drive to drive, as a part of the delay; other measures scale.
    pub(crate) drive_spread: f64,
    /// Standard deviation from engagement to engagement, as a part of the delay.
    pub(crate) chance: f64,
    /// Its distribution.
    pub(crate) tails: Tails,
    /// Standard deviation of the drives' fluid temperature at start, K.
    pub(crate) temperature_spread_k: f64,
    /// By how much the fluid warms over a drive, K.
    pub(crate) warming_k: f64,
    /// How much warmer the after set is, K.
    pub(crate) warmer_after_k: f64,
    /// How much harder the after set's driver is on the accelerator, as a factor.
    pub(crate) harder_after: f64,
    /// Factor on delay, dead time and rise time after the work.
    pub(crate) delay_change: f64,
    /// Factor on the slip measures after the work.
    pub(crate) slip_change: f64,
    /// Part by which delay starts higher in the after set and falls off over 25 engagements.
    pub(crate) bedding_in: f64,
    /// Scale of chance and drive spread after the work.
    pub(crate) calmer_after: f64,
    /// Whether demand is one step, whatever the pedal does; slip then goes with the accelerator.
    pub(crate) demand_is_step: bool,
    /// By how much further the accelerator goes in the after set, as a factor.
    pub(crate) further_after: f64,
}

impl Plan {
    /// Three drives of six launches a side, at a spread met on the road, nothing changed.
    pub(crate) const SMALL: Self = Self {
        drives: (3, 3),
        launches: (6, 6),
        tip_ins: (0, 0),
        drive_spread: 0.035,
        chance: 0.055,
        tails: Tails::Normal,
        temperature_spread_k: 4.0,
        warming_k: 12.0,
        warmer_after_k: 0.0,
        harder_after: 1.0,
        delay_change: 1.0,
        slip_change: 1.0,
        bedding_in: 0.0,
        calmer_after: 1.0,
        demand_is_step: false,
        further_after: 1.0,
    };

    /// Four drives of six launches and six tip-ins a side.
    pub(crate) const USUAL: Self = Self {
        drives: (4, 4),
        tip_ins: (6, 6),
        ..Self::SMALL
    };
}

/// How a measure depends on what drives it.
struct Nature {
    measure: Measure,
    base: f64,
    per_kelvin: f64,
    demand_power: f64,
    rate_power: f64,
    per_ten_mps: f64,
    /// Spread as a multiple of the delay's.
    noise: f64,
    is_slip: bool,
    is_time: bool,
}

const fn nature(measure: Measure, base: f64, effects: [f64; 4], noise: f64) -> Nature {
    let is_time = matches!(
        measure,
        Measure::DeadTime | Measure::RiseTime | Measure::EngagementDelay
    );
    let is_slip = matches!(
        measure,
        Measure::PeakSlip
            | Measure::SlipTime
            | Measure::SlipDistance
            | Measure::SteadySlip
            | Measure::FrictionWork
            | Measure::FrictionWorkPerArea
    );
    let [per_kelvin, demand_power, rate_power, per_ten_mps] = effects;
    Nature {
        measure,
        base,
        per_kelvin,
        demand_power,
        rate_power,
        per_ten_mps,
        noise,
        is_slip,
        is_time,
    }
}

const NATURES: [Nature; 12] = [
    nature(Measure::DeadTime, 45.0, [0.012, 0.0, 0.0, 0.0], 1.5),
    nature(Measure::RiseTime, 80.0, [0.008, 0.2, 0.0, 0.0], 1.4),
    nature(Measure::EngagementDelay, 100.0, [0.010, 0.1, 0.0, 0.0], 1.0),
    nature(Measure::PeakSlip, 1.2, [0.003, 0.3, 0.4, -0.2], 3.0),
    nature(Measure::SlipTime, 350.0, [0.003, 0.2, 0.2, -0.1], 2.0),
    nature(Measure::SlipDistance, 0.25, [0.004, 0.4, 0.5, -0.2], 4.0),
    nature(Measure::SteadySlip, 0.08, [0.002, 0.3, 0.2, 0.0], 8.0),
    nature(Measure::FrictionWork, 900.0, [0.0, 0.9, 0.3, 0.0], 4.0),
    nature(Measure::FrictionWorkPerArea, 9e4, [0.0, 0.9, 0.3, 0.0], 4.0),
    nature(Measure::TransferFraction, 0.42, [0.0, 0.2, 0.0, 0.0], 1.0),
    nature(Measure::Hold, 4.0, [-0.01, 0.0, 0.0, 0.0], 6.0),
    nature(Measure::Ripple, 0.15, [0.0, 0.1, 0.0, 0.0], 5.0),
];

/// A campaign and its truth.
pub(crate) struct Campaign {
    /// Drives before.
    pub(crate) before: Vec<DriveMeasures>,
    /// Drives after.
    pub(crate) after: Vec<DriveMeasures>,
    /// True shift of each measure, `Measure as usize`, at the mean conditions of all engagements.
    pub(crate) truth: Vec<f64>,
}

/// Chance, from a seed.
pub(crate) struct Chance(Pcg64Mcg);

impl Chance {
    /// Starts from a seed.
    pub(crate) fn new(seed: u64) -> Self {
        Self(Pcg64Mcg::seed_from_u64(seed))
    }

    /// Even between 0 and 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Standard normal (Box & Muller).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (2.0 * std::f64::consts::PI * self.uniform()).cos()
    }

    fn whole(&mut self, (least, most): (usize, usize)) -> usize {
        least + (self.uniform() * (most - least + 1) as f64) as usize
    }

    fn tailed(&mut self, tails: Tails) -> f64 {
        match tails {
            Tails::Normal => self.normal(),
            Tails::Heavy => {
                let square: f64 = (0..3).map(|_| self.normal().powi(2)).sum();
                // Quartiles of t with 3 degrees of freedom against the normal's: 0.765, 0.674.
                self.normal() / (square / 3.0).sqrt() * (0.674 / 0.765)
            }
            Tails::Botched if self.uniform() < 0.05 => 0.0,
            Tails::Botched => self.normal(),
        }
    }
}

/// Sums that the truth is made of.
#[derive(Clone, Debug, Default)]
struct Expected {
    /// Level without the work, over all engagements.
    level: f64,
    count: f64,
    /// Level without the work, over the after set.
    after_level: f64,
    /// Level with the work and what has bedded in so far, over the after set.
    after: f64,
}

/// Makes a campaign.
pub(crate) fn campaign(plan: &Plan, seed: u64) -> Campaign {
    let mut chance = Chance::new(seed);
    let mut expected = vec![Expected::default(); Measure::COUNT];
    let mut set = |is_after: bool, drives: usize, chance: &mut Chance| {
        let mut since_work = 0;
        (0..drives)
            .map(|number| {
                drive(
                    plan,
                    is_after,
                    number,
                    &mut since_work,
                    chance,
                    &mut expected,
                )
            })
            .collect::<Vec<_>>()
    };
    let before = set(false, plan.drives.0, &mut chance);
    let after = set(true, plan.drives.1, &mut chance);
    let truth = NATURES
        .iter()
        .map(|n| {
            let e = &expected[n.measure as usize];
            (e.after / e.after_level - 1.0) * e.level / e.count
        })
        .collect();
    Campaign {
        before,
        after,
        truth,
    }
}

fn change(plan: &Plan, nature: &Nature, is_after: bool) -> f64 {
    match (is_after, nature.is_time, nature.is_slip) {
        (true, true, _) => plan.delay_change,
        (true, _, true) => plan.slip_change,
        _ => 1.0,
    }
}

fn drive(
    plan: &Plan,
    is_after: bool,
    number: usize,
    since_work: &mut usize,
    chance: &mut Chance,
    expected: &mut [Expected],
) -> DriveMeasures {
    let day = (if is_after { 100 } else { 0 } + number) as i64;
    let start_ns = 1_700_000_000_000_000_000 + day * 86_400_000_000_000;
    let scale = if is_after { plan.calmer_after } else { 1.0 };
    let shared = chance.normal();
    let own: Vec<f64> = (0..Measure::COUNT).map(|_| chance.normal()).collect();
    let start_k = 50.0
        + plan.temperature_spread_k * chance.normal()
        + if is_after { plan.warmer_after_k } else { 0.0 };
    let foot = (0.15 * chance.normal()).exp() * if is_after { plan.harder_after } else { 1.0 };
    let launches = chance.whole(plan.launches);
    let tip_ins = chance.whole(plan.tip_ins);
    let mut kinds = vec![Kind::Launch; launches];
    kinds.extend(vec![Kind::TipIn; tip_ins]);
    for i in (1..kinds.len()).rev() {
        kinds.swap(i, chance.whole((0, i)));
    }
    let count = kinds.len();
    let mut engagements = Vec::with_capacity(count);
    for (place, kind) in kinds.into_iter().enumerate() {
        let progress = place as f64 / count.max(1) as f64;
        let temperature = start_k + plan.warming_k * (progress - 0.5) + 0.5 * chance.normal();
        let rate = 150.0 * foot * (0.3 * chance.normal()).exp();
        let wobble = (0.15 * chance.normal()).exp();
        let further = if is_after { plan.further_after } else { 1.0 };
        let accelerator = (30.0 * foot * wobble * further).min(100.0);
        let (demand, pedal) = if plan.demand_is_step {
            (50.0, (accelerator / 30.0).ln())
        } else {
            (50.0 * (foot * further).sqrt() * wobble, 0.0)
        };
        let speed = match kind {
            Kind::Launch => 0.1 * chance.uniform(),
            _ => 8.0 + 2.5 * chance.normal().clamp(-2.5, 2.5),
        };
        let used = (*since_work as f64 / 25.0).min(50.0);
        *since_work += 1;
        let common = chance.tailed(plan.tails);
        let botched = if plan.tails == Tails::Botched && chance.uniform() < 0.05 {
            1.5 + 1.5 * chance.uniform()
        } else {
            1.0
        };
        let mut measures = Measure::each(|_| Err(Missing::NoHeldPart));
        for n in &NATURES {
            let launch = if kind == Kind::Launch { 1.0 } else { 0.8 };
            let wear_in = if is_after && n.is_time {
                1.0 + plan.bedding_in * (-used).exp()
            } else {
                1.0
            };
            let level = n.base
                * launch
                * (-n.per_kelvin * (temperature - 50.0)
                    + n.demand_power * (demand / 50.0).ln()
                    + n.rate_power * (rate / 150.0).ln()
                    + n.per_ten_mps * speed / 10.0
                    + if n.is_slip { pedal } else { 0.0 })
                .exp();
            let slot = &mut expected[n.measure as usize];
            slot.level += level;
            slot.count += 1.0;
            if is_after {
                slot.after_level += level;
                slot.after += level * change(plan, n, is_after) * wear_in;
            }
            let mix = |shared: f64, own: f64| 0.6_f64.sqrt() * shared + 0.4_f64.sqrt() * own;
            let error = scale
                * n.noise
                * (plan.drive_spread * mix(shared, own[n.measure as usize])
                    + plan.chance * mix(common, chance.tailed(plan.tails)));
            let value = level * change(plan, n, is_after) * wear_in * botched * error.exp();
            measures[n.measure as usize] = Ok(Estimate {
                value,
                u: 0.005 * level,
                method: "made",
                samples: 100,
            });
        }
        // The two are one measurement over a constant area.
        if let Ok(work) = &measures[Measure::FrictionWork as usize] {
            let per_area = Estimate {
                value: work.value / 0.01,
                u: work.u / 0.01,
                ..work.clone()
            };
            measures[Measure::FrictionWorkPerArea as usize] = Ok(per_area);
        }
        let reference_ns = start_ns + (place as i64 + 1) * 30_000_000_000;
        engagements.push(Engagement {
            start_ns: reference_ns - 500_000_000,
            end_ns: reference_ns + 2_000_000_000,
            kind,
            reference: Reference::Demand,
            reference_ns,
            conditions: Conditions {
                speed_mps: Some(speed),
                demand_step: Some(demand),
                accelerator_percent: Some(accelerator),
                accelerator_rate_percent_per_s: Some(rate),
                fluid_temperature_c: Some(temperature),
                engine_torque_nm: None,
            },
            measures,
            tested: Default::default(),
            transfer: Vec::new(),
            trace: Trace::default(),
        });
    }
    let missing = || Err(Missing::NoSuitableStretch("coasting stretch"));
    DriveMeasures {
        name: format!(
            "{}-{number}.pcapng",
            if is_after { "after" } else { "before" }
        ),
        start_ns,
        duration_s: 30.0 * (count + 1) as f64,
        frames: 1000 * count as u64,
        noise_slip_mps: missing(),
        radius_ratio: RadiusRatio {
            front_left: missing(),
            front_right: missing(),
            rear_left: missing(),
            rear_right: missing(),
        },
        engagements,
        coupling_model: Default::default(),
        tested: Default::default(),
        ground_speed: Default::default(),
        warnings: Vec::new(),
    }
}
