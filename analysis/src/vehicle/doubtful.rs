//! Values of a vehicle file that no road vehicle has: written in another unit than the key names, most
//! likely. They are used as they stand, with a warning.

use super::Vehicle;

/// What road vehicles have, each with room to spare, from the smallest car to a heavy lorry. Common
/// practice, no source.
fn checked(vehicle: &Vehicle) -> [(&'static str, Option<f64>, f64, f64); 13] {
    let (geometry, coupling) = (&vehicle.geometry, &vehicle.coupling);
    [
        ("wheelbase_m", geometry.wheelbase_m, 1.0, 8.0),
        ("track_front_m", geometry.track_front_m, 0.7, 3.0),
        ("track_rear_m", geometry.track_rear_m, 0.7, 3.0),
        ("rolling_radius_m", vehicle.tyres.rolling_radius_m, 0.1, 1.0),
        ("kg", vehicle.mass.kg, 200.0, 60e3),
        ("outer_radius_m", coupling.outer_radius_m, 0.01, 0.5),
        ("inner_radius_m", coupling.inner_radius_m, 0.005, 0.5),
        ("piston_area_m2", coupling.piston_area_m2, 1e-4, 0.1),
        ("max_pressure_bar", coupling.max_pressure_bar, 1.0, 500.0),
        ("clearance_m", coupling.clearance_m, 1e-5, 0.02),
        ("pump_flow_m3_s", coupling.pump_flow_m3_s, 1e-7, 0.01),
        (
            "nominal_dead_time_ms",
            coupling.nominal_dead_time_ms,
            1.0,
            5e3,
        ),
        (
            "nominal_rise_time_ms",
            coupling.nominal_rise_time_ms,
            1.0,
            5e3,
        ),
    ]
}

impl Vehicle {
    /// A sentence on each value that is not to be believed in the unit of its key.
    #[must_use]
    pub fn doubts(&self) -> Vec<String> {
        let beyond = checked(self).into_iter().filter_map(|(key, value, least, most)| {
            let value = value.filter(|value| !(least..=most).contains(value))?;
            Some(format!(
                "{key} = {value} in the vehicle file is no road vehicle's; look at its unit, which stands in the key"
            ))
        });
        beyond.collect()
    }
}

#[cfg(test)]
mod tests {
    use crate::trial::vehicle;

    #[test]
    fn a_value_in_another_unit_is_doubted_by_its_key() {
        let mut car = vehicle();
        assert_eq!(car.doubts(), [""; 0]);
        car.geometry.wheelbase_m = Some(2700.0);
        car.mass.kg = Some(1.65);
        car.coupling.piston_area_m2 = Some(45.0);
        let doubts = car.doubts();
        let named: Vec<&str> = doubts.iter().filter_map(|d| d.split(' ').next()).collect();
        assert_eq!(named, ["wheelbase_m", "kg", "piston_area_m2"]);
        assert!(doubts[0].starts_with("wheelbase_m = 2700 in"), "{doubts:?}");
    }
}
