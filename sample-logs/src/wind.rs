//! Wind along the car: gusts as a first-order noise process, the crudest that still has a size and a
//! duration.

use crate::random::Stream;

/// Time over which a gust dies, s. Common practice, no source: gusts near the ground last some
/// seconds.
const GUST_S: f64 = 2.0;

/// Headwind over the drive.
#[derive(Clone, Debug)]
pub struct Wind {
    deviation_mps: f64,
    speed_mps: f64,
    random: Stream,
}

impl Wind {
    /// Wind whose speed along the car has this standard deviation about none.
    #[must_use]
    pub fn new(deviation_mps: f64, random: Stream) -> Self {
        Self {
            deviation_mps,
            speed_mps: 0.0,
            random,
        }
    }

    /// Headwind after a step of time, m/s; negative from behind.
    pub fn tick(&mut self, step_s: f64) -> f64 {
        if self.deviation_mps > 0.0 {
            let kept = libm::exp(-step_s / GUST_S);
            let fresh = self.deviation_mps * (1.0 - kept * kept).sqrt();
            self.speed_mps = kept * self.speed_mps + fresh * self.random.normal();
        }
        self.speed_mps
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Purpose;

    /// The stationary deviation of the process, from its definition.
    #[test]
    fn gusts_have_their_deviation_and_calm_stays_calm() {
        let mut wind = Wind::new(3.0, Stream::new(4, 0, Purpose::Wind));
        let n = 200_000;
        let square: f64 = (0..n).map(|_| wind.tick(0.05).powi(2)).sum();
        assert!(((square / f64::from(n)).sqrt() - 3.0).abs() < 0.15);
        let mut calm = Wind::new(0.0, Stream::new(4, 0, Purpose::Wind));
        assert_eq!(calm.tick(0.05), 0.0);
    }
}
