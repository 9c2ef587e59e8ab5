//! What `find` prints for people.

use std::fmt::Write;

use slipwright_analysis::number;
use slipwright_decoders::field::Coding;
use slipwright_decoders::find::proposal::{Findings, Proposal, WheelAnswer, told_apart};

use super::table;
use crate::contract::find::FindOutput;

/// The answer on wheel speeds first, then every proposal, then the reasons.
pub(crate) fn found(findings: &Findings, output: &FindOutput) -> String {
    let mut text = String::new();
    // Writing to a string cannot fail.
    match &findings.wheels {
        WheelAnswer::Found {
            axle_confidence,
            side_confidence,
            to_tell,
        } => {
            let _ = writeln!(
                text,
                "wheel speeds found; {}, {}",
                told_apart("front and rear", *axle_confidence),
                told_apart("left and right", *side_confidence)
            );
            for tell in to_tell {
                let _ = writeln!(text, "  to tell the corners apart: {tell}");
            }
        }
        WheelAnswer::None { why } => _ = writeln!(text, "no wheel speeds: {why}"),
    }
    if let Some(reference) = &findings.reference {
        let hundredths = (100.0 * reference.lag_s).round();
        let _ = writeln!(
            text,
            "reference: {}, {:.2} s {} the frames, over {:.0} % of the time",
            reference.kind.text(),
            0.01 * hundredths.abs(),
            if hundredths < 0.0 {
                "ahead of"
            } else {
                "behind"
            },
            100.0 * reference.coverage
        );
    }
    let header = [
        "signal", "rank", "score", "bus", "id", "start", "length", "order", "scale", "offset",
        "unit",
    ]
    .map(str::to_owned)
    .to_vec();
    text.push_str(&table(header, findings.proposals.iter().map(row).collect()));
    for p in &findings.proposals {
        let _ = writeln!(
            text,
            "\n{} {}: {} {} at {}",
            p.meaning.text(),
            p.rank,
            p.bus,
            p.id,
            p.field.start()
        );
        for reason in p.evidence.iter().chain(&p.scaling_note) {
            let _ = writeln!(text, "  {reason}");
        }
    }
    for mark in &findings.marks {
        let _ = writeln!(text, "\nafter the mark \"{}\":", mark.text.escape_debug());
        if mark.moved.is_empty() {
            text.push_str("  nothing moves that does not move elsewhere\n");
        }
        for m in &mark.moved {
            let _ = writeln!(
                text,
                "  {} {} at {}, {} bits: moves {:.0} times more than elsewhere",
                m.bus,
                m.id,
                m.field.start(),
                m.field.length(),
                m.contrast
            );
        }
    }
    for warning in &output.warnings {
        let _ = writeln!(text, "note: {warning}");
    }
    if let Some(out) = &output.out {
        let _ = writeln!(text, "decoder file: {out}");
    }
    if let Some(sheet) = &output.sheet {
        let _ = writeln!(text, "picture sheet: {sheet}");
    }
    if let Some(pictures) = &output.pictures {
        let _ = writeln!(text, "pictures: {pictures}");
    }
    text
}

fn row(p: &Proposal) -> Vec<String> {
    let signed = if p.field.coding() == Coding::Signed {
        " signed"
    } else {
        ""
    };
    let unproven = match p.unproven_bits {
        0 => String::new(),
        n => format!(" ({n} not proven)"),
    };
    let digits = |v: Option<f64>| v.map_or("unknown".to_owned(), number::plain);
    vec![
        p.meaning.text().to_owned(),
        p.rank.to_string(),
        format!("{:.2}", p.score),
        p.bus.clone(),
        p.id.to_string(),
        p.field.start().to_string(),
        format!("{}{unproven}", p.field.length()),
        format!("{}{signed}", p.field.order().text()),
        digits(p.scaling.map(|s| s.scale)),
        digits(p.scaling.map(|s| s.offset)),
        p.scaling.map_or("", |s| s.unit.text()).to_owned(),
    ]
}
