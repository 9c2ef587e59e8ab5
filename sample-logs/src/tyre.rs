//! Tyres: slip states and the forces they make, along and across, on any surface.
//!
//! Slip is taken over the faster of ground and tread speed, so it stays bounded when a wheel spins
//! at standstill. It builds up over a relaxation length (P. Bernard, C. Clover, "Tire Modeling for
//! Low-Speed and High-Speed Calculations", SAE 950311; H. B. Pacejka, "Tire and Vehicle Dynamics",
//! 3rd ed., ch. 7; forms from memory). Along and across share one friction circle: the force lies
//! along the slip vector and its size is the magic formula of the vector's length. That is the
//! isotropic case; a real tyre is a little stiffer one way than the other.

use crate::surface::Contact;

/// Slip states of one wheel and what moves it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motion {
    /// Tread speed: wheel speed times rolling radius, m/s.
    pub tread_mps: f64,
    /// Ground speed along the wheel's plane, m/s.
    pub ground_mps: f64,
    /// Ground speed across the wheel's plane, to the left, m/s.
    pub across_mps: f64,
}

/// Relaxation of one tyre.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Relaxation {
    /// Along, m.
    pub long_m: f64,
    /// Across, m.
    pub lat_m: f64,
}

/// What a tyre does at one instant.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TyreRate {
    /// Rate of the longitudinal slip state, 1/s.
    pub long_per_s: f64,
    /// Rate of the lateral slip state, 1/s.
    pub lat_per_s: f64,
    /// Force on the car along the wheel's plane, N.
    pub long_n: f64,
    /// Force on the car across the wheel's plane, to the left, N.
    pub lat_n: f64,
}

/// Damping time of the contact's spring at standstill over the curve's slope at 0, s: a softer
/// surface damps longer, so that a braked car settles within a few swings on any. It stands for
/// carcass and ground, and fades as rolling takes over.
const STANDING_DAMPING_S: f64 = 1.1;
/// Speed over which that fades, m/s.
const STANDING_SPEED_MPS: f64 = 1.0;
/// Largest bounded slip that is still told apart: a practical slip of 3.
const SPIN: f64 = 0.75;

/// Rates and forces of a tyre with slip states `long` and `lat`.
#[must_use]
pub fn rate(
    long: f64,
    lat: f64,
    motion: Motion,
    relaxation: Relaxation,
    load_n: f64,
    contact: &Contact,
) -> TyreRate {
    let transport = motion.tread_mps.abs().max(motion.ground_mps.abs());
    let long_per_s =
        (motion.tread_mps - motion.ground_mps - transport * long) / relaxation.long_m;
    let lat_per_s = (-motion.across_mps - transport * lat) / relaxation.lat_m;

    let fade = transport / STANDING_SPEED_MPS;
    let damping_s = STANDING_DAMPING_S / contact.new.slope() / (1.0 + fade * fade);
    let x = long + damping_s * long_per_s;
    let y = lat + damping_s * lat_per_s;

    // The published sets are for slip over ground speed. A driving wheel's slip over tread speed s
    // is s / (1 - s) over ground speed; a braking wheel's is the same in both.
    let driving = (x * motion.tread_mps * 2.0).clamp(0.0, x.abs()) ;
    let to_ground = 1.0 / (1.0 - driving.min(SPIN));
    let length = (x * x + y * y).sqrt();
    if length < 1e-12 {
        return TyreRate { long_per_s, lat_per_s, long_n: 0.0, lat_n: 0.0 };
    }
    let per_slip = contact.force_ratio(length * to_ground) * load_n / length;
    TyreRate { long_per_s, lat_per_s, long_n: per_slip * x, lat_n: per_slip * y }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::surface::Surface;

    const RELAXATION: Relaxation = Relaxation { long_m: 0.35, lat_m: 0.55 };

    fn steady(tread: f64, ground: f64, across: f64) -> TyreRate {
        let transport = tread.abs().max(ground.abs());
        let motion = Motion { tread_mps: tread, ground_mps: ground, across_mps: across };
        let long = (tread - ground) / transport;
        let lat = -across / transport;
        rate(long, lat, motion, RELAXATION, 4000.0, &Contact::on(Surface::Dry))
    }

    #[test]
    fn steady_forces_are_the_published_curve_over_ground_slip() {
        let formula = Surface::Dry.magic_formula();
        for slip in [0.01, 0.05, 0.18, 0.5, 1.5] {
            let driven = steady(10.0 * (1.0 + slip), 10.0, 0.0);
            assert!((driven.long_n - 4000.0 * formula.force_ratio(slip)).abs() < 1e-6, "{slip}");
            assert!(driven.long_per_s.abs() < 1e-9);
            let braked = steady(10.0 * (1.0 - slip.min(1.0)), 10.0, 0.0);
            assert!((braked.long_n + 4000.0 * formula.force_ratio(slip.min(1.0))).abs() < 1e-6);
            // Reverse is the mirror image.
            let reversed = steady(-10.0 * (1.0 + slip), -10.0, 0.0);
            assert!((driven.long_n + reversed.long_n).abs() < 1e-9);
        }
    }

    #[test]
    fn force_stays_inside_the_friction_circle() {
        for tread in [0.0, 5.0, 9.0, 10.0, 11.0, 30.0] {
            for across in [-8.0, -1.0, 0.0, 0.5, 3.0] {
                let got = steady(tread, 10.0, across);
                let size = (got.long_n.powi(2) + got.lat_n.powi(2)).sqrt();
                assert!(size <= 4000.0 * 1.0001, "{tread} {across} {size}");
                assert!(got.lat_n * across <= 0.0);
            }
        }
    }

    #[test]
    fn a_standing_tyre_is_a_damped_spring() {
        let still = Motion { tread_mps: 0.0, ground_mps: 0.0, across_mps: 0.0 };
        let held = rate(0.001, 0.0, still, RELAXATION, 4000.0, &Contact::on(Surface::Dry));
        assert!(held.long_n > 0.0);
        assert_eq!(held.long_per_s, 0.0);
        let creeping = Motion { ground_mps: -0.01, ..still };
        let damped = rate(0.001, 0.0, creeping, RELAXATION, 4000.0, &Contact::on(Surface::Dry));
        assert!(damped.long_n > held.long_n);
    }
}
