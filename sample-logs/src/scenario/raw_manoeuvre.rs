//! Manoeuvres and roads of the scenario file as typed, and their checks.

use serde::Deserialize;
use slipwright_decoders::toml_error::TomlError;
use toml::Spanned;

use super::check::{Check, Number};
use crate::manoeuvre::{Kind, Manoeuvre};
use crate::surface::{Stretch, Surface};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawStretch {
    pub(super) from_m: Spanned<f64>,
    surface: Option<Surface>,
    left: Option<Surface>,
    right: Option<Surface>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawManoeuvre {
    kind: Kind,
    pub(super) repeat: Option<Spanned<u32>>,
    throttle_percent: Number,
    rise_s: Number,
    seconds: Number,
    rest_s: Number,
    from_kmh: Number,
    to_kmh: Number,
    steering_deg: Number,
    grade_percent: Number,
    decel_mps2: Number,
    in_gear: Option<Spanned<bool>>,
    surface: Option<Surface>,
    left: Option<Surface>,
    right: Option<Surface>,
    #[serde(default)]
    road: Vec<RawStretch>,
}

impl RawManoeuvre {
    pub(super) fn checked(&self, check: &Check<'_>) -> Result<Manoeuvre, TomlError> {
        let kind = self.kind;
        let usual = Manoeuvre::usual(kind);
        self.only_fitting_keys(check)?;
        let number =
            |value: &Number, key, low, high, usual| check.number(value, key, low, high, usual);
        let mps = |kmh: f64| kmh / 3.6;
        let kmh = |mps: f64| mps * 3.6;
        Ok(Manoeuvre {
            kind,
            throttle_percent: number(
                &self.throttle_percent,
                "throttle_percent",
                0.0,
                100.0,
                usual.throttle_percent,
            )?,
            rise_s: number(&self.rise_s, "rise_s", 0.02, 10.0, usual.rise_s)?,
            seconds: number(&self.seconds, "seconds", 0.1, 14_400.0, usual.seconds)?,
            rest_s: number(&self.rest_s, "rest_s", 0.1, 3600.0, usual.rest_s)?,
            from_mps: mps(number(
                &self.from_kmh,
                "from_kmh",
                0.0,
                180.0,
                kmh(usual.from_mps),
            )?),
            to_mps: mps(number(
                &self.to_kmh,
                "to_kmh",
                0.0,
                200.0,
                kmh(usual.to_mps),
            )?),
            steering_deg: number(
                &self.steering_deg,
                "steering_deg",
                -540.0,
                540.0,
                usual.steering_deg,
            )?,
            grade_percent: number(
                &self.grade_percent,
                "grade_percent",
                -30.0,
                30.0,
                usual.grade_percent,
            )?,
            decel_mps2: number(&self.decel_mps2, "decel_mps2", 0.3, 9.0, usual.decel_mps2)?,
            in_gear: self
                .in_gear
                .as_ref()
                .map_or(usual.in_gear, |flag| *flag.get_ref()),
            road: road(check, self.surface, self.left, self.right, &self.road)?,
        })
    }

    /// A key that the manoeuvre would ignore is a mistake.
    fn only_fitting_keys(&self, check: &Check<'_>) -> Result<(), TomlError> {
        use Kind::*;
        let press = matches!(self.kind, Launch | HillStart | TipIn | TurnIn | Circle);
        let from = !matches!(self.kind, Stand | Launch | HillStart | Everyday);
        let fits = [
            (&self.throttle_percent, "throttle_percent", press),
            (&self.rise_s, "rise_s", press),
            (&self.seconds, "seconds", self.kind != Brake),
            (
                &self.rest_s,
                "rest_s",
                matches!(self.kind, Launch | HillStart | Reverse),
            ),
            (&self.from_kmh, "from_kmh", from),
            (&self.to_kmh, "to_kmh", press || self.kind == Coast),
            (
                &self.steering_deg,
                "steering_deg",
                matches!(
                    self.kind,
                    Launch | HillStart | TurnIn | Cruise | TightTurn | Circle | Reverse
                ),
            ),
            (
                &self.grade_percent,
                "grade_percent",
                !matches!(self.kind, Motorway | Everyday),
            ),
            (
                &self.decel_mps2,
                "decel_mps2",
                matches!(self.kind, Stand | Launch | HillStart | Brake | Reverse),
            ),
        ];
        for (value, key, fits) in fits {
            if let Some(at) = value
                && !fits
            {
                let message = format!("a {} has no {key}", self.kind.text());
                return Err(check.error(at, message));
            }
        }
        if let Some(at) = &self.in_gear
            && self.kind != Coast
        {
            return Err(check.error(at, format!("a {} has no in_gear", self.kind.text())));
        }
        Ok(())
    }
}

pub(super) fn dry() -> Vec<Stretch> {
    vec![Stretch {
        from_m: 0.0,
        left: Surface::Dry,
        right: Surface::Dry,
    }]
}

pub(super) fn road(
    check: &Check<'_>,
    surface: Option<Surface>,
    left: Option<Surface>,
    right: Option<Surface>,
    stretches: &[RawStretch],
) -> Result<Vec<Stretch>, TomlError> {
    let mut road = Vec::new();
    let base = surface.unwrap_or_default();
    if surface.is_some() || left.is_some() || right.is_some() {
        road.push(Stretch {
            from_m: 0.0,
            left: left.unwrap_or(base),
            right: right.unwrap_or(base),
        });
    } else if stretches
        .first()
        .is_some_and(|first| *first.from_m.get_ref() > 0.0)
    {
        road.extend(dry());
    }
    for raw in stretches {
        let from_m = check.number(&Some(raw.from_m.clone()), "from_m", 0.0, 1e6, 0.0)?;
        if road.last().is_some_and(|last| from_m < last.from_m) {
            return Err(check.error(&raw.from_m, "stretches must follow each other in from_m"));
        }
        let base = raw.surface.unwrap_or_default();
        road.push(Stretch {
            from_m,
            left: raw.left.unwrap_or(base),
            right: raw.right.unwrap_or(base),
        });
    }
    Ok(road)
}
