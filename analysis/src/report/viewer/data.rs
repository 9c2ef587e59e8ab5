//! Traces packed for the page: whole numbers, each as its difference from the one before.
//!
//! Times are in milliseconds and values in steps of a thousandth of their signal's size or finer;
//! both are far below what a pixel shows. Where a trace has a gap a `null` leaves the line open. How
//! many samples a trace may keep depends on how many traces there are, so that the page stays small
//! whatever the campaign; what is left out is never a peak.

use std::collections::BTreeMap;

use serde::Serialize;
use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Quantity;

use super::super::campaign::Campaign;
use super::super::wording;
use crate::chart::Side;
use crate::chart::trace::Trace;
use crate::comparison::EngagementPosition;
use crate::drive::seconds_between;
use crate::measures::Engagement;
use crate::number;
use crate::words;

/// Samples of slip, pressure and demand that a page may carry.
const MAIN_SAMPLES: usize = 150_000;
/// Samples of all other signals together.
const OTHER_SAMPLES: usize = 250_000;
/// No trace is thinned below this.
const LEAST_SAMPLES: usize = 80;
/// Beyond these times from the reference nothing is shown, s.
const WINDOW_S: (f64, f64) = (-10.0, 60.0);
/// Steps in the size of a signal's largest value, at least.
const LEAST_STEPS: f64 = 1_000.0;

/// Roles that are shown without being asked for, beside slip, pressure and demand.
const SHOWN: [Role; 1] = [Role::PedalAccelerator];

/// Everything that the viewer shows.
#[derive(Debug, Serialize)]
pub(super) struct TraceData {
    signals: Vec<SignalHead>,
    engagements: Vec<Packed>,
}

/// What is known of one signal.
#[derive(Debug, Serialize)]
pub(super) struct SignalHead {
    /// As a person reads it.
    pub(super) name: String,
    unit: &'static str,
    /// Size of one step of its packed values.
    step: f64,
    /// Decimals that a reading shows.
    decimals: usize,
    /// Whether it is a state, which has no values between its values.
    held: bool,
    /// Whether it is shown without being asked for.
    pub(super) shown: bool,
}

#[derive(Debug, Serialize)]
struct Packed {
    side: usize,
    name: String,
    kind: &'static str,
    reference: &'static str,
    /// Position of the engagement it was paired with, in the list of all.
    partner: Option<usize>,
    /// Position of the signal, and its packed times and values.
    traces: Vec<(usize, PackedTrace)>,
}

type PackedTrace = (Vec<i64>, Vec<Option<i64>>);

/// One signal, whichever list of the engagement it stands in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Signal {
    Slip,
    Pressure,
    Demand,
    Other(Role),
}

impl Signal {
    fn of(self, engagement: &Engagement) -> Option<Trace<'_>> {
        let trace = &engagement.trace;
        let (t_s, values) = match self {
            Self::Slip => (&trace.slip_t_s, &trace.slip_mps),
            Self::Pressure => (&trace.pressure_t_s, &trace.pressure_bar),
            Self::Demand => (&trace.demand_t_s, &trace.demand),
            Self::Other(role) => {
                let other = trace.others.iter().find(|other| other.role == role)?;
                (&other.t_s, &other.values)
            }
        };
        Some(Trace { t_s, values }).filter(|trace| !trace.values.is_empty())
    }

    fn is_main(self) -> bool {
        !matches!(self, Self::Other(_))
    }

    fn name(self) -> String {
        match self {
            Self::Slip => "Front-rear slip".to_owned(),
            Self::Pressure => "Coupling pressure".to_owned(),
            Self::Demand => "Coupling demand".to_owned(),
            Self::Other(role) => words::capital(role.label()),
        }
    }

    /// The unit it is shown in, and the factor from its core unit.
    fn unit(self, campaign: &Campaign<'_>) -> (&'static str, f64) {
        let role = match self {
            Self::Slip => return ("m/s", 1.0),
            Self::Pressure => return ("bar", 1.0),
            Self::Demand => {
                let unit = wording::demand_unit(campaign.notes.demand_unit);
                return (if unit == "1" { "" } else { unit }, 1.0);
            }
            Self::Other(role) => role,
        };
        match (role, role.quantities()) {
            (Role::EngineSpeed, _) => ("rpm", 60.0 / std::f64::consts::TAU),
            (Role::BodyYawRate, _) => ("°/s", 180.0 / std::f64::consts::PI),
            (_, [Quantity::Angle]) => ("°", 180.0 / std::f64::consts::PI),
            // The core turns every wheel speed into a speed.
            (_, [quantity @ Quantity::Speed, ..]) | (_, [quantity]) => {
                (wording::unit(quantity.core_unit()), 1.0)
            }
            // A pedal may be in per cent, a bare number or a pressure; which is not known here.
            _ => ("", 1.0),
        }
    }

    fn is_held(self) -> bool {
        match self {
            Self::Demand => true,
            Self::Other(role) => role.is_state(),
            _ => false,
        }
    }
}

