//! What a stack will change on the car, to be compared with what the drives show.
//!
//! The piston moves until the pack closes, and the pump must fill what it sweeps: a stack that is
//! higher by `dh` saves the oil `dh A` and so the time `dh A / Q` of the pump's flow `Q`. Torque
//! capacity goes with the number of friction faces (definition 10 in DEVELOPERS.md).

use crate::coupling::Pack;
use crate::measure::Missing;
use crate::vehicle::Vehicle;

/// Change of dead time for piston travel saved, ms; negative is sooner.
///
/// # Errors
/// [`Missing::VehicleKey`] with the key that is not there.
pub(super) fn dead_time_change_ms(travel_saved_mm: f64, vehicle: &Vehicle) -> Result<f64, Missing> {
    let area_m2 = vehicle.piston_area_m2()?;
    let flow_m3_s = vehicle.pump_flow_m3_s()?;
    // Millimetres and milliseconds: the thousands cancel.
    Ok(-travel_saved_mm * area_m2 / flow_m3_s)
}

/// Torque at the highest working pressure with so many friction faces, N·m.
///
/// # Errors
/// [`Missing::VehicleKey`] with the key that is not there.
pub(super) fn torque_capacity_nm(faces: usize, vehicle: &Vehicle) -> Result<f64, Missing> {
    let pressure_bar = vehicle.max_pressure_bar()?;
    let mut as_stacked = vehicle.clone();
    as_stacked.coupling.friction_surfaces = u32::try_from(faces).ok();
    Ok(Pack::of(&as_stacked)?.torque_nm(pressure_bar))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn oil_volume_over_pump_flow() {
        let mut vehicle = Vehicle::default();
        vehicle.coupling.piston_area_m2 = Some(0.0025);
        assert_eq!(
            dead_time_change_ms(0.3, &vehicle),
            Err(Missing::VehicleKey("coupling.pump_flow_m3_s"))
        );
        vehicle.coupling.pump_flow_m3_s = Some(2.5e-5);
        // 0.75 cm³ at 25 cm³/s.
        assert!((dead_time_change_ms(0.3, &vehicle).unwrap() + 30.0).abs() < 1e-9);
    }

    #[test]
    fn torque_goes_with_the_faces() {
        let text = "name = \"a\"\ndecoder = \"b\"\n[coupling]\nouter_radius_m = 0.125\n\
                    inner_radius_m = 0.0875\npressure_law = \"uniform_wear\"\n\
                    friction_coefficient = 0.3\npiston_area_m2 = 0.004\nreturn_force_n = 0\n\
                    max_pressure_bar = 10\n";
        let vehicle = Vehicle::parse(text).unwrap();
        // One face at 4 kN: 127.5 N·m (Shigley's Mechanical Engineering Design, chapter 16; the
        // statement is from memory).
        assert!((torque_capacity_nm(1, &vehicle).unwrap() - 127.5).abs() < 1e-9);
        assert!((torque_capacity_nm(16, &vehicle).unwrap() - 16.0 * 127.5).abs() < 1e-9);
    }
}
