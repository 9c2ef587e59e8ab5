//! Campaigns: sets of drives made by rule, as a person would drive them to compare before and
//! after: launches and tip-ins with throttles and temperatures that vary from drive to drive, and
//! between them what the analysis learns the car from (coasting, bends, braking).

use super::DrivePlan;
use crate::manoeuvre::{Kind, Manoeuvre};
use crate::random::Stream;
use crate::surface::{Stretch, Surface};

/// What a campaign is made of. Ranges are low and high.
#[derive(Clone, Debug, PartialEq)]
pub struct Campaign {
    /// Drives.
    pub drives: u32,
    /// Launches in each.
    pub launches: u32,
    /// Tip-ins in each.
    pub tip_ins: u32,
    /// Turn-ins in each.
    pub turn_ins: u32,
    /// Coasts in each.
    pub coasts: u32,
    /// Pedal of launches, tip-ins and turn-ins, per cent.
    pub throttle_percent: [f64; 2],
    /// Fluid temperature at the start, °C; the drives step through the range.
    pub fluid_c: [f64; 2],
    /// Temperature of the air, °C.
    pub air_c: [f64; 2],
    /// Surfaces, taken in turn.
    pub surfaces: Vec<Surface>,
}

impl Default for Campaign {
    fn default() -> Self {
        Self {
            drives: 4,
            launches: 6,
            tip_ins: 6,
            turn_ins: 2,
            coasts: 3,
            throttle_percent: [55.0, 90.0],
            fluid_c: [25.0, 70.0],
            air_c: [8.0, 22.0],
            surfaces: vec![Surface::Wet, Surface::Gravel],
        }
    }
}

/// Speeds from which tip-ins start, m/s.
const TIP_IN_MPS: [f64; 2] = [5.0, 12.0];

/// The drives; their starts are left to the caller.
pub(super) fn drives(campaign: &Campaign, name: &str, random: &mut Stream) -> Vec<DrivePlan> {
    (0..campaign.drives)
        .map(|k| {
            // Temperatures step through their range, so that few drives still cover it.
            let place = (f64::from(k) + random.uniform()) / f64::from(campaign.drives);
            let within = |range: [f64; 2], share: f64| range[0] + (range[1] - range[0]) * share;
            let surface_count = campaign.surfaces.len().max(1);
            let surface = campaign
                .surfaces
                .get(k as usize % surface_count)
                .copied()
                .unwrap_or_default();
            DrivePlan {
                name: format!("{name}-{}", k + 1),
                start_ns: 0,
                fluid_c: within(campaign.fluid_c, place),
                air_c: within(campaign.air_c, random.uniform()),
                crossfall_percent: 0.0,
                gust_mps: 0.0,
                road: vec![Stretch {
                    from_m: 0.0,
                    left: surface,
                    right: surface,
                }],
                programme: programme(campaign, random),
            }
        })
        .collect()
}

fn programme(campaign: &Campaign, random: &mut Stream) -> Vec<Manoeuvre> {
    let [low, high] = campaign.throttle_percent;
    let throttle = |random: &mut Stream| random.between(low, high);
    let mut list = vec![Manoeuvre {
        seconds: 1.0,
        ..Manoeuvre::usual(Kind::Stand)
    }];
    // The kinds take turns, each spread evenly over the drive.
    let counts = [
        (Kind::Launch, campaign.launches),
        (Kind::TipIn, campaign.tip_ins),
        (Kind::TurnIn, campaign.turn_ins),
        (Kind::Coast, campaign.coasts),
    ];
    let mut order: Vec<(f64, usize, Kind)> = Vec::new();
    for (k, (kind, count)) in counts.into_iter().enumerate() {
        for i in 0..count {
            order.push(((f64::from(i) + 0.5) / f64::from(count), k, kind));
        }
    }
    order.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    for (_, _, kind) in order {
        let usual = Manoeuvre::usual(kind);
        list.push(match kind {
            Kind::Launch => Manoeuvre {
                throttle_percent: throttle(random),
                rise_s: random.between(0.15, 0.35),
                rest_s: random.between(0.8, 1.8),
                ..usual
            },
            Kind::TipIn => Manoeuvre {
                throttle_percent: throttle(random),
                rise_s: random.between(0.12, 0.30),
                from_mps: random.between(TIP_IN_MPS[0], TIP_IN_MPS[1]),
                seconds: random.between(1.5, 2.0),
                ..usual
            },
            Kind::TurnIn => Manoeuvre {
                throttle_percent: throttle(random),
                steering_deg: if random.chance(0.5) { 1.0 } else { -1.0 }
                    * random.between(170.0, 270.0),
                ..usual
            },
            _ => Manoeuvre {
                seconds: random.between(9.0, 12.0),
                from_mps: random.between(12.0, 14.5),
                to_mps: 4.0,
                ..usual
            },
        });
    }
    list.push(Manoeuvre {
        seconds: 4.0,
        ..Manoeuvre::usual(Kind::TightTurn)
    });
    list.push(Manoeuvre::usual(Kind::Brake));
    list
}
