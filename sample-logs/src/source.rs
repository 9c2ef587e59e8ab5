//! Sources: where the value of a signal on the bus comes from. Most are roles; the others are what
//! a car sends beside them, and what a search for wheel speeds must not take for one.

use slipwright_decoders::role::Role;

/// Where the value of a signal comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Source {
    /// The sensor or control unit behind a role.
    Role(Role),
    /// The brake control unit's vehicle speed: mean of the four wheels, m/s.
    VehicleSpeed,
    /// What the instruments show: never less than the truth (UN Regulation No. 39), m/s.
    DisplayedSpeed,
    /// Mean of the front wheels, m/s.
    FrontAxleSpeed,
    /// Mean of the rear wheels, m/s.
    RearAxleSpeed,
    /// Speed of the gearbox output at this final drive ratio, rad/s.
    GearboxOutput {
        /// Gearbox output over front wheels.
        final_drive: f64,
    },
    /// Distance since the car woke, m; the field wraps.
    Distance,
    /// Teeth that a wheel has passed, by the wheel's index; the field wraps.
    WheelTeeth(usize),
    /// Something that has nothing to do with the drive.
    Other(Other),
}

/// Values that have nothing to do with the drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Other {
    /// A value that wanders by at most this many codes a message.
    Wander(u8),
    /// A value whose lowest bits flicker.
    Flicker,
    /// A bit or a state that seldom changes.
    Flag,
    /// Counts up once a second.
    Clock,
    /// Number of the content in a message of several contents, counted through this many.
    Page(u8),
    /// A constant of its own for each of this many contents.
    Paged(u8),
}

impl Other {
    /// The next raw code. `state` is the signal's memory, `bits` are random, `counter` is the
    /// message's own count modulo 16.
    #[must_use]
    pub fn next(self, state: &mut u64, bits: u64, counter: u8, t_ns: i64) -> u64 {
        match self {
            Self::Wander(most) => {
                let span = 2 * u64::from(most) + 1;
                *state = state
                    .wrapping_add((bits >> 8) % span)
                    .wrapping_sub(u64::from(most));
                *state
            }
            Self::Flicker => *state & !3 | bits & 3,
            Self::Flag => {
                if bits >> 55 == 0 {
                    *state = state.wrapping_add(1 + (bits & 7));
                }
                *state
            }
            Self::Clock => state.wrapping_add((t_ns / 1_000_000_000) as u64),
            Self::Page(pages) => u64::from(counter % pages.max(1)),
            Self::Paged(pages) => {
                let page = u64::from(counter % pages.max(1));
                // Multiplicative hashing (Knuth, The Art of Computer Programming 3, 6.4).
                (*state ^ page).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 32
            }
        }
    }
}
