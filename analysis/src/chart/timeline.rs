//! One value a drive over months: points, the band of healthy drives, the slope, the work done.

use super::axis::Axis;
use super::canvas::{self, Anchor, Canvas, Pen, TEXT_PX};
use super::marker::{self, Fill};
use super::{Chart, ChartError, Side, palette};

const SIZE_PX: (u32, u32) = (480, 280);
const LEFT_PX: f64 = 54.0;
const RIGHT_PX: f64 = 472.0;
const TOP_PX: f64 = 48.0;
const BOTTOM_PX: f64 = 240.0;

/// What is drawn. Times are in months from the first drive.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Timeline<'a> {
    /// What is shown.
    pub title: &'a str,
    /// Its unit.
    pub unit: &'a str,
    /// Under the level axis.
    pub time_caption: &'a str,
    /// What is seen, in words.
    pub label: &'a str,
    /// Time, value and standard uncertainty of each drive.
    pub points: Vec<(f64, f64, Option<f64>)>,
    /// Where healthy drives lie.
    pub band: Option<(f64, f64)>,
    /// Ends of the slope's line: time and value.
    pub line: Option<[(f64, f64); 2]>,
    /// Times of work and its number in the list beside the picture.
    pub work: Vec<(f64, String)>,
    /// Times of changes without work.
    pub changes: Vec<f64>,
}

impl Timeline<'_> {
    /// Draws it.
    ///
    /// # Errors
    /// [`ChartError`] if the shapes could not be drawn.
    pub fn draw(&self) -> Result<Chart, ChartError> {
        canvas::draw(SIZE_PX, self.label, |canvas| {
            let values = self.points.iter().map(|p| p.1);
            let band = self.band.into_iter().flat_map(|(low, high)| [low, high]);
            let upright = Axis::from_zero(values.chain(band));
            let times = || {
                let points = self.points.iter().map(|p| p.0);
                points
                    .chain(self.work.iter().map(|w| w.0))
                    .filter(|t| t.is_finite())
            };
            let level = Axis::spanning(
                times().fold(f64::INFINITY, f64::min),
                times().fold(f64::NEG_INFINITY, f64::max),
            );
            canvas.title(self.title)?;
            self.scales(canvas, &upright, &level)?;
            let place = |t: f64, v: f64| (x(&level, t), y(&upright, v));
            if let Some((low, high)) = self.band {
                let (top, bottom) = (y(&upright, high), y(&upright, low));
                let pen = Pen::new(palette::BEFORE, 1.0);
                canvas.surface(
                    [
                        (LEFT_PX, top),
                        (RIGHT_PX, top),
                        (RIGHT_PX, bottom),
                        (LEFT_PX, bottom),
                    ],
                    pen.faint(0.14),
                )?;
                for edge in [top, bottom] {
                    canvas.line([(LEFT_PX, edge), (RIGHT_PX, edge)], pen.faint(0.6))?;
                }
            }
            for &at in &self.changes {
                let x = x(&level, at);
                let pen = Pen::new(palette::CAUTION, 1.2);
                canvas.dashes([(x, TOP_PX), (x, BOTTOM_PX)], (2.0, 3.0), pen)?;
            }
            for (at, name) in &self.work {
                let x = x(&level, *at);
                canvas.line([(x, TOP_PX), (x, BOTTOM_PX)], Pen::new(palette::AFTER, 1.6))?;
                let over = (x, TOP_PX - 9.0);
                canvas.text(name, over, Anchor::Middle, TEXT_PX, palette::TEXT)?;
            }
            for &(t, v, u) in self
                .points
                .iter()
                .filter(|p| p.0.is_finite() && p.1.is_finite())
            {
                if let Some(u) = u.filter(|u| u.is_finite() && *u > 0.0) {
                    let pen = Pen::new(palette::BEFORE, 1.0).faint(0.35);
                    canvas.line([place(t, v - u), place(t, v + u)], pen)?;
                }
                marker::draw(canvas, Side::Before, Fill::Solid, place(t, v), 0.75)?;
            }
            if let Some([from, to]) = self.line {
                let ends = [place(from.0, from.1), place(to.0, to.1)];
                canvas.line(ends, Pen::new(palette::AFTER, 2.2))?;
            }
            Ok(())
        })
    }

    fn scales(&self, canvas: &Canvas<'_>, upright: &Axis, level: &Axis) -> Result<(), ChartError> {
        let beside = (LEFT_PX - 7.0, TOP_PX - 15.0);
        canvas.text(self.unit, beside, Anchor::End, TEXT_PX, palette::QUIET)?;
        for (tick, label) in upright.ticks() {
            let y = y(upright, tick);
            let nought = tick.abs() < 1e-300;
            let ink = if nought { palette::EDGE } else { palette::RULE };
            canvas.line([(LEFT_PX, y), (RIGHT_PX, y)], Pen::new(ink, 1.0))?;
            canvas.text(
                &label,
                (LEFT_PX - 7.0, y),
                Anchor::End,
                TEXT_PX,
                palette::QUIET,
            )?;
        }
        for (tick, label) in level.ticks() {
            let x = x(level, tick);
            let pen = Pen::new(palette::EDGE, 1.0);
            canvas.line([(x, BOTTOM_PX), (x, BOTTOM_PX + 4.0)], pen)?;
            let under = (x, BOTTOM_PX + 14.0);
            canvas.text(&label, under, Anchor::Middle, TEXT_PX, palette::QUIET)?;
        }
        let middle = ((LEFT_PX + RIGHT_PX) / 2.0, BOTTOM_PX + 31.0);
        canvas.text(
            self.time_caption,
            middle,
            Anchor::Middle,
            TEXT_PX,
            palette::QUIET,
        )
    }
}

fn x(axis: &Axis, t: f64) -> f64 {
    LEFT_PX + 6.0 + axis.place(t) * (RIGHT_PX - LEFT_PX - 12.0)
}

fn y(axis: &Axis, value: f64) -> f64 {
    BOTTOM_PX - axis.place(value) * (BOTTOM_PX - TOP_PX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_stand_at_their_time_and_height() {
        let timeline = Timeline {
            title: "Dead time",
            unit: "ms",
            label: "what is seen <b>",
            points: vec![(0.0, 50.0, None), (12.0, 100.0, Some(4.0))],
            band: Some((40.0, 60.0)),
            line: Some([(0.0, 50.0), (12.0, 100.0)]),
            work: vec![(6.0, "1".to_owned())],
            changes: vec![3.0],
            ..Timeline::default()
        };
        let svg = timeline.draw().unwrap().svg;
        // 0 to 12 months fill 60 to 466 px; 0 to 100 ms fill 240 to 48 px.
        for disc in ["cx=\"600\" cy=\"1440\"", "cx=\"4660\" cy=\"480\""] {
            assert!(svg.contains(disc), "{disc}: {svg}");
        }
        assert!(svg.contains("what is seen &lt;b&gt;"));
        assert!(Timeline::default().draw().is_ok());
    }
}
