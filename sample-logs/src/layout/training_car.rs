//! The training car's messages.
//!
//! The first bus is the drivetrain's; the second carries comfort traffic and the satellite
//! receiver. Every frame with a counter has it in the lower half of its last byte but one and a
//! checksum in its last byte, as cars commonly do; the decoder file leaves both out.

use slipwright_decoders::decoder_file::{FrameEntry, SignalEntry};
use slipwright_decoders::field::{BitOrder, Coding, Field, FieldError};
use slipwright_decoders::frame::CanId;
use slipwright_decoders::role::Role;
use slipwright_decoders::signal::SignalKey;
use slipwright_decoders::unit::Unit;

use super::{BUS_NAMES, Description, LayoutOptions, Message};
use crate::protection::Protection;
use crate::source::Source;

/// A signal in the making: role, length in bits, signedness, scale, offset, unit, limits, and the
/// raw codes that mean "not available".
struct Plan {
    role: Role,
    start: u16,
    length: u8,
    signed: bool,
    scale: f64,
    offset: f64,
    unit: Unit,
    range: Option<(f64, f64)>,
    invalid: &'static [u64],
}

const fn plan(role: Role, start: u16, length: u8, scale: f64, unit: Unit) -> Plan {
    Plan {
        role,
        start,
        length,
        signed: false,
        scale,
        offset: 0.0,
        unit,
        range: None,
        invalid: &[],
    }
}

impl Plan {
    const fn signed(self) -> Self {
        Self {
            signed: true,
            ..self
        }
    }
    const fn offset(self, offset: f64) -> Self {
        Self { offset, ..self }
    }
    const fn range(self, low: f64, high: f64) -> Self {
        Self {
            range: Some((low, high)),
            ..self
        }
    }
    const fn invalid(self, invalid: &'static [u64]) -> Self {
        Self { invalid, ..self }
    }

    fn entry(&self, order: BitOrder) -> Result<SignalEntry, FieldError> {
        let coding = if self.signed {
            Coding::Signed
        } else {
            Coding::Unsigned
        };
        let field = Field::new(self.start, self.length, order, coding)?;
        let key = SignalKey::Role(self.role);
        let mut entry = SignalEntry::new(key, field, self.scale, self.offset, self.unit);
        if let Some((low, high)) = self.range {
            entry.min = Some(low);
            entry.max = Some(high);
        }
        entry.invalid_raw = self.invalid.to_vec();
        Ok(entry)
    }
}

struct MessagePlan {
    bus: u16,
    id: u32,
    name: &'static str,
    length: u8,
    period_ms: f64,
    phase_ms: f64,
    protected: bool,
    signals: Vec<Plan>,
}

/// Every message, in the order of the decoder file.
pub(super) fn messages(options: &LayoutOptions) -> Result<Vec<Message>, FieldError> {
    let mut list = Vec::new();
    for plan in plans(options) {
        let kept: Vec<&Plan> = plan
            .signals
            .iter()
            .filter(|signal| !options.omit.contains(&signal.role))
            .collect();
        if kept.is_empty() {
            continue;
        }
        let number = plan.id + options.id_shift;
        // Spread over the 29 bits, with the 11-bit number in front so that ranks stay.
        let id = if options.extended {
            CanId::Extended((number << 18 | 0x0_40E5) & CanId::MAX_EXTENDED)
        } else {
            CanId::Base((number & CanId::MAX_BASE) as u16)
        };
        let mut entry = FrameEntry::new(id);
        let bus = plan.bus.min(options.buses.saturating_sub(1));
        entry.bus = BUS_NAMES.get(usize::from(bus)).map(|&name| name.to_owned());
        entry.name = Some(plan.name.to_owned());
        entry.length_bytes = plan.length;
        entry.period_ms = Some(plan.period_ms);
        for signal in &kept {
            entry.signals.push(signal.entry(options.order)?);
        }
        list.push(Message {
            bus,
            entry,
            sources: kept
                .iter()
                .map(|signal| Source::Role(signal.role))
                .collect(),
            period_ms: plan.period_ms,
            phase_ms: plan.phase_ms,
            protection: if plan.protected {
                Protection::usual(plan.length)?
            } else {
                Protection::default()
            },
            base: [0; 8],
            description: Description::Frame,
        });
    }
    Ok(list)
}

