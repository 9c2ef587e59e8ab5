//! Two values on one line that starts at nought, for a glance: a disc before, a triangle after, and
//! the interval in which the shift puts the latter.

use super::axis::Axis;
use super::canvas::{self, Anchor, Pen, TEXT_PX};
use super::marker::{self, Fill};
use super::{Chart, ChartError, Side, palette};

const SIZE_PX: (u32, u32) = (300, 62);
const LEFT_PX: f64 = 20.0;
const RIGHT_PX: f64 = 280.0;
const LINE_PX: f64 = 22.0;
const BAND_HALF_PX: f64 = 8.0;

/// What is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change<'a> {
    /// What is seen, for who cannot see it.
    pub label: &'a str,
    /// Value before.
    pub before: Option<f64>,
    /// Value after.
    pub after: Option<f64>,
    /// Where the band lies, low and high.
    pub band: Option<(f64, f64)>,
}

impl Change<'_> {
    /// Draws it.
    ///
    /// # Errors
    /// [`ChartError`] if plotters refuses a shape.
    pub fn draw(&self) -> Result<Chart, ChartError> {
        let band = self.band.filter(|(low, high)| low.is_finite() && high.is_finite());
        let ends = band.into_iter().flat_map(|(low, high)| [low, high]);
        let axis = Axis::from_zero(self.before.into_iter().chain(self.after).chain(ends));
        let x = |value: f64| LEFT_PX + axis.place(value) * (RIGHT_PX - LEFT_PX);
        canvas::draw(SIZE_PX, self.label, |canvas| {
            canvas.line([(LEFT_PX, LINE_PX), (RIGHT_PX, LINE_PX)], Pen::new(palette::EDGE, 1.0))?;
            for (tick, label) in axis.ticks() {
                let x = x(tick);
                let line = [(x, LINE_PX), (x, LINE_PX + 10.0)];
                canvas.line(line, Pen::new(palette::EDGE, 1.0))?;
                let place = (x, LINE_PX + 20.0);
                canvas.text(&label, place, Anchor::Middle, TEXT_PX, palette::QUIET)?;
            }
            if let Some((low, high)) = band {
                let (low, high) = (x(low), x(high));
                let (top, bottom) = (LINE_PX - BAND_HALF_PX, LINE_PX + BAND_HALF_PX);
                let corners = [(low, top), (high, top), (high, bottom), (low, bottom)];
                canvas.surface(corners, Pen::new(palette::AFTER, 1.0).faint(0.3))?;
                for edge in [low, high] {
                    canvas.line([(edge, top), (edge, bottom)], Pen::new(palette::AFTER, 1.2))?;
                }
            }
            for (side, value) in Side::BOTH.into_iter().zip([self.before, self.after]) {
                if let Some(value) = value.filter(|v| v.is_finite()) {
                    marker::draw(canvas, side, Fill::Solid, (x(value), LINE_PX), 1.0)?;
                }
            }
            Ok(())
        })
    }
}
