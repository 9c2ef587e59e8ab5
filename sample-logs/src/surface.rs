//! Surfaces: how a tyre grips each of them, and which one lies under which wheel.

use serde::Deserialize;

/// A road surface.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Surface {
    /// Dry asphalt.
    #[default]
    Dry,
    /// Wet asphalt.
    Wet,
    /// Loose gravel.
    Gravel,
    /// Packed snow.
    Snow,
    /// Ice.
    Ice,
}

/// Factors of the magic formula `y = D sin(C atan(B x - E (B x - atan(B x))))` (E. Bakker,
/// L. Nyborg, H. B. Pacejka, "Tyre Modelling for Use in Vehicle Dynamics Studies", SAE 870421),
/// with `y` the force over the wheel load and `x` the slip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MagicFormula {
    /// Stiffness factor B.
    pub b: f64,
    /// Shape factor C.
    pub c: f64,
    /// Peak factor D.
    pub d: f64,
    /// Curvature factor E.
    pub e: f64,
}

impl MagicFormula {
    /// Force over wheel load at a slip of 0 or more.
    #[must_use]
    pub fn force_ratio(&self, slip: f64) -> f64 {
        let bx = self.b * slip;
        self.d * libm::sin(self.c * libm::atan(bx - self.e * (bx - libm::atan(bx))))
    }

    /// Slope of the force ratio at slip 0: B C D.
    #[must_use]
    pub fn slope(&self) -> f64 {
        self.b * self.c * self.d
    }
}

impl Surface {
    /// Every surface, from the grippiest on.
    pub const ALL: &[Self] = &[Self::Dry, Self::Wet, Self::Gravel, Self::Snow, Self::Ice];

    /// As written in scenario files.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Dry => "dry",
            Self::Wet => "wet",
            Self::Gravel => "gravel",
            Self::Snow => "snow",
            Self::Ice => "ice",
        }
    }

    /// The factors of this surface. Dry, wet, snow and ice are the set that tyre-road interaction
    /// tables of general simulation tools print (from memory). Gravel is our own guess between
    /// wet and snow: a soft slope and a flat top without a falling end.
    #[must_use]
    pub fn magic_formula(self) -> MagicFormula {
        let (b, c, d, e) = match self {
            Self::Dry => (10.0, 1.9, 1.0, 0.97),
            Self::Wet => (12.0, 2.3, 0.82, 1.0),
            Self::Gravel => (7.0, 1.6, 0.60, 0.6),
            Self::Snow => (5.0, 2.0, 0.3, 1.0),
            Self::Ice => (4.0, 2.0, 0.1, 1.0),
        };
        MagicFormula { b, c, d, e }
    }
}

/// What lies under the two sides of the car from a distance on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Start, m from where the manoeuvre starts.
    pub from_m: f64,
    /// Under the left wheels.
    pub left: Surface,
    /// Under the right wheels.
    pub right: Surface,
}

/// The surface under one wheel. Where a contact patch lies across a border it rests on both.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Contact {
    /// Surface ahead in time: the one being rolled onto.
    pub new: MagicFormula,
    /// Surface being left.
    pub old: MagicFormula,
    /// Share of the patch on `new`, 0 to 1.
    pub share: f64,
}

impl Contact {
    /// A patch wholly on one surface.
    #[must_use]
    pub fn on(surface: Surface) -> Self {
        let formula = surface.magic_formula();
        Self {
            new: formula,
            old: formula,
            share: 1.0,
        }
    }

    /// Force over wheel load.
    #[must_use]
    pub fn force_ratio(&self, slip: f64) -> f64 {
        if self.share >= 1.0 {
            return self.new.force_ratio(slip);
        }
        self.share * self.new.force_ratio(slip) + (1.0 - self.share) * self.old.force_ratio(slip)
    }
}

/// Length of a passenger-car tyre's contact patch, m (from memory: 0.1 to 0.15).
pub const CONTACT_LENGTH_M: f64 = 0.12;

/// The surfaces of the left and right side at `at_m` along the manoeuvre; dry without a road.
#[must_use]
pub fn at(road: &[Stretch], at_m: f64) -> [Surface; 2] {
    let last = road.iter().rfind(|stretch| stretch.from_m <= at_m);
    last.or(road.first())
        .map_or([Surface::Dry; 2], |stretch| [stretch.left, stretch.right])
}

