//! Pictures of scenarios as SVG: what the driver does on which road, and what the coupling makes of
//! it, over each drive. They show what a scenario does before anyone records it, and they stand in
//! the README.
//!
//! Each column of pixels is filled from the lowest to the highest value in it, so that nothing
//! short is lost however long the drive is. [`traces`] gathers the columns, [`panel`] draws them.
//! Places are written with a tenth of a pixel, which general chart libraries round away.

mod panel;
mod traces;

use std::fmt::Write;

use crate::drive;
use crate::fault::Fault;
use crate::manoeuvre::{Kind, Manoeuvre};
use crate::scenario::{DrivePlan, Scenario};
use crate::surface::Surface;
use crate::truth::{ROW_S, TrueEngagement};
use panel::{GAP, HEIGHT, PANELS, Place};
use traces::Traces;

/// Drives that are drawn at most.
const MOST_DRIVES: usize = 4;
/// Width of the drawing area, px, and so the number of columns.
const WIDTH: usize = 880;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 16.0;
/// Title, faults, manoeuvres and road above the panels, px.
const HEAD: f64 = 88.0;
/// Time axis below them, px.
const FOOT: f64 = 44.0;
const ROAD_TOP: f64 = 66.0;
const ROAD_HEIGHT: f64 = 12.0;

/// Simulates the drives of a scenario (at most four) without their buses and draws them.
#[must_use]
pub fn scenario_svg(scenario: &Scenario) -> String {
    let drives: Vec<&DrivePlan> = scenario.drives.iter().take(MOST_DRIVES).collect();
    let block = HEAD + PANELS.len() as f64 * (HEIGHT + GAP) + FOOT;
    let (width, height) = (LEFT + WIDTH as f64 + RIGHT, block * drives.len() as f64);
    // Names are letters, digits, spaces and a few signs by the scenario's check: no markup.
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" \
         width=\"{width}\" height=\"{height}\" font-family=\"sans-serif\" font-size=\"11\" \
         role=\"img\" aria-label=\"drives of the scenario {}\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n",
        scenario.name
    );
    for (index, plan) in drives.iter().enumerate() {
        let dropout_mps = drive::dropout_mps(scenario);
        let mut traces = Traces::new(dropout_mps, scenario.car.hydraulics.max_pressure_bar);
        let engagements = drive::states(scenario, index, |row| traces.push(row));
        let drawing = Drawing {
            plan,
            faults: &scenario.faults,
            traces: &traces,
            engagements: &engagements,
            top: block * index as f64,
        };
        drawing.draw(&mut svg);
    }
    svg.push_str("</svg>\n");
    svg
}

struct Drawing<'a> {
    plan: &'a DrivePlan,
    faults: &'a [Fault],
    traces: &'a Traces,
    engagements: &'a [TrueEngagement],
    top: f64,
}

