//! Under which conditions the two sets were driven, and what therefore remains untested.

use maud::{Markup, html};

use super::campaign::Campaign;
use super::page::wide_table;
use super::summary::mark;
use super::wording;
use crate::chart::Side;
use crate::comparison::Verdict;
use crate::engagement::{Conditions, Kind, Reference};
use crate::number;
use crate::words;

const KINDS: [Kind; 3] = [Kind::Launch, Kind::TipIn, Kind::TurnIn];

/// A condition's name, unit and value.
type Condition<'a> = (&'static str, &'a str, fn(&Conditions) -> Option<f64>);

/// One line of the table.
struct Line {
    name: String,
    /// Whether it tells a part of what the line above tells.
    part: bool,
    /// One a set.
    texts: [String; 2],
}

/// The table of conditions.
pub(super) fn part(campaign: &Campaign<'_>) -> Markup {
    let table = html! {
        table {
            caption { "Conditions, lowest to highest" }
            thead { tr {
                th scope="col" { "Condition" }
                @for side in Side::BOTH {
                    th scope="col" { (mark(side)) " " (words::capital(side.text())) }
                }
            } }
            tbody {
                @for line in lines(campaign) {
                    tr {
                        th.part-of[line.part] scope="row" { (line.name) }
                        @for text in line.texts { td { (text) } }
                    }
                }
            }
        }
    };
    wide_table("Conditions of the two sets", &table)
}

/// What was tested and what was not, for the first screen.
pub(super) fn scope(campaign: &Campaign<'_>) -> Markup {
    html! {
        section aria-labelledby="tested-heading" {
            h2 #tested-heading { "Tested" }
            ul { @for item in tested(campaign) { li { (item) } } }
        }
        section aria-labelledby="untested-heading" {
            h2 #untested-heading { "Not tested" }
            ul { @for item in not_tested(campaign) { li { (item) } } }
        }
    }
}

/// Size and conditions of the campaign, for the first screen.
pub(super) fn in_one_sentence(campaign: &Campaign<'_>) -> String {
    let set = |side: Side| {
        let size = campaign.size(side);
        let kinds: Vec<String> = KINDS
            .into_iter()
            .filter_map(|kind| match campaign.count_of(side, kind) {
                0 => None,
                1 => Some(format!("1 {}", kind.text())),
                n => Some(format!("{} {}", number::whole(n), kind.plural())),
            })
            .collect();
        let kinds = if kinds.is_empty() {
            String::new()
        } else {
            format!(" ({})", words::listed(&kinds))
        };
        format!(
            "{} in {} {}{kinds}",
            number::count(size.engagements, "engagement", "engagements"),
            number::count(size.drives, "drive", "drives"),
            side.text(),
        )
    };
    let mut sentence = format!("It rests on {} and {}", set(Side::Before), set(Side::After));
    let pairs = campaign
        .comparison
        .measures
        .iter()
        .map(|row| row.pairs)
        .filter(|n| *n > 0);
    if let (Some(least), Some(most)) = (pairs.clone().min(), pairs.max()) {
        sentence += &if least == most {
            format!("; {}", number::count(most, "matched pair", "matched pairs"))
        } else {
            format!(
                "; {} to {} matched pairs a measure",
                number::whole(least),
                number::whole(most)
            )
        };
    }
    let ends = [
        (
            "fluid at",
            "\u{a0}°C",
            overall(campaign, |c| c.fluid_temperature_c),
        ),
        (
            "demand steps of",
            &wording::behind(wording::demand_unit(campaign.notes.demand_unit)),
            overall(campaign, |c| c.demand_step),
        ),
    ];
    for (name, unit, ends) in ends {
        if let Some((low, high)) = ends {
            sentence += &format!("; {name} {}{unit}", number::span(low, high));
        }
    }
    sentence + "."
}

/// Lowest and highest value of a condition over both sets.
fn overall(
    campaign: &Campaign<'_>,
    condition: fn(&Conditions) -> Option<f64>,
) -> Option<(f64, f64)> {
    let [before, after] = Side::BOTH.map(|side| campaign.range_of(side, condition));
    match (before, after) {
        (Some(b), Some(a)) => Some((b.0.min(a.0), b.1.max(a.1))),
        (one, other) => one.or(other),
    }
}