/// The surface under a wheel that stands at `at_m` along the manoeuvre.
#[must_use]
pub fn under(road: &[Stretch], at_m: f64, left: bool) -> Contact {
    let side = |stretch: &Stretch| if left { stretch.left } else { stretch.right };
    let last = road
        .iter()
        .rposition(|stretch| stretch.from_m <= at_m)
        .unwrap_or(0);
    let Some(stretch) = road.get(last) else {
        return Contact::on(Surface::Dry);
    };
    let new = side(stretch).magic_formula();
    let share = ((at_m - stretch.from_m) / CONTACT_LENGTH_M).clamp(0.0, 1.0);
    match last.checked_sub(1).and_then(|before| road.get(before)) {
        Some(before) => Contact {
            new,
            old: side(before).magic_formula(),
            share,
        },
        None => Contact {
            new,
            old: new,
            share: 1.0,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed independently (Python, numpy) from the printed factors.
    #[test]
    fn curves_follow_the_printed_sets() {
        let check = |surface: Surface, slip: [f64; 5], slope: f64, force: [f64; 5]| {
            let formula = surface.magic_formula();
            assert!(
                (formula.slope() - slope).abs() < 0.005,
                "{surface:?} {}",
                formula.slope()
            );
            for (s, f) in slip.into_iter().zip(force) {
                let got = formula.force_ratio(s);
                assert!((got - f).abs() < 6e-6, "{surface:?} at {s}: {got}");
            }
        };
        let slip = [0.01, 0.05, 0.1, 0.2, 1.0];
        check(
            Surface::Dry,
            slip,
            19.0,
            [0.18765, 0.73562, 0.95584, 0.99918, 0.91452],
        );
        check(
            Surface::Wet,
            slip,
            22.63,
            [0.22140, 0.74493, 0.81712, 0.74831, 0.63717],
        );
        check(
            Surface::Snow,
            slip,
            3.0,
            [0.02990, 0.13867, 0.22897, 0.29145, 0.28551],
        );
        check(
            Surface::Ice,
            slip,
            0.8,
            [0.00798, 0.03800, 0.06648, 0.09273, 0.09615],
        );
    }

    /// Peaks of the same sets: dry 1.000 at a slip of 0.180. With E = 1 the peak has a closed form,
    /// `D` at `tan(tan(pi / 2C)) / B`: wet 0.82 at 0.088, snow 0.3 at 0.3115, ice 0.1 at 0.3894.
    #[test]
    fn peaks_lie_where_the_printed_sets_have_them() {
        let check = |surface: Surface, at: f64, peak: f64| {
            let formula = surface.magic_formula();
            let best = (1..10_000)
                .map(|i| f64::from(i) * 1e-4)
                .max_by(|a, b| formula.force_ratio(*a).total_cmp(&formula.force_ratio(*b)))
                .unwrap();
            assert!((best - at).abs() < 6e-4, "{surface:?} {best}");
            assert!((formula.force_ratio(best) - peak).abs() < 1e-4);
        };
        check(Surface::Dry, 0.180, 1.0);
        check(Surface::Wet, 0.088, 0.82);
        check(Surface::Snow, 0.3115, 0.3);
        check(Surface::Ice, 0.3894, 0.1);
    }

    #[test]
    fn a_patch_across_a_border_rests_on_both() {
        let road = [
            Stretch {
                from_m: 0.0,
                left: Surface::Dry,
                right: Surface::Dry,
            },
            Stretch {
                from_m: 5.0,
                left: Surface::Ice,
                right: Surface::Dry,
            },
        ];
        assert_eq!(under(&road, 4.9, true), Contact::on(Surface::Dry));
        let across = under(&road, 5.0 + CONTACT_LENGTH_M / 2.0, true);
        assert!((across.share - 0.5).abs() < 1e-9);
        assert_eq!(across.old, Surface::Dry.magic_formula());
        assert_eq!(
            under(&road, 6.0, false).force_ratio(0.1),
            Contact::on(Surface::Dry).force_ratio(0.1)
        );
    }
}
