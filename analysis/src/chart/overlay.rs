//! Traces of two groups laid over each other, aligned at their reference: each trace a thin line,
//! the median of each group a thick one with its markers, the middle half of each group a band.

use super::axis::Axis;
use super::canvas::{self, Anchor, Canvas, Pen, Place, TEXT_PX};
use super::marker::{self, Fill};
use super::middle;
use super::trace::Trace;
use super::{Chart, ChartError, Side, palette};

const SIZE_PX: (u32, u32) = (480, 330);
const LEFT_PX: f64 = 54.0;
const RIGHT_PX: f64 = 470.0;
const TOP_PX: f64 = 56.0;
const BOTTOM_PX: f64 = 288.0;
/// Samples of the median between markers, and how far into it each side begins, so that markers
/// of the two sides do not hide each other.
const MARKER_STEPS: usize = 12;
/// More thin lines than this a side are only a blot; every n-th is drawn, the median is of all.
const MOST_LINES: usize = 40;

/// What is drawn.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Overlay<'a> {
    /// Title.
    pub title: &'a str,
    /// Unit of the values, over the axis.
    pub unit: &'a str,
    /// Under the time axis.
    pub time_caption: &'a str,
    /// What is seen, for who cannot see it.
    pub label: &'a str,
    /// Heading of the before group, after its marker.
    pub before_heading: &'a str,
    /// Heading of the after group, after its marker.
    pub after_heading: &'a str,
    /// Traces of the before group.
    pub before: Vec<Trace<'a>>,
    /// Traces of the after group.
    pub after: Vec<Trace<'a>>,
    /// Whether the values come back to nought (slip) or stay (pressure); it sets the stretch of
    /// time that is shown.
    pub pulse: bool,
}

/// Axes of one picture.
struct Axes {
    time: Axis,
    value: Axis,
}

impl Axes {
    fn place(&self, (t_s, value): (f64, f64)) -> Place {
        (
            LEFT_PX + self.time.place(t_s) * (RIGHT_PX - LEFT_PX),
            BOTTOM_PX - self.value.place(value) * (BOTTOM_PX - TOP_PX),
        )
    }
}

impl<'a> Overlay<'a> {
    fn traces(&self, side: Side) -> &[Trace<'a>] {
        match side {
            Side::Before => &self.before,
            Side::After => &self.after,
        }
    }

    /// Where the two median lines are farthest apart: time, before, after.
    #[must_use]
    pub fn farthest_apart(&self) -> Option<(f64, f64, f64)> {
        let (from_s, to_s) = self.window();
        let [before, after] =
            Side::BOTH.map(|side| middle::middle(self.traces(side), from_s, to_s));
        before
            .iter()
            .filter_map(|b| {
                // Both are taken at the same times, but a side may have none at some of them.
                let a = after.iter().find(|a| a.t_s == b.t_s)?;
                Some((b.t_s, b.median, a.median))
            })
            .max_by(|x, y| (x.1 - x.2).abs().total_cmp(&(y.1 - y.2).abs()))
    }

    fn window(&self) -> (f64, f64) {
        let all: Vec<Trace<'_>> = self.before.iter().chain(&self.after).copied().collect();
        let settled = if self.pulse { 0.85 } else { 0.95 };
        middle::window(&all, 0.25, settled, self.pulse)
    }

    /// Draws it.
    ///
    /// # Errors
    /// [`ChartError`] if plotters refuses a shape.
    pub fn draw(&self) -> Result<Chart, ChartError> {
        let (from_s, to_s) = self.window();
        let pieces = |side: Side| -> Vec<Vec<(f64, f64)>> {
            let traces = self.traces(side);
            let every = traces.len().div_ceil(MOST_LINES).max(1);
            traces
                .iter()
                .step_by(every)
                .flat_map(|t| t.pieces(from_s, to_s))
                .collect()
        };
        let lines = Side::BOTH.map(pieces);
        let values = lines.iter().flatten().flatten().map(|(_, value)| *value);
        let axes = Axes {
            time: Axis::spanning(from_s, to_s),
            value: Axis::from_zero(values),
        };
        canvas::draw(SIZE_PX, self.label, |canvas| {
            canvas.title(self.title)?;
            self.scales(canvas, &axes)?;
            for (side, lines) in Side::BOTH.into_iter().zip(&lines) {
                let few = self.traces(side).len() < middle::LEAST_TRACES;
                for line in lines {
                    let places = line.iter().map(|p| axes.place(*p));
                    // Without a median the traces themselves are what is looked at.
                    if few {
                        stroke(canvas, side, places)?;
                    } else {
                        canvas.line(places, Pen::new(side.ink(), 0.8).faint(0.32))?;
                    }
                }
            }
            for side in Side::BOTH {
                self.middle(canvas, &axes, side)?;
            }
            self.headings(canvas)
        })
    }