fn lines(campaign: &Campaign<'_>) -> Vec<Line> {
    let both = |text: &dyn Fn(Side) -> String| Side::BOTH.map(text);
    let line = |name: &str, texts| Line {
        name: name.to_owned(),
        part: false,
        texts,
    };
    let part = |name: &str, texts| Line {
        name: name.to_owned(),
        part: true,
        texts,
    };
    let mut lines = vec![
        line(
            "Drives",
            both(&|side| number::whole(campaign.size(side).drives)),
        ),
        line(
            "Engagements",
            both(&|side| number::whole(campaign.size(side).engagements)),
        ),
    ];
    for kind in KINDS {
        lines.push(part(
            kind.plural(),
            both(&|side| number::whole(campaign.count_of(side, kind))),
        ));
    }
    if let Some(row) = campaign.shown_by() {
        let [before, after] = &row.compared;
        let counts = [before, after].map(|set| number::whole(set.len()));
        lines.push(Line {
            name: format!("compared in {}", row.measure.label()),
            part: true,
            texts: counts,
        });
    }
    lines.push(line(
        "Times counted from",
        both(&|side| references(campaign, side)),
    ));
    let demand = wording::demand_unit(campaign.notes.demand_unit);
    let conditions: [Condition<'_>; 6] = [
        ("Fluid temperature", "°C", |c| c.fluid_temperature_c),
        ("Speed at the start", "m/s", |c| c.speed_mps),
        ("Demand step", demand, |c| c.demand_step),
        ("Accelerator, largest", "%", |c| c.accelerator_percent),
        ("Accelerator rate, largest", "%/s", |c| {
            c.accelerator_rate_percent_per_s
        }),
        ("Engine torque, largest", "N·m", |c| c.engine_torque_nm),
    ];
    for (name, unit, condition) in conditions {
        let texts = both(&|side| match campaign.range_of(side, condition) {
            Some((low, high)) => format!("{}{}", number::span(low, high), wording::behind(unit)),
            None => "not known".to_owned(),
        });
        lines.push(line(name, texts));
    }
    lines
}

fn references(campaign: &Campaign<'_>, side: Side) -> String {
    let count = |reference| {
        campaign
            .engagements(side)
            .filter(|(_, e)| e.reference == reference)
            .count()
    };
    match (count(Reference::Demand), count(Reference::Slip)) {
        (0, 0) => "nothing".to_owned(),
        (_, 0) => Reference::Demand.label().to_owned(),
        (0, _) => Reference::Slip.label().to_owned(),
        (demand, slip) => format!(
            "{} ({demand}), {} ({slip})",
            Reference::Demand.label(),
            Reference::Slip.label()
        ),
    }
}

fn tested(campaign: &Campaign<'_>) -> Vec<String> {
    let mut items = Vec::new();
    for (verdict, text) in [
        (Verdict::Reduced, "Shown to be smaller after the work"),
        (Verdict::Increased, "Shown to be larger after the work"),
        (Verdict::NoChangeShown, "Tested, and no change shown"),
    ] {
        let labels: Vec<&str> = labels(campaign, verdict);
        if !labels.is_empty() {
            items.push(format!("{text}: {}.", words::listed(&labels)));
        }
    }
    if items.is_empty() {
        items.push("Nothing could be tested.".to_owned());
    }
    items
}

fn labels(campaign: &Campaign<'_>, verdict: Verdict) -> Vec<&'static str> {
    campaign
        .comparison
        .measures
        .iter()
        .filter(|row| row.verdict == verdict)
        .map(|row| row.measure.label())
        .collect()
}

fn not_tested(campaign: &Campaign<'_>) -> Vec<String> {
    let mut items = Vec::new();
    for (why, labels) in untested_measures(campaign) {
        items.push(format!(
            "{}: {why}.",
            words::capital(&words::listed(&labels))
        ));
    }
    for kind in KINDS {
        let sets: Vec<&str> = Side::BOTH
            .into_iter()
            .filter(|side| campaign.count_of(*side, kind) == 0)
            .map(Side::text)
            .collect();
        match sets.as_slice() {
            [] => {}
            [one] => items.push(format!("No {} was driven in the {one} set.", kind.text())),
            _ => items.push(format!("No {} was driven at all.", kind.text())),
        }
    }
    if let (Some(before), Some(after)) = (
        campaign.range_of(Side::Before, |c| c.fluid_temperature_c),
        campaign.range_of(Side::After, |c| c.fluid_temperature_c),
    ) {
        let (low, high) = (before.0.max(after.0), before.1.min(after.1));
        items.push(if low <= high {
            format!(
                "Fluid colder or hotter than {} °C.",
                number::span(low, high)
            )
        } else {
            "The two sets share no fluid temperature.".to_owned()
        });
    }
    items.push(
        "The road's grip: no bus tells it, so it is taken to be alike in both sets. Drives on a \
         better road after the work show less slip than before, whatever the work did."
            .to_owned(),
    );
    items.push(
        "The car's own sensors: they are taken as they report, and were not checked against others."
            .to_owned(),
    );
    items
}

/// Measures without a verdict, those with the same reason together.
fn untested_measures(campaign: &Campaign<'_>) -> Vec<(String, Vec<&'static str>)> {
    let mut reasons: Vec<(String, Vec<&str>)> = Vec::new();
    for row in &campaign.comparison.measures {
        if row.verdict != Verdict::NotEnoughData {
            continue;
        }
        let why = wording::why(row).unwrap_or_else(|| "too few matched engagements".to_owned());
        match reasons.iter_mut().find(|(known, _)| *known == why) {
            Some((_, labels)) => labels.push(row.measure.label()),
            None => reasons.push((why, vec![row.measure.label()])),
        }
    }
    reasons
}
