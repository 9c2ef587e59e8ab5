//! The body in the plane: motion of each wheel's contact, wheel loads, and the accelerations that
//! the tyre forces make. Axes follow ISO 8855: x forward, y left, yaw counter-clockwise.

use crate::car::BodyParameters;

/// Standard acceleration of free fall, m/s².
pub const GRAVITY_MPS2: f64 = 9.806_65;
/// Density of air at 15 °C and sea level, kg/m³ (ISO 2533 standard atmosphere).
const AIR_DENSITY_KG_M3: f64 = 1.225;
/// A wheel never weighs less than this in the model, N; a lifted wheel is outside its range.
const LEAST_LOAD_N: f64 = 50.0;

/// Where the wheels stand from the centre of gravity, m: x forward, y left.
#[must_use]
pub fn wheel_places_m(p: &BodyParameters) -> [[f64; 2]; 4] {
    let a = p.front_to_centre_m;
    let b = p.wheelbase_m - a;
    let (front, rear) = (0.5 * p.track_front_m, 0.5 * p.track_rear_m);
    [[a, front], [a, -front], [-b, rear], [-b, -rear]]
}

/// Loads of the four wheels, N, at these lagged accelerations (W. F. Milliken, D. L. Milliken,
/// "Race Car Vehicle Dynamics", SAE 1995, ch. 18; steady transfer, from memory).
#[must_use]
pub fn wheel_loads_n(p: &BodyParameters, pitch_mps2: f64, roll_mps2: f64) -> [f64; 4] {
    let b = p.wheelbase_m - p.front_to_centre_m;
    let front = 0.5 * p.mass_kg * GRAVITY_MPS2 * b / p.wheelbase_m;
    let rear = 0.5 * p.mass_kg * GRAVITY_MPS2 * p.front_to_centre_m / p.wheelbase_m;
    let pitch = 0.5 * p.mass_kg * pitch_mps2 * p.centre_height_m / p.wheelbase_m;
    let roll = p.mass_kg * roll_mps2 * p.centre_height_m;
    let roll_front = roll * p.roll_share_front / p.track_front_m;
    let roll_rear = roll * (1.0 - p.roll_share_front) / p.track_rear_m;
    [
        front - pitch - roll_front,
        front - pitch + roll_front,
        rear + pitch - roll_rear,
        rear + pitch + roll_rear,
    ]
    .map(|load| load.max(LEAST_LOAD_N))
}

/// Air drag, N, against a forward speed: half density times drag area times speed squared, the
/// definition of the drag coefficient.
#[must_use]
pub fn air_drag_n(p: &BodyParameters, forward_mps: f64) -> f64 {
    0.5 * AIR_DENSITY_KG_M3 * p.drag_area_m2 * forward_mps * forward_mps.abs()
}

/// Road wheel angles of the two front wheels at a steering wheel angle, rad: both point at right
/// angles to the same centre on the rear axle's line (Ackermann).
#[must_use]
pub fn road_wheel_angles_rad(p: &BodyParameters, steering_wheel_rad: f64) -> [f64; 2] {
    let middle = libm::tan((steering_wheel_rad / p.steering_ratio).clamp(-0.7, 0.7));
    let half = 0.5 * p.track_front_m / p.wheelbase_m;
    [
        libm::atan(middle / (1.0 - half * middle)),
        libm::atan(middle / (1.0 + half * middle)),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loads_sum_to_the_weight_and_shift_the_right_way() {
        let p = BodyParameters::default();
        let still = wheel_loads_n(&p, 0.0, 0.0);
        let weight = p.mass_kg * GRAVITY_MPS2;
        assert!((still.iter().sum::<f64>() - weight).abs() < 1e-6);
        let moving = wheel_loads_n(&p, 3.0, 4.0);
        assert!((moving.iter().sum::<f64>() - weight).abs() < 1e-6);
        // Accelerating loads the rear; turning left (acceleration to the left) loads the right.
        assert!(moving[2] + moving[3] > still[2] + still[3]);
        assert!(moving[1] + moving[3] > still[1] + still[3]);
    }

    /// Wheel speeds about a centre on the rear axle's line, computed independently (Python) from
    /// the geometry for wheelbase 2.70 m, track 1.55 m: radius 10 m gives FL, FR 0.96120 and
    /// 1.11081 of the rear centre's speed in a left turn; radius 20 m 0.97068 and 1.04749.
    #[test]
    fn both_front_wheels_point_at_the_same_centre() {
        let p = BodyParameters::default();
        for (radius, left, right) in [(10.0, 0.96120, 1.11081), (20.0, 0.97068, 1.04749)] {
            let wheel = libm::atan(p.wheelbase_m / radius) * p.steering_ratio;
            let angles = road_wheel_angles_rad(&p, wheel);
            let speed = |angle: f64, y: f64| {
                let along = (1.0 - y / radius) * libm::cos(angle);
                along + p.wheelbase_m / radius * libm::sin(angle)
            };
            let half = 0.5 * p.track_front_m;
            assert!((speed(angles[0], half) - left).abs() < 1e-5);
            assert!((speed(angles[1], -half) - right).abs() < 1e-5);
        }
    }
}
