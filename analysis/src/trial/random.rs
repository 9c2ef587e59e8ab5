//! Repeatable noise and jittered stamps, for this crate's tests and for its examples, which take the file
//! by its path.

/// Repeatable random numbers: SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, Fast splittable
/// pseudorandom number generators, OOPSLA 2014).
pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Uniform in 0..1.
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform in a range.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Standard normal (Box-Muller).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Stamps with a period and jitter, s, strictly rising.
pub(crate) fn stamps(
    random: &mut Random,
    from_s: f64,
    to_s: f64,
    period_s: f64,
    jitter: f64,
) -> Vec<f64> {
    let offset = random.uniform() * period_s;
    let mut t = Vec::new();
    let mut k = 0.0;
    loop {
        let at = from_s + offset + k * period_s + random.between(-jitter, jitter) * period_s;
        if at >= to_s {
            return t;
        }
        t.push(at);
        k += 1.0;
    }
}
