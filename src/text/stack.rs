//! `stack` in words: the best stack part by part, then the others.

use std::fmt::Write;

use slipwright_analysis::number;
use slipwright_analysis::stack::parts::{Parts, Side, mm};
use slipwright_analysis::stack::{Choice, Stacks};

use super::table;

const CAUTIONS: &str = "Turn the pack by hand before closing it: it must not bind. The vehicle \
                        maker's procedure comes first.\n";

/// What can be built.
pub(crate) fn stacks(stacks: &Stacks, parts: &Parts) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "target {} mm (from {}), at most {} mm over{}",
        stacks.target_mm,
        stacks.target_from,
        stacks.tolerance_mm,
        stacks
            .stock_height_mm
            .map_or(String::new(), |stock| format!("; stock {stock} mm"))
    );
    match stacks.choices.split_first() {
        None => _ = writeln!(text, "{}", stacks.why.as_deref().unwrap_or_default()),
        Some((best, others)) => {
            text.push_str(&first(best, parts));
            if !others.is_empty() {
                text.push_str("\nthe next best:\n");
                text.push_str(&table_of(others));
            }
            text.push('\n');
            text.push_str(CAUTIONS);
        }
    }
    for note in &stacks.notes {
        let _ = writeln!(text, "note: {note}");
    }
    text
}

fn first(best: &Choice, parts: &Parts) -> String {
    let mut text = format!(
        "\nbest: {} mm, {} mm over the target, {}, {} friction faces\n\n",
        number::with_uncertainty(best.height_mm, best.u_height_mm),
        best.over_target_mm,
        number::count(best.reused, "reused part", "reused parts"),
        best.faces,
    );
    let bearing = |side| {
        if parts.bearing == Some(side) {
            ", on its bearing"
        } else {
            ""
        }
    };
    let kept = if parts.outer_plates_kept {
        "kept"
    } else {
        "new"
    };
    let _ = writeln!(
        text,
        "  outer plate, piston side, {kept}{}",
        bearing(Side::Piston)
    );
    for placed in &best.order {
        let measured = parts.groups.get(placed.group).is_some_and(|g| g.measured);
        let which = match measured {
            true => format!(
                "  number {}, {} mm",
                placed.part + 1,
                mm(placed.measured.thickness_um)
            ),
            false => String::new(),
        };
        let _ = writeln!(text, "    {}{which}", placed.name(parts));
    }
    let _ = writeln!(
        text,
        "  outer plate, far side, {kept}{}\n",
        bearing(Side::Far)
    );
    let mut line = |what: &str, value: Result<String, &String>| {
        let _ = match value {
            Ok(value) => writeln!(text, "  {what}: {value}"),
            Err(why) => writeln!(text, "  {what} unknown: {why}"),
        };
    };
    line(
        "clearance",
        best.clearance_mm
            .as_ref()
            .map(|(value, u)| format!("{} mm", number::with_uncertainty(*value, *u))),
    );
    line(
        "piston travel saved",
        best.travel_saved_mm
            .as_ref()
            .map(|(value, which)| format!("{value} mm against the {which} pack")),
    );
    line(
        "predicted change of dead time",
        best.dead_time_change_ms
            .as_ref()
            .map(|ms| format!("{} ms", number::plain(*ms))),
    );
    line(
        "predicted torque capacity",
        best.torque_capacity_nm
            .as_ref()
            .map(|nm| format!("{} Nm", number::plain(*nm))),
    );
    line(
        "friction faces against before",
        best.faces_change_percent
            .as_ref()
            .map(|percent| format!("{percent:+.0} %")),
    );
    let _ = writeln!(
        text,
        "  inside the tolerance with probability {}",
        number::probability(best.probability)
    );
    for warning in &best.warnings {
        let _ = writeln!(text, "  warning: {warning}");
    }
    text
}

fn table_of(choices: &[Choice]) -> String {
    let header = [
        "parts",
        "height mm",
        "over mm",
        "reused",
        "faces",
        "warnings",
    ];
    let rows = choices
        .iter()
        .map(|choice| {
            let parts: Vec<String> = choice
                .parts
                .iter()
                .map(|(name, count)| format!("{count} x {name}"))
                .collect();
            vec![
                parts.join("; "),
                choice.height_mm.to_string(),
                choice.over_target_mm.to_string(),
                choice.reused.to_string(),
                choice.faces.to_string(),
                choice.warnings.len().to_string(),
            ]
        })
        .collect();
    table(header.map(str::to_owned).to_vec(), rows)
}
