//! A layout drawn from a seed: what a car that nobody has described may send.
//!
//! Roles are sorted into messages as control units would, and other traffic is added up to 60 to
//! 120 identifiers; [`super::drawn_placement`] gives each message its place on the bus and each
//! field its place in the message.

use slipwright_decoders::decoder_file::FrameEntry;
use slipwright_decoders::field::{BitOrder, FieldError};
use slipwright_decoders::frame::CanId;
use slipwright_decoders::obd2::addressing::Addressing;
use slipwright_decoders::obd2::parameter::Parameter;
use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Unit;

use super::drawn_signals::{Signal, role_code, speed_code, wheel_code};
use super::drawn_traffic::{contents, period_ms};
use super::{BUS_NAMES, Description, LayoutOptions, Message};
use crate::protection::{Checksum, Protection};
use crate::random::{Purpose, Stream};
use crate::source::Source;

/// Identifiers of a drawn car, from and to.
const IDENTIFIERS: [usize; 2] = [60, 120];
/// Load of a 500 kbit/s bus, frames at their longest, above which only slow messages are added.
const BUSY: f64 = 0.55;
/// OBD-II parameter of the vehicle speed (SAE J1979).
const VEHICLE_SPEED: u8 = 0x0D;

/// How a car numbers its messages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Numbering {
    /// 11 bits.
    Base,
    /// 29 bits.
    Extended,
    /// 29 bits as SAE J1939 builds them: priority, parameter group, source address.
    Groups,
    /// Some of each.
    Mixed,
}

/// What is drawn once a car.
pub(super) struct Style {
    pub(super) numbering: Numbering,
    pub(super) order: BitOrder,
    pub(super) checksum: Checksum,
    /// Checksum in the first byte and counter in the second, instead of at the end.
    pub(super) protection_first: bool,
    /// Share of messages with a counter and a checksum.
    pub(super) protected: f64,
    /// What unused bits hold.
    pub(super) unused: u8,
    /// Bus of the drivetrain.
    main_bus: u16,
}

pub(super) struct Maker<'a> {
    options: &'a LayoutOptions,
    pub(super) random: Stream,
    pub(super) style: Style,
    /// Identifiers in use, by bus.
    pub(super) taken: Vec<(u16, CanId)>,
    pub(super) load: [f64; 2],
    pub(super) messages: Vec<Message>,
}

/// A group of signals that one control unit sends together.
pub(super) struct Group {
    pub(super) name: &'static str,
    pub(super) bus: u16,
    pub(super) period_ms: f64,
    pub(super) signals: Vec<Signal>,
    pub(super) description: Description,
}

/// The messages of the layout with this seed.
pub(super) fn messages(seed: u64, options: &LayoutOptions) -> Result<Vec<Message>, FieldError> {
    // The options' own periods come first on this stream.
    let mut random = Stream::new(seed, usize::from(u16::MAX) + 1, Purpose::Layout);
    let style = Style {
        numbering: random.pick(&[
            Numbering::Base,
            Numbering::Base,
            Numbering::Base,
            Numbering::Extended,
            Numbering::Groups,
            Numbering::Mixed,
        ]),
        order: random.pick(&[BitOrder::Big, BitOrder::Little]),
        checksum: random.pick(&[
            Checksum::CrcJ1850,
            Checksum::Crc2F,
            Checksum::Crc07,
            Checksum::Sum,
            Checksum::InvertedSum,
            Checksum::Xor,
        ]),
        protection_first: random.chance(0.4),
        protected: random.pick(&[0.0, 0.4, 0.7, 0.9]),
        unused: random.pick(&[0x00, 0x00, 0xFF]),
        main_bus: random.below(2) as u16,
    };
    let mut maker = Maker {
        options,
        random,
        style,
        taken: Vec::new(),
        load: [0.0; 2],
        messages: Vec::new(),
    };
    if maker.random.chance(0.6) {
        maker.vehicle_speed_answers()?;
    }
    for group in maker.groups() {
        maker.add(group)?;
    }
    let [least, most] = IDENTIFIERS;
    let count = least + maker.random.below(most - least + 1);
    while maker.messages.len() < count {
        maker.add_other()?;
    }
    Ok(maker.messages)
}

