//! Pressure that jumps from one reading to the next while demand stands: oil cannot, a sensor's bad plug or
//! earth can. Without a demand signal nothing is said.

use slipwright_decoders::role::Role;

use super::signal_state::{SignalState, State};
use super::stuck::longest_kept;
use crate::drive::{Drive, at_seconds, seconds_between};
use crate::number;
use crate::statistics::quantile::{median, quantile};
use crate::statistics::spread::mean;
use crate::traffic_watch::Span;
use crate::vehicle::Vehicle;

/// A jump is at least this share of the highest working pressure, and this many bar.
const JUMP_SHARE: f64 = 0.08;
const JUMP_BAR: f64 = 1.0;
/// So many readings on either side of it are alike, within this share of a jump.
const BESIDE: usize = 4;
const ALIKE: f64 = 0.25;
/// Demand has stood for this long before it, s: oil follows within that, cold oil too; and stands for this
/// long after it, because the messages of one control unit come one after another.
const STOOD_S: f64 = 2.0;
const STANDS_S: f64 = 0.3;
/// Demand stands within this share of its range.
const STANDS_SHARE: f64 = 0.03;
/// So many jumps are no chance.
const LEAST: usize = 4;
/// A reading that is away for longer than this has not been seen to come back, s.
const LONGEST_AWAY_S: f64 = 20.0;

/// A jump, to the reading of this time.
struct Jump {
    at_ns: i64,
    bar: f64,
}

pub(super) fn judge(drive: &Drive, vehicle: &Vehicle, states: &mut [SignalState], total_s: f64) {
    let mut jumps = jumps(drive, vehicle).unwrap_or_default();
    // Where a demand stands for longest it may be the demand that tells nothing.
    let demand = drive.channel(Role::CouplingDemand);
    let kept = demand.ok().and_then(longest_kept);
    let in_kept = |j: &Jump| kept.is_some_and(|k| (k.from_ns..=k.to_ns).contains(&j.at_ns));
    jumps.retain(|j| !in_kept(j));
    let sizes: Vec<f64> = jumps.iter().map(|j| j.bar.abs()).collect();
    let mut pressure = states
        .iter_mut()
        .filter(|s| s.role == Role::CouplingPressure);
    let (Some(bar), Some(state)) = (median(&sizes), pressure.next()) else {
        return;
    };
    if jumps.len() < LEAST {
        return;
    }
    state.worsen(
        State::Invalid,
        format!(
            "it jumps by {bar:.1} bar within one reading while demand stands, {}: oil cannot; look at the sensor's plug and earth",
            number::times(jumps.len()),
        ),
    );
    let away = away(&jumps);
    let away_s: f64 = away.iter().map(Span::seconds).sum();
    // A jump itself fails the reading, however soon it is back.
    let share = (away_s + jumps.len() as f64 * STANDS_S) / total_s;
    state.invalid_share = (state.invalid_share + share).min(1.0);
    state.outages.extend(away);
}

/// From each jump to the next back; what lies between two of those is told rightly.
fn away(jumps: &[Jump]) -> Vec<Span> {
    let mut spans = Vec::new();
    let mut gone: Option<&Jump> = None;
    for jump in jumps {
        match gone {
            Some(first) if first.bar * jump.bar < 0.0 => {
                let span = Span {
                    from_ns: first.at_ns,
                    to_ns: jump.at_ns,
                };
                gone = (span.seconds() >= LONGEST_AWAY_S).then_some(jump);
                if gone.is_none() {
                    spans.push(span);
                }
            }
            _ => gone = Some(jump),
        }
    }
    spans
}

/// The jumps of a drive; `None` where it does not tell pressure and demand.
fn jumps(drive: &Drive, vehicle: &Vehicle) -> Option<Vec<Jump>> {
    let pressure = drive.channel(Role::CouplingPressure).ok()?;
    let demand = drive.channel(Role::CouplingDemand).ok()?;
    let (t_ns, bar) = (pressure.t_ns(), pressure.value());
    let highest = vehicle.coupling.max_pressure_bar;
    let highest = highest.or_else(|| quantile(bar, 0.995))?;
    let least_bar = (JUMP_SHARE * highest).max(JUMP_BAR);
    let range = quantile(demand.value(), 0.995)? - quantile(demand.value(), 0.005)?;
    let mut found: Vec<Jump> = Vec::new();
    for i in BESIDE..bar.len().saturating_sub(BESIDE) {
        let step = bar[i] - bar[i - 1];
        if step.abs() < least_bar {
            continue;
        }
        let level = |part: &[f64]| {
            let level = mean(part)?;
            let flat = part.iter().all(|v| (v - level).abs() < ALIKE * step.abs());
            flat.then_some(level)
        };
        let around = i - BESIDE..i + BESIDE;
        let (Some(before), Some(after)) = (level(&bar[i - BESIDE..i]), level(&bar[i..i + BESIDE]))
        else {
            continue;
        };
        let from_ns = at_seconds(t_ns[i], -STOOD_S);
        let stood = demand.range(from_ns, at_seconds(t_ns[i], STANDS_S));
        let asked = demand.value().get(stood.clone()).unwrap_or_default();
        let stands = demand_stands(asked, range)
            && demand.unbroken(stood.clone())
            && demand
                .t_ns()
                .get(stood)
                .and_then(|own| Some(seconds_between(*own.first()?, *own.last()?)))
                .is_some_and(|s| s > 0.8 * STOOD_S);
        if stands && pressure.unbroken(around) {
            found.push(Jump {
                at_ns: t_ns[i],
                bar: after - before,
            });
        }
    }
    Some(found)
}

fn demand_stands(asked: &[f64], range: f64) -> bool {
    let ends = asked
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
            (low.min(*v), high.max(*v))
        });
    asked.len() >= 2 && ends.1 - ends.0 <= STANDS_SHARE * range
}
