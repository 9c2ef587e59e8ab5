//! A capture that its decoder file does not fit: of another car or bus, without an answer to what is
//! asked, or with frames that do not hold the fields.

use std::path::Path;

use slipwright_decoders::diagnostic_read::times;
use slipwright_decoders::signal::{Invalid, InvalidReason, Series};
use slipwright_decoders::toml_error::TomlError;
use slipwright_decoders::traffic::IdTraffic;

use super::Read;
use crate::car::Decoder;
use crate::failure::Failure;

/// A capture of another car or bus, or with fields that its frames do not hold, is a mistake. Where one
/// bus holds them and another does not, the other's empty series are left out and told.
pub(crate) fn refuse_foreign(
    path: &Path,
    decoder: &Decoder,
    read: &mut Read,
) -> Result<(), Failure> {
    // A decoder file may hold nothing but requests.
    if read.traffic.decoded_frames() == 0 && read.decoded.signals.series.is_empty() {
        return Err(nothing_decoded(path, decoder, read));
    }
    let decoded = &mut read.decoded;
    let short = short_on_one_bus(decoder, &decoded.signals.series)?;
    let warnings: Vec<String> = short.iter().map(Short::warning).collect();
    if !warnings.is_empty() {
        decoded.signals.series.retain(|series| !never_fits(series));
        decoded.warnings.extend(warnings);
    }
    Ok(())
}

/// Whether no received frame was long enough for the signal.
fn never_fits(series: &Series) -> bool {
    let too_short = |invalid: &Invalid| invalid.reason == InvalidReason::FrameTooShort;
    series.value.is_empty() && !series.invalid.is_empty() && series.invalid.iter().all(too_short)
}

/// Signals that one bus's frames are never long enough for, though another bus's are.
struct Short<'a> {
    place: Place,
    bus: &'a str,
    others: Vec<&'a str>,
    signals: Vec<&'a str>,
}

impl Short<'_> {
    fn warning(&self) -> String {
        let Place { what, table, .. } = &self.place;
        format!(
            "no {what} on {} is long enough for {}, which {} has; name the bus in the decoder file: bus = \"{}\" in its {table}",
            self.bus,
            self.signals.join(", "),
            self.others.join(" and "),
            self.others.first().unwrap_or(&""),
        )
    }
}

/// Where the decoder file describes a series.
struct Place {
    /// The frame or answer.
    what: String,
    table: &'static str,
    names_its_bus: bool,
    line: Option<usize>,
}

/// A field that no received frame was long enough for is a mistake in the decoder file that only
/// a capture can show.
fn short_on_one_bus<'a>(
    decoder: &Decoder,
    series: &'a [Series],
) -> Result<Vec<Short<'a>>, Failure> {
    let mut all: Vec<Short<'a>> = Vec::new();
    for short in series.iter().filter(|series| never_fits(series)) {
        let place = place(decoder, short);
        let fits =
            |other: &&Series| other.key == short.key && other.id == short.id && !never_fits(other);
        let others: Vec<&str> = series
            .iter()
            .filter(fits)
            .map(|other| other.bus.as_str())
            .collect();
        if others.is_empty() || place.names_its_bus {
            let message = format!(
                "{} reaches beyond every {} that {} carries; correct its start or length",
                short.key.text(),
                place.what,
                short.bus
            );
            let line = place.line;
            return Err(Failure::toml(&decoder.path)(TomlError { line, message }));
        }
        let same = |known: &&mut Short<'_>| {
            known.bus == short.bus && known.others == others && known.place.what == place.what
        };
        match all.iter_mut().find(same) {
            Some(known) => known.signals.push(short.key.text()),
            None => all.push(Short {
                place,
                bus: &short.bus,
                others,
                signals: vec![short.key.text()],
            }),
        }
    }
    Ok(all)
}

fn place(decoder: &Decoder, series: &Series) -> Place {
    let file = &decoder.file;
    let is_here = |bus: &Option<String>| bus.as_ref().is_none_or(|bus| *bus == series.bus);
    let of_frames = file
        .frames
        .iter()
        .zip(&decoder.signal_lines)
        .filter(|(frame, _)| frame.id == series.id && is_here(&frame.bus))
        .map(|(frame, lines)| ("frame", "[[frame]]", &frame.bus, &frame.signals, lines));
    let of_requests = file
        .requests
        .iter()
        .zip(&decoder.request_signal_lines)
        .filter(|(request, _)| request.response_id == series.id && is_here(&request.bus))
        .map(|(request, lines)| {
            let (bus, signals) = (&request.bus, &request.signals);
            ("answer", "[[request]]", bus, signals, lines)
        });
    let found = of_frames
        .chain(of_requests)
        .find_map(|(what, table, bus, signals, lines)| {
            let position = signals.iter().position(|signal| signal.key == series.key)?;
            Some(Place {
                what: format!("{what} {}", series.id),
                table,
                names_its_bus: bus.is_some(),
                line: lines.get(position).copied(),
            })
        });
    found.unwrap_or_else(|| Place {
        what: format!("frame {}", series.id),
        table: "[[frame]]",
        names_its_bus: false,
        line: None,
    })
}

/// Why a capture gave nothing: what became of the requests, or which identifiers it has instead.
fn nothing_decoded(path: &Path, decoder: &Decoder, read: &Read) -> Failure {
    let file = decoder.path.display();
    let answers = &read.answers;
    let mut told = answers.mishaps();
    let what_to_do = if !answers.refusals.is_empty() {
        "; check what the decoder file asks for, and in which state of the car"
    } else if answers.broken_messages > 0 {
        "; record it anew, with whole answers"
    } else if told.is_empty() {
        "; check request_id and response_id, and that the control unit was awake"
    } else {
        ""
    };
    if told.is_empty() && answers.asked > 0 {
        let (asked, of) = (times(answers.asked), answers.unanswered.join(", "));
        told.push(format!("asked {asked}, and no answer came to {of}"));
        told.push(format!("the capture has {}", identifiers(read)));
    }
    if told.is_empty() {
        let nothing = match (
            decoder.file.frames.is_empty(),
            decoder.file.requests.is_empty(),
        ) {
            (true, false) => format!("neither a request of {file} nor an answer occurs"),
            (false, false) => format!("none of the frames and answers of {file} occurs"),
            (_, true) => format!("none of the frames of {file} occurs"),
        };
        let message = format!(
            "{nothing}; the capture has {}; check that the decoder file belongs to this car and bus",
            identifiers(read)
        );
        return Failure::content(path, message);
    }
    if !decoder.file.frames.is_empty() {
        told.insert(0, "none of its frames occurs".to_owned());
    }
    let told = told.join("; ");
    Failure::content(
        path,
        format!("{file} decodes nothing here: {told}{what_to_do}"),
    )
}

/// The identifiers that the capture has, the most frequent first.
fn identifiers(read: &Read) -> String {
    const SHOWN: usize = 12;
    let mut seen: Vec<(&str, &IdTraffic)> = read
        .traffic
        .buses
        .iter()
        .flat_map(|bus| bus.ids.iter().map(|id| (bus.bus.as_str(), id)))
        .collect();
    seen.sort_by_key(|(_, id)| std::cmp::Reverse(id.frames));
    let mut ids: Vec<String> = seen
        .iter()
        .take(SHOWN)
        .map(|(bus, id)| format!("{} on {bus}", id.id))
        .collect();
    if seen.is_empty() {
        // Error frames and remote frames carry no data.
        return "no data frame".to_owned();
    }
    if seen.len() > SHOWN {
        ids.push(format!("{} more", seen.len() - SHOWN));
    }
    ids.join(", ")
}
