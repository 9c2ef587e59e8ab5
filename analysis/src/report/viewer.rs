//! The part of the page in which traces are zoomed, moved and read with a cursor: its controls, and
//! the data and the script that bring them to life. Without scripts it says so and stays hidden.
//!
//! - `data`: the traces, packed into the page.
//! - `assets/traces.js`: ours; `assets/uPlot*`: the chart library, as published, with its licence.

mod data;

use maud::{Markup, html};

use super::campaign::Campaign;
use super::page::{Script, StyleSheet};
use data::TraceData;

/// The chart library as published, uPlot 1.6.32.
const CHART_LIBRARY: &str = include_str!("assets/uPlot.iife.min.js");
const CHART_STYLE: &str = include_str!("assets/uPlot.min.css");
const CHART_LICENCE: &str = include_str!("assets/uPlot-LICENSE.txt");
const VIEWER: &str = include_str!("assets/traces.js");

/// The viewer of one campaign's traces.
pub(super) struct Viewer {
    data: TraceData,
    /// The measure on which pairs were compared.
    paired_by: Option<&'static str>,
}

impl Viewer {
    pub(super) fn new(campaign: &Campaign<'_>) -> Self {
        Self {
            data: TraceData::new(campaign),
            paired_by: campaign.shown_by().map(|row| row.measure.label()),
        }
    }

    /// What the page must carry for it to run; nothing where there is nothing to show.
    pub(super) fn scripts(&self) -> Vec<Script> {
        if self.data.is_empty() {
            return Vec::new();
        }
        let library = format!("/*\n{CHART_LICENCE}\n*/\n{CHART_LIBRARY}");
        vec![
            Script::data("trace-data", self.data.json()),
            Script::code(library),
            Script::code(VIEWER.to_owned()),
        ]
    }

    /// The chart library's style sheet.
    pub(super) fn style(&self) -> StyleSheet {
        StyleSheet(CHART_STYLE)
    }

    /// The controls and the place for the charts.
    pub(super) fn part(&self) -> Markup {
        if self.data.is_empty() {
            return html! { p { "There are no traces to look into." } };
        }
        html! {
            noscript {
                p {
                    "Here a browser that runs the page's own scripts shows every trace under one "
                    "cursor. This one does not; the pictures above and below are complete without."
                }
            }
            div #viewer hidden {
                p {
                    "Choose one engagement of each set; both begin at the same event, at 0 s. Move over "
                    "a trace, or use the slider, to read all signals at one moment. Drag across a trace "
                    "to look into that stretch; on a touch screen use two fingers."
                    @if let Some(measure) = self.paired_by {
                        " Pairs are those that the comparison of " (measure) " laid side by side."
                    }
                }
                (self.choice())
                (self.signals())
                (zoom())
                div.cursor-line {
                    label for="viewer-cursor" { "Cursor" }
                    input #viewer-cursor type="range" min="0" max="1" value="0";
                    output #viewer-time for="viewer-cursor" {}
                }
                div #viewer-charts {}
                details {
                    summary { "Keys, wheel and more" }
                    ul {
                        li { "In this part of the page: + and − zoom, 0 shows all, M sets and takes away the pin. The slider moves with the arrow keys, Page up and Page down." }
                        li { "The pin stays where it was set; the time from it is shown beside the cursor’s, so that two moments can be measured." }
                        li { "Ctrl and the wheel zoom, Shift and the wheel move; Shift and drag move too. A double click shows all." }
                        li { "Values are read between samples along a straight line, and never across a gap. Wheel speeds are as the car gives them." }
                        li { "Charts drawn by uPlot 1.6.32, © 2022 Leon Sorokin, MIT licence; its text stands in this page’s source." }
                    }
                }
            }
        }
    }

    fn choice(&self) -> Markup {
        html! {
            div.controls role="group" aria-label="Which engagements" {
                label for="viewer-before" { span."mark before" aria-hidden="true" { "●" } " Before" }
                select #viewer-before {}
                label for="viewer-after" { span."mark after" aria-hidden="true" { "▲" } " After" }
                select #viewer-after {}
                button #viewer-previous type="button" { "Previous pair" }
                button #viewer-next type="button" { "Next pair" }
            }
        }
    }

    fn signals(&self) -> Markup {
        html! {
            fieldset.controls {
                legend { "Signals" }
                @for (i, signal) in self.data.signals().iter().enumerate() {
                    label {
                        input id={ "viewer-signal-" (i) } type="checkbox" checked[signal.shown];
                        " " (signal.name)
                    }
                }
                label {
                    input #viewer-behind type="checkbox";
                    " all others of this kind, faint"
                }
            }
        }
    }
}

fn zoom() -> Markup {
    html! {
        div.controls role="group" aria-label="Which stretch of time" {
            button #viewer-in type="button" { "Zoom in" }
            button #viewer-out type="button" { "Zoom out" }
            button #viewer-earlier type="button" { "Earlier" }
            button #viewer-later type="button" { "Later" }
            button #viewer-whole type="button" { "Show all" }
            button #viewer-pin type="button" aria-pressed="false" { "Pin" }
            span.why { "Shown: " span #viewer-range {} }
        }
    }
}