    fn middle(&self, canvas: &Canvas<'_>, axes: &Axes, side: Side) -> Result<(), ChartError> {
        let middle = middle::middle(self.traces(side), axes.time.low(), axes.time.high());
        if middle.len() < 2 {
            return Ok(());
        }
        let upper = middle.iter().map(|m| axes.place((m.t_s, m.high)));
        let lower = middle.iter().rev().map(|m| axes.place((m.t_s, m.low)));
        canvas.surface(upper.chain(lower), Pen::new(side.ink(), 0.0).faint(0.2))?;
        let median: Vec<Place> = middle
            .iter()
            .map(|m| axes.place((m.t_s, m.median)))
            .collect();
        stroke(canvas, side, median.iter().copied())?;
        let first = match side {
            Side::Before => MARKER_STEPS / 4,
            Side::After => MARKER_STEPS * 3 / 4,
        };
        for place in median.iter().skip(first).step_by(MARKER_STEPS) {
            marker::draw(canvas, side, Fill::Solid, *place, 1.0)?;
        }
        Ok(())
    }

    fn headings(&self, canvas: &Canvas<'_>) -> Result<(), ChartError> {
        let halves = [
            (Side::Before, self.before_heading, LEFT_PX),
            (Side::After, self.after_heading, (LEFT_PX + RIGHT_PX) / 2.0),
        ];
        for (side, heading, x) in halves {
            let y = TOP_PX - 15.0;
            stroke(canvas, side, [(x, y), (x + 34.0, y)].into_iter())?;
            marker::draw(canvas, side, Fill::Solid, (x + 17.0, y), 1.0)?;
            canvas.text(
                heading,
                (x + 41.0, y),
                Anchor::Start,
                TEXT_PX,
                palette::TEXT,
            )?;
        }
        Ok(())
    }

    fn scales(&self, canvas: &Canvas<'_>, axes: &Axes) -> Result<(), ChartError> {
        let quiet =
            |text: &str, place, anchor| canvas.text(text, place, anchor, TEXT_PX, palette::QUIET);
        quiet(self.unit, (LEFT_PX - 7.0, TOP_PX - 15.0), Anchor::End)?;
        for (tick, label) in axes.value.ticks() {
            let (_, y) = axes.place((0.0, tick));
            let zero = tick.abs() < (axes.value.high() - axes.value.low()) * 1e-9;
            let ink = if zero { palette::EDGE } else { palette::RULE };
            canvas.line([(LEFT_PX, y), (RIGHT_PX, y)], Pen::new(ink, 1.0))?;
            quiet(&label, (LEFT_PX - 7.0, y), Anchor::End)?;
        }
        for (tick, label) in axes.time.ticks() {
            let (x, _) = axes.place((tick, 0.0));
            let reference = tick.abs() < (axes.time.high() - axes.time.low()) * 1e-9;
            let (ink, end) = if reference {
                (palette::EDGE, TOP_PX)
            } else {
                (palette::RULE, BOTTOM_PX + 4.0)
            };
            canvas.line(
                [(x, BOTTOM_PX + 4.0), (x, end.min(BOTTOM_PX))],
                Pen::new(ink, 1.0),
            )?;
            quiet(&label, (x, BOTTOM_PX + 13.0), Anchor::Middle)?;
        }
        let middle = (LEFT_PX + RIGHT_PX) / 2.0;
        quiet(
            self.time_caption,
            (middle, BOTTOM_PX + 32.0),
            Anchor::Middle,
        )
    }
}

/// The thick line of a group: full before, dashed after.
fn stroke(
    canvas: &Canvas<'_>,
    side: Side,
    places: impl Iterator<Item = Place>,
) -> Result<(), ChartError> {
    let pen = Pen::new(side.ink(), 2.4);
    match side {
        Side::Before => canvas.line(places, pen),
        Side::After => canvas.dashes(places, (9.0, 3.5), pen),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const T_S: [f64; 5] = [0.0, 0.25, 0.5, 0.75, 1.0];
    const SLOW: [f64; 5] = [0.0, 1.0, 2.0, 3.0, 4.0];
    const FAST: [f64; 5] = [0.0, 3.5, 4.0, 4.0, 4.0];

    fn overlay(n: usize) -> Overlay<'static> {
        let trace = |values: &'static [f64]| Trace { t_s: &T_S, values };
        Overlay {
            before: vec![trace(&SLOW); n],
            after: vec![trace(&FAST); n],
            label: "what is seen",
            ..Overlay::default()
        }
    }

    #[test]
    fn medians_are_compared_where_they_differ_most() {
        let (t_s, before, after) = overlay(3).farthest_apart().unwrap();
        // The fast rise leads the slow one by most at its own bend, 0.25 s: 3.5 against 1.
        assert!((t_s - 0.25).abs() < 0.02, "{t_s}");
        assert!(
            (before - 1.0).abs() < 0.1 && (after - 3.5).abs() < 0.1,
            "{before} {after}"
        );
        assert_eq!(overlay(2).farthest_apart(), None);
    }

    /// Stroke widths in tenths of a pixel: 8 for one trace of many, 24 for a median, and for each
    /// trace where there are too few for a median.
    #[test]
    fn few_traces_are_drawn_as_thick_as_medians() {
        let thin = "stroke-width=\"8\"";
        let svg = overlay(3).draw().unwrap().svg;
        assert_eq!(svg.matches(thin).count(), 6);
        // Bands are seen through, markers are not.
        assert_eq!(svg.matches("<polygon opacity").count(), 2);
        assert!(!overlay(2).draw().unwrap().svg.contains(thin));
    }

    #[test]
    fn nothing_to_show_is_no_error() {
        assert!(Overlay::default().draw().unwrap().svg.starts_with("<svg"));
    }
}
