//! Whether values can be true: wheels that turn the same road agree, and pressure rests when
//! nothing is demanded.

use slipwright_decoders::role::Role;

use super::ReadinessFinding;
use super::signal_state::{SignalState, State};
use crate::drive::{Drive, Fault, pressed_above, seconds_between};
use crate::statistics::quantile::{median, quantile};
use crate::traffic_watch::Span;
use crate::vehicle::Vehicle;

/// A wheel rolls above this, m/s.
const ROLLING_MPS: f64 = 2.0;
/// Wheels are compared above this, m/s: in slow bends they truly differ.
const COMPARED_MPS: f64 = 3.0;
/// An axle whose wheels differ by less than this share goes straight.
const STRAIGHT: f64 = 0.015;
/// A wheel that differs by more than this share from the other three tells something else than the
/// road speed: tyres of one car differ by less.
const DISAGREES: f64 = 0.06;
/// Fewest samples of a comparison.
const LEAST: usize = 50;
/// A wheel below this while the others roll stands or tells nothing, m/s.
const STANDS_MPS: f64 = 0.3;
/// It stands for at least this long, s: a wheel locks for a moment when braked.
const STANDS_S: f64 = 0.4;
/// Share of the rolling time from which on a wheel that stands is at fault.
const STANDS_SHARE: f64 = 0.005;
/// The other wheels of a car in its tightest circle differ by less than this factor.
const OTHERS_ALIKE: f64 = 2.0;
/// After demand has fallen, pressure gets this long to fall too, s.
const LET_GO_S: f64 = 1.5;
/// Pressure at rest may lie this far from nothing: bar, and share of the highest working pressure.
const REST_BAR: f64 = 1.0;
const REST_SHARE: f64 = 0.05;
/// Above this share of the highest working pressure a reading cannot be true.
const TOO_HIGH: f64 = 1.4;

pub(super) fn wheels_at(drive: &Drive, i: usize) -> [Option<f64>; 4] {
    std::array::from_fn(|w| {
        let column = drive.wheel_mps().get(w)?.as_ref().ok()?;
        column.get(i)
    })
}

fn middle(speeds: &[Option<f64>; 4]) -> Option<f64> {
    let known: Vec<f64> = speeds.iter().copied().flatten().collect();
    (known.len() >= 2).then(|| median(&known)).flatten()
}

/// Spans in which the car rolls, as far as at least two wheels tell.
pub(super) fn rolling_spans(drive: &Drive) -> Vec<Span> {
    let base = drive.base_ns();
    let mut spans = Vec::new();
    let mut open: Option<Span> = None;
    for (i, &t) in base.iter().enumerate() {
        let rolls = middle(&wheels_at(drive, i)).is_some_and(|v| v > ROLLING_MPS);
        match (&mut open, rolls) {
            (Some(span), true) => span.to_ns = t,
            (None, true) => {
                open = Some(Span {
                    from_ns: t,
                    to_ns: t,
                });
            }
            (Some(_), false) => spans.extend(open.take()),
            (None, false) => {}
        }
    }
    spans.extend(open);
    spans
}

pub(super) fn judge(
    drive: &Drive,
    vehicle: &Vehicle,
    states: &mut [SignalState],
    findings: &mut Vec<ReadinessFinding>,
) {
    wheels(drive, states);
    jumps(drive, states);
    pressure(drive, vehicle, states, findings);
}

fn state_mut(states: &mut [SignalState], role: Role) -> Option<&mut SignalState> {
    states.iter_mut().find(|s| s.role == role)
}

/// Whether the other wheels that tell a speed tell the same: when one spins, what its neighbour across the
/// axle does tells nothing of a sensor.
fn others_agree(speeds: &[Option<f64>; 4], w: usize) -> bool {
    let others = speeds.iter().enumerate().filter(|(k, _)| *k != w);
    let (low, high) = others
        .filter_map(|(_, v)| *v)
        .fold((f64::INFINITY, 0.0_f64), |(low, high), v| {
            (low.min(v), high.max(v))
        });
    high < OTHERS_ALIKE * low
}

