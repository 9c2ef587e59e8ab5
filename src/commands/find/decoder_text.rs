//! Proposals as a decoder file: signals with score and evidence as comments, and candidates that were
//! not taken as text to uncomment. Also the merge into a file that a person has already worked on.

use slipwright_decoders::decoder_file::{DecoderFile, FrameEntry, SignalEntry};
use slipwright_decoders::find::proposal::{Findings, Meaning, Proposal};
use slipwright_decoders::signal::SignalKey;
use slipwright_decoders::unit::Unit;
use toml_edit::{ArrayOfTables, DocumentMut, Item, Table};

/// Width that comments are broken at.
const WIDTH: usize = 96;

/// The text of a whole new file, or of `existing` with what it lacks; and what was left out, why.
///
/// # Errors
/// What is wrong, where the text would not be a decoder file.
pub(super) fn text(
    findings: &Findings,
    name: &str,
    existing: Option<&str>,
) -> Result<(String, Vec<String>), String> {
    let taken: Vec<&Proposal> = findings
        .proposals
        .iter()
        .filter(|p| p.is_accepted())
        .collect();
    let (text, notes) = match existing {
        None => (fresh(&taken, name)?, Vec::new()),
        Some(existing) => merged(&taken, existing)?,
    };
    let text = text + &candidates(findings, &taken, existing.unwrap_or_default());
    DecoderFile::parse(&text)
        .map_err(|error| format!("line {:?}: {}", error.line, error.message))?;
    Ok((text, notes))
}

/// Frame entries with one signal each, in the order of the proposals.
fn entries(taken: &[&Proposal]) -> Vec<(FrameEntry, Vec<String>)> {
    let mut places = Vec::new();
    let mut entries = Vec::new();
    let mut unknown_wheels = 0;
    for p in taken {
        // One field is one signal, whatever else it may mean.
        let place = (p.bus.as_str(), p.id, p.selector, p.field);
        if places.contains(&place) {
            continue;
        }
        places.push(place);
        if p.meaning == Meaning::WheelSpeed {
            unknown_wheels += 1;
        }
        let mut frame = FrameEntry::new(p.id);
        frame.bus = Some(p.bus.clone());
        frame.length_bytes = u8::try_from(p.length_bytes.clamp(1, 64)).unwrap_or(64);
        frame.period_ms = p
            .period_ms
            .map(|ms| (ms * 100.0).round() / 100.0)
            .filter(|ms| *ms > 0.0);
        frame.timeout_ms = Some(p.timeout_ms.round().max(1.0));
        frame.signals.push(signal(p, unknown_wheels));
        entries.push((frame, comments(p)));
    }
    entries
}

/// A role needs a unit that fits it; without one the signal has a name and counts.
fn signal(p: &Proposal, wheel: usize) -> SignalEntry {
    let scaling = p.scaling;
    let role = match p.meaning {
        Meaning::Role(role) => Some(role),
        Meaning::WheelSpeed | Meaning::VehicleSpeed => None,
    };
    let unit = scaling.map_or(Unit::Bare, |s| s.unit);
    let key = match (role.filter(|role| role.accepts(unit)), p.meaning) {
        (Some(role), _) => SignalKey::Role(role),
        (None, Meaning::WheelSpeed) => {
            SignalKey::Name(format!("wheel speed {wheel}, corner not told apart"))
        }
        (None, meaning) if scaling.is_none() => {
            SignalKey::Name(format!("{}, in counts", meaning.label()))
        }
        (None, meaning) => SignalKey::Name(meaning.label().to_owned()),
    };
    let (scale, offset) = scaling.map_or((1.0, 0.0), |s| (tidy(s.scale), tidy(s.offset)));
    let mut entry = SignalEntry::new(key, p.field, scale, offset, unit);
    entry.invalid_raw = p.invalid_raw.clone();
    entry.when = p.selector;
    entry
}

/// Seven significant digits: more than any measurement here has.
fn tidy(value: f64) -> f64 {
    format!("{value:.6e}").parse().unwrap_or(value)
}

fn comments(p: &Proposal) -> Vec<String> {
    let mut lines = vec![format!("{}: score {:.2}", p.meaning.label(), p.score)];
    if p.unproven_bits > 0 {
        lines.push(format!(
            "the highest {} bits never moved and are not proven",
            p.unproven_bits
        ));
    }
    lines.extend(p.evidence.iter().cloned());
    lines.extend(p.scaling_note.iter().cloned());
    lines
}

fn fresh(taken: &[&Proposal], name: &str) -> Result<String, String> {
    let mut file = DecoderFile {
        name: name.to_owned(),
        ..DecoderFile::default()
    };
    let mut texts: Vec<Vec<Vec<String>>> = Vec::new();
    for (entry, comments) in entries(taken) {
        let known = file
            .frames
            .iter()
            .position(|f| f.bus == entry.bus && f.id == entry.id);
        match known {
            Some(index) => {
                if let (Some(frame), Some(texts)) =
                    (file.frames.get_mut(index), texts.get_mut(index))
                {
                    frame.signals.extend(entry.signals);
                    texts.push(comments);
                }
            }
            None => {
                file.frames.push(entry);
                texts.push(vec![comments]);
            }
        }
    }
    let mut document: DocumentMut = file
        .to_toml()
        .parse()
        .map_err(|error: toml_edit::TomlError| error.to_string())?;
    let frames = document
        .get_mut("frame")
        .and_then(Item::as_array_of_tables_mut);
    for (frame, texts) in frames
        .into_iter()
        .flat_map(ArrayOfTables::iter_mut)
        .zip(&texts)
    {
        let signals = frame
            .get_mut("signal")
            .and_then(Item::as_array_of_tables_mut);
        for (signal, lines) in signals
            .into_iter()
            .flat_map(ArrayOfTables::iter_mut)
            .zip(texts)
        {
            comment(signal, lines);
        }
    }
    Ok(document.to_string())
}

