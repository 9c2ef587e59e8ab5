//! What the markers mean: one small picture for all charts that use fills.

use super::canvas::{self, Anchor, TEXT_PX};
use super::marker::{self, Fill};
use super::{Chart, ChartError, Side, palette};

const COLUMN_PX: f64 = 108.0;
const FIRST_PX: f64 = 62.0;
const ROW_PX: f64 = 20.0;

/// Draws a row a side and a column a fill with its meaning.
///
/// # Errors
/// [`ChartError`] if plotters refuses a shape.
pub fn draw(meanings: &[(Fill, &str)], label: &str) -> Result<Chart, ChartError> {
    let width = (FIRST_PX + COLUMN_PX * meanings.len() as f64) as u32;
    let height = (ROW_PX * 2.0) as u32 + 4;
    canvas::draw((width, height), label, |canvas| {
        for (row, side) in Side::BOTH.into_iter().enumerate() {
            let y = ROW_PX * (row as f64 + 0.6);
            canvas.text(side.text(), (4.0, y), Anchor::Start, TEXT_PX, palette::TEXT)?;
            for (column, (fill, meaning)) in meanings.iter().enumerate() {
                let x = FIRST_PX + column as f64 * COLUMN_PX;
                marker::draw(canvas, side, *fill, (x, y), 1.0)?;
                let place = (x + 9.0, y);
                canvas.text(meaning, place, Anchor::Start, TEXT_PX, palette::TEXT)?;
            }
        }
        Ok(())
    })
}
