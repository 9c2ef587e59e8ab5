//! What of a course may be the doing of conditions, or of the season, and not of the coupling.

use super::course::Point;
use super::effect::Effect;
use crate::comparison::condition::Condition;
use crate::statistics::quantile::median;
use crate::statistics::student_t::normal_critical;

/// How far the season moves a measure from its mean of the year to either end, as a share of its
/// level: a standard deviation, where the fluid's temperature is not known. Cold fluid is slower by
/// a third to a half of a per cent a kelvin, and a year swings by 10 to 15 K either way. Common
/// practice, no source.
const SEASON_SHARE: f64 = 0.05;
/// A year, ns, and how long after its beginning it is coldest (in the south: warmest).
const YEAR_NS: f64 = 12.0 * super::NS_PER_MONTH;
const COLDEST_NS: f64 = 24.0 * 86_400e9;

/// What may move a measure beside the coupling itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cause {
    /// A condition that is measured.
    Condition(Condition),
    /// The time of the year, where no fluid temperature is known.
    Season,
}

/// What may move a measure, beside its course.
pub(super) struct Followed {
    pub(super) cause: Cause,
    pub(super) u_slope: f64,
    /// How far each point's drive is from the median, nought where that is not known.
    pub(super) away: Vec<f64>,
}

/// How much of a difference may be a condition's doing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Doubt {
    /// Standard uncertainty of the difference, over all conditions.
    pub(super) u: f64,
    /// What adds most to it, and its own difference.
    pub(super) most: Option<(Cause, f64)>,
    /// The part that is the season's.
    of_season: f64,
}

impl Doubt {
    /// Of what is a difference between points, each condition's own by `difference`.
    pub(super) fn of(followed: &[Followed], difference: impl Fn(&[f64]) -> f64) -> Self {
        let mut doubt = Self {
            u: 0.0,
            most: None,
            of_season: 0.0,
        };
        let mut most = 0.0;
        for followed in followed {
            let differs = difference(&followed.away);
            let part = (followed.u_slope * differs).abs();
            doubt.u = doubt.u.hypot(part);
            if part > most {
                most = part;
                doubt.most = Some((followed.cause, differs));
            }
            if followed.cause == Cause::Season {
                doubt.of_season = part;
            }
        }
        doubt
    }

    /// How far the difference may be off at the confidence of every interval here.
    pub(super) fn reach(&self) -> f64 {
        normal_critical(1.0 - super::CONFIDENCE) * self.u
    }

    /// The same but for the season.
    pub(super) fn without_season(self) -> Self {
        let rest = self.u.powi(2) - self.of_season.powi(2);
        Self {
            u: rest.max(0.0).sqrt(),
            ..self
        }
    }

    /// An interval around a value, with what is in doubt added: independent errors add by their
    /// squares.
    pub(super) fn widened(&self, value: f64, (low, high): (f64, f64)) -> (f64, f64) {
        let reach = self.reach();
        (
            value - (value - low).hypot(reach),
            value + (high - value).hypot(reach),
        )
    }
}

impl From<&Effect> for Followed {
    fn from(effect: &Effect) -> Self {
        Self {
            cause: Cause::Condition(effect.condition),
            u_slope: effect.u_slope,
            away: Vec::new(),
        }
    }
}

impl Followed {
    /// The season, beside points whose fluid temperature is not known.
    pub(super) fn season(points: &[Point]) -> Self {
        let values: Vec<f64> = points.iter().map(|p| p.value).collect();
        let level = median(&values).unwrap_or(0.0);
        let of_year = |p: &Point| (p.t_ns as f64 - COLDEST_NS) / YEAR_NS;
        Self {
            cause: Cause::Season,
            u_slope: SEASON_SHARE * level.abs(),
            away: (points.iter())
                .map(|p| (std::f64::consts::TAU * of_year(p)).cos())
                .collect(),
        }
    }
}
