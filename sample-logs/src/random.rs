//! Random numbers: one independent stream a purpose, the same on every machine.
//!
//! The generator is PCG XSL RR 128/64 (M. E. O'Neill, "PCG: A Family of Simple Fast
//! Space-Efficient Statistically Good Algorithms for Random Number Generation", HMC-CS-2014-0905).
//! Normal deviates are made with `libm`, whose results do not depend on the platform.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;

/// What a stream is for. Each purpose has its own stream, so that drawing one number more in one
/// place moves nothing elsewhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// The car as built: tyre radii, tooth rings, sensor offsets.
    Car,
    /// What the drive's programme draws: throttles, pauses, surfaces.
    Programme,
    /// Fluid, faults and the road during the drive.
    Plant,
    /// Sensor noise.
    Sensors,
    /// A layout that is drawn: identifiers, fields, scales.
    Layout,
    /// A car that is drawn: its masses, ratios, coupling.
    Build,
    /// A satellite receiver that a passenger brings along.
    Receiver,
    /// Wind along the car.
    Wind,
    /// Frame timing, losses and filler contents of one bus, by its index.
    Bus(u16),
}

impl Purpose {
    fn number(self) -> u128 {
        match self {
            Self::Car => 1,
            Self::Programme => 2,
            Self::Plant => 3,
            Self::Sensors => 4,
            Self::Layout => 5,
            Self::Build => 6,
            Self::Receiver => 7,
            Self::Wind => 8,
            Self::Bus(index) => 0x100 + u128::from(index),
        }
    }
}

/// One stream of random numbers.
#[derive(Clone, Debug)]
pub struct Stream {
    generator: Pcg64,
    spare_normal: Option<f64>,
}

impl Stream {
    /// The stream of a purpose in a drive; drives are counted from 0. Streams of the car itself use
    /// drive 65535, which no scenario has, so that every drive meets the same car; its sensors' use 0.
    #[must_use]
    pub fn new(seed: u64, drive: usize, purpose: Purpose) -> Self {
        let stream = (drive as u128) << 32 | purpose.number();
        // The multiplier spreads small seeds over the state: the first outputs of neighbouring
        // seeds would otherwise resemble each other.
        let state = u128::from(seed).wrapping_mul(0x9E37_79B9_7F4A_7C15_F39C_C060_5CED_C835);
        Self {
            generator: Pcg64::new(state, stream),
            spare_normal: None,
        }
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.generator.next_u64()
    }

    /// Uniform in [0, 1), with 53 bits.
    pub fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }

    /// Uniform in [low, high).
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Normal with mean 0 and standard deviation 1 (Box and Muller, "A Note on the Generation of
    /// Random Normal Deviates", Ann. Math. Statist. 29 (1958) 610-611).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare_normal.take() {
            return spare;
        }
        // 1 - u lies in (0, 1], where the logarithm is finite.
        let radius = (-2.0 * libm::log(1.0 - self.uniform())).sqrt();
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * self.uniform());
        self.spare_normal = Some(radius * sin);
        radius * cos
    }

    /// Uniform among 0 to `count` - 1; 0 if there is none.
    pub fn below(&mut self, count: usize) -> usize {
        ((self.uniform() * count as f64) as usize).min(count.saturating_sub(1))
    }

    /// One of a list, each as likely as the others.
    pub fn pick<T: Copy, const N: usize>(&mut self, list: &[T; N]) -> T {
        const { assert!(N > 0) };
        list[self.below(N)]
    }

    /// Puts a list into a random order (Fisher and Yates; R. Durstenfeld, Algorithm 235, CACM 7
    /// (1964) 420).
    pub fn shuffle<T>(&mut self, list: &mut [T]) {
        for last in (1..list.len()).rev() {
            list.swap(last, self.below(last + 1));
        }
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_deviates_have_the_moments_of_the_normal_law() {
        let mut stream = Stream::new(5, 0, Purpose::Sensors);
        let n = 200_000;
        let draws: Vec<f64> = (0..n).map(|_| stream.normal()).collect();
        let moment = |k: i32| draws.iter().map(|x| x.powi(k)).sum::<f64>() / f64::from(n);
        // Standard errors of the moments at this n: 0.0022, 0.0032, 0.0087, 0.022.
        assert!(moment(1).abs() < 0.01, "{}", moment(1));
        assert!((moment(2) - 1.0).abs() < 0.015, "{}", moment(2));
        assert!(moment(3).abs() < 0.04, "{}", moment(3));
        assert!((moment(4) - 3.0).abs() < 0.1, "{}", moment(4));
    }

    #[test]
    fn streams_differ_by_seed_drive_and_purpose_and_repeat() {
        let first = |seed, drive, purpose| Stream::new(seed, drive, purpose).bits();
        let base = first(1, 0, Purpose::Plant);
        assert_eq!(base, first(1, 0, Purpose::Plant));
        assert_ne!(base, first(2, 0, Purpose::Plant));
        assert_ne!(base, first(1, 1, Purpose::Plant));
        assert_ne!(base, first(1, 0, Purpose::Sensors));
        assert_ne!(first(1, 0, Purpose::Bus(0)), first(1, 0, Purpose::Bus(1)));
    }
}
