//! The clutch pack as a machine element (definition 10): effective radius, torque capacity, lining
//! area.
//!
//! Torque of a multi-plate clutch that slips: `T = N · mu · r_eff · F`, with the clamping force
//! `F = p · A_piston - F_return`, never less than 0. `r_eff` follows from how pressure spreads over
//! the lining: `2/3 (r_o³ - r_i³)/(r_o² - r_i²)` when it is the same everywhere (new lining),
//! `(r_o + r_i)/2` when wear has evened out pressure times radius (bedded-in lining). Both are in
//! any handbook of machine elements, for instance Shigley's Mechanical Engineering Design, chapter
//! on clutches.

use std::f64::consts::PI;

use crate::measure::Missing;
use crate::vehicle::{PressureLaw, Vehicle};

/// Pascals in a bar.
const PA_PER_BAR: f64 = 1e5;

/// Effective radius of a ring of lining, m. Radii positive, the inner smaller.
#[must_use]
pub fn effective_radius_m(outer_m: f64, inner_m: f64, law: PressureLaw) -> f64 {
    match law {
        PressureLaw::UniformPressure => {
            // The quotient of the differences, divided out so that thin rings lose no digits.
            2.0 / 3.0 * (outer_m * outer_m + outer_m * inner_m + inner_m * inner_m)
                / (outer_m + inner_m)
        }
        PressureLaw::UniformWear => (outer_m + inner_m) / 2.0,
    }
}

/// A pack whose torque can be told from pressure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pack {
    /// Torque per newton of clamping force, `N mu r_eff`, m.
    torque_per_force_m: f64,
    /// Piston area, m².
    piston_area_m2: f64,
    /// Force of the return spring, N.
    return_force_n: f64,
}

impl Pack {
    /// The vehicle's pack.
    ///
    /// # Errors
    /// [`Missing::VehicleKey`] with the first key of `[coupling]` that is not there.
    pub fn of(vehicle: &Vehicle) -> Result<Self, Missing> {
        let surfaces = vehicle.friction_surfaces()?;
        let outer = vehicle.outer_radius_m()?;
        let inner = vehicle.inner_radius_m()?;
        let law = vehicle.pressure_law()?;
        let mu = vehicle.friction_coefficient()?;
        Ok(Self {
            torque_per_force_m: f64::from(surfaces) * mu * effective_radius_m(outer, inner, law),
            piston_area_m2: vehicle.piston_area_m2()?,
            return_force_n: vehicle.return_force_n()?,
        })
    }

    /// Torque at a pressure while the pack slips, N·m; its capacity when it does not.
    #[must_use]
    pub fn torque_nm(&self, pressure_bar: f64) -> f64 {
        let force_n = pressure_bar * PA_PER_BAR * self.piston_area_m2 - self.return_force_n;
        self.torque_per_force_m * force_n.max(0.0)
    }

    /// Torque per bar above the touch point, N·m/bar.
    #[must_use]
    pub fn torque_per_bar_nm(&self) -> f64 {
        self.torque_per_force_m * self.piston_area_m2 * PA_PER_BAR
    }
}

/// Without a return spring in the vehicle file the pack is taken to touch at this pressure, bar, and its
/// standard uncertainty. Common practice, no source.
const TOUCH_BAR: (f64, f64) = (0.7, 0.5);

/// Pressure at which the return spring lets the pack touch, bar, with its standard uncertainty.
pub(crate) fn touch_bar(vehicle: &Vehicle) -> (f64, f64) {
    let c = &vehicle.coupling;
    match (c.return_force_n, c.piston_area_m2) {
        (Some(force_n), Some(area_m2)) if area_m2 > 0.0 => {
            let bar = force_n / area_m2 / PA_PER_BAR;
            (bar, 0.2 * bar)
        }
        _ => TOUCH_BAR,
    }
}

