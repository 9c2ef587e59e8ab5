//! Whether pressure follows demand: demands that stood long enough to show it, those that it stayed away
//! from, and what the pump drew in either. `check` and the diagnosis count them by this.

use std::fmt::Write;

use slipwright_decoders::role::Role;

use super::coupling_use::CouplingUse;
use crate::closing::ClosedSpan;
use crate::drive::{Channel, Drive, at_seconds, seconds_between};
use crate::statistics::quantile::quantile;
use crate::traffic_watch::Span;
use crate::vehicle::Vehicle;

/// Pressure follows a demand if it rises by this much, bar, within the demand.
const FOLLOWS_BAR: f64 = 0.8;
/// Pressure before the demand is looked at for this long, s.
const BEFORE_S: f64 = 0.5;
/// A demand shorter than this cannot show whether pressure follows, s.
const LONG_ENOUGH_S: f64 = 1.0;
/// From this share of the demands on nothing can be said of the clutch.
const MOSTLY: f64 = 0.5;
/// A pump that draws less than this where pressure follows tells nothing of the demands that it does not, A.
const CURRENT_TELLS_A: f64 = 0.5;
/// Below this share of what it draws where pressure follows, the pump idles.
const IDLES_SHARE: f64 = 0.4;

impl CouplingUse {
    /// Demands without a rise of pressure, counted in words, with what the pump's current tells of them.
    #[must_use]
    pub(crate) fn told_without_pressure(&self) -> Option<String> {
        if self.without_pressure.is_empty() {
            return None;
        }
        let mut text = format!(
            "{} of {} demands without a rise of pressure",
            self.without_pressure.len(),
            self.demands
        );
        if let Some([without, with]) = self.pump_a {
            let meaning = if with < CURRENT_TELLS_A {
                return Some(text);
            } else if without < IDLES_SHARE * with {
                "the pump is not asked or not fed: plug, wire and control unit first"
            } else {
                "the pump works: valve, fluid and the pump's own wear first"
            };
            let _ = write!(
                text,
                "; pump current {without:.1} A then, {with:.1} A where pressure follows: {meaning}"
            );
        }
        Some(text)
    }

    /// Whether so many demands stay without pressure that nothing can be said of the clutch.
    #[must_use]
    pub(crate) fn mostly_without_pressure(&self) -> bool {
        mostly_without_pressure(self.demands, self.without_pressure.len())
    }
}

/// See [`CouplingUse::mostly_without_pressure`]; over one drive or several.
pub(crate) fn mostly_without_pressure(demands: usize, without: usize) -> bool {
    demands > 0 && without as f64 >= MOSTLY * demands as f64
}

/// Demands long enough for pressure to follow: those that it followed, and those that it did not.
pub(super) fn pressure_follows(
    drive: &Drive,
    demand: Option<&Channel>,
    closed: &[ClosedSpan],
    vehicle: &Vehicle,
) -> [Vec<Span>; 2] {
    let (mut with, mut without) = (Vec::new(), Vec::new());
    let (Some(_), Ok(pressure)) = (demand, drive.channel(Role::CouplingPressure)) else {
        return [with, without];
    };
    let least = vehicle
        .coupling
        .max_pressure_bar
        .map_or(FOLLOWS_BAR, |bar| (0.03 * bar).min(FOLLOWS_BAR));
    for span in closed {
        if seconds_between(span.start_ns, span.end_ns) < LONG_ENOUGH_S {
            continue;
        }
        let within = pressure.range(span.start_ns, span.end_ns);
        let values = &pressure.value()[within.clone()];
        if !pressure.unbroken(within) || values.len() < 5 {
            continue;
        }
        // Pressure may come in the same frame as demand: what counts is how it was before that.
        let ahead = pressure.range(
            at_seconds(span.start_ns, -BEFORE_S),
            span.start_ns.saturating_sub(1),
        );
        let ahead = pressure.value().get(ahead).unwrap_or_default();
        let before = quantile(ahead, 0.5)
            .or_else(|| values.first().copied())
            .unwrap_or(0.0);
        let top = quantile(values, 0.95).unwrap_or(before);
        let told = match top - before < least {
            true => &mut without,
            false => &mut with,
        };
        told.push(Span {
            from_ns: span.start_ns,
            to_ns: span.end_ns,
        });
    }
    [with, without]
}

/// What the pump draws in these spans, A: the median of their medians.
pub(super) fn drawn_a(drive: &Drive, spans: &[Span]) -> Option<f64> {
    let current = drive.channel(Role::CouplingPumpCurrent).ok()?;
    let each: Vec<f64> = spans
        .iter()
        .filter_map(|span| {
            let values = current.value().get(current.range(span.from_ns, span.to_ns));
            quantile(values?, 0.5)
        })
        .collect();
    quantile(&each, 0.5)
}
