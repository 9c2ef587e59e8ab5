//! The test card: one page for the passenger. What to drive, what it proves, what the car's signals
//! allow, and the cautions.

use maud::{Markup, html};

use super::page::{Page, Section, StyleSheet, cautions, literal, visible, wide_table};
use super::wording;
use crate::measure::Measure;
use crate::number;
use crate::plan::{
    ASSUMED_BETWEEN, ASSUMED_WITHIN, CampaignPlan, Design, MOST_DRIVES, MeasurePlan,
};
use crate::readiness::SignalLine;
use crate::test_card::{Manoeuvre, Need};
use crate::vehicle::Vehicle;
use crate::words;

/// Campaigns shown beside the recommended one.
const SHOWN: [(usize, usize); 5] = [(2, 6), (3, 4), (3, 6), (4, 6), (5, 10)];

/// A card is one sheet of paper.
const ONE_SHEET: StyleSheet = StyleSheet(
    "@media print{html{font-size:8pt!important}main>.part{margin-top:3mm!important;\
     padding-top:2mm!important}#signals ul{columns:2}footer{display:none}}",
);

/// Everything on the card.
#[derive(Clone, Copy, Debug)]
pub struct Card<'a> {
    /// The plan.
    pub plan: &'a CampaignPlan,
    /// The car.
    pub vehicle: &'a Vehicle,
    /// Its signals.
    pub signals: &'a [SignalLine],
    /// When the card was made, as it shall read.
    pub made: &'a str,
}

