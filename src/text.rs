//! What a command prints for people: plain text, numbers with units and sensible digits.

mod book;
mod coupling;
mod stack;
mod trend;

pub(crate) mod check;
pub(crate) mod diagnose;
pub(crate) mod find;

use std::fmt::Write;

use comfy_table::{CellAlignment, Table};
use slipwright_analysis::comparison::Comparison;
use slipwright_analysis::measure::{Measure, Measured};
use slipwright_analysis::measures::DriveMeasures;
use slipwright_analysis::number;

use crate::contract::{DatasetOutput, DecodeOutput, DecodedSignal, SimulateOutput};

pub(crate) use self::book::{due, reminders};
pub(crate) use self::stack::stacks;
pub(crate) use self::trend::trend;

/// A table without lines: first column left, the others right.
fn table(header: Vec<String>, rows: Vec<Vec<String>>) -> String {
    let mut table = Table::new();
    table
        .load_style(comfy_table::presets::NOTHING)
        .set_header(header)
        .add_rows(rows);
    for (index, column) in table.column_iter_mut().enumerate() {
        column.set_padding((if index == 0 { 2 } else { 1 }, 1));
        if index > 0 {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table
        .lines()
        .map(|line| format!("{}\n", line.trim_end()))
        .collect()
}

fn value(measured: &Measured) -> String {
    match measured {
        Ok(estimate) => number::with_uncertainty(estimate.value, estimate.u),
        Err(_) => "-".to_owned(),
    }
}

/// What was written into a dataset.
pub(crate) fn dataset(dataset: &DatasetOutput) -> String {
    let mut text = format!("dataset: {}\n", dataset.folder);
    for file in &dataset.files {
        text.push_str(&format!("  {file}\n"));
    }
    text
}

/// One drive's measures.
pub(crate) fn drive(drive: &DriveMeasures) -> String {
    let mut text = String::new();
    let noise = match &drive.noise_slip_mps {
        Ok(estimate) => format!("slip noise {} m/s", number::rough(estimate.value)),
        Err(missing) => format!("slip noise unknown: {missing}"),
    };
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "{}: {:.0} s, {} frames, {noise}, {}",
        drive.name,
        drive.duration_s,
        drive.frames,
        number::count(drive.engagements.len(), "engagement", "engagements"),
    );
    let ratio = &drive.radius_ratio;
    let wheels = [
        ("front left", &ratio.front_left),
        ("front right", &ratio.front_right),
        ("rear left", &ratio.rear_left),
        ("rear right", &ratio.rear_right),
    ];
    let ratios: Vec<String> = wheels
        .iter()
        .filter(|(_, r)| r.is_ok())
        .map(|(name, r)| format!("{name} {}", value(r)))
        .collect();
    match wheels.iter().find_map(|(_, r)| r.as_ref().err()) {
        Some(missing) => _ = writeln!(text, "  rolling radius to rear mean unknown: {missing}"),
        None => _ = writeln!(text, "  rolling radius to rear mean: {}", ratios.join(", ")),
    }
    if !drive.engagements.is_empty() {
        text.push_str(&engagements(drive));
    }
    text.push_str(&coupling::lines(drive));
    for warning in &drive.warnings {
        let _ = writeln!(text, "  note: {warning}");
    }
    text
}

fn engagements(drive: &DriveMeasures) -> String {
    let shown: Vec<Measure> = Measure::ALL
        .iter()
        .copied()
        .filter(|&m| drive.engagements.iter().any(|e| e.measured(m).is_ok()))
        .collect();
    let mut header = vec!["start s".to_owned(), "kind".to_owned()];
    header.extend(shown.iter().map(|m| format!("{}\n{}", m.label(), m.unit())));
    let rows = drive
        .engagements
        .iter()
        .map(|e| {
            let start_s = e.start_ns.saturating_sub(drive.start_ns) as f64 / 1e9;
            let mut row = vec![format!("{start_s:.1}"), e.kind.text().to_owned()];
            row.extend(shown.iter().map(|&m| value(e.measured(m))));
            row
        })
        .collect();
    let mut text = table(header, rows);
    for &measure in Measure::ALL {
        let reasons = drive
            .engagements
            .iter()
            .filter_map(|e| e.measured(measure).as_ref().err());
        let mut counted_reasons: Vec<(String, usize)> = Vec::new();
        for reason in reasons {
            let reason = reason.to_string();
            match counted_reasons.iter_mut().find(|(r, _)| *r == reason) {
                Some((_, n)) => *n += 1,
                None => counted_reasons.push((reason, 1)),
            }
        }
        for (reason, n) in counted_reasons {
            let _ = writeln!(text, "  {} missing in {n}: {reason}", measure.label());
        }
    }
    text
}

/// The comparison: verdict first.
pub(crate) fn comparison(comparison: &Comparison, of_drives: &[String]) -> String {
    let mut text = format!("{}\n\n", comparison.sentence);
    let size = |set: slipwright_analysis::comparison::SetSize| {
        format!(
            "{}, {}",
            number::count(set.drives, "drive", "drives"),
            number::count(set.engagements, "engagement", "engagements")
        )
    };
    let _ = writeln!(
        text,
        "before: {}; after: {}",
        size(comparison.before),
        size(comparison.after)
    );
    let header = [
        "measure",
        "before",
        "after",
        "shift",
        "95 % interval",
        "p",
        "tested at",
        "provable",
        "pairs",
        "verdict",
    ];
    let rows = comparison
        .measures
        .iter()
        .map(|m| {
            let digits = |v: Option<f64>| v.map_or("-".to_owned(), number::plain);
            let interval = match (m.ci_low, m.ci_high) {
                (Some(low), Some(high)) => {
                    format!("{} to {}", number::plain(low), number::plain(high))
                }
                _ => "-".to_owned(),
            };
            vec![
                format!("{}, {}", m.measure.label(), m.measure.unit()),
                digits(m.before_median),
                digits(m.after_median),
                digits(m.shift),
                interval,
                m.p.map_or("-".to_owned(), number::probability),
                m.level.map_or("-".to_owned(), number::probability),
                digits(m.smallest_provable),
                m.pairs.to_string(),
                m.verdict.text().to_owned(),
            ]
        })
        .collect();
    text.push_str(&table(header.map(str::to_owned).to_vec(), rows));
    for m in &comparison.measures {
        if let Some(why) = &m.why {
            let _ = writeln!(text, "  {}: {why}", m.measure.label());
        }
    }
    for warning in comparison.warnings.iter().chain(of_drives) {
        let _ = writeln!(text, "  note: {warning}");
    }
    text
}

/// What was decoded.
pub(crate) fn decoded(output: &DecodeOutput) -> String {
    let mut text = format!(
        "{}: {:.0} s, {} frames; signals in {}\n",
        output.capture, output.duration_s, output.frames, output.out
    );
    let header = ["signal", "unit", "values", "invalid"]
        .map(str::to_owned)
        .to_vec();
    let rows = output
        .signals
        .iter()
        .map(|s| {
            vec![
                told_apart(s, &output.signals),
                s.unit.to_owned(),
                s.values.to_string(),
                s.invalid.to_string(),
            ]
        })
        .collect();
    text.push_str(&table(header, rows));
    for warning in &output.warnings {
        let _ = writeln!(text, "  note: {warning}");
    }
    text
}

/// A decoded signal's name; where another has the same, with its bus and if need be its identifier.
fn told_apart(signal: &DecodedSignal, all: &[DecodedSignal]) -> String {
    let DecodedSignal {
        signal: name,
        bus,
        id,
        ..
    } = signal;
    let same_name = all.iter().filter(|other| other.signal == *name);
    let same_bus = same_name.clone().filter(|other| other.bus == *bus);
    match (same_name.count(), same_bus.count()) {
        (0 | 1, _) => name.clone(),
        (_, 0 | 1) => format!("{name} on {bus}"),
        _ => format!("{name} on {bus} in 0x{id:03X}"),
    }
}

/// What was simulated.
pub(crate) fn simulated(output: &SimulateOutput) -> String {
    let mut text = String::new();
    if let Some(out) = &output.out {
        let _ = writeln!(
            text,
            "{} with {} in {out} (seed {}); the truth is in truth.json and truth.parquet",
            number::count(output.captures.len(), "drive", "drives"),
            number::count(output.engagements, "engagement", "engagements"),
            output.seed,
        );
    }
    if let Some(picture) = &output.picture {
        let _ = writeln!(text, "picture in {picture} (seed {})", output.seed);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signals_of_one_name_are_told_apart_by_no_more_than_they_need() {
        let signal = |signal: &str, bus: &str, id| DecodedSignal {
            signal: signal.to_owned(),
            bus: bus.to_owned(),
            id,
            unit: "",
            values: 0,
            invalid: 0,
        };
        let all = [
            signal("speed", "can0", 0x1A0),
            signal("level", "can0", 0x1A0),
            signal("level", "can1", 0x1A0),
            signal("level", "can1", 0x1B0),
        ];
        let told: Vec<String> = all.iter().map(|one| told_apart(one, &all)).collect();
        let expected = [
            "speed",
            "level on can0",
            "level on can1 in 0x1A0",
            "level on can1 in 0x1B0",
        ];
        assert_eq!(told, expected);
    }
}
