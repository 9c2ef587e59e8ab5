//! Layout: which frames a car sends, what lies in them, and the decoder file that says so.
//!
//! Two layouts: the training car's, which a scenario may change in a few ways, and one drawn from a
//! seed, which stands for a car that nobody has described. Both are lists of [`Message`];
//! [`crate::bus`] sends them.

mod drawn;
mod drawn_placement;
mod drawn_signals;
mod drawn_traffic;
mod training_car;

use slipwright_decoders::decoder_file::{DecoderFile, FrameEntry, RequestEntry};
use slipwright_decoders::field::{BitOrder, FieldError};
use slipwright_decoders::role::Role;

use crate::protection::Protection;
use crate::random::{Purpose, Stream};
use crate::source::Source;

/// Name of each bus, by its index.
pub const BUS_NAMES: [&str; 2] = ["can0", "can1"];

/// What the decoder file says of a message.
#[derive(Clone, Debug, PartialEq)]
pub enum Description {
    /// Its frame entry.
    Frame,
    /// It is the answer to this request.
    Answer(RequestEntry),
    /// Nothing: other traffic, or the request itself.
    None,
}

/// One message of the car.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// Bus index.
    pub bus: u16,
    /// Its identifier, length and signals.
    pub entry: FrameEntry,
    /// Where the values of the entry's signals come from, in its order.
    pub sources: Vec<Source>,
    /// From one to the next, ms.
    pub period_ms: f64,
    /// First one, ms after the car wakes. The sender's own task makes the values and sends them at
    /// once, so the coupling's message follows its control unit's period.
    pub phase_ms: f64,
    /// Its counter and checksum.
    pub protection: Protection,
    /// Data before any signal is put in: constants, padding, unused bits.
    pub base: [u8; 8],
    /// What the decoder file says of it.
    pub description: Description,
}

impl Message {
    /// Whether it carries a signal of this role.
    #[must_use]
    pub fn carries(&self, role: Role) -> bool {
        self.sources.contains(&Source::Role(role))
    }
}

/// What of the layout a scenario may choose.
#[derive(Clone, Debug, PartialEq)]
pub struct LayoutOptions {
    /// How many buses, 1 or 2; with one, everything is on it.
    pub buses: u16,
    /// Period of the wheel speed message, ms.
    pub wheel_period_ms: f64,
    /// Period of the coupling's message, ms.
    pub coupling_period_ms: f64,
    /// Roles that the car does not send.
    pub omit: Vec<Role>,
    /// Which way round the fields of the training car's drivetrain lie.
    pub order: BitOrder,
    /// Whether the training car's identifiers have 29 bits.
    pub extended: bool,
    /// Added to every identifier of the training car, so that cars can differ.
    pub id_shift: u32,
    /// Seed of a layout that is drawn instead of the training car's. Byte order, width of the
    /// identifiers and their shift are then drawn too.
    pub drawn: Option<u64>,
}

impl Default for LayoutOptions {
    fn default() -> Self {
        Self {
            buses: 2,
            wheel_period_ms: 10.0,
            coupling_period_ms: 10.0,
            omit: Vec::new(),
            order: BitOrder::Big,
            extended: false,
            id_shift: 0,
            drawn: None,
        }
    }
}

impl LayoutOptions {
    /// A layout drawn from a seed, on two buses: 60 to 120 identifiers of 11 or 29 bits; fields of
    /// either byte order, of many lengths, scales, offsets and units; counters and checksums of
    /// several kinds or none; signals that resemble wheel speeds without being any; often answers
    /// to OBD-II requests for the vehicle speed, and often a satellite receiver's speed. It is made
    /// for buses of 500 kbit/s or more.
    ///
    /// [`Self::omit`] takes roles away: without the four wheels' it is a car behind a gateway.
    #[must_use]
    pub fn drawn(seed: u64) -> Self {
        let mut random = Stream::new(seed, usize::from(u16::MAX), Purpose::Layout);
        let mut of = |list: [f64; 4]| random.pick(&list);
        Self {
            wheel_period_ms: of([10.0, 10.0, 20.0, 20.0]),
            coupling_period_ms: of([10.0, 10.0, 20.0, 40.0]),
            drawn: Some(seed),
            ..Self::default()
        }
    }
}

/// Every message of the car, in the order of the decoder file.
///
/// # Errors
/// [`FieldError`] if a field does not fit; the layouts' own fields all do.
pub fn messages(options: &LayoutOptions) -> Result<Vec<Message>, FieldError> {
    match options.drawn {
        Some(seed) => drawn::messages(seed, options),
        None => training_car::messages(options),
    }
}

/// The decoder file of a layout: what of it is described, whole and true.
#[must_use]
pub fn decoder_file(car_name: &str, messages: &[Message]) -> DecoderFile {
    let mut file = DecoderFile {
        name: car_name.to_owned(),
        ..DecoderFile::default()
    };
    for message in messages {
        match &message.description {
            Description::Frame => file.frames.push(message.entry.clone()),
            Description::Answer(request) => file.requests.push(request.clone()),
            Description::None => {}
        }
    }
    file
}

#[cfg(test)]
mod tests;