impl Card<'_> {
    /// The card as an HTML page.
    #[must_use]
    pub fn html(&self) -> String {
        let page = Page {
            title: "Test card",
            subject: &self.vehicle.name,
            notes: html! { p.notes { "Card of " (literal(self.made)) } },
            lead: self.lead(),
            sections: vec![
                Section::new("drive", "Each drive", self.drive()),
                Section::new("proves", "What it proves", self.proves()),
                Section::new(
                    "signals",
                    "What the car's signals allow",
                    self.signal_part(),
                ),
            ],
        };
        page.render_with(&[ONE_SHEET], &[])
    }

    /// The card as plain text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!(
            "Test card: {}\n\n{}\n",
            visible(&self.vehicle.name),
            self.answer()
        );
        for step in self.steps() {
            text += &format!("  - {step}\n");
        }
        text += "\nSmallest change that is proven four times out of five:\n";
        let line = |head: &str, cells: &mut dyn Iterator<Item = String>| {
            let cells: String = cells.map(|cell| format!("{cell:>19}")).collect();
            format!("  {head:<39}{cells}\n")
        };
        let labels = &mut self.known().map(|m| m.measure.label().to_owned());
        text += &line("drives a side, and in each", labels);
        for (design, cells) in self.rows() {
            text += &line(&named(design), &mut cells.into_iter());
        }
        for line in self.doubts() {
            text += &format!("  note: {line}\n");
        }
        for line in self.signals.iter().filter(|l| !l.is_there) {
            text += &format!("  without {}: {}\n", line.role.label(), line.cost);
        }
        text += "\nCautions:\n";
        for caution in super::page::CAUTIONS {
            text += &format!("  - {caution}\n");
        }
        text
    }

    fn answer(&self) -> String {
        let need = self.plan.need();
        let target = percent(self.plan.target);
        match self.plan.recommended {
            Some(at) => {
                let proven =
                    |m: &&MeasurePlan| m.provable.get(at).is_some_and(|p| *p <= self.plan.target);
                let (shown, rest): (Vec<_>, Vec<_>) = self.known().partition(proven);
                let (never, larger): (Vec<_>, Vec<_>) = rest
                    .into_iter()
                    .partition(|m| m.provable.get(at).is_some_and(|p| is_beyond_all(*p)));
                let label = |measures: Vec<&MeasurePlan>| {
                    let labels: Vec<&str> = measures.iter().map(|m| m.measure.label()).collect();
                    words::listed(&labels)
                };
                let mut but = String::new();
                if !larger.is_empty() {
                    but += &format!(
                        "; of {} only a larger one, as the table says",
                        label(larger)
                    );
                }
                if !never.is_empty() {
                    but += &format!("; less of {} cannot be shown", label(never));
                }
                format!(
                    "{} drives before the work and {} after it, each with {} launches and {} tip-ins, \
                     prove a change of {target} of {}{but}.",
                    need.drives,
                    need.drives,
                    need.launches,
                    need.tip_ins,
                    label(shown)
                )
            }
            None if self.known().next().is_none() => format!(
                "Nothing of slip or delay can be planned yet. Drive {} drives a side, each with {} \
                 launches and {} tip-ins.",
                need.drives, need.launches, need.tip_ins
            ),
            None => format!(
                "No campaign of up to {MOST_DRIVES} drives a side proves a change of {target} of delay or peak \
                 slip; the table says what can be."
            ),
        }
    }

    fn known(&self) -> impl Iterator<Item = &MeasurePlan> {
        self.plan.measures.iter().filter(|m| !m.provable.is_empty())
    }

    fn lead(&self) -> Markup {
        html! {
            section.verdict aria-labelledby="answer-heading" {
                h2 #answer-heading { "What to drive" }
                p.headline { (self.answer()) }
                @match &self.plan.accelerator_percent {
                    Ok((low, high)) => p.limits { "Accelerator: " (number::plain(*low)) " to " (number::plain(*high)) " %, where slip stands clear of its noise." },
                    Err(why) => p.limits { "Accelerator: " (why) "." },
                }
            }
            div.scope { (cautions()) }
        }
    }

    /// What is done in each drive, step by step.
    fn steps(&self) -> Vec<String> {
        let need: Need = self.plan.need();
        vec![
            "warm up as before every other drive, until the fluid is warm; note road and weather"
                .to_owned(),
            format!("{} times, {}", need.launches, Manoeuvre::Launch.text(&need)),
            format!("{} times, {}", need.tip_ins, Manoeuvre::TipIn.text(&need)),
            Manoeuvre::Coast.text(&need),
            "a minute of normal driving between two of them, so that the coupling cools".to_owned(),
            "the same surface, tyres, load and accelerator before and after the work".to_owned(),
        ]
    }

    fn drive(&self) -> Markup {
        html! { ol { @for step in self.steps() { li { (words::capital(&step)) "." } } } }
    }

    /// Designs shown, the recommended one among them.
    fn rows(&self) -> Vec<(Design, Vec<String>)> {
        let designs = self.plan.designs.iter().enumerate();
        designs
            .filter(|(at, d)| {
                SHOWN.contains(&(d.drives, d.launches)) || self.plan.recommended == Some(*at)
            })
            .map(|(at, design)| (*design, self.known().map(|m| cell(m, at)).collect()))
            .collect()
    }

    fn proves(&self) -> Markup {
        let rows = self.rows();
        let recommended = self
            .plan
            .recommended
            .and_then(|at| self.plan.designs.get(at));
        let table = html! {
            table {
                caption {
                    "Smallest change that is proven four times out of five"
                    span.why { " (of the value before; nothing falls by more than all of it)" }
                }
                thead { tr {
                    th scope="col" { "Drives a side, and in each" }
                    @for measure in self.known() {
                        th.number scope="col" { (words::capital(measure.measure.label())) }
                    }
                } }
                tbody {
                    @for (design, cells) in &rows {
                        tr {
                            th scope="row" {
                                (named(*design))
                                @if recommended == Some(design) { " (this card)" }
                            }
                            @for cell in cells { td.number { (cell) } }
                        }
                    }
                }
            }
        };
        html! {
            @if self.known().next().is_some() { (wide_table("What campaigns prove", &table)) }
            ul { @for line in self.doubts() { li { (words::capital(&line)) "." } } }
        }
    }

    /// What the plan rests on, and what it takes for granted.
    fn doubts(&self) -> Vec<String> {
        let plan = self.plan;
        let mut doubts = Vec::new();
        if plan.earlier_drives == 0 {
            doubts.push(format!(
                "it rests on no drive of this car: drives are taken to differ by {}, engagements by {}; one drive given with --earlier says it better",
                percent(ASSUMED_BETWEEN),
                percent(ASSUMED_WITHIN)
            ));
        } else {
            let noise = plan.noise_slip_mps.map_or_else(String::new, |noise| {
                format!("; slip noise {} m/s", number::rough(noise))
            });
            doubts.push(format!(
                "it rests on {} with {}{noise}",
                number::count(plan.earlier_drives, "earlier drive", "earlier drives"),
                number::count(
                    plan.earlier_engagements,
                    "launch or tip-in",
                    "launches and tip-ins"
                ),
            ));
            let assumed = |m: &MeasurePlan| m.spread.as_ref().is_ok_and(|s| s.is_between_assumed);
            if plan.measures.iter().any(assumed) {
                doubts.push(format!(
                    "so few drives do not tell how drives differ: at least {} is assumed",
                    percent(ASSUMED_BETWEEN)
                ));
            }
        }
        for measure in &plan.measures {
            if let Err(why) = &measure.spread {
                doubts.push(format!(
                    "{} is not planned for: {why}",
                    measure.measure.label()
                ));
            }
        }
        doubts
    }

    fn signal_part(&self) -> Markup {
        html! {
            ul {
                @for line in self.signals {
                    li {
                        (words::capital(line.role.label())) ": "
                        @if line.is_there { "there" } @else { strong { "missing" } ": " (line.cost) }
                    }
                }
            }
        }
    }
}

