//! Scenarios: what is to be simulated, as a TOML file of ours.
//!
//! ```toml
//! name = "before"                  # what the drives are called after
//! seed = 7
//! car_seed = 3                     # the same car in several scenarios; the seed if left out
//! start = 2024-05-14T08:00:00Z     # first drive; the next ones follow by the hour
//! compress = true                  # write .pcapng.zst instead of .pcapng
//!
//! [car]                            # every number of the training car can be changed
//! coupling.clearance_m = 0.0007
//!
//! [bus]
//! load_percent = 20                # filler traffic up to this load
//!
//! [[fault]]
//! cause = "worn_lining"
//! severity = 0.6                   # 0 to 1
//! onset_s = 0                      # from when on
//!
//! [campaign]                       # drives made by rule ...
//! drives = 4
//! launches = 6
//! tip_ins = 6
//!
//! [[drive]]                        # ... or one by one
//! fluid_c = 40
//! surface = "wet"
//!
//!   [[drive.manoeuvre]]
//!   kind = "launch"
//!   throttle_percent = 70
//! ```

mod campaign;
mod check;
mod raw;
mod raw_car;
mod raw_manoeuvre;
mod start;

use slipwright_decoders::field::BitOrder;
use slipwright_decoders::role::Role;
use slipwright_decoders::toml_error::TomlError;

pub use campaign::Campaign;

use crate::bus::BusOptions;
use crate::car::Car;
use crate::fault::Fault;
use crate::layout::LayoutOptions;
use crate::manoeuvre::Manoeuvre;
use crate::random::{Purpose, Stream};
use crate::surface::{Stretch, Surface};
use crate::wheel_sensor::RingDamage;

/// A scenario, checked and complete.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// What it is called.
    pub name: String,
    /// Seed that it is simulated with.
    pub seed: u64,
    /// Seed of the car as built: tyre radii, tooth rings, sensor offsets, filler traffic. Two
    /// scenarios with the same one drive the same car.
    pub car_seed: u64,
    /// Start of the first drive, ns since the epoch.
    pub start_ns: i64,
    /// Whether captures are zstd-compressed.
    pub compress: bool,
    /// The car.
    pub car: Car,
    /// What is wrong with it.
    pub faults: Vec<Fault>,
    /// Which messages it sends.
    pub layout: LayoutOptions,
    /// How its buses behave.
    pub bus: BusOptions,
    /// Damage of the tooth rings: front left, front right, rear left, rear right.
    pub rings: [RingDamage; 4],
    /// The drives.
    pub drives: Vec<DrivePlan>,
}

/// One drive to simulate.
#[derive(Clone, Debug, PartialEq)]
pub struct DrivePlan {
    /// File name of its capture, without ending.
    pub name: String,
    /// Start, ns since the epoch.
    pub start_ns: i64,
    /// Fluid and plate temperature at the start, °C.
    pub fluid_c: f64,
    /// Temperature of the air, °C.
    pub air_c: f64,
    /// Fall of the road to the right, per cent; negative to the left.
    pub crossfall_percent: f64,
    /// Standard deviation of the wind along the car, m/s.
    pub gust_mps: f64,
    /// Surface where a manoeuvre has none of its own.
    pub road: Vec<Stretch>,
    /// What the driver does.
    pub programme: Vec<Manoeuvre>,
}

/// Start of a scenario that names none: 2024-01-01T08:00:00Z, ns since the epoch.
const USUAL_START_NS: i64 = 1_704_096_000_000_000_000;

/// The healthy training car with its usual messages, and no drive yet.
impl Default for Scenario {
    fn default() -> Self {
        Self {
            name: "drive".to_owned(),
            seed: 1,
            car_seed: 1,
            start_ns: USUAL_START_NS,
            compress: false,
            car: Car::default(),
            faults: Vec::new(),
            layout: LayoutOptions::default(),
            bus: BusOptions::default(),
            rings: [RingDamage::default(); 4],
            drives: Vec::new(),
        }
    }
}

/// Time from one drive's start to the next one's, ns: an hour.
const BETWEEN_DRIVES_NS: i64 = 3_600_000_000_000;

impl Scenario {
    /// Reads a scenario file's text. `seed` replaces the file's own; it also draws what
    /// `[campaign]` leaves open.
    ///
    /// # Errors
    /// [`TomlError`] with the line: not TOML, an unknown key, a number out of its range, a key that
    /// does not fit its manoeuvre, or no drive at all.
    pub fn parse(text: &str, seed: Option<u64>) -> Result<Self, TomlError> {
        let file: raw::File =
            toml::from_str(text).map_err(|error| TomlError::from_reader(text, &error))?;
        file.into_scenario(text, seed)
    }

    /// A car that nobody has described, healthy and without a drive yet: [`Car::drawn`] with the
    /// messages of [`LayoutOptions::drawn`], all from one seed.
    #[must_use]
    pub fn unknown_car(car_seed: u64) -> Self {
        Self {
            name: format!("unknown-{car_seed}"),
            seed: car_seed,
            car_seed,
            car: Car::drawn(car_seed),
            layout: LayoutOptions::drawn(car_seed),
            bus: BusOptions {
                // The layout brings its own traffic.
                load: [0.0; 2],
                ..BusOptions::default()
            },
            ..Self::default()
        }
    }

