//! The scenario file as typed, and its checks.

use serde::Deserialize;
use slipwright_decoders::toml_error::TomlError;
use toml::Spanned;

use super::campaign::Campaign;
use super::check::{Check, Number};
use super::raw_manoeuvre::{RawManoeuvre, RawStretch, dry, road};
use super::start::start_ns;
use super::{DrivePlan, Scenario, USUAL_START_NS, order_of, role_of};
use crate::bus::BusOptions;
use crate::car::Car;
use crate::fault::{Cause, Fault, WiringForm};
use crate::layout::LayoutOptions;
use crate::state::WHEEL_NAMES;
use crate::surface::Surface;
use crate::wheel_sensor::RingDamage;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct File {
    name: Option<Spanned<String>>,
    seed: Option<u64>,
    car_seed: Option<u64>,
    start: Option<Spanned<toml::value::Datetime>>,
    #[serde(default)]
    compress: bool,
    car: Option<Spanned<Car>>,
    draw_car: Option<Spanned<bool>>,
    #[serde(default)]
    bus: RawBus,
    #[serde(default)]
    sensors: RawSensors,
    #[serde(default)]
    fault: Vec<RawFault>,
    campaign: Option<RawCampaign>,
    #[serde(default)]
    drive: Vec<RawDrive>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawBus {
    buses: Option<Spanned<u16>>,
    bit_rate_kbit: Number,
    load_percent: Number,
    second_bus_load_percent: Number,
    jitter_ms: Number,
    lost_per_million: Number,
    wheel_speed_period_ms: Number,
    coupling_period_ms: Number,
    byte_order: Option<Spanned<String>>,
    extended_ids: Option<Spanned<bool>>,
    id_shift: Option<Spanned<u32>>,
    #[serde(default)]
    omit: Vec<Spanned<String>>,
    #[serde(default)]
    draw_layout: bool,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSensors {
    missing_tooth: Option<Spanned<String>>,
    bent_tooth: Option<Spanned<String>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFault {
    cause: Cause,
    severity: Spanned<f64>,
    onset_s: Number,
    #[serde(default)]
    form: WiringForm,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawCampaign {
    drives: Option<Spanned<u32>>,
    launches: Option<Spanned<u32>>,
    tip_ins: Option<Spanned<u32>>,
    turn_ins: Option<Spanned<u32>>,
    coasts: Option<Spanned<u32>>,
    throttle_percent: Option<Spanned<[f64; 2]>>,
    fluid_c: Option<Spanned<[f64; 2]>>,
    air_c: Option<Spanned<[f64; 2]>>,
    surfaces: Option<Spanned<Vec<Surface>>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDrive {
    name: Option<Spanned<String>>,
    fluid_c: Number,
    air_c: Number,
    crossfall_percent: Number,
    gust_mps: Number,
    surface: Option<Surface>,
    left: Option<Surface>,
    right: Option<Surface>,
    #[serde(default)]
    road: Vec<RawStretch>,
    #[serde(default)]
    manoeuvre: Vec<RawManoeuvre>,
}

impl File {
    pub(super) fn into_scenario(
        self,
        text: &str,
        seed: Option<u64>,
    ) -> Result<Scenario, TomlError> {
        let check = Check { text };
        let name = match &self.name {
            Some(name) => check.file_name(name)?,
            None => "drive".to_owned(),
        };
        let seed = seed.or(self.seed).unwrap_or(1);
        let start_ns = match &self.start {
            Some(start) => start_ns(&check, start)?,
            None => USUAL_START_NS,
        };
        let car_seed = self.car_seed.unwrap_or(seed);
        let draw_car = self.draw_car.as_ref().filter(|flag| *flag.get_ref());
        let car = match self.car {
            Some(_) if let Some(flag) = draw_car => {
                return Err(check.error(flag, "a car is either drawn or described: take out [car]"));
            }
            None if draw_car.is_some() => Car::drawn(car_seed),
            Some(car) => {
                let span = car.span();
                let car = car.into_inner();
                super::raw_car::check(text, span, &car)?;
                car
            }
            None => Car::default(),
        };
        let layout = layout(&check, &self.bus, car_seed)?;
        let bus = bus(&check, &self.bus)?;
        let faults = self
            .fault
            .iter()
            .map(|fault| {
                let severity = Some(fault.severity.clone());
                Ok(Fault {
                    cause: fault.cause,
                    severity: check.number(&severity, "severity", 0.0, 1.0, 0.0)?,
                    onset_s: check.number(&fault.onset_s, "onset_s", 0.0, 1e6, 0.0)?,
                    form: fault.form,
                })
            })
            .collect::<Result<Vec<_>, TomlError>>()?;
        let rings = rings(&check, &self.sensors)?;

        let mut scenario = Scenario {
            name,
            seed,
            car_seed,
            start_ns,
            compress: self.compress,
            car,
            faults,
            layout,
            bus,
            rings,
            drives: Vec::new(),
        };
        if let Some(raw) = &self.campaign {
            scenario = scenario.with_campaign(&raw.checked(&check)?);
        }
        for raw in &self.drive {
            let usual_name = format!("{}-{}", scenario.name, scenario.drives.len() + 1);
            scenario = scenario.with_drive(raw.checked(&check, usual_name)?);
        }
        if scenario.drives.is_empty() {
            let message = "there is nothing to drive: add a [campaign] or a [[drive]]";
            return Err(TomlError::whole(message));
        }
        check_names(&check, &self.drive, &scenario.drives)?;
        Ok(scenario)
    }
}

/// Two drives may not write the same file.
fn check_names(check: &Check<'_>, raw: &[RawDrive], drives: &[DrivePlan]) -> Result<(), TomlError> {
    let mut names: Vec<&str> = drives.iter().map(|drive| drive.name.as_str()).collect();
    names.sort_unstable();
    let Some(twice) = names.windows(2).find(|pair| pair.first() == pair.get(1)) else {
        return Ok(());
    };
    let twice = twice.first().copied().unwrap_or_default();
    let message = format!("two drives are called \"{twice}\"; give each its own name");
    let named = raw
        .iter()
        .filter_map(|d| d.name.as_ref())
        .rfind(|n| n.get_ref() == twice);
    Err(match named {
        Some(at) => check.error(at, message),
        None => TomlError::whole(message),
    })
}

fn layout(check: &Check<'_>, raw: &RawBus, car_seed: u64) -> Result<LayoutOptions, TomlError> {
    let usual = if raw.draw_layout {
        let message = "a drawn layout draws this too: leave it out";
        if let Some(at) = &raw.byte_order {
            return Err(check.error(at, message));
        }
        if let Some(at) = &raw.extended_ids {
            return Err(check.error(at, message));
        }
        if let Some(at) = &raw.id_shift {
            return Err(check.error(at, message));
        }
        LayoutOptions::drawn(car_seed)
    } else {
        LayoutOptions::default()
    };
    let buses = match &raw.buses {
        Some(buses) if !(1..=2).contains(buses.get_ref()) => {
            return Err(check.error(buses, "buses must be 1 or 2"));
        }
        Some(buses) => *buses.get_ref(),
        None => usual.buses,
    };
    let order = match &raw.byte_order {
        Some(text) => order_of(text.get_ref())
            .ok_or_else(|| check.error(text, "byte_order must be \"big\" or \"little\""))?,
        None => usual.order,
    };
    let omit = raw
        .omit
        .iter()
        .map(|text| {
            let message = format!("unknown role \"{}\"", text.get_ref());
            role_of(text.get_ref()).ok_or_else(|| check.error(text, message))
        })
        .collect::<Result<Vec<_>, TomlError>>()?;
    let period_ms = |value: &Number, key, high, usual| check.number(value, key, 5.0, high, usual);
    let (wheel, coupling) = (&raw.wheel_speed_period_ms, &raw.coupling_period_ms);
    Ok(LayoutOptions {
        buses,
        wheel_period_ms: period_ms(wheel, "wheel_speed_period_ms", 100.0, usual.wheel_period_ms)?,
        coupling_period_ms: period_ms(
            coupling,
            "coupling_period_ms",
            1000.0,
            usual.coupling_period_ms,
        )?,
        omit,
        order,
        extended: raw
            .extended_ids
            .as_ref()
            .is_some_and(|flag| *flag.get_ref()),
        drawn: usual.drawn,
        id_shift: check.count(&raw.id_shift, "id_shift", 0, 0x2FF, 0)?,
    })
}

fn bus(check: &Check<'_>, raw: &RawBus) -> Result<BusOptions, TomlError> {
    let number = |value: &Number, key, low, high, usual| check.number(value, key, low, high, usual);
    // A drawn layout brings its own traffic.
    let usual = BusOptions::default();
    let usual_percent = if raw.draw_layout {
        0.0
    } else {
        100.0 * usual.load[0]
    };
    let first = number(&raw.load_percent, "load_percent", 0.0, 95.0, usual_percent)?;
    let second = &raw.second_bus_load_percent;
    Ok(BusOptions {
        bit_rate_bps: 1e3 * number(&raw.bit_rate_kbit, "bit_rate_kbit", 125.0, 1000.0, 500.0)?,
        load: [
            0.01 * first,
            0.01 * number(second, "second_bus_load_percent", 0.0, 95.0, first)?,
        ],
        jitter_s: 1e-3 * number(&raw.jitter_ms, "jitter_ms", 0.0, 5.0, 0.4)?,
        loss: 1e-6 * number(&raw.lost_per_million, "lost_per_million", 0.0, 5e5, 50.0)?,
    })
}

fn rings(check: &Check<'_>, raw: &RawSensors) -> Result<[RingDamage; 4], TomlError> {
    let mut rings = [RingDamage::default(); 4];
    let mut mark = |at: &Option<Spanned<String>>, set: fn(&mut RingDamage)| {
        let Some(at) = at else { return Ok(()) };
        let found = WHEEL_NAMES.iter().position(|name| name == at.get_ref());
        match found.and_then(|k| rings.get_mut(k)) {
            Some(ring) => {
                set(ring);
                Ok(())
            }
            None => Err(check.error(
                at,
                "name a wheel: front_left, front_right, rear_left or rear_right",
            )),
        }
    };
    mark(&raw.missing_tooth, |ring| ring.missing_tooth = true)?;
    mark(&raw.bent_tooth, |ring| ring.bent_tooth = true)?;
    Ok(rings)
}

impl RawCampaign {
    fn checked(&self, check: &Check<'_>) -> Result<Campaign, TomlError> {
        let usual = Campaign::default();
        let surfaces = match &self.surfaces {
            Some(list) if list.get_ref().is_empty() => {
                return Err(check.error(list, "surfaces must name at least one surface"));
            }
            Some(list) => list.get_ref().clone(),
            None => usual.surfaces,
        };
        Ok(Campaign {
            drives: check.count(&self.drives, "drives", 1, 100, usual.drives)?,
            launches: check.count(&self.launches, "launches", 0, 200, usual.launches)?,
            tip_ins: check.count(&self.tip_ins, "tip_ins", 0, 200, usual.tip_ins)?,
            turn_ins: check.count(&self.turn_ins, "turn_ins", 0, 200, usual.turn_ins)?,
            coasts: check.count(&self.coasts, "coasts", 0, 50, usual.coasts)?,
            throttle_percent: check.range(
                &self.throttle_percent,
                "throttle_percent",
                10.0,
                100.0,
                usual.throttle_percent,
            )?,
            fluid_c: check.range(&self.fluid_c, "fluid_c", -30.0, 120.0, usual.fluid_c)?,
            air_c: check.range(&self.air_c, "air_c", -30.0, 50.0, usual.air_c)?,
            surfaces,
        })
    }
}

impl RawDrive {
    fn checked(&self, check: &Check<'_>, usual_name: String) -> Result<DrivePlan, TomlError> {
        let name = match &self.name {
            Some(name) => check.file_name(name)?,
            None => usual_name,
        };
        let mut programme = Vec::new();
        for raw in &self.manoeuvre {
            let count = check.count(&raw.repeat, "repeat", 1, 1000, 1)?;
            let manoeuvre = raw.checked(check)?;
            programme.extend((0..count).map(|_| manoeuvre.clone()));
        }
        let own = road(check, self.surface, self.left, self.right, &self.road)?;
        Ok(DrivePlan {
            name,
            start_ns: 0,
            fluid_c: check.number(&self.fluid_c, "fluid_c", -30.0, 120.0, 40.0)?,
            air_c: check.number(&self.air_c, "air_c", -30.0, 50.0, 15.0)?,
            crossfall_percent: check.number(
                &self.crossfall_percent,
                "crossfall_percent",
                -10.0,
                10.0,
                0.0,
            )?,
            gust_mps: check.number(&self.gust_mps, "gust_mps", 0.0, 15.0, 0.0)?,
            road: if own.is_empty() { dry() } else { own },
            programme,
        })
    }
}
