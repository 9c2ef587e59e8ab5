//! What a series does from one value to the next: the distance of each value from the line
//! through its two neighbours. A slow course leaves no distance, so what is left is noise, or what
//! changes as fast as noise (Gasser, Sroka & Jennen-Steinmetz, "Residual variance and residual
//! pattern in nonlinear regression", Biometrika 73 (1986) 625-633).

/// The distances of a series with values at `x`: one row a value that has two neighbours.
pub(crate) struct Neighbours {
    /// Weights of three values in a row. Their squares add to 1, so independent noise keeps its
    /// variance.
    rows: Vec<[f64; 3]>,
}

impl Neighbours {
    /// For values at `x`, which must not descend.
    pub(crate) fn at(x: &[f64]) -> Self {
        let row = |x: &[f64]| {
            let [x0, x1, x2] = *x else { return [0.0; 3] };
            let span = x2 - x0;
            let right = if span > 0.0 { (x1 - x0) / span } else { 0.5 };
            let row = [right - 1.0, 1.0, -right];
            let size = row.iter().map(|w| w * w).sum::<f64>().sqrt();
            row.map(|w| w / size)
        };
        Self {
            rows: x.windows(3).map(row).collect(),
        }
    }

    /// Distances of the values of `y` that have two neighbours.
    pub(crate) fn distances(&self, y: &[f64]) -> Vec<f64> {
        let dot = |(row, y): (&[f64; 3], &[f64])| row.iter().zip(y).map(|(w, y)| w * y).sum();
        self.rows.iter().zip(y.windows(3)).map(dot).collect()
    }

    /// Standard deviation of the sum of the distances, each times its weight, for independent
    /// noise of standard deviation 1: neighbouring distances share values.
    pub(crate) fn sd_of_sum(&self, weights: &[f64]) -> f64 {
        let mut of_value = vec![0.0; self.rows.len() + 2];
        for (i, (row, weight)) in self.rows.iter().zip(weights).enumerate() {
            for (sum, w) in of_value[i..].iter_mut().zip(row) {
                *sum += w * weight;
            }
        }
        of_value.iter().map(|w| w * w).sum::<f64>().sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::spread::sd;
    use crate::trial::Random;

    #[test]
    fn a_line_leaves_nothing_and_noise_stays_as_large() {
        let mut random = Random::new(1);
        let mut at = 0.0;
        let x: Vec<f64> = (0..4000)
            .map(|_| {
                at += random.between(0.2, 2.0);
                at
            })
            .collect();
        let neighbours = Neighbours::at(&x);
        let line: Vec<f64> = x.iter().map(|x| 7.0 - 0.3 * x).collect();
        assert!(neighbours.distances(&line).iter().all(|d| d.abs() < 1e-9));
        let noise: Vec<f64> = x.iter().map(|_| 3.0 * random.normal()).collect();
        let left = sd(&neighbours.distances(&noise)).unwrap();
        assert!((left / 3.0 - 1.0).abs() < 0.05, "{left}");
        // Values at one place count as equally far.
        assert_eq!(Neighbours::at(&[1.0; 3]).distances(&[2.0; 3]), [0.0]);
    }

    #[test]
    fn the_sum_of_distances_spreads_as_said() {
        let mut random = Random::new(2);
        let x: Vec<f64> = (0..9).map(|i| f64::from(i * i)).collect();
        let weights: Vec<f64> = (0..7).map(|_| random.normal()).collect();
        let neighbours = Neighbours::at(&x);
        let sums: Vec<f64> = (0..4000)
            .map(|_| {
                let y: Vec<f64> = x.iter().map(|_| random.normal()).collect();
                let distances = neighbours.distances(&y);
                distances.iter().zip(&weights).map(|(d, w)| d * w).sum()
            })
            .collect();
        let said = neighbours.sd_of_sum(&weights);
        assert!((sd(&sums).unwrap() / said - 1.0).abs() < 0.05, "{said}");
    }
}
