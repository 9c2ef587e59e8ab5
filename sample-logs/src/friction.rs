//! Friction: the bristle element that stands for every clutch and brake, the lining's coefficient,
//! and the lining's effective radius.
//!
//! A bristle turns stick-slip into a smooth state: the torque is `capacity * z`, and sliding one
//! way presliding `z` comes to plus or minus the level of friction over the presliding angle. The
//! level is 1, or the coefficient at this speed over its reference. At rest `z` stands still and
//! the element is a spring, so that a held brake does not creep.
//! (P. R. Dahl, "A Solid Friction Model", Aerospace Corp. TOR-0158(3107-18)-1, 1968; C. Canudas de
//! Wit, H. Olsson, K. J. Åström, P. Lischinsky, IEEE Trans. Autom. Control 40 (1995) 419-425;
//! forms from memory.)

/// Geometry in time of a bristle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bristle {
    /// Angle over which presliding builds up, rad.
    pub presliding_rad: f64,
    /// Time that an asperity contact needs to form, s. It bounds the rate at high speed.
    pub film_time_s: f64,
    /// Damping time of presliding, s.
    pub damping_s: f64,
}

/// What a bristle does at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BristleRate {
    /// Rate of `z`, 1/s.
    pub z_per_s: f64,
    /// Torque over capacity.
    pub share: f64,
}

impl Bristle {
    /// Rate and torque share at presliding `z` and sliding speed `slip_rad_s`, on the way to
    /// `level`.
    #[must_use]
    pub fn rate(&self, z: f64, slip_rad_s: f64, level: f64) -> BristleRate {
        let speed = slip_rad_s.abs();
        let z_per_s =
            (slip_rad_s - speed * z / level) / (self.presliding_rad + speed * self.film_time_s);
        BristleRate {
            z_per_s,
            share: z + self.damping_s * z_per_s,
        }
    }
}

/// The coupling's pack: lining shear and splines give about a degree and a half.
pub const COUPLING_BRISTLE: Bristle = Bristle {
    presliding_rad: 0.028,
    film_time_s: 0.001,
    damping_s: 0.0004,
};
/// The launch clutch.
pub const CLUTCH_BRISTLE: Bristle = Bristle {
    presliding_rad: 0.03,
    film_time_s: 0.001,
    damping_s: 0.001,
};
/// A wheel brake.
pub const BRAKE_BRISTLE: Bristle = Bristle {
    presliding_rad: 0.02,
    film_time_s: 0.001,
    damping_s: 0.002,
};

/// Friction coefficient over sliding speed and temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coefficient {
    /// Sliding coefficient at 60 °C just above the static range.
    pub sliding: f64,
    /// Static over sliding coefficient.
    pub static_ratio: f64,
    /// Sliding speed over which the static part fades, m/s.
    pub fade_mps: f64,
    /// Relative rise with sliding speed, s/m.
    pub slope_s_per_m: f64,
    /// Relative loss with temperature, 1/K.
    pub loss_per_k: f64,
}

impl Coefficient {
    /// The sliding coefficient at a temperature, without the parts that depend on speed.
    #[must_use]
    pub fn reference(&self, temperature_c: f64) -> f64 {
        self.sliding * (1.0 - self.loss_per_k * (temperature_c - 60.0)).max(0.3)
    }

    /// The coefficient over its reference at a sliding speed of 0 or more: a Stribeck form with a
    /// linear rise. (Shape: R. Stribeck 1902, as used for paper linings in wet-clutch texts; from
    /// memory.) With a static ratio above 1 it falls with speed, which is what makes a pack
    /// shudder: SAE J3210 fails a fluid whose slope is negative.
    #[must_use]
    pub fn level(&self, sliding_mps: f64) -> f64 {
        let fade = libm::exp(-sliding_mps / self.fade_mps);
        1.0 + (self.static_ratio - 1.0) * fade + self.slope_s_per_m * sliding_mps
    }

    /// The coefficient at a sliding speed and a temperature.
    #[must_use]
    pub fn at(&self, sliding_mps: f64, temperature_c: f64) -> f64 {
        self.reference(temperature_c) * self.level(sliding_mps)
    }
}

