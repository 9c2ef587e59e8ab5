//! The supply: control units and pump work only with enough voltage.

use slipwright_decoders::role::Role;

use super::ReadinessFinding;
use crate::drive::{Channel, Drive};
use crate::statistics::quantile::quantile;
use crate::traffic_watch::Span;

/// Below this control units reset, V. Common practice, no source.
const RESET_V: f64 = 9.5;
/// Below this with the engine running the charging system or a cable is weak, V. Common practice,
/// no source. With the engine off a sound battery lies below it.
const LOW_V: f64 = 12.2;
/// The engine runs above this, rad/s.
const RUNNING_RAD_S: f64 = 60.0;

/// Fewest samples that tell a supply.
const LEAST: usize = 5;

pub(super) fn findings(drive: &Drive, rolling: &[Span]) -> Vec<ReadinessFinding> {
    let Ok(supply) = drive.channel(Role::SupplyVoltage) else {
        return Vec::new();
    };
    let (volts, when) = match drive.channel(Role::EngineSpeed) {
        Ok(engine) => (with_engine(supply, engine), "with the engine running"),
        // Where the bus does not tell it, a car that rolls has its engine running.
        Err(_) => (within(supply, rolling), "while the car rolls"),
    };
    let (Some(low), Some(middle)) = (quantile(&volts, 0.05), quantile(&volts, 0.5)) else {
        return Vec::new();
    };
    if volts.len() < LEAST || (low > RESET_V && middle > LOW_V) {
        return Vec::new();
    }
    vec![ReadinessFinding {
        what: "supply_voltage",
        why: format!(
            "The supply is weak {when}. Check battery, charging and earth cables before anything else; a weak supply makes a good pump look weak."
        ),
        evidence: vec![format!(
            "median {middle:.1} V, lowest twentieth below {low:.1} V"
        )],
        blocking: low <= RESET_V,
    }]
}

fn with_engine(supply: &Channel, engine: &Channel) -> Vec<f64> {
    let samples = supply.t_ns().iter().zip(supply.value());
    samples
        .filter(|(t, _)| engine.held_at(**t).is_some_and(|w| w > RUNNING_RAD_S))
        .map(|(_, v)| *v)
        .collect()
}

fn within(supply: &Channel, spans: &[Span]) -> Vec<f64> {
    let ranges = spans.iter().map(|s| supply.range(s.from_ns, s.to_ns));
    ranges
        .flat_map(|range| supply.value().get(range).unwrap_or_default())
        .copied()
        .collect()
}
