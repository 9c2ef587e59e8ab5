//! Pressure of a pack that a controller fills and then drives to what it asks for, without noise, in
//! steps of a tenth of a millisecond.

/// Clearance is full after this long, s.
const FILL_S: f64 = 0.1;

/// Pressure rises and falls at most so fast, bar/s.
const RATE_BAR_PER_S: f64 = 200.0;

/// Close to its target it follows with this lag, s.
const LAG_S: f64 = 0.01;

const STEP_S: f64 = 1e-4;

pub(crate) struct Servo {
    from_s: f64,
    bar: Vec<f64>,
}

impl Servo {
    /// The answer to a demand over a time.
    pub(crate) fn of(demand_bar: impl Fn(f64) -> f64, (from_s, to_s): (f64, f64)) -> Self {
        let (mut filled_s, mut p) = (0.0, 0.0_f64);
        let mut bar = Vec::new();
        for k in 0..((to_s - from_s) / STEP_S) as usize {
            let wanted = demand_bar(from_s + k as f64 * STEP_S);
            if wanted > 0.0 && filled_s < FILL_S {
                filled_s += STEP_S;
            } else {
                p += ((wanted - p) / LAG_S).clamp(-RATE_BAR_PER_S, RATE_BAR_PER_S) * STEP_S;
            }
            if wanted <= 0.0 && p < 0.1 {
                filled_s = 0.0;
            }
            bar.push(p);
        }
        Self { from_s, bar }
    }

    fn index(&self, t_s: f64) -> usize {
        let k = ((t_s - self.from_s) / STEP_S).max(0.0) as usize;
        k.min(self.bar.len() - 1)
    }

    pub(crate) fn at(&self, t_s: f64) -> f64 {
        self.bar[self.index(t_s)]
    }

    /// When it first comes to a pressure after a time, s.
    pub(crate) fn reaches_s(&self, bar: f64, after_s: f64) -> Option<f64> {
        let from = self.index(after_s);
        let k = self.bar[from..].iter().position(|p| *p >= bar)?;
        Some(self.from_s + (from + k) as f64 * STEP_S)
    }
}