impl TraceData {
    /// Packs the traces of every engagement of both sets.
    pub(super) fn new(campaign: &Campaign<'_>) -> Self {
        let all: Vec<(Side, _, &Engagement)> = Side::BOTH
            .into_iter()
            .flat_map(|side| campaign.engagements(side).map(move |(at, e)| (side, at, e)))
            .collect();
        let mut signals = vec![Signal::Slip, Signal::Pressure, Signal::Demand];
        signals.extend(Role::ALL.iter().map(|role| Signal::Other(*role)));
        signals.retain(|signal| all.iter().any(|(_, _, e)| signal.of(e).is_some()));

        let traces_of = |main: bool| {
            let wanted = signals.iter().filter(|s| s.is_main() == main);
            wanted
                .map(|s| all.iter().filter(|(_, _, e)| s.of(e).is_some()).count())
                .sum::<usize>()
                .max(1)
        };
        let most_main = (MAIN_SAMPLES / traces_of(true)).max(LEAST_SAMPLES);
        let most_other = (OTHER_SAMPLES / traces_of(false)).max(LEAST_SAMPLES);
        let heads: Vec<SignalHead> = signals
            .iter()
            .map(|signal| head(*signal, campaign, &all))
            .collect();
        let partners = partners(campaign, &all);
        let engagements = all
            .iter()
            .zip(partners)
            .map(|((side, at, engagement), partner)| Packed {
                side: usize::from(*side == Side::After),
                name: name(campaign, *side, at.drive, at.engagement, engagement),
                kind: engagement.kind.text(),
                reference: engagement.reference.label(),
                partner,
                traces: signals
                    .iter()
                    .zip(&heads)
                    .enumerate()
                    .filter_map(|(index, (signal, head))| {
                        let most = if signal.is_main() {
                            most_main
                        } else {
                            most_other
                        };
                        let (_, factor) = signal.unit(campaign);
                        let packed = pack(&signal.of(engagement)?, most, factor, head.step);
                        (!packed.0.is_empty()).then_some((index, packed))
                    })
                    .collect(),
            })
            .collect();
        Self {
            signals: heads,
            engagements,
        }
    }

    /// Whether no engagement has any trace.
    pub(super) fn is_empty(&self) -> bool {
        self.engagements.iter().all(|e| e.traces.is_empty())
    }

    /// Heads of the signals, in the order in which they are shown.
    pub(super) fn signals(&self) -> &[SignalHead] {
        &self.signals
    }

    /// The data as JSON.
    pub(super) fn json(&self) -> String {
        // Every number in it is finite, so there is nothing that could fail.
        serde_json::to_string(self).unwrap_or_default()
    }
}

fn name(
    campaign: &Campaign<'_>,
    side: Side,
    drive: usize,
    number: usize,
    engagement: &Engagement,
) -> String {
    let start_ns = campaign.drives(side).get(drive).map_or(0, |d| d.start_ns);
    let at_s = seconds_between(start_ns, engagement.reference_ns);
    format!(
        "{} {}, no. {}: {} at {} s",
        words::capital(side.text()),
        drive + 1,
        number + 1,
        engagement.kind.text(),
        number::rounded_to(at_s, 0.05)
    )
}

/// For each engagement of the list the place of the one it was paired with.
fn partners(
    campaign: &Campaign<'_>,
    all: &[(Side, EngagementPosition, &Engagement)],
) -> Vec<Option<usize>> {
    let places = |wanted: Side| -> BTreeMap<EngagementPosition, usize> {
        let all = all.iter().enumerate();
        all.filter(|(_, (side, ..))| *side == wanted)
            .map(|(place, (_, at, _))| (*at, place))
            .collect()
    };
    let (before, after) = (places(Side::Before), places(Side::After));
    let mut partners = vec![None; all.len()];
    for pair in campaign.shown_by().into_iter().flat_map(|row| &row.matched) {
        if let (Some(&b), Some(&a)) = (before.get(&pair.before), after.get(&pair.after)) {
            partners[b] = Some(a);
            partners[a] = Some(b);
        }
    }
    partners
}