    /// Adds a drive; it starts an hour after the one before.
    #[must_use]
    pub fn with_drive(mut self, drive: DrivePlan) -> Self {
        self.drives.push(drive);
        self.restart()
    }

    /// Adds a campaign's drives, drawn from the scenario's seed.
    #[must_use]
    pub fn with_campaign(mut self, campaign: &Campaign) -> Self {
        let mut random = Stream::new(self.seed, usize::from(u16::MAX), Purpose::Programme);
        let drives = campaign::drives(campaign, &self.name, &mut random);
        self.drives.extend(drives);
        self.restart()
    }

    fn restart(mut self) -> Self {
        for (k, drive) in self.drives.iter_mut().enumerate() {
            let after_ns = BETWEEN_DRIVES_NS.saturating_mul(k as i64);
            drive.start_ns = self.start_ns.saturating_add(after_ns);
        }
        self
    }
}

impl DrivePlan {
    /// A drive with this programme on a dry road, fluid at 40 °C and air at 15 °C.
    #[must_use]
    pub fn new(name: &str, programme: Vec<Manoeuvre>) -> Self {
        Self {
            name: name.to_owned(),
            start_ns: 0,
            fluid_c: 40.0,
            air_c: 15.0,
            crossfall_percent: 0.0,
            gust_mps: 0.0,
            road: Vec::new(),
            programme,
        }
        .on(Surface::Dry)
    }

    /// The same on one surface throughout.
    #[must_use]
    pub fn on(mut self, surface: Surface) -> Self {
        self.road = vec![Stretch {
            from_m: 0.0,
            left: surface,
            right: surface,
        }];
        self
    }

    /// Name of the capture's file.
    #[must_use]
    pub fn capture_name(&self, compress: bool) -> String {
        format!("{}.pcapng{}", self.name, if compress { ".zst" } else { "" })
    }
}

fn order_of(text: &str) -> Option<BitOrder> {
    [BitOrder::Big, BitOrder::Little]
        .into_iter()
        .find(|order| order.text() == text)
}

fn role_of(text: &str) -> Option<Role> {
    text.parse().ok()
}

#[cfg(test)]
mod readme;

#[cfg(test)]
mod tests {
    use super::*;

    const SMALL: &str = "seed = 1\n[campaign]\ndrives = 2\n";

    fn check_refused(text: &str, line: usize, part: &str) {
        let error = Scenario::parse(text, None).unwrap_err();
        assert_eq!(error.line, Some(line), "{error}");
        assert!(error.message.contains(part), "{error}");
    }

    #[test]
    fn a_campaign_of_two_lines_is_enough() {
        let scenario = Scenario::parse(SMALL, None).unwrap();
        assert_eq!(scenario.drives.len(), 2);
        assert_eq!(scenario.seed, 1);
        assert_ne!(scenario.drives[0].fluid_c, scenario.drives[1].fluid_c);
        let other = Scenario::parse(SMALL, Some(2)).unwrap();
        assert_eq!(other.seed, 2);
        assert_ne!(other.drives[0].programme, scenario.drives[0].programme);
    }

    #[test]
    fn mistakes_are_named_with_their_line() {
        check_refused("sed = 1\n", 1, "sed");
        check_refused(
            "[[fault]]\ncause = \"rust\"\nseverity = 0.1\n",
            2,
            "weak_pump",
        );
        check_refused(
            "[campaign]\n[[fault]]\ncause = \"shudder\"\nseverity = 2\n",
            4,
            "0 to 1",
        );
        check_refused("[campaign]\ndrives = 0\n", 2, "1 to 100");
        check_refused("[campaign]\n[bus]\nload_percent = 120\n", 3, "0 to 95");
        check_refused("[campaign]\n[bus]\nomit = [\"wheel\"]\n", 3, "unknown role");
        let drive = "[[drive]]\n[[drive.manoeuvre]]\n";
        check_refused(&format!("{drive}kind = \"lunch\"\n"), 3, "launch");
        check_refused(
            &format!("{drive}kind = \"coast\"\nthrottle_percent = 5\n"),
            4,
            "coast",
        );
        check_refused(
            &format!("{drive}kind = \"launch\"\nthrottle_percent = 500\n"),
            4,
            "0 to 100",
        );
        check_refused(
            &format!("{drive}kind = \"launch\"\nsurface = \"mud\"\n"),
            4,
            "gravel",
        );
        check_refused("[car]\nengine.idle_rpm = -3\n[campaign]\n", 2, "idle_rpm");
        check_refused("start = 08:00:00\n[campaign]\n", 1, "date");
        assert!(
            Scenario::parse("seed = 1\n", None)
                .unwrap_err()
                .message
                .contains("[campaign]")
        );
    }

    #[test]
    fn a_manoeuvre_can_repeat_and_bring_its_road() {
        let text = "[[drive]]\nname = \"hill\"\n[[drive.manoeuvre]]\nkind = \"hill_start\"\n\
                    repeat = 3\nleft = \"ice\"\nright = \"dry\"\n";
        let scenario = Scenario::parse(text, None).unwrap();
        let drive = &scenario.drives[0];
        assert_eq!(drive.programme.len(), 3);
        assert_eq!(drive.programme[0].road.len(), 1);
        assert_eq!(drive.capture_name(true), "hill.pcapng.zst");
    }
}