fn named(design: Design) -> String {
    format!(
        "{} drives, {} launches and {} tip-ins",
        design.drives, design.launches, design.tip_ins
    )
}

fn percent(part: f64) -> String {
    format!("{}\u{a0}%", number::rough(100.0 * part))
}

/// Whether a provable change is as large as the value itself. None of these measures falls below
/// nought, so no reduction is ever that large.
fn is_beyond_all(part: f64) -> bool {
    part >= 1.0
}

fn cell(measure: &MeasurePlan, at: usize) -> String {
    let Some(part) = measure.provable.get(at).filter(|p| p.is_finite()) else {
        return number::NO_NUMBER.to_owned();
    };
    if is_beyond_all(*part) {
        return "cannot be shown".to_owned();
    }
    let name = |m: Measure| m.unit();
    match &measure.spread {
        Ok(spread) if !measure.is_assumed => format!(
            "{} ({}{})",
            percent(*part),
            number::rough(part * spread.typical),
            wording::behind(name(measure.measure))
        ),
        _ => percent(*part),
    }
}

#[cfg(test)]
mod tests {
    use slipwright_decoders::role::Role;

    use super::*;
    use crate::comparison::tests::campaigns;
    use crate::plan::plan;
    use crate::readiness::signals;
    use crate::report::well_made::check_page;

    fn card(drives: usize, name: &str) -> (String, String) {
        let made = campaigns::campaign(&campaigns::Plan::USUAL, 31);
        let plan = plan(&made.before[..drives], 0.15);
        let vehicle = Vehicle {
            name: name.to_owned(),
            ..Vehicle::default()
        };
        let signals = signals(&[Role::CouplingDemand, Role::WheelSpeedFrontLeft]);
        let card = Card {
            plan: &plan,
            vehicle: &vehicle,
            signals: &signals,
            made: "3 May 2026",
        };
        (card.html(), card.text())
    }

    #[test]
    fn cards_are_well_made_and_show_names_literally() {
        for drives in [0, 1, 4] {
            let (html, text) = card(drives, "<script>alert(1)</script>");
            check_page(&html);
            assert!(html.contains("&lt;script&gt;alert(1)") && !html.contains("<script"));
            assert!(text.contains("passenger works the laptop"));
        }
    }

    /// One drive of slip that varies wildly: what would be a change of more than the value itself.
    #[test]
    fn a_change_beyond_the_value_itself_is_never_promised() {
        for drives in [1, 4] {
            let (html, text) = card(drives, "trial car");
            assert!(text.contains("cannot be shown") && html.contains("cannot be shown"));
            let parts = text
                .split("\u{a0}%")
                .filter_map(|before| before.rsplit(' ').next());
            let parts: Vec<f64> = parts.filter_map(|part| part.parse().ok()).collect();
            assert!(
                parts.len() > 5 && parts.iter().all(|p| *p <= 100.0),
                "{parts:?}"
            );
        }
    }

    #[test]
    fn a_card_as_text() {
        insta::assert_snapshot!(card(4, "trial car").1);
    }
}