fn plans(options: &LayoutOptions) -> Vec<MessagePlan> {
    use Unit::*;
    const NOT_AVAILABLE_8: &[u64] = &[0xFF];
    const NOT_AVAILABLE_12: &[u64] = &[0xFFF, 0xFFE];
    const NOT_AVAILABLE_16: &[u64] = &[0xFFFF, 0xFFFE];
    const NOT_AVAILABLE_SIGNED_16: &[u64] = &[0x8000];
    let wheel = |role, start| {
        plan(role, start, 16, 0.01, KilometrePerHour)
            .range(0.0, 300.0)
            .invalid(NOT_AVAILABLE_16)
    };
    vec![
        MessagePlan {
            bus: 0,
            id: 0x0F2,
            name: "wheel speeds",
            length: 8,
            period_ms: options.wheel_period_ms,
            phase_ms: 3.0,
            protected: false,
            signals: vec![
                wheel(Role::WheelSpeedFrontLeft, 0),
                wheel(Role::WheelSpeedFrontRight, 16),
                wheel(Role::WheelSpeedRearLeft, 32),
                wheel(Role::WheelSpeedRearRight, 48),
            ],
        },
        MessagePlan {
            bus: 0,
            id: 0x0A6,
            name: "engine",
            length: 8,
            period_ms: 20.0,
            phase_ms: 1.7,
            protected: true,
            signals: vec![
                plan(Role::EngineTorque, 0, 16, 0.1, NewtonMetre)
                    .signed()
                    .range(-500.0, 1000.0)
                    .invalid(NOT_AVAILABLE_SIGNED_16),
                plan(Role::EngineSpeed, 16, 16, 0.25, RevolutionPerMinute)
                    .range(0.0, 9000.0)
                    .invalid(NOT_AVAILABLE_16),
                plan(Role::PedalAccelerator, 32, 8, 0.4, Percent)
                    .range(0.0, 100.0)
                    .invalid(NOT_AVAILABLE_8),
            ],
        },
        MessagePlan {
            bus: 0,
            id: 0x0B4,
            name: "gearbox",
            length: 4,
            period_ms: 50.0,
            phase_ms: 6.1,
            protected: true,
            signals: vec![plan(Role::Gear, 0, 4, 1.0, Bare).signed()],
        },
        MessagePlan {
            bus: 0,
            id: 0x112,
            name: "brake control",
            length: 4,
            period_ms: 50.0,
            phase_ms: 4.4,
            protected: true,
            signals: vec![
                plan(Role::PedalBrake, 0, 8, 0.4, Percent)
                    .range(0.0, 100.0)
                    .invalid(NOT_AVAILABLE_8),
                plan(Role::AbsActive, 8, 1, 1.0, Bare),
                plan(Role::TractionActive, 9, 1, 1.0, Bare),
            ],
        },
        MessagePlan {
            bus: 0,
            id: 0x0D8,
            name: "steering",
            length: 4,
            period_ms: 20.0,
            phase_ms: 7.9,
            protected: true,
            signals: vec![
                plan(Role::SteeringAngle, 0, 16, 0.1, Degree)
                    .signed()
                    .range(-900.0, 900.0)
                    .invalid(NOT_AVAILABLE_SIGNED_16),
            ],
        },
        MessagePlan {
            bus: 0,
            id: 0x0DA,
            name: "body motion",
            length: 8,
            period_ms: 20.0,
            phase_ms: 9.2,
            protected: true,
            signals: vec![
                plan(Role::BodyYawRate, 0, 16, 0.01, DegreePerSecond)
                    .signed()
                    .range(-180.0, 180.0)
                    .invalid(NOT_AVAILABLE_SIGNED_16),
                plan(Role::BodyAccelLong, 16, 16, 0.005, MetrePerSecondSquared)
                    .signed()
                    .range(-30.0, 30.0)
                    .invalid(NOT_AVAILABLE_SIGNED_16),
                plan(Role::BodyAccelLat, 32, 16, 0.005, MetrePerSecondSquared)
                    .signed()
                    .range(-30.0, 30.0)
                    .invalid(NOT_AVAILABLE_SIGNED_16),
            ],
        },
        MessagePlan {
            bus: 0,
            id: 0x1C4,
            name: "coupling",
            length: 8,
            period_ms: options.coupling_period_ms,
            phase_ms: 0.4,
            protected: true,
            signals: vec![
                plan(Role::CouplingPressure, 0, 12, 0.02, Bar)
                    .offset(-1.0)
                    .range(-1.0, 60.0)
                    .invalid(NOT_AVAILABLE_12),
                plan(Role::CouplingDemand, 12, 12, 0.05, Percent)
                    .range(0.0, 100.0)
                    .invalid(NOT_AVAILABLE_12),
                plan(Role::CouplingPumpCurrent, 24, 8, 0.2, Ampere).invalid(NOT_AVAILABLE_8),
                plan(Role::CouplingInhibited, 32, 1, 1.0, Bare),
            ],
        },
        MessagePlan {
            bus: 0,
            id: 0x3D2,
            name: "temperatures and supply",
            length: 4,
            period_ms: 500.0,
            phase_ms: 42.0,
            protected: false,
            signals: vec![
                plan(Role::CouplingTemperature, 0, 8, 1.0, DegreeCelsius)
                    .offset(-40.0)
                    .invalid(NOT_AVAILABLE_8),
                plan(Role::AmbientTemperature, 8, 8, 0.5, DegreeCelsius)
                    .offset(-40.0)
                    .invalid(NOT_AVAILABLE_8),
                plan(Role::SupplyVoltage, 16, 8, 0.1, Volt).invalid(NOT_AVAILABLE_8),
            ],
        },
        MessagePlan {
            bus: 1,
            id: 0x2A1,
            name: "satellite receiver",
            length: 4,
            period_ms: 100.0,
            phase_ms: 61.0,
            protected: true,
            signals: vec![
                plan(Role::GroundSpeed, 0, 16, 0.01, MetrePerSecond)
                    .range(0.0, 100.0)
                    .invalid(NOT_AVAILABLE_16),
            ],
        },
    ]
}