fn wheels(drive: &Drive, states: &mut [SignalState]) {
    let base = drive.base_ns();
    let brake = drive
        .channel(Role::PedalBrake)
        .ok()
        .map(|c| (c, pressed_above(c)));
    let mut ratios: [Vec<f64>; 4] = Default::default();
    let mut standing: [Vec<Span>; 4] = Default::default();
    let mut rolling_s = 0.0;
    for (i, &t) in base.iter().enumerate() {
        let speeds = wheels_at(drive, i);
        let Some(v) = middle(&speeds).filter(|v| *v > ROLLING_MPS) else {
            continue;
        };
        if i > 0 && drive.base_joined(i - 1) {
            rolling_s += seconds_between(base[i - 1], t);
        }
        let braked = brake.is_some_and(|(c, limit)| c.held_at(t).is_some_and(|v| v > limit));
        if braked {
            continue;
        }
        for (w, spans) in standing.iter_mut().enumerate() {
            if !speeds[w].is_some_and(|v| v < STANDS_MPS) || !others_agree(&speeds, w) {
                continue;
            }
            match spans.last_mut() {
                Some(span) if seconds_between(span.to_ns, t) < 0.1 => span.to_ns = t,
                _ => spans.push(Span {
                    from_ns: t,
                    to_ns: t,
                }),
            }
        }
        let [Some(fl), Some(fr), Some(rl), Some(rr)] = speeds else {
            continue;
        };
        let alike = |a: f64, b: f64| (a - b).abs() < STRAIGHT * v;
        if v > COMPARED_MPS && (alike(fl, fr) || alike(rl, rr)) {
            let sum = fl + fr + rl + rr;
            for (ratio, own) in ratios.iter_mut().zip([fl, fr, rl, rr]) {
                ratio.push(3.0 * own / (sum - own));
            }
        }
    }
    for (w, role) in Role::WHEELS.into_iter().enumerate() {
        let Some(state) = state_mut(states, role) else {
            continue;
        };
        let stands: Vec<Span> = standing[w]
            .iter()
            .copied()
            .filter(|span| span.seconds() > STANDS_S)
            .collect();
        let stands_s: f64 = stands.iter().map(Span::seconds).sum();
        if stands_s > STANDS_SHARE * rolling_s && rolling_s > 2.0 {
            let share = stands_s / rolling_s;
            state.invalid_share = (state.invalid_share + share).min(1.0);
            state.outages.extend(stands);
            state.worsen(
                State::Invalid,
                format!(
                    "it tells a standing wheel while the others roll, {:.0} % of the rolling time",
                    100.0 * share
                ),
            );
            continue;
        }
        let Some(ratio) = median(&ratios[w]).filter(|_| ratios[w].len() >= LEAST) else {
            continue;
        };
        // Which of four is off shows in how far it is from the other three; they then err by a third.
        let off = (ratio - 1.0).abs();
        let worst = (0..4)
            .filter_map(|k| Some((median(&ratios[k])? - 1.0).abs()))
            .fold(0.0, f64::max);
        if off > DISAGREES && off >= worst {
            state.worsen(
                State::Invalid,
                format!(
                    "it reads {:.0} % {} than the other wheels while all roll straight",
                    100.0 * off,
                    if ratio < 1.0 { "slower" } else { "faster" }
                ),
            );
        }
    }
}

/// Readings that were left out because no wheel can have them: a good sensor has none.
fn jumps(drive: &Drive, states: &mut [SignalState]) {
    let length_s = match drive.base_ns() {
        [first, .., last] => seconds_between(*first, *last),
        _ => return,
    };
    for fault in drive.wheel_faults() {
        let Some(state) = state_mut(states, fault.role) else {
            continue;
        };
        let runs: Vec<Span> = fault
            .runs_ns
            .iter()
            .map(|&(from_ns, to_ns)| Span { from_ns, to_ns })
            .collect();
        let share = runs.iter().map(Span::seconds).sum::<f64>() / length_s;
        let worse = match fault.fault {
            Fault::Away => {
                state.invalid_share = (state.invalid_share + share).min(1.0);
                State::Invalid
            }
            Fault::Stood => {
                state.frozen_share = (state.frozen_share + share).min(1.0);
                State::Stale
            }
        };
        state.outages.extend(runs);
        state.worsen(worse, format!("it {}", fault.seen()));
    }
}

fn pressure(
    drive: &Drive,
    vehicle: &Vehicle,
    states: &mut [SignalState],
    findings: &mut Vec<ReadinessFinding>,
) {
    let Ok(channel) = drive.channel(Role::CouplingPressure) else {
        return;
    };
    let Some(state) = state_mut(states, Role::CouplingPressure) else {
        return;
    };
    let highest = vehicle.coupling.max_pressure_bar;
    let limit = REST_BAR.max(highest.map_or(0.0, |bar| REST_SHARE * bar));
    if let Some(rest_bar) = rest_pressure_bar(drive)
        && rest_bar.abs() > limit
    {
        state.worsen(
            State::Invalid,
            format!("it reads {rest_bar:.1} bar with nothing demanded; it should rest near 0 bar"),
        );
        findings.push(ReadinessFinding {
            what: "pressure_at_rest",
            why: "Pressure does not come to rest. The sensor is off, or pressure stays trapped: let the system stand, read it again, then look at sensor and valve.".into(),
            evidence: vec![format!(
                "{rest_bar:.1} bar with no demand, limit {limit:.1} bar"
            )],
            blocking: true,
        });
    }
    if let (Some(highest), Some(top)) = (highest, quantile(channel.value(), 0.999))
        && top > TOO_HIGH * highest
    {
        state.worsen(
            State::Invalid,
            format!(
                "it reads up to {top:.0} bar; the vehicle file's highest working pressure is {highest:.0} bar"
            ),
        );
    }
}

/// Median pressure where demand has been at its lowest for a while; without a demand signal, the
/// pressure that the coupling keeps to at its lowest.
fn rest_pressure_bar(drive: &Drive) -> Option<f64> {
    let pressure = drive.channel(Role::CouplingPressure).ok()?;
    let Ok(demand) = drive.channel(Role::CouplingDemand) else {
        return quantile(pressure.value(), 0.05);
    };
    let low = quantile(demand.value(), 0.02)?;
    let top = demand.value().iter().copied().fold(low, f64::max);
    let floor = low + 0.02 * (top - low);
    let mut free_from_ns: Option<i64> = None;
    let mut at_rest = Vec::new();
    let mut next = 0;
    for (&t, &d) in demand.t_ns().iter().zip(demand.value()) {
        if d > floor {
            free_from_ns = None;
            continue;
        }
        let from = *free_from_ns.get_or_insert(t);
        if seconds_between(from, t) < LET_GO_S {
            continue;
        }
        let stamps = pressure.t_ns();
        while stamps.get(next).is_some_and(|&own| own < t) {
            next += 1;
        }
        if let Some(&bar) = pressure.value().get(next) {
            at_rest.push(bar);
        }
    }
    (at_rest.len() >= LEAST).then(|| median(&at_rest)).flatten()
}