impl Drawing<'_> {
    fn seconds(&self) -> f64 {
        self.traces.rows() as f64 * ROW_S
    }

    fn x(&self, t_s: f64) -> f64 {
        LEFT + t_s / self.seconds() * WIDTH as f64
    }

    fn draw(&self, svg: &mut String) {
        self.title(svg);
        self.manoeuvres(svg);
        self.road(svg);
        let mut top = self.top + HEAD;
        for panel in &PANELS {
            for e in self.engagements {
                let (from, to) = (self.x(e.start_s), self.x(e.end_s));
                let _ = writeln!(
                    svg,
                    "<rect x=\"{from:.1}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{HEIGHT}\" \
                     fill=\"#E6E6E6\"/>",
                    (to - from).max(0.5)
                );
            }
            let place = Place {
                left: LEFT,
                top,
                width: WIDTH,
            };
            panel.draw(svg, self.traces, place);
            top += HEIGHT + GAP;
        }
        for fault in self.faults.iter().filter(|fault| fault.onset_s > 0.0) {
            let _ = writeln!(
                svg,
                "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"{1:.0}\" y2=\"{2:.0}\" stroke=\"#000\" \
                 stroke-dasharray=\"4 3\" stroke-width=\"0.8\"/>",
                self.x(fault.onset_s.min(self.seconds())),
                self.top + HEAD,
                top - GAP
            );
        }
        self.time_axis(svg, top - GAP);
    }

    fn title(&self, svg: &mut String) {
        let right = LEFT + WIDTH as f64;
        let _ = writeln!(
            svg,
            "<text x=\"{LEFT}\" y=\"{:.0}\" font-size=\"15\" font-weight=\"bold\">{}</text>\
             <text x=\"{right:.0}\" y=\"{:.0}\" text-anchor=\"end\" font-size=\"12\">fluid {:.0} °C \
             at the start, air {:.0} °C; engagements in grey: {}</text>\
             <text x=\"{LEFT}\" y=\"{:.0}\" font-size=\"12\">{}</text>",
            self.top + 20.0,
            self.plan.name,
            self.top + 20.0,
            self.plan.fluid_c,
            self.plan.air_c,
            self.engagements.len(),
            self.top + 38.0,
            faults_in_words(self.faults)
        );
    }

    /// The name of each manoeuvre where it begins, as far as there is room.
    fn manoeuvres(&self, svg: &mut String) {
        const LETTER: f64 = 5.6;
        let mut free_from = LEFT;
        for &(number, t_s) in self.traces.manoeuvres() {
            let Some(manoeuvre) = self.plan.programme.get(number) else {
                continue;
            };
            let x = self.x(t_s);
            let name = name_of(manoeuvre);
            if x < free_from || x + LETTER * name.len() as f64 > LEFT + WIDTH as f64 + RIGHT {
                continue;
            }
            free_from = x + LETTER * (name.len() as f64 + 2.0);
            let y = self.top + ROAD_TOP - 5.0;
            let _ = writeln!(
                svg,
                "<line x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{:.0}\" y2=\"{:.0}\" stroke=\"#888\" \
                 stroke-width=\"0.7\"/><text x=\"{:.1}\" y=\"{y:.0}\" font-size=\"10\" \
                 fill=\"#333\">{name}</text>",
                y - 9.0,
                self.top + ROAD_TOP,
                x + 3.0
            );
        }
    }

    /// The road under the left and the right wheels, as two bands with the surface's name.
    fn road(&self, svg: &mut String) {
        let _ = writeln!(
            svg,
            "<text x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"end\" font-size=\"10\">road</text>",
            LEFT - 6.0,
            self.top + ROAD_TOP + ROAD_HEIGHT - 2.5
        );
        let stretches = self.traces.road();
        for (k, &(surfaces, from_s)) in stretches.iter().enumerate() {
            let to_s = stretches.get(k + 1).map_or(self.seconds(), |next| next.1);
            let (from, to) = (self.x(from_s), self.x(to_s));
            let half = 0.5 * ROAD_HEIGHT;
            for (surface, down) in surfaces.into_iter().zip([0.0, half]) {
                let _ = writeln!(
                    svg,
                    "<rect x=\"{from:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{half}\" \
                     fill=\"{}\"/>",
                    self.top + ROAD_TOP + down,
                    (to - from).max(0.3),
                    ink(surface)
                );
            }
            let words = match surfaces {
                [left, right] if left == right => left.text().to_owned(),
                [left, right] => format!("{} | {}", left.text(), right.text()),
            };
            if to - from > 6.0 * words.len() as f64 + 6.0 {
                let _ = writeln!(
                    svg,
                    "<text x=\"{:.1}\" y=\"{:.1}\" font-size=\"9\" text-anchor=\"middle\" \
                     stroke=\"white\" stroke-width=\"2.5\" paint-order=\"stroke\">{words}</text>",
                    0.5 * (from + to),
                    self.top + ROAD_TOP + ROAD_HEIGHT - 2.6
                );
            }
        }
    }

    fn time_axis(&self, svg: &mut String, y: f64) {
        let step = panel::Ticks::of(0.0, self.seconds(), 10.0).step;
        for k in 0..=(self.seconds() / step) as u32 {
            // Steps are whole numbers of hundredths.
            let t_s = (f64::from(k) * step * 100.0).round() / 100.0;
            let x = self.x(t_s);
            let _ = writeln!(
                svg,
                "<line x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{y:.1}\" y2=\"{:.1}\" stroke=\"#888\" \
                 stroke-width=\"0.7\"/><text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" \
                 font-size=\"10\">{t_s}</text>",
                y + 4.0,
                y + 15.0
            );
        }
        let _ = writeln!(
            svg,
            "<text x=\"{:.0}\" y=\"{:.1}\" text-anchor=\"middle\">time, s</text>",
            LEFT + 0.5 * WIDTH as f64,
            y + 29.0
        );
    }
}

fn faults_in_words(faults: &[Fault]) -> String {
    if faults.is_empty() {
        return "no fault".to_owned();
    }
    let list: Vec<String> = faults
        .iter()
        .map(|fault| {
            let mut words = format!("{} {}", words_of(fault.cause.text()), fault.severity);
            if fault.cause == crate::fault::Cause::InhibitedOrWiring {
                let _ = write!(words, " ({})", words_of(fault.form.text()));
            }
            if fault.onset_s > 0.0 {
                let _ = write!(words, " from {} s on (dashed)", fault.onset_s);
            }
            words
        })
        .collect();
    format!("faults: {}", list.join(", "))
}

fn words_of(key: &str) -> String {
    key.replace('_', " ")
}

fn name_of(manoeuvre: &Manoeuvre) -> String {
    match manoeuvre.kind {
        Kind::TipIn => "tip-in".to_owned(),
        Kind::TurnIn => "turn-in".to_owned(),
        kind => words_of(kind.text()),
    }
}

/// Colour of a surface on the road band.
fn ink(surface: Surface) -> &'static str {
    match surface {
        Surface::Dry => "#8C8C8C",
        Surface::Wet => "#4F7CAC",
        Surface::Gravel => "#B08D57",
        Surface::Snow => "#D8E6F2",
        Surface::Ice => "#8FD3E8",
    }
}

#[cfg(test)]
mod tests;
