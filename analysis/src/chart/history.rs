//! One value over a whole drive, with a reference behind it: does it move as it should?
//!
//! The value has the axis. The reference is dashed and faint, and is stretched to the picture's
//! height, since it has another unit: its shape is what is compared.

use super::axis::Axis;
use super::canvas::{self, Anchor, Canvas, Pen, Place, TEXT_PX};
use super::trace::Trace;
use super::{Chart, ChartError, palette};

const SIZE_PX: (u32, u32) = (640, 190);
const LEFT_PX: f64 = 62.0;
const RIGHT_PX: f64 = 632.0;
const TOP_PX: f64 = 46.0;
const BOTTOM_PX: f64 = 156.0;

/// What is drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct History<'a> {
    /// Title.
    pub title: &'a str,
    /// Unit of the value, over the axis.
    pub unit: &'a str,
    /// Under the time axis.
    pub time_caption: &'a str,
    /// What is seen, for who cannot see it.
    pub label: &'a str,
    /// The value over time, s.
    pub value: Trace<'a>,
    /// The reference over time, s.
    pub reference: Option<Trace<'a>>,
}

impl History<'_> {
    /// Draws it.
    ///
    /// # Errors
    /// [`ChartError`] if plotters refuses a shape.
    pub fn draw(&self) -> Result<Chart, ChartError> {
        let time = Axis::spanning(
            self.value.t_s.first().copied().unwrap_or(0.0),
            self.value.t_s.last().copied().unwrap_or(1.0),
        );
        let value = spanning(self.value.values);
        let place = |axis: &Axis, (t, v): (f64, f64)| -> Place {
            (
                LEFT_PX + time.place(t) * (RIGHT_PX - LEFT_PX),
                BOTTOM_PX - axis.place(v) * (BOTTOM_PX - TOP_PX),
            )
        };
        canvas::draw(SIZE_PX, self.label, |canvas| {
            canvas.title(self.title)?;
            self.scales(canvas, &time, &value)?;
            if let Some(reference) = self.reference {
                let axis = spanning(reference.values);
                for piece in reference.pieces(time.low(), time.high()) {
                    let places = piece.iter().map(|p| place(&axis, *p));
                    canvas.dashes(places, (6.0, 4.0), Pen::new(palette::AFTER, 1.4).faint(0.7))?;
                }
            }
            for piece in self.value.pieces(time.low(), time.high()) {
                canvas.line(
                    piece.iter().map(|p| place(&value, *p)),
                    Pen::new(palette::BEFORE, 1.4),
                )?;
            }
            Ok(())
        })
    }

    fn scales(&self, canvas: &Canvas<'_>, time: &Axis, value: &Axis) -> Result<(), ChartError> {
        let quiet =
            |text: &str, place, anchor| canvas.text(text, place, anchor, TEXT_PX, palette::QUIET);
        quiet(self.unit, (LEFT_PX - 7.0, TOP_PX - 14.0), Anchor::End)?;
        for (tick, label) in value.ticks() {
            let y = BOTTOM_PX - value.place(tick) * (BOTTOM_PX - TOP_PX);
            canvas.line([(LEFT_PX, y), (RIGHT_PX, y)], Pen::new(palette::RULE, 1.0))?;
            quiet(&label, (LEFT_PX - 7.0, y), Anchor::End)?;
        }
        for (tick, label) in time.ticks() {
            let x = LEFT_PX + time.place(tick) * (RIGHT_PX - LEFT_PX);
            canvas.line(
                [(x, BOTTOM_PX), (x, BOTTOM_PX + 4.0)],
                Pen::new(palette::RULE, 1.0),
            )?;
            quiet(&label, (x, BOTTOM_PX + 13.0), Anchor::Middle)?;
        }
        let middle = (LEFT_PX + RIGHT_PX) / 2.0;
        quiet(
            self.time_caption,
            (middle, BOTTOM_PX + 29.0),
            Anchor::Middle,
        )
    }
}

/// From the lowest to the highest value, both shown, in few steps.
fn spanning(values: &[f64]) -> Axis {
    let (low, high) = values
        .iter()
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
            (low.min(*v), high.max(*v))
        });
    if low > high {
        Axis::spanning(0.0, 1.0)
    } else {
        Axis::spanning(low, high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn history<'a>(t_s: &'a [f64], values: &'a [f64], behind: Option<&'a [f64]>) -> History<'a> {
        History {
            title: "vehicle speed",
            unit: "km/h",
            time_caption: "s from the first frame",
            label: "a speed and its reference",
            value: Trace { t_s, values },
            reference: behind.map(|values| Trace { t_s, values }),
        }
    }

    #[test]
    fn a_value_and_its_reference_are_two_kinds_of_line() {
        let t_s: Vec<f64> = (0..200).map(|k| f64::from(k) * 0.1).collect();
        let values: Vec<f64> = t_s.iter().map(|t| 50.0 + t).collect();
        let alone = history(&t_s, &values, None).draw().unwrap().svg;
        let both = history(&t_s, &values, Some(&values)).draw().unwrap().svg;
        assert!(alone.contains("aria-label=\"a speed and its reference\""));
        // Dashes are many short lines.
        let lines = |svg: &str| svg.matches("<poly").count() + svg.matches("<line").count();
        assert!(lines(&both) > lines(&alone) + 20);
    }

    #[test]
    fn nothing_to_show_is_no_error() {
        for values in [&[][..], &[1.0], &[f64::NAN, 2.0]] {
            let t_s: Vec<f64> = (0..values.len()).map(|k| k as f64).collect();
            assert!(
                history(&t_s, values, None)
                    .draw()
                    .unwrap()
                    .svg
                    .starts_with("<svg")
            );
        }
    }
}
