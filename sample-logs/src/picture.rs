//! Pictures of scenarios as SVG: speed, pedal and demand, pressure, and slip over each drive. They
//! show what a scenario does before anyone records it, and they stand in the README.

use std::fmt::Write;

use crate::drive;
use crate::scenario::{DrivePlan, Scenario};
use crate::truth::{Row, TrueEngagement};

/// Drives that are drawn at most.
const MOST_DRIVES: usize = 4;
/// Width of the drawing area, px, and so the number of columns.
const WIDTH: usize = 880;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 16.0;
const PANEL: f64 = 74.0;
const GAP: f64 = 10.0;
const HEAD: f64 = 42.0;
const FOOT: f64 = 40.0;

/// Colours that stay apart for the colour-blind and in grey (M. Okabe, K. Ito, "Color Universal
/// Design", 2008; from memory).
const BLUE: &str = "#0072B2";
const ORANGE: &str = "#D55E00";
const BAND: &str = "#E8E8E8";

/// One column of pixels: the lowest and highest value in it.
#[derive(Clone, Copy, Debug)]
struct Span {
    low: f64,
    high: f64,
}

impl Span {
    const NONE: Self = Self {
        low: f64::INFINITY,
        high: f64::NEG_INFINITY,
    };

    fn take(&mut self, value: f64) {
        self.low = self.low.min(value);
        self.high = self.high.max(value);
    }

    fn join(self, other: Self) -> Self {
        Self {
            low: self.low.min(other.low),
            high: self.high.max(other.high),
        }
    }
}

/// What is drawn, in order: speed, pedal, demand, pressure, slip.
const TRACES: usize = 5;

#[derive(Debug)]
struct Traces {
    /// Every 20 ms one span a trace.
    spans: Vec<[Span; TRACES]>,
    rows: usize,
}

/// Rows in a span.
const SPAN_ROWS: usize = 20;

impl Traces {
    fn push(&mut self, row: &Row, dropout_mps: f64) {
        if self.rows.is_multiple_of(SPAN_ROWS) {
            self.spans.push([Span::NONE; TRACES]);
        }
        self.rows += 1;
        let slowest = row
            .contact_mps
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min);
        let values = [
            row.state.forward_mps * 3.6,
            row.pedal_percent,
            row.demand_percent,
            row.state.pressure_bar,
            if slowest > dropout_mps {
                row.slip_mps
            } else {
                0.0
            },
        ];
        if let Some(spans) = self.spans.last_mut() {
            for (span, value) in spans.iter_mut().zip(values) {
                span.take(value);
            }
        }
    }

    fn range(&self, trace: usize) -> Span {
        self.spans
            .iter()
            .filter_map(|s| s.get(trace))
            .fold(Span::NONE, |a, &b| a.join(b))
    }

    /// The trace as a closed outline over the columns.
    fn outline(&self, trace: usize, y: impl Fn(f64) -> f64) -> String {
        let per_column = self.spans.len() as f64 / WIDTH as f64;
        let mut upper = String::new();
        let mut lower = Vec::new();
        for column in 0..WIDTH {
            let from = (column as f64 * per_column) as usize;
            let to = ((((column + 1) as f64) * per_column) as usize).max(from + 1);
            let part = self
                .spans
                .iter()
                .take(to)
                .skip(from)
                .filter_map(|s| s.get(trace));
            let span = part.fold(Span::NONE, |a, &b| a.join(b));
            if span.low > span.high {
                continue;
            }
            let x = LEFT + column as f64;
            let _ = write!(upper, "{x:.0},{:.1} ", y(span.high) - 0.7);
            lower.push(format!("{x:.0},{:.1}", y(span.low) + 0.7));
        }
        lower.reverse();
        upper + &lower.join(" ")
    }
}

struct Panel {
    label: &'static str,
    traces: &'static [(usize, &'static str, &'static str)],
}

const PANELS: [Panel; 4] = [
    Panel {
        label: "speed, km/h",
        traces: &[(0, BLUE, "")],
    },
    Panel {
        label: "per cent",
        traces: &[(1, ORANGE, "pedal"), (2, BLUE, "demand")],
    },
    Panel {
        label: "pressure, bar",
        traces: &[(3, BLUE, "")],
    },
    Panel {
        label: "slip, m/s",
        traces: &[(4, BLUE, "")],
    },
];

/// Simulates the drives of a scenario (at most four) without their buses and draws them.
#[must_use]
pub fn scenario_svg(scenario: &Scenario) -> String {
    let drives: Vec<&DrivePlan> = scenario.drives.iter().take(MOST_DRIVES).collect();
    let block = HEAD + PANELS.len() as f64 * (PANEL + GAP) + FOOT;
    let (width, height) = (LEFT + WIDTH as f64 + RIGHT, block * drives.len() as f64);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" \
         width=\"{width}\" height=\"{height}\" font-family=\"sans-serif\" font-size=\"12\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n"
    );
    for (index, plan) in drives.iter().enumerate() {
        let dropout_mps = drive::dropout_mps(scenario);
        let mut traces = Traces {
            spans: Vec::new(),
            rows: 0,
        };
        let engagements = drive::states(scenario, scenario.seed, index, |row| {
            traces.push(row, dropout_mps)
        });
        draw(&mut svg, plan, &traces, &engagements, block * index as f64);
    }
    svg.push_str("</svg>\n");
    svg
}

