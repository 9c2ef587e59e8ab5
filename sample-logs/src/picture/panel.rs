//! Panels: one axis with one or two traces.

use std::fmt::Write;

use super::traces::{Span, Trace, Traces};

/// Height of a panel and the gap below it, px.
pub(super) const HEIGHT: f64 = 78.0;
pub(super) const GAP: f64 = 18.0;

/// Colours that stay apart for the colour-blind and in grey (M. Okabe, K. Ito, "Color Universal
/// Design", 2008; from memory).
const BLUE: &str = "#0072B2";
const ORANGE: &str = "#D55E00";
const SKY: &str = "#56B4E9";

/// A panel: its axis and its traces with their colours and names.
pub(super) struct Panel {
    label: &'static str,
    /// Least range of the axis.
    least: f64,
    traces: &'static [(Trace, &'static str, &'static str)],
}

pub(super) const PANELS: [Panel; 5] = [
    Panel {
        label: "speed, km/h",
        least: 10.0,
        traces: &[(Trace::Speed, BLUE, "")],
    },
    Panel {
        label: "pedals, %",
        least: 100.0,
        traces: &[
            (Trace::Brake, SKY, "brake"),
            (Trace::Pedal, ORANGE, "accelerator"),
        ],
    },
    Panel {
        label: "pressure, bar",
        least: 10.0,
        traces: &[
            (Trace::DemandedPressure, ORANGE, "demanded"),
            (Trace::Pressure, BLUE, "in the coupling"),
        ],
    },
    Panel {
        label: "slip, m/s",
        least: 1.0,
        traces: &[(Trace::Slip, BLUE, "front over rear axle")],
    },
    Panel {
        label: "plates, °C",
        least: 20.0,
        traces: &[(Trace::Plates, BLUE, "")],
    },
];

/// Where a panel is drawn, px.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) width: usize,
}

impl Panel {
    pub(super) fn draw(&self, svg: &mut String, traces: &Traces, at: Place) {
        let ticks = self.ticks(traces);
        let y =
            |value: f64| at.top + HEIGHT * (1.0 - (value - ticks.low) / (ticks.high - ticks.low));
        let right = at.left + at.width as f64;
        for k in 0..=ticks.count() {
            let tick = ticks.low + k as f64 * ticks.step;
            let _ = writeln!(
                svg,
                "<line x1=\"{:.0}\" x2=\"{right:.0}\" y1=\"{2:.1}\" y2=\"{2:.1}\" stroke=\"{1}\" \
                 stroke-width=\"0.6\"/><text x=\"{3:.0}\" y=\"{4:.1}\" text-anchor=\"end\" \
                 font-size=\"10\">{5}</text>",
                at.left,
                if tick.abs() < 1e-9 { "#666" } else { "#C8C8C8" },
                y(tick),
                at.left - 6.0,
                y(tick) + 3.5,
                (tick * 100.0).round() / 100.0
            );
        }
        let middle = at.top + 0.5 * HEIGHT;
        let _ = writeln!(
            svg,
            "<text transform=\"translate(14 {middle:.0}) rotate(-90)\" text-anchor=\"middle\">{}\
             </text>",
            self.label
        );
        for &(trace, colour, _) in self.traces {
            let columns = traces.columns(trace, at.width);
            let path = outline(&columns, at.left, y);
            if !path.is_empty() {
                let _ = writeln!(
                    svg,
                    "<path d=\"{path}\" fill=\"{colour}\" stroke=\"{colour}\" stroke-width=\"0.5\" \
                     stroke-linejoin=\"round\"/>"
                );
            }
        }
        // Names stand in the gap above, where no trace comes.
        let mut x = at.left;
        for &(_, colour, name) in self.traces.iter().filter(|(.., name)| !name.is_empty()) {
            let _ = writeln!(
                svg,
                "<rect x=\"{x:.0}\" y=\"{:.1}\" width=\"12\" height=\"3\" fill=\"{colour}\"/>\
                 <text x=\"{:.0}\" y=\"{:.1}\" font-size=\"10\" fill=\"#333\">{name}</text>",
                at.top - 7.0,
                x + 16.0,
                at.top - 3.5
            );
            x += 5.6 * name.len() as f64 + 34.0;
        }
    }