fn head<P>(signal: Signal, campaign: &Campaign<'_>, all: &[(Side, P, &Engagement)]) -> SignalHead {
    let (unit, factor) = signal.unit(campaign);
    let largest = all
        .iter()
        .filter_map(|(_, _, e)| signal.of(e))
        .flat_map(|trace| trace.values.iter().map(|v| (v * factor).abs()))
        .filter(|v| v.is_finite())
        .fold(0.0, f64::max)
        .clamp(1e-6, 1e120);
    // The power of ten that leaves at least so many steps.
    let exponent = (largest / LEAST_STEPS).log10().floor();
    SignalHead {
        name: signal.name(),
        unit,
        step: 10f64.powf(exponent),
        decimals: (-exponent - 1.0).clamp(0.0, 9.0) as usize,
        held: signal.is_held(),
        shown: signal.is_main() || matches!(signal, Signal::Other(role) if SHOWN.contains(&role)),
    }
}

fn pack(trace: &Trace<'_>, most: usize, factor: f64, step: f64) -> PackedTrace {
    let (mut times, mut values) = (Vec::new(), Vec::new());
    let (mut last_ms, mut last_steps) = (0, 0);
    let mut push = |t_s: f64, value: Option<f64>| {
        let ms = (t_s * 1e3).round() as i64;
        // Two samples within a millisecond: the earlier one stays.
        if !times.is_empty() && ms <= last_ms {
            return;
        }
        times.push(ms - last_ms);
        last_ms = ms;
        values.push(value.map(|value| {
            // Casts saturate, and the difference of two sizes below a million cannot overflow.
            let steps = (value * factor / step).round().clamp(-1e15, 1e15) as i64;
            let change = steps - last_steps;
            last_steps = steps;
            change
        }));
    };
    let pieces = trace.pieces_of_at_most(most, WINDOW_S.0, WINDOW_S.1);
    for (i, piece) in pieces.iter().enumerate() {
        if let (Some((first, _)), true) = (piece.first(), i > 0) {
            push(first - 1e-3, None);
        }
        for (t_s, value) in piece {
            push(*t_s, Some(*value));
        }
    }
    (times, values)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the page's script does with a packed trace.
    fn unpacked((times, values): &PackedTrace, step: f64) -> Vec<(f64, Option<f64>)> {
        let (mut t, mut v) = (0, 0);
        times
            .iter()
            .zip(values)
            .map(|(dt, dv)| {
                t += dt;
                let value = dv.map(|dv| {
                    v += dv;
                    v as f64 * step
                });
                (t as f64 / 1e3, value)
            })
            .collect()
    }

    #[test]
    fn packing_keeps_samples_to_the_step_and_gaps_open() {
        let t_s = [-0.5, -0.4, -0.3, -0.2, 0.7, 0.8, 0.9];
        let values = [0.0, 0.1234, -0.5, 1.8, 1.7, 1.6, 1.5];
        let trace = Trace {
            t_s: &t_s,
            values: &values,
        };
        let kept = unpacked(&pack(&trace, 100, 1.0, 1e-3), 1e-3);
        assert_eq!(kept.len(), 8);
        assert_eq!(kept[4], (0.699, None));
        for ((t, v), (kept_t, kept_v)) in t_s
            .iter()
            .zip(values)
            .zip(kept.iter().filter(|k| k.1.is_some()))
        {
            assert!((t - kept_t).abs() < 1e-9 && (v - kept_v.unwrap()).abs() <= 0.5e-3);
        }
    }

    #[test]
    fn a_long_trace_is_thinned_but_keeps_its_peak() {
        let t_s: Vec<f64> = (0..50_000).map(|i| f64::from(i) * 1e-3).collect();
        let mut values = vec![0.0; 50_000];
        values[31_234] = 2.5;
        let trace = Trace {
            t_s: &t_s,
            values: &values,
        };
        let packed = pack(&trace, 400, 1.0, 1e-3);
        assert!(packed.0.len() <= 404, "{}", packed.0.len());
        assert!(unpacked(&packed, 1e-3).contains(&(31.234, Some(2.5))));
    }
}
