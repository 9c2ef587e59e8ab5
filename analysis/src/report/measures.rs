//! The table of all measures: what the comparison says of each.

use maud::{Markup, html};

use super::campaign::Campaign;
use super::page::wide_table;
use super::wording;
use crate::comparison::MeasureComparison;
use crate::number;
use crate::words;

const NAME: &str = "Every measure, before and after";

/// The table and how to read it.
pub(super) fn part(campaign: &Campaign<'_>) -> Markup {
    let rows = &campaign.comparison.measures;
    if rows.is_empty() {
        return html! { p { "No measure was compared." } };
    }
    let table = html! {
        table.measures {
            caption { (NAME) }
            thead { tr {
                th scope="col" { "Measure" }
                th scope="col" { "Verdict" }
                th.number scope="col" { "Median before" }
                th.number scope="col" { "Median after" }
                th.number scope="col" { "Shift" }
                th.number scope="col" { "95 % interval of shift" }
                th.number scope="col" { "p" }
                th.number scope="col" { "Tested at" }
                th.number scope="col" { "p, corrected" }
                th.number scope="col" { "Smallest provable change" }
                th.number scope="col" { "Pairs" }
            } }
            tbody { @for row in rows { (line(row)) } }
        }
    };
    html! {
        (wide_table(NAME, &table))
        p {
            "Medians are over matched engagements. The shift is the Hodges-Lehmann estimate, after "
            "less before, at conditions that are equal on both sides; it need not equal the difference "
            "of the medians, a part of which may come from how the sets were driven. p is the probability of "
            "a difference this large if the work had changed nothing. A change is shown where p is "
            "below the level that it is tested at. The levels keep the chance of a wrong answer on "
            "any measure below 5 % (weighted Holm correction): three quarters of the 5 % are for the "
            "engagement delay, a quarter for the measures of slip together, most of it for those "
            "that vary least from engagement to engagement, and a fiftieth beside that for each "
            "other measure. What is shown hands its part on to the others. Corrected is p as it "
            "would stand against 5 %. The smallest provable change is what this campaign would "
            "have shown in four cases of five at that level; a smaller one can be shown too, only "
            "less often. There is none where not even a fall to nothing would have been shown, or where "
            "so few drives do not tell."
        }
        p {
            strong { "“No change shown” is not “no change”. " }
            "It says that these drives could not tell. A change smaller than the smallest provable "
            "one may be there."
        }
        (methods(rows))
    }
}

fn line(row: &MeasureComparison) -> Markup {
    let u = wording::u_of_shift(row);
    let number = |value: Option<f64>, text: &dyn Fn(f64) -> String| {
        value
            .filter(|v| v.is_finite())
            .map_or_else(|| number::NO_NUMBER.to_owned(), text)
    };
    let interval = match (row.ci_low, row.ci_high) {
        (Some(low), Some(high)) => number::interval(low, high, u),
        _ => number::NO_NUMBER.to_owned(),
    };
    html! {
        tr {
            th scope="row" {
                (words::capital(row.measure.label()))
                span.unit { ", " (wording::heading_unit(row.measure)) }
                span.meaning { (row.measure.meaning()) }
            }
            td.verdict-cell {
                span.mark aria-hidden="true" { (wording::sign(row.verdict)) } " "
                (wording::verdict(row))
                @if let Some(why) = wording::why(row) { span.why { "; " (why) } }
            }
            td.number { (number(row.before_median, &|v| number::rounded_to(v, u))) }
            td.number { (number(row.after_median, &|v| number::rounded_to(v, u))) }
            td.number { (number(row.shift, &|v| number::signed(v, u))) }
            td.number { (interval) }
            td.number { (number(row.p, &number::probability)) }
            td.number { (number(row.level, &number::probability)) }
            td.number { (number(row.p_holm, &number::probability)) }
            td.number { (number(row.smallest_provable, &number::rough)) }
            td.number { (number::whole(row.pairs)) }
        }
    }
}

/// Which measures were compared in which way.
fn methods(rows: &[MeasureComparison]) -> Markup {
    let mut methods: Vec<(&str, Vec<&str>)> = Vec::new();
    for row in rows.iter().filter(|row| row.pairs > 0) {
        match methods.iter_mut().find(|(method, _)| *method == row.method) {
            Some((_, labels)) => labels.push(row.measure.label()),
            None => methods.push((row.method, vec![row.measure.label()])),
        }
    }
    html! {
        @if let [(method, _)] = methods.as_slice() {
            p { "Method, for every measure: " (method) "." }
        } @else {
            @for (method, labels) in &methods {
                p { "Method for " (words::listed(labels)) ": " (method) "." }
            }
        }
    }
}
