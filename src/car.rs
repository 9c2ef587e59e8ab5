//! From a path that somebody typed to a car: its vehicle file, its decoder file, and the layout of text
//! logs.

use std::fs;
use std::path::{Path, PathBuf};

use slipwright_analysis::vehicle::Vehicle;
use slipwright_decoders::decoder_file::{DecoderFile, Parsed};
use slipwright_decoders::diagnostic_read::AnswerPlans;
use slipwright_decoders::extractor::Extractors;
use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Unit;
use slipwright_logger::text_log::Layout;

use crate::cli::TextLayout;
use crate::content::Content;
use crate::failure::Failure;
use crate::progress;

/// A car: what is known of it, and where its signals are.
pub(crate) struct Car {
    pub(crate) vehicle: Vehicle,
    pub(crate) decoder: Decoder,
    /// Of the vehicle file.
    content: Content,
}

impl Car {
    /// What the vehicle file says, as a number.
    pub(crate) fn digest(&self) -> [u8; 16] {
        self.content.bytes()
    }
}

/// A decoder file, ready to run.
pub(crate) struct Decoder {
    pub(crate) path: PathBuf,
    pub(crate) file: DecoderFile,
    /// Line of each signal, by frame and position in it.
    pub(crate) signal_lines: Vec<Vec<usize>>,
    /// The same by request.
    pub(crate) request_signal_lines: Vec<Vec<usize>>,
    pub(crate) extractors: Extractors,
    pub(crate) answers: AnswerPlans,
    /// How captures that are text logs are read, if the user said.
    pub(crate) layout: Option<Layout>,
    /// Of the decoder file and the layout.
    contents: [Content; 2],
}

impl Decoder {
    /// What the decoder file and the layout say, as a number.
    pub(crate) fn digest(&self) -> [u8; 32] {
        let [file, layout] = self.contents.map(Content::bytes);
        let mut both = [0; 32];
        both[..16].copy_from_slice(&file);
        both[16..].copy_from_slice(&layout);
        both
    }

    /// The unit that the analysis keeps a role in, if the decoder file names the role.
    pub(crate) fn unit_of(&self, role: Role) -> Option<Unit> {
        let mut signals = self.file.frames.iter().flat_map(|frame| &frame.signals);
        let signal = signals.find(|signal| signal.key.role() == Some(role))?;
        Some(signal.unit.quantity().core_unit())
    }
}

/// Reads a decoder file alone; what is doubtful in it is said on standard error.
pub(crate) fn read_decoder_file(path: &Path) -> Result<DecoderFile, Failure> {
    let text = fs::read_to_string(path).map_err(Failure::reading(path))?;
    Ok(parse_decoder(path, &text)?.file)
}

fn parse_decoder(path: &Path, text: &str) -> Result<Parsed, Failure> {
    let parsed = DecoderFile::parse(text).map_err(Failure::toml(path))?;
    for doubt in &parsed.warnings {
        progress::say(&Failure::toml(path)(doubt.clone()).to_string());
    }
    Ok(parsed)
}

/// The decoder file that a vehicle file names, beside it.
pub(crate) fn decoder_beside(vehicle_file: &Path, vehicle: &Vehicle) -> PathBuf {
    let folder = vehicle_file.parent().unwrap_or(Path::new(""));
    folder.join(&vehicle.decoder)
}

/// Reads a vehicle file and the decoder file that it names. Captures may be text logs of the layout.
pub(crate) fn read_car(path: &Path, text: Option<&TextLayout>) -> Result<Car, Failure> {
    let (vehicle, content) = read_vehicle_text(path)?;
    let decoder = read_decoder(&decoder_beside(path, &vehicle), text)?;
    Ok(Car {
        vehicle,
        decoder,
        content,
    })
}

/// Reads the layout of text logs, if one was named.
pub(crate) fn read_layout(text: &TextLayout) -> Result<Option<Layout>, Failure> {
    Ok(read_layout_text(text)?.map(|(layout, _)| layout))
}

fn read_layout_text(text: &TextLayout) -> Result<Option<(Layout, Content)>, Failure> {
    let read = |path: &PathBuf| {
        let text = fs::read_to_string(path).map_err(Failure::reading(path))?;
        let layout = Layout::parse(&text).map_err(Failure::toml(path))?;
        Ok((layout, Content::of_bytes(text.as_bytes())))
    };
    text.layout.as_ref().map(read).transpose()
}

/// Reads a vehicle file.
pub(crate) fn read_vehicle(path: &Path) -> Result<Vehicle, Failure> {
    Ok(read_vehicle_text(path)?.0)
}

fn read_vehicle_text(path: &Path) -> Result<(Vehicle, Content), Failure> {
    let text = fs::read_to_string(path).map_err(Failure::reading(path))?;
    let vehicle = Vehicle::parse(&text).map_err(Failure::toml(path))?;
    Ok((vehicle, Content::of_bytes(text.as_bytes())))
}

/// Reads a decoder file; what is doubtful in it is said on standard error.
pub(crate) fn read_decoder(path: &Path, as_text: Option<&TextLayout>) -> Result<Decoder, Failure> {
    let text = fs::read_to_string(path).map_err(Failure::reading(path))?;
    let parsed = parse_decoder(path, &text)?;
    let layout = as_text.map(read_layout_text).transpose()?.flatten();
    let (layout, of_layout) = layout.unzip();
    let of_layout = of_layout.unwrap_or(Content::of_bytes(b""));
    Ok(Decoder {
        contents: [Content::of_bytes(text.as_bytes()), of_layout],
        path: path.to_owned(),
        extractors: Extractors::compile(&parsed.file),
        answers: AnswerPlans::compile(&parsed.file),
        signal_lines: parsed.signal_lines,
        request_signal_lines: parsed.request_signal_lines,
        file: parsed.file,
        layout,
    })
}