    /// Ticks that hold every trace and zero, as far as zero is near.
    fn ticks(&self, traces: &Traces) -> Ticks {
        let all = self.traces.iter().map(|&(trace, ..)| traces.range(trace));
        let range = all.reduce(Span::join).filter(|span| !span.is_none());
        let Some(range) = range else {
            return Ticks::of(0.0, self.least, 4.0);
        };
        let far_from_zero = range.low > 2.0 * (range.high - range.low);
        let mut low = if far_from_zero {
            range.low
        } else {
            range.low.min(0.0)
        };
        // A car that settles back on its brakes is not reversing.
        if low < 0.0 && -low < 0.02 * (range.high - low) {
            low = 0.0;
        }
        let most = if far_from_zero { 3.0 } else { 4.0 };
        Ticks::of(low, range.high.max(low + self.least), most)
    }
}

/// The columns as closed outlines: one for each run of columns that hold something. Points in the
/// middle of a level stretch are left out.
fn outline(columns: &[Span], left: f64, y: impl Fn(f64) -> f64) -> String {
    let mut path = String::new();
    let mut from = 0;
    while from < columns.len() {
        let rest = columns.get(from..).unwrap_or_default();
        let run = rest.iter().take_while(|span| !span.is_none()).count();
        if run == 0 {
            from += 1;
            continue;
        }
        let spans = rest.get(..run).unwrap_or_default();
        let edge = |of: fn(&Span) -> f64, out: f64| {
            let points = spans.iter().enumerate();
            points
                .map(|(k, span)| ((from + k) as f64 + left, y(of(span)) + out))
                .map(|(x, y)| (format!("{x:.0}"), format!("{y:.1}")))
                .collect::<Vec<_>>()
        };
        let upper = thinned(edge(|span| span.high, -0.6));
        let mut lower = thinned(edge(|span| span.low, 0.6));
        lower.reverse();
        let mut start = 'M';
        for (x, y) in upper.into_iter().chain(lower) {
            let _ = write!(path, "{start}{x} {y}");
            start = 'L';
        }
        path.push('Z');
        from += run;
    }
    path
}

/// Points without those between two of the same height.
fn thinned(points: Vec<(String, String)>) -> Vec<(String, String)> {
    let last = points.len().saturating_sub(1);
    let level = |k: usize| {
        let height = |k: usize| points.get(k).map(|(_, y)| y);
        k > 0 && k < last && height(k - 1) == height(k) && height(k) == height(k + 1)
    };
    let kept: Vec<bool> = (0..points.len()).map(|k| !level(k)).collect();
    let pairs = points.into_iter().zip(kept);
    pairs
        .filter_map(|(point, kept)| kept.then_some(point))
        .collect()
}

/// Round ticks of an axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Ticks {
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) step: f64,
}

impl Ticks {
    /// Ticks 1, 2 or 5 times a power of ten apart that hold a range with at most `most` steps in
    /// it.
    pub(super) fn of(low: f64, high: f64, most: f64) -> Self {
        let width = (high - low).max(1e-3);
        let mut step = 1e-3;
        'search: for power in 0..9 {
            for digit in [1.0, 2.0, 5.0] {
                step = 1e-3 * digit * libm::pow(10.0, f64::from(power));
                if width / step <= most {
                    break 'search;
                }
            }
        }
        let low = (low / step).floor() * step;
        let high = ((high / step).ceil() * step).max(low + step);
        Self { low, high, step }
    }

    fn count(&self) -> usize {
        ((self.high - self.low) / self.step).round() as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_cover_the_range() {
        let got = Ticks::of(0.0, 21.3, 5.0);
        assert_eq!((got.low, got.high, got.step), (0.0, 25.0, 5.0));
        let got = Ticks::of(-0.2, 1.7, 5.0);
        assert_eq!((got.low, got.high, got.step), (-0.5, 2.0, 0.5));
    }

    #[test]
    fn an_outline_breaks_where_there_is_nothing_and_keeps_corners_only() {
        let span = |low: f64, high: f64| Span { low, high };
        let none = span(f64::INFINITY, f64::NEG_INFINITY);
        let columns = [
            span(1.0, 1.0),
            span(1.0, 1.0),
            span(1.0, 1.0),
            none,
            span(2.0, 3.0),
        ];
        let path = outline(&columns, 0.0, |value| 10.0 * value);
        assert_eq!(path, "M0 9.4L2 9.4L2 10.6L0 10.6ZM4 29.4L4 20.6Z");
    }
}
