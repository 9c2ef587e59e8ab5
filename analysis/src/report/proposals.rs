//! The picture sheet of proposed signals: each over time beside its reference, with its reasons, so
//! that a person can accept or strike it.

use maud::{Markup, html};
use slipwright_decoders::find::proposal::{Findings, Proposal, WheelAnswer, told_apart};

use super::page::{Page, Section, figure, literal, visible};
use crate::chart::history::History;
use crate::chart::trace::Trace;
use crate::drive::seconds_between;

/// The whole page. `subject` names the captures, literally.
#[must_use]
pub fn proposal_sheet(findings: &Findings, subject: &str) -> String {
    let t_s = seconds(findings);
    let (accepted, others): (Vec<&Proposal>, Vec<&Proposal>) =
        findings.proposals.iter().partition(|p| p.is_accepted());
    let section = |id, heading, list: &[&Proposal]| {
        Section::new(
            id,
            heading,
            html! {
                @if list.is_empty() { p { "None." } }
                div.figures { @for p in list { (picture(p, findings, &t_s)) } }
            },
        )
    };
    Page {
        title: "Proposed signals",
        subject,
        notes: html! {
            p.notes { "A proposal is a guess with reasons. Look at each picture: does it move as that signal must?" }
        },
        lead: lead(findings),
        sections: vec![
            section("accepted", "In the decoder file", &accepted),
            section("candidates", "Other candidates", &others),
        ],
    }
    .render()
}

fn lead(findings: &Findings) -> Markup {
    let (sentence, more): (String, Vec<String>) = match &findings.wheels {
        WheelAnswer::Found {
            axle_confidence,
            side_confidence,
            to_tell,
        } => (
            format!(
                "Wheel speeds found: {}, {}.",
                told_apart("front and rear", *axle_confidence),
                told_apart("left and right", *side_confidence)
            ),
            to_tell
                .iter()
                .map(|tell| format!("To tell the corners apart: {tell}."))
                .collect(),
        ),
        WheelAnswer::None { why } => ("No wheel speeds.".to_owned(), vec![why.clone()]),
    };
    html! {
        section.verdict {
            h2 { "Answer" }
            p.sentence { (sentence) }
            @for line in more { p.limits { (visible(&line)) } }
        }
    }
}

fn seconds(findings: &Findings) -> Vec<f64> {
    let t_ns = findings.axis.t_ns();
    let start = t_ns.first().copied().unwrap_or(0);
    t_ns.iter().map(|&t| seconds_between(start, t)).collect()
}

fn picture(p: &Proposal, findings: &Findings, t_s: &[f64]) -> Markup {
    let unit = p.scaling.map_or("counts", |s| match s.unit.text() {
        "" => "counts",
        unit => unit,
    });
    let title = format!(
        "{} {}: {} {}",
        p.meaning.label(),
        p.rank,
        visible(&p.bus),
        p.id
    );
    let label = format!(
        "{title}, bits {} to {}",
        p.field.start(),
        p.field.start() + u16::from(p.field.length()) - 1
    );
    let behind = &findings.reference_mps;
    let reference = (behind.len() == t_s.len()).then_some(Trace {
        t_s,
        values: behind,
    });
    let chart = History {
        title: &title,
        unit,
        time_caption: match reference {
            Some(_) => "s from the first frame; dashed: the reference speed, in its own scale",
            None => "s from the first frame",
        },
        label: &label,
        value: Trace {
            t_s,
            values: &p.series,
        },
        reference,
    }
    .draw();
    figure(
        chart,
        &html! {
            p {
                strong { "Score " (format!("{:.2}", p.score)) } ". Start " (p.field.start()) ", "
                (p.field.length()) " bits, " (p.field.order().text()) " order"
                @if p.unproven_bits > 0 { ", of which the highest " (p.unproven_bits) " never moved" }
                "."
            }
            @for reason in p.evidence.iter().chain(&p.scaling_note) { p { (literal(reason)) } }
        },
    )
}