impl Maker<'_> {
    fn bus(&self, wanted: u16) -> u16 {
        wanted.min(self.options.buses.saturating_sub(1))
    }

    fn kept(&mut self, roles: &[Role]) -> Vec<Signal> {
        let options = self.options;
        let mut list: Vec<Signal> = roles
            .iter()
            .filter(|role| !options.omit.contains(role))
            .map(|&role| {
                let code = role_code(role, &mut self.random);
                Signal::role(role, code, &mut self.random)
            })
            .collect();
        self.random.shuffle(&mut list);
        list
    }

    /// The car's own signals, sorted into messages.
    fn groups(&mut self) -> Vec<Group> {
        use Role::*;
        let main = self.bus(self.style.main_bus);
        let other = self.bus(1 - self.style.main_bus);
        let group = |name, bus, period_ms, signals| Group {
            name,
            bus,
            period_ms,
            signals,
            description: Description::Frame,
        };
        let mut list = Vec::new();
        let wheel_ms = self.options.wheel_period_ms;
        for signals in self.wheels() {
            list.push(group("wheel speeds", main, wheel_ms, signals));
        }
        let engine = self.kept(&[EngineTorque, EngineSpeed, PedalAccelerator]);
        let period_ms = self.random.pick(&[10.0, 20.0]);
        list.push(group("engine", main, period_ms, engine));
        let mut gear = self.kept(&[Gear]);
        if self.random.chance(0.5) {
            let final_drive = self.random.between(3.2, 4.3);
            let code = (16, false, 0.25, 0.0, Unit::RevolutionPerMinute);
            let source = Source::GearboxOutput { final_drive };
            gear.push(Signal::named("gearbox output speed", source, code));
        }
        list.push(group(
            "gearbox",
            main,
            self.random.pick(&[20.0, 50.0]),
            gear,
        ));
        let mut brakes = self.kept(&[PedalBrake, AbsActive, TractionActive]);
        if self.random.chance(0.8) {
            let code = speed_code(&mut self.random);
            brakes.push(Signal::named("vehicle speed", Source::VehicleSpeed, code));
        }
        let period_ms = self.random.pick(&[20.0, 50.0]);
        list.push(group("brake control", main, period_ms, brakes));
        let steering = self.kept(&[SteeringAngle]);
        let period_ms = self.random.pick(&[10.0, 20.0]);
        list.push(group("steering", main, period_ms, steering));
        let body = self.kept(&[BodyYawRate, BodyAccelLong, BodyAccelLat]);
        let period_ms = self.random.pick(&[10.0, 20.0]);
        list.push(group("body motion", main, period_ms, body));

        let coupling_ms = self.options.coupling_period_ms;
        let bus = if self.random.chance(0.8) { main } else { other };
        if self.random.chance(0.5) {
            let all = self.kept(&[
                CouplingPressure,
                CouplingDemand,
                CouplingPumpCurrent,
                CouplingInhibited,
            ]);
            list.push(group("coupling", bus, coupling_ms, all));
        } else {
            let state = self.kept(&[CouplingPressure, CouplingPumpCurrent]);
            let demand = self.kept(&[CouplingDemand, CouplingInhibited]);
            list.push(group("coupling state", bus, coupling_ms, state));
            list.push(group("coupling demand", bus, coupling_ms, demand));
        }
        let slow = self.kept(&[CouplingTemperature, AmbientTemperature, SupplyVoltage]);
        let period_ms = self.random.pick(&[200.0, 500.0, 1000.0]);
        list.push(group("temperatures and supply", bus, period_ms, slow));
        if self.random.chance(0.5) {
            let satellite = self.kept(&[GroundSpeed]);
            list.push(group("satellite receiver", other, 100.0, satellite));
        }
        list.extend(
            self.decoys(main, other)
                .into_iter()
                .map(|(name, bus, period_ms, signals)| group(name, bus, period_ms, signals)),
        );
        list.retain(|group| !group.signals.is_empty());
        list
    }

    /// The four wheels in one message or two, in some order.
    fn wheels(&mut self) -> Vec<Vec<Signal>> {
        let code = wheel_code(&mut self.random);
        let mut pairs: Vec<Vec<Signal>> = [[0, 1], [2, 3]]
            .iter()
            .map(|pair| {
                let roles = pair.iter().filter_map(|&k: &usize| Role::WHEELS.get(k));
                let mut list: Vec<Signal> = roles
                    .filter(|role| !self.options.omit.contains(role))
                    .map(|&role| Signal::role(role, code, &mut self.random))
                    .collect();
                if self.random.chance(0.3) {
                    list.reverse();
                }
                list
            })
            .collect();
        if self.random.chance(0.3) {
            pairs.reverse();
        }
        if self.random.chance(0.3) {
            return pairs;
        }
        let mut all: Vec<Signal> = pairs.concat();
        if self.random.chance(0.2) {
            self.random.shuffle(&mut all);
        }
        vec![all]
    }

    /// What resembles wheel speeds without being any.
    fn decoys(&mut self, main: u16, other: u16) -> Vec<(&'static str, u16, f64, Vec<Signal>)> {
        let mut list = Vec::new();
        let code = speed_code(&mut self.random);
        let shown = Signal::named("displayed speed", Source::DisplayedSpeed, code);
        list.push(("instruments", other, 100.0, vec![shown]));
        if self.random.chance(0.4) {
            let code = wheel_code(&mut self.random);
            // Means of an axle come from the brake control unit in its own unit.
            let code = match code.4 {
                Unit::KilometrePerHour | Unit::MetrePerSecond => code,
                _ => (16, false, 0.01, 0.0, Unit::KilometrePerHour),
            };
            let axles = vec![
                Signal::named("front axle speed", Source::FrontAxleSpeed, code),
                Signal::named("rear axle speed", Source::RearAxleSpeed, code),
            ];
            list.push(("axle speeds", main, 20.0, axles));
        }
        let counts: Vec<Signal> = if self.random.chance(0.5) {
            let code = (self.random.pick(&[8, 12, 16]), false, 1.0, 0.0, Unit::Bare);
            (0..4)
                .map(|k| {
                    Signal::named(
                        &format!("wheel teeth {}", k + 1),
                        Source::WheelTeeth(k),
                        code,
                    )
                })
                .collect()
        } else {
            let length = self.random.pick(&[12, 16, 20]);
            let code = (
                length,
                false,
                self.random.pick(&[0.1, 1.0]),
                0.0,
                Unit::Bare,
            );
            vec![Signal::named("distance", Source::Distance, code)]
        };
        let period_ms = self.random.pick(&[20.0, 100.0]);
        list.push(("distance", other, period_ms, counts));
        list
    }

    /// A tester asks for the vehicle speed, and the engine control unit answers.
    fn vehicle_speed_answers(&mut self) -> Result<(), FieldError> {
        let Some(parameter) = Parameter::find(VEHICLE_SPEED) else {
            return Ok(());
        };
        let addressing = match self.style.numbering {
            Numbering::Base | Numbering::Mixed => Addressing::Base,
            Numbering::Extended | Numbering::Groups => Addressing::Extended,
        };
        let period_ms = self.random.pick(&[100.0, 200.0, 250.0, 500.0]);
        let mut request = parameter.request(addressing, period_ms)?;
        let bus = self.bus(self.style.main_bus);
        request.bus = BUS_NAMES.get(usize::from(bus)).map(|&name| name.to_owned());
        let pad = self.random.pick(&[0x00, 0x55, 0xAA, 0xCC]);
        let phase_ms = self.random.between(0.0, period_ms);
        // Single frames of ISO 15765-2: length, service, parameter.
        let ask = [2, 1, VEHICLE_SPEED, pad, pad, pad, pad, pad];
        let answer = [3, 0x41, VEHICLE_SPEED, 0, pad, pad, pad, pad];
        let plain = |id: CanId, base: [u8; 8], phase_ms: f64| {
            let mut entry = FrameEntry::new(id);
            entry.length_bytes = 8;
            entry.period_ms = Some(period_ms);
            Message {
                bus,
                entry,
                sources: Vec::new(),
                period_ms,
                phase_ms,
                protection: Protection::default(),
                base,
                description: Description::None,
            }
        };
        let asked = plain(request.request_id, ask, phase_ms);
        let delay_ms = self.random.between(6.0, 25.0);
        let mut answered = plain(request.response_id, answer, phase_ms + delay_ms);
        let code = (8, false, 1.0, 0.0, Unit::KilometrePerHour);
        let speed = Signal::named("vehicle speed", Source::VehicleSpeed, code);
        answered.entry.signals.push(speed.at(24, BitOrder::Big)?);
        answered.sources.push(speed.source);
        answered.description = Description::Answer(request);
        for message in [asked, answered] {
            self.taken.push((bus, message.entry.id));
            self.messages.push(message);
        }
        Ok(())
    }

    fn add_other(&mut self) -> Result<(), FieldError> {
        let wanted = self.random.below(2) as u16;
        let bus = self.bus(wanted);
        let busy = self
            .load
            .get(usize::from(bus))
            .is_some_and(|&load| load > BUSY);
        let period_ms = match period_ms(&mut self.random) {
            fast if busy => fast.max(500.0),
            any => any,
        };
        let mut signals = contents(48, &mut self.random);
        if self.random.chance(0.05) {
            let code = speed_code(&mut self.random);
            signals.push(Signal::named("speed", Source::VehicleSpeed, code));
        }
        self.add(Group {
            name: "other traffic",
            bus,
            period_ms,
            signals,
            description: Description::None,
        })
    }
}
