//! Keys that a measure cannot do without: the value, or the key's name as the reason why the measure is
//! missing. Each key's name is its field's.

use super::{PressureLaw, Vehicle};
use crate::measure::Missing;

macro_rules! keys {
    ($($table:ident.$key:ident: $type:ty;)*) => {
        impl Vehicle {
            $(
                #[doc = concat!("`", stringify!($table), ".", stringify!($key), "` of the vehicle file.")]
                pub(crate) fn $key(&self) -> Result<$type, Missing> {
                    const KEY: &str = concat!(stringify!($table), ".", stringify!($key));
                    self.$table.$key.ok_or(Missing::VehicleKey(KEY))
                }
            )*
        }
    };
}

keys! {
    geometry.wheelbase_m: f64;
    geometry.track_rear_m: f64;
    tyres.rolling_radius_m: f64;
    driveline.final_drive: f64;
    driveline.rear_drive_ratio: f64;
    driveline.efficiency: f64;
    coupling.friction_surfaces: u32;
    coupling.outer_radius_m: f64;
    coupling.inner_radius_m: f64;
    coupling.pressure_law: PressureLaw;
    coupling.piston_area_m2: f64;
    coupling.return_force_n: f64;
    coupling.friction_coefficient: f64;
    coupling.max_pressure_bar: f64;
    coupling.pump_flow_m3_s: f64;
}

impl Vehicle {
    /// `mass.kg` of the vehicle file.
    pub(crate) fn mass_kg(&self) -> Result<f64, Missing> {
        self.mass.kg.ok_or(Missing::VehicleKey("mass.kg"))
    }

    /// `driveline.gear_ratios` of the vehicle file.
    pub(crate) fn gear_ratios(&self) -> Result<&[f64], Missing> {
        let ratios = self.driveline.gear_ratios.as_deref();
        ratios.ok_or(Missing::VehicleKey("driveline.gear_ratios"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_there_or_named_as_in_the_file() {
        let car = crate::trial::vehicle();
        assert_eq!(car.rear_drive_ratio(), Ok(2.6));
        assert_eq!(car.gear_ratios().unwrap().len(), 5);
        let nothing = Vehicle::default();
        let key = |key| Err(Missing::VehicleKey(key));
        assert_eq!(nothing.wheelbase_m(), key("geometry.wheelbase_m"));
        assert_eq!(nothing.efficiency(), key("driveline.efficiency"));
        let why = nothing.pressure_law().unwrap_err();
        assert_eq!(why, Missing::VehicleKey("coupling.pressure_law"));
    }
}