/// Puts lines of comment above a signal's header.
fn comment(signal: &mut Table, lines: &[String]) {
    let mut prefix = "\n".to_owned();
    for line in lines.iter().flat_map(|line| broken(line)) {
        prefix.push_str(&format!("  # {line}\n"));
    }
    prefix.push_str("  ");
    signal.decor_mut().set_prefix(prefix);
}

/// A text broken at words; control characters have no place in a comment.
fn broken(text: &str) -> Vec<String> {
    let clean: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    let mut lines: Vec<String> = Vec::new();
    for word in clean.split(' ') {
        match lines.last_mut() {
            Some(line) if line.chars().count() + word.chars().count() < WIDTH => {
                line.push(' ');
                line.push_str(word);
            }
            Some(_) => lines.push(format!("  {word}")),
            None => lines.push(word.to_owned()),
        }
    }
    lines
}

/// Adds what the file lacks. Whatever is in it, comments and spaces too, stays as it is.
fn merged(taken: &[&Proposal], existing: &str) -> Result<(String, Vec<String>), String> {
    let parsed = DecoderFile::parse(existing)
        .map_err(|error| error.message)?
        .file;
    let mut document: DocumentMut = existing
        .parse()
        .map_err(|error: toml_edit::TomlError| error.to_string())?;
    let mut notes = Vec::new();
    let mut known = parsed.clone();
    for (entry, comments) in entries(taken) {
        let Some(signal) = entry.signals.first() else {
            continue;
        };
        let what = signal.key.text().to_owned();
        let on_bus = |bus: &Option<String>| bus.is_none() || *bus == entry.bus;
        if let Some(role) = signal.key.role()
            && known.frames_with(role).any(|frame| on_bus(&frame.bus))
        {
            notes.push(format!("{what}: the file has it; left as it is"));
            continue;
        }
        let place = known
            .frames
            .iter()
            .position(|f| f.id == entry.id && on_bus(&f.bus));
        let taken_bits = place
            .and_then(|k| known.frames.get(k))
            .is_some_and(|frame| {
                frame
                    .signals
                    .iter()
                    .any(|other| other.may_meet(signal) && other.field.shares_bits(&signal.field))
            });
        if taken_bits {
            notes.push(format!(
                "{what}: its bits in {} have an entry; left as it is",
                entry.id
            ));
            continue;
        }
        // The text of the entry alone, as it stands in a file of its own.
        let alone = DecoderFile {
            name: "x".to_owned(),
            frames: vec![entry.clone()],
            ..DecoderFile::default()
        };
        let alone: DocumentMut = alone
            .to_toml()
            .parse()
            .map_err(|error: toml_edit::TomlError| error.to_string())?;
        let Some(mut table) = first_table(alone.as_table(), "frame") else {
            continue;
        };
        let Some(mut signal_table) = first_table(&table, "signal") else {
            continue;
        };
        comment(&mut signal_table, &comments);
        signal_table.set_position(None);
        match place {
            Some(index) => {
                let frames = document
                    .get_mut("frame")
                    .and_then(Item::as_array_of_tables_mut);
                let Some(frame) = frames.and_then(|frames| frames.get_mut(index)) else {
                    continue;
                };
                let list = frame
                    .entry("signal")
                    .or_insert(Item::ArrayOfTables(ArrayOfTables::new()));
                if let Some(list) = list.as_array_of_tables_mut() {
                    list.push(signal_table);
                }
                if let Some(frame) = known.frames.get_mut(index) {
                    frame.signals.extend(entry.signals.iter().cloned());
                }
            }
            None => {
                let mut list = ArrayOfTables::new();
                list.push(signal_table);
                table.insert("signal", Item::ArrayOfTables(list));
                table.set_position(None);
                let frames = document
                    .entry("frame")
                    .or_insert(Item::ArrayOfTables(ArrayOfTables::new()));
                if let Some(frames) = frames.as_array_of_tables_mut() {
                    frames.push(table);
                }
                known.frames.push(entry.clone());
            }
        }
        notes.push(format!("{what}: added"));
    }
    Ok((document.to_string(), notes))
}

fn first_table(table: &Table, key: &str) -> Option<Table> {
    table.get(key)?.as_array_of_tables()?.get(0).cloned()
}

/// Marks the block of candidates, so that it is written once.
const HEADING: &str = "# Candidates that were not taken.";

/// Candidates as comments at the end; uncomment one to use it.
fn candidates(findings: &Findings, taken: &[&Proposal], existing: &str) -> String {
    let others: Vec<&Proposal> = findings
        .proposals
        .iter()
        .filter(|p| !taken.iter().any(|t| std::ptr::eq(*t, *p)))
        .collect();
    if others.is_empty() || existing.contains(HEADING) {
        return String::new();
    }
    let mut text = format!(
        "\n{HEADING} To take one, remove the \"# \" before its lines; put its\n# signal under the frame's own entry if there is one.\n"
    );
    for p in others {
        let Some((entry, comments)) = entries(&[p]).into_iter().next() else {
            continue;
        };
        text.push_str("#\n");
        for line in comments.iter().flat_map(|line| broken(line)) {
            text.push_str(&format!("#   {line}\n"));
        }
        let alone = DecoderFile {
            name: String::new(),
            frames: vec![entry],
            ..DecoderFile::default()
        };
        for line in alone
            .to_toml()
            .lines()
            .skip_while(|line| !line.starts_with("[[frame]]"))
        {
            text.push_str(&format!("# {line}\n").replace("# \n", "#\n"));
        }
    }
    text
}