/// Area of all friction surfaces together, m²: gross rings, oil grooves not taken off.
///
/// # Errors
/// [`Missing::VehicleKey`] with the first key that is not there.
pub fn lining_area_m2(vehicle: &Vehicle) -> Result<f64, Missing> {
    let surfaces = vehicle.friction_surfaces()?;
    let outer = vehicle.outer_radius_m()?;
    let inner = vehicle.inner_radius_m()?;
    Ok(f64::from(surfaces) * PI * (outer * outer - inner * inner))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vehicle(surfaces: u32, outer: f64, inner: f64, law: PressureLaw, mu: f64) -> Vehicle {
        let mut vehicle = Vehicle::default();
        vehicle.coupling.friction_surfaces = Some(surfaces);
        vehicle.coupling.outer_radius_m = Some(outer);
        vehicle.coupling.inner_radius_m = Some(inner);
        vehicle.coupling.pressure_law = Some(law);
        vehicle.coupling.friction_coefficient = Some(mu);
        vehicle.coupling.piston_area_m2 = Some(0.01);
        vehicle.coupling.return_force_n = Some(0.0);
        vehicle
    }

    /// Torque for a clamping force given directly: pressure on the piston that makes it.
    fn torque_at_force(vehicle: &Vehicle, force_n: f64) -> f64 {
        Pack::of(vehicle)
            .unwrap()
            .torque_nm(force_n / 0.01 / PA_PER_BAR)
    }

    /// SAE J3210 standard pack (table on tnlab.org's page of that standard): lining 0.14615 m by
    /// 0.12055 m, two faces, effective radius 0.06688 m, gross area 0.00536 m² a face. The published
    /// radius is the uniform-pressure one.
    #[test]
    fn sae_j3210_pack() {
        let (outer, inner) = (0.14615 / 2.0, 0.12055 / 2.0);
        let radius = effective_radius_m(outer, inner, PressureLaw::UniformPressure);
        assert!((radius - 0.06688).abs() < 5e-6, "{radius}");
        let vehicle = vehicle(2, outer, inner, PressureLaw::UniformPressure, 0.13);
        assert!((lining_area_m2(&vehicle).unwrap() / 2.0 - 0.00536).abs() < 5e-6);
    }

    /// Multi-disc clutch of a text-book problem (R. S. Khurmi and J. K. Gupta, A Textbook of Machine
    /// Design, clutches): five plates, four pairs of surfaces, 125 and 75 mm, 0.127 N/mm² at the
    /// inner radius, mu 0.3, uniform wear. The book prints W = 2990 N and T = 358.8 N·m; unrounded
    /// 2992.367 N and 359.0840 N·m.
    #[test]
    fn text_book_multi_disc_clutch() {
        let vehicle = vehicle(4, 0.125, 0.075, PressureLaw::UniformWear, 0.3);
        let force = 2.0 * PI * 0.127e6 * 0.075 * (0.125 - 0.075);
        assert!((force - 2992.367).abs() < 1e-3);
        assert!((torque_at_force(&vehicle, force) - 359.0840).abs() < 1e-4);
        assert!((torque_at_force(&vehicle, 2990.0) - 358.8).abs() < 0.05);
    }

    /// Plate clutch of a text-book problem (Shigley's Mechanical Engineering Design, chapter 16;
    /// statement is from memory): 250 and 175 mm, mu 0.30, 4 kN, one face; 127.5 N·m by uniform
    /// wear, 128.8 N·m by uniform pressure.
    #[test]
    fn text_book_plate_clutch_by_both_laws() {
        let by = |law| torque_at_force(&vehicle(1, 0.125, 0.0875, law, 0.3), 4000.0);
        assert!((by(PressureLaw::UniformWear) - 127.5).abs() < 1e-9);
        assert!((by(PressureLaw::UniformPressure) - 128.8235).abs() < 1e-4);
    }

    /// Single plate, two faces (D. J. Grieve, mechengdesign.co.uk, clutch design): 200 and 140 mm, 1
    /// MN/m² at the inner radius, mu 0.5. Statement from there, numbers by its formula.
    #[test]
    fn two_faces_by_uniform_wear() {
        let vehicle = vehicle(2, 0.1, 0.07, PressureLaw::UniformWear, 0.5);
        let force = 2.0 * PI * 1e6 * 0.07 * 0.03;
        assert!((force - 13_194.689).abs() < 1e-3);
        assert!((torque_at_force(&vehicle, force) - 1121.549).abs() < 1e-3);
    }

    #[test]
    fn the_return_spring_is_overcome_first() {
        let mut vehicle = vehicle(10, 0.06, 0.05, PressureLaw::UniformPressure, 0.12);
        vehicle.coupling.return_force_n = Some(500.0);
        let pack = Pack::of(&vehicle).unwrap();
        assert_eq!(pack.torque_nm(0.4), 0.0);
        assert!((pack.torque_nm(1.5) - pack.torque_per_bar_nm()).abs() < 1e-9);
    }

    #[test]
    fn a_missing_key_is_named() {
        let mut vehicle = vehicle(4, 0.1, 0.05, PressureLaw::UniformWear, 0.1);
        vehicle.coupling.friction_coefficient = None;
        assert_eq!(
            Pack::of(&vehicle),
            Err(Missing::VehicleKey("coupling.friction_coefficient"))
        );
        vehicle.coupling.outer_radius_m = None;
        assert_eq!(
            lining_area_m2(&vehicle),
            Err(Missing::VehicleKey("coupling.outer_radius_m"))
        );
    }
}
