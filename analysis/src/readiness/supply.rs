//! The supply: control units and pump work only with enough voltage.

use slipwright_decoders::role::Role;

use super::Finding;
use crate::drive::Drive;
use crate::statistics::quantile::quantile;

/// Below this control units reset, V. Common practice, no source.
const RESET_V: f64 = 9.5;
/// Below this with the engine running the charging system or a cable is weak, V. Common practice,
/// no source.
const LOW_V: f64 = 12.2;
/// The engine runs above this, rad/s.
const RUNNING_RAD_S: f64 = 60.0;

pub(super) fn findings(drive: &Drive) -> Vec<Finding> {
    let Ok(supply) = drive.channel(Role::SupplyVoltage) else {
        return Vec::new();
    };
    let engine = drive.channel(Role::EngineSpeed).ok();
    let running: Vec<f64> = supply
        .t_ns()
        .iter()
        .zip(supply.value())
        .filter(|(t, _)| {
            engine.is_none_or(|e| e.held_at(**t).is_some_and(|speed| speed > RUNNING_RAD_S))
        })
        .map(|(_, v)| *v)
        .collect();
    let (Some(low), Some(middle)) = (quantile(&running, 0.05), quantile(&running, 0.5)) else {
        return Vec::new();
    };
    if running.len() < 5 || (low > RESET_V && middle > LOW_V) {
        return Vec::new();
    }
    let blocking = low <= RESET_V;
    vec![Finding {
        what: "supply_voltage",
        why: "The supply is weak with the engine running. Check battery, charging and earth cables before anything else; a weak supply makes a good pump look weak.".into(),
        evidence: vec![format!(
            "median {middle:.1} V, lowest twentieth below {low:.1} V"
        )],
        blocking,
    }]
}
