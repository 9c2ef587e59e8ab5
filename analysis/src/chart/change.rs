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
        let band = self
            .band
            .filter(|(low, high)| low.is_finite() && high.is_finite());
        let ends = band.into_iter().flat_map(|(low, high)| [low, high]);
        let axis = Axis::from_zero(self.before.into_iter().chain(self.after).chain(ends));
        let x = |value: f64| LEFT_PX + axis.place(value) * (RIGHT_PX - LEFT_PX);
        canvas::draw(SIZE_PX, self.label, |canvas| {
            canvas.line(
                [(LEFT_PX, LINE_PX), (RIGHT_PX, LINE_PX)],
                Pen::new(palette::EDGE, 1.0),
            )?;
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_stand_at_their_place() {
        let change = Change {
            label: "what is seen",
            before: Some(150.0),
            after: Some(50.0),
            band: Some((40.0, 60.0)),
        };
        let svg = change.draw().unwrap().svg;
        // 0 to 150 fill 20 to 280 px: 150 stands at the end, 40 and 60 at 89.3 and 124 px.
        assert!(svg.contains("<circle cx=\"2800\" cy=\"220\""), "{svg}");
        assert!(svg.contains("893,140 1240,140 1240,300 893,300"), "{svg}");
    }

    #[test]
    fn missing_values_leave_their_place_empty() {
        let change = Change {
            label: "what is seen",
            before: None,
            after: Some(f64::NAN),
            band: None,
        };
        let svg = change.draw().unwrap().svg;
        assert!(!svg.contains("<circle") && !svg.contains("<polygon") && !svg.contains("NaN"));
    }
}