/// Effective radius of an annular lining under uniform pressure, m:
/// `2/3 (ro³ - ri³) / (ro² - ri²)`.
#[must_use]
pub fn effective_radius_m(outer_m: f64, inner_m: f64) -> f64 {
    // Written out: the standard library's power functions may differ from machine to machine.
    let (outer2, inner2) = (outer_m * outer_m, inner_m * inner_m);
    2.0 / 3.0 * (outer2 * outer_m - inner2 * inner_m) / (outer2 - inner2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::integrator;

    /// SAE J3210's standard pack: outer diameter 0.14615 m, inner 0.12055 m, radius 0.06688 m as
    /// published (tnlab.org, page on SAE J3210).
    #[test]
    fn effective_radius_of_the_published_standard_pack() {
        let radius = effective_radius_m(0.14615 / 2.0, 0.12055 / 2.0);
        assert!((radius - 0.06688).abs() < 5e-6, "{radius}");
    }

    /// The torque of that pack by the uniform-pressure worked example of a single plate: Shigley,
    /// "Mechanical Engineering Design", ch. 16 problem, D 250 mm, d 175 mm, mu 0.30, 4 kN, one
    /// face: 128.8 N·m (statement from memory, number computed).
    #[test]
    fn torque_of_a_published_plate_clutch() {
        let torque = 0.30 * 4000.0 * effective_radius_m(0.125, 0.0875);
        assert!((torque - 128.8235).abs() < 5e-5, "{torque}");
    }

    #[derive(Clone, Copy, Debug)]
    struct Locked {
        time_s: f64,
        heat_j: f64,
        end_rad_s: f64,
    }

    /// Two inertias joined by the coupling's bristle with constant capacity, at the simulator's
    /// own step, until their speeds first meet.
    fn join(inertia: [f64; 2], speed: [f64; 2], capacity_nm: f64) -> Locked {
        let step_s = crate::drive::STEP_S;
        // first speed, second speed, presliding, heat
        let rates = |y: &[f64; 4]| {
            let slip = y[0] - y[1];
            let bristle = COUPLING_BRISTLE.rate(y[2], slip, 1.0);
            let torque = capacity_nm * bristle.share;
            [
                -torque / inertia[0],
                torque / inertia[1],
                bristle.z_per_s,
                torque * slip,
            ]
        };
        let mut y = [speed[0], speed[1], 0.0, 0.0];
        for k in 0..100_000_000_u32 {
            let next = integrator::step(&y, &rates(&y), step_s, rates);
            if next[0] <= next[1] {
                let before = y[0] - y[1];
                let share = before / (before - (next[0] - next[1]));
                return Locked {
                    time_s: (f64::from(k) + share) * step_s,
                    heat_j: y[3] + share * (next[3] - y[3]),
                    end_rad_s: y[0] + share * (next[0] - y[0]),
                };
            }
            y = next;
        }
        panic!("never locked");
    }

    /// Closed form (exergic.in, 30 May 2017; any text on clutches): common speed
    /// `(I1 w1 + I2 w2)/(I1 + I2)`, time `I1 I2 (w1 - w2)/((I1 + I2) T)`, heat
    /// `I1 I2 (w1 - w2)²/(2 (I1 + I2))`. The first case is the text-book one with
    /// 800·0.26² and 1350·0.225² kg m² at 1250 and 600 rpm: 92.90044 rad/s and 69 939.70 J
    /// (assignmentexpert.com question-150068 prints 69 947.66 J through an arithmetic slip).
    #[test]
    fn two_inertias_lock_in_the_time_and_heat_of_the_closed_form() {
        let rpm = std::f64::consts::TAU / 60.0;
        let check = |inertia: [f64; 2], speed: [f64; 2], capacity: f64, tolerance: f64| {
            let sum = inertia[0] + inertia[1];
            let reduced = inertia[0] * inertia[1] / sum;
            let difference = speed[0] - speed[1];
            let got = join(inertia, speed, capacity);
            let near = |a: f64, b: f64| (a / b - 1.0).abs() < tolerance;
            let common = (inertia[0] * speed[0] + inertia[1] * speed[1]) / sum;
            assert!(near(got.end_rad_s, common), "{got:?}");
            assert!(near(got.time_s, reduced * difference / capacity), "{got:?}");
            assert!(
                near(got.heat_j, 0.5 * reduced * difference * difference),
                "{got:?}"
            );
            got
        };
        let text_book = check([54.08, 68.343_75], [1250.0 * rpm, 600.0 * rpm], 900.0, 1e-3);
        assert!(
            (text_book.end_rad_s - 92.900_44).abs() < 1e-3,
            "{text_book:?}"
        );
        assert!(
            (text_book.heat_j / 69_939.70 - 1.0).abs() < 1e-3,
            "{text_book:?}"
        );
        let at_rest = check([54.08, 68.343_75], [1250.0 * rpm, 0.0], 900.0, 1e-3);
        assert!(
            (at_rest.heat_j / 258_652.735 - 1.0).abs() < 1e-3,
            "{at_rest:?}"
        );
    }

    #[test]
    fn a_held_brake_is_a_spring_and_does_not_creep() {
        // Constant load below capacity on an inertia: it swings in and then stands.
        let rates = |y: &[f64; 4]| {
            let bristle = BRAKE_BRISTLE.rate(y[1], y[0], 1.0);
            [
                (300.0 - 1000.0 * bristle.share) / 1.15,
                bristle.z_per_s,
                y[0],
                0.0,
            ]
        };
        let mut y = [0.0; 4];
        let mut run = |seconds: u32| {
            for _ in 0..seconds * 2000 {
                y = integrator::step(&y, &rates(&y), 5e-4, rates);
            }
            y
        };
        let settled = run(10);
        let later = run(60);
        assert!(
            (later[2] - settled[2]).abs() < 1e-9,
            "{settled:?} {later:?}"
        );
    }

    #[test]
    fn coefficient_rises_with_speed_for_a_good_fluid_and_falls_for_a_wrong_one() {
        let good = Coefficient {
            sliding: 0.125,
            static_ratio: 0.94,
            fade_mps: 0.12,
            slope_s_per_m: 0.002,
            loss_per_k: 0.0007,
        };
        assert!(good.at(0.0, 60.0) < good.at(0.1, 60.0));
        assert!((good.at(0.0, 60.0) - 0.125 * 0.94).abs() < 1e-12);
        let wrong = Coefficient {
            static_ratio: 1.5,
            ..good
        };
        assert!(wrong.at(0.0, 60.0) > wrong.at(0.1, 60.0));
        assert!(good.at(1.0, 100.0) < good.at(1.0, 20.0));
    }
}