fn draw(
    svg: &mut String,
    plan: &DrivePlan,
    traces: &Traces,
    engagements: &[TrueEngagement],
    top: f64,
) {
    let seconds = traces.rows as f64 * crate::truth::ROW_S;
    let x = |t_s: f64| LEFT + t_s / seconds * WIDTH as f64;
    let surface = plan
        .road
        .first()
        .map_or("dry", |stretch| stretch.left.text());
    // Names are letters, digits, spaces and a few signs by the scenario's check: no markup.
    let _ = writeln!(
        svg,
        "<text x=\"{LEFT}\" y=\"{:.0}\" font-size=\"15\" font-weight=\"bold\">{}</text>\
         <text x=\"{:.0}\" y=\"{:.0}\" text-anchor=\"end\">{surface}, fluid {:.0} °C at the start, \
         {} engagements (grey)</text>",
        top + 20.0,
        plan.name,
        LEFT + WIDTH as f64,
        top + 20.0,
        plan.fluid_c,
        engagements.len()
    );
    let mut y0 = top + HEAD;
    for panel in &PANELS {
        let range = panel
            .traces
            .iter()
            .map(|&(trace, ..)| traces.range(trace))
            .fold(
                Span {
                    low: 0.0,
                    high: 0.0,
                },
                Span::join,
            );
        let ticks = ticks(range);
        let (low, high) = (ticks.low, ticks.high);
        let y = |value: f64| y0 + PANEL * (1.0 - (value - low) / (high - low));
        for e in engagements {
            let _ = writeln!(
                svg,
                "<rect x=\"{:.1}\" y=\"{y0:.1}\" width=\"{:.1}\" height=\"{PANEL}\" fill=\"{BAND}\"/>",
                x(e.start_s),
                (x(e.end_s) - x(e.start_s)).max(0.5)
            );
        }
        let mut tick = low;
        while tick <= high + 1e-9 {
            let _ = writeln!(
                svg,
                "<line x1=\"{LEFT}\" x2=\"{:.0}\" y1=\"{1:.1}\" y2=\"{1:.1}\" stroke=\"#BBBBBB\" \
                 stroke-width=\"0.5\"/><text x=\"{2:.0}\" y=\"{3:.1}\" text-anchor=\"end\" \
                 font-size=\"10\">{4}</text>",
                LEFT + WIDTH as f64,
                y(tick),
                LEFT - 5.0,
                y(tick) + 3.5,
                (tick * 100.0).round() / 100.0
            );
            tick += ticks.step;
        }
        let middle = y0 + 0.5 * PANEL;
        let _ = writeln!(
            svg,
            "<text transform=\"translate(14 {middle:.0}) rotate(-90)\" text-anchor=\"middle\" \
             font-size=\"11\">{}</text>",
            panel.label
        );
        for (k, &(trace, colour, name)) in panel.traces.iter().enumerate() {
            let _ = writeln!(
                svg,
                "<polygon points=\"{}\" fill=\"{colour}\" stroke=\"{colour}\" \
                 stroke-width=\"0.4\"/>",
                traces.outline(trace, y)
            );
            if !name.is_empty() {
                let _ = writeln!(
                    svg,
                    "<text x=\"{:.0}\" y=\"{:.0}\" fill=\"{colour}\" font-size=\"11\">{name}</text>",
                    LEFT + 6.0 + 52.0 * k as f64,
                    y0 + 11.0
                );
            }
        }
        y0 += PANEL + GAP;
    }
    time_axis(svg, seconds, y0, x);
}

fn time_axis(svg: &mut String, seconds: f64, y0: f64, x: impl Fn(f64) -> f64) {
    let step = ticks(Span {
        low: 0.0,
        high: seconds,
    })
    .step;
    let mut t_s = 0.0;
    while t_s <= seconds {
        let _ = writeln!(
            svg,
            "<text x=\"{:.0}\" y=\"{:.0}\" text-anchor=\"middle\" font-size=\"10\">{t_s}</text>",
            x(t_s),
            y0 + 4.0
        );
        t_s += step;
    }
    let _ = writeln!(
        svg,
        "<text x=\"{:.0}\" y=\"{:.0}\" text-anchor=\"middle\" font-size=\"11\">time, s</text>",
        x(0.5 * seconds),
        y0 + 19.0
    );
}

struct Ticks {
    low: f64,
    high: f64,
    step: f64,
}

/// Round ticks, 1, 2 or 5 times a power of ten apart, three to six of them.
fn ticks(range: Span) -> Ticks {
    let width = (range.high - range.low).max(1e-3);
    let mut step = 1e-3;
    'search: for power in 0..9 {
        for digit in [1.0, 2.0, 5.0] {
            step = 1e-3 * digit * libm::pow(10.0, f64::from(power));
            if width / step <= 5.0 {
                break 'search;
            }
        }
    }
    let low = (range.low / step).floor() * step;
    let high = ((range.high / step).ceil() * step).max(low + step);
    Ticks { low, high, step }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_cover_the_range() {
        let got = ticks(Span {
            low: 0.0,
            high: 21.3,
        });
        assert_eq!((got.low, got.high, got.step), (0.0, 25.0, 5.0));
        let got = ticks(Span {
            low: -0.2,
            high: 1.7,
        });
        assert!(
            got.low <= -0.2 && got.high >= 1.7 && got.step == 0.5,
            "{}",
            got.step
        );
    }

    #[test]
    fn a_picture_has_every_drive_and_is_well_formed() {
        let text = "name = \"two\"\n[[drive]]\n[[drive.manoeuvre]]\nkind = \"launch\"\n\
                    [[drive]]\nname = \"other\"\n[[drive.manoeuvre]]\nkind = \"stand\"\n";
        let svg = scenario_svg(&Scenario::parse(text, None).unwrap());
        assert!(svg.contains(">two-1<") && svg.contains(">other<"));
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
        assert_eq!(svg.matches("<polygon").count(), 2 * TRACES);
        let opened = svg.matches("<text").count();
        assert_eq!(opened, svg.matches("</text>").count());
    }
}
