//! The shapes that stand for a value: a disc before, a triangle after, filled in one of three ways.

use super::canvas::{Canvas, Pen, Place};
use super::palette;
use super::{ChartError, Side};

/// How a marker is filled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fill {
    /// All of it.
    Solid,
    /// Only its outline.
    Open,
    /// Its outline and a dot.
    Dotted,
}

/// Radius of the disc, and the same for the area of the triangle, px.
pub(crate) const RADIUS_PX: f64 = 3.6;
const OUTLINE_PX: f64 = 1.3;

/// Draws a marker.
pub(crate) fn draw(
    canvas: &Canvas<'_>,
    side: Side,
    fill: Fill,
    centre: Place,
    opacity: f64,
) -> Result<(), ChartError> {
    let pen = Pen::new(side.ink(), OUTLINE_PX).faint(opacity);
    let paper = Pen::new(palette::PAPER, OUTLINE_PX).faint(opacity);
    match side {
        Side::Before => {
            if fill == Fill::Solid {
                canvas.disc(centre, RADIUS_PX, true, pen)?;
            } else {
                canvas.disc(centre, RADIUS_PX, true, paper)?;
                canvas.disc(centre, RADIUS_PX - OUTLINE_PX / 2.0, false, pen)?;
            }
        }
        Side::After => {
            if fill == Fill::Solid {
                canvas.surface(triangle(centre, 1.35), pen)?;
            } else {
                let [a, b, c] = triangle(centre, 1.2);
                canvas.surface([a, b, c], paper)?;
                canvas.line([a, b, c, a, b], pen)?;
            }
        }
    }
    if fill == Fill::Dotted {
        canvas.disc(centre, OUTLINE_PX, true, pen)?;
    }
    Ok(())
}

/// Corners of a triangle around its centre, pointing up.
fn triangle((x, y): Place, scale: f64) -> [Place; 3] {
    let radius = RADIUS_PX * scale;
    let half_width = radius * 3f64.sqrt() / 2.0;
    [
        (x, y - radius),
        (x + half_width, y + radius / 2.0),
        (x - half_width, y + radius / 2.0),
    ]
}
