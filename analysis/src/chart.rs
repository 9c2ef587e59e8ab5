//! Pictures, as SVG text: plain data in, one self-contained `<svg>` element out.
//!
//! Nothing here knows a car, a measure or a verdict; [`crate::report`] chooses what is drawn and
//! says in words what is seen. plotters draws the shapes. All charts share one look: the same
//! size of text, the same frame, and two kinds of data that differ by marker shape and line dash
//! as well as by colour, so that they stay apart for the colour-blind and in black and white.
//!
//! - [`palette`]: the inks, in light and in dark.
//! - [`axis`]: from a range of values to ticks and places.
//! - [`canvas`]: shapes and text at places in the picture, and the finished element.
//! - [`marker`]: the shapes that stand for a value.
//! - [`strip`]: every value of two groups, side by side.
//! - [`timeline`]: one value a drive over months.
//! - [`trace`]: what of a long trace is drawn. `middle`: medians and quartiles of many.
//!   [`overlay`]: traces of two groups over each other.
//! - [`history`]: one value over a drive, with a reference behind it.
//! - [`change`]: two values on one line, for a glance.
//! - [`ranking`]: shares, longest bar first.
//! - [`legend`]: what the markers mean.
//! - [`raster`]: a finished picture as PNG.

pub mod axis;
pub mod canvas;
pub mod change;
pub mod history;
pub mod legend;
pub mod marker;
mod middle;
pub mod overlay;
pub mod palette;
pub mod ranking;
pub mod raster;
pub mod strip;
pub mod timeline;
pub mod trace;

/// A finished picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chart {
    /// One `<svg>` element with role and label; text inside it is escaped.
    pub svg: String,
}

/// The picture could not be drawn.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the picture could not be drawn: {0}")]
pub struct ChartError(pub(crate) String);

/// Which of the two groups that a picture compares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Drawn with discs and full lines.
    Before,
    /// Drawn with triangles and dashed lines.
    After,
}

impl Side {
    /// Both, in the order in which they are drawn and named.
    pub const BOTH: [Self; 2] = [Self::Before, Self::After];

    /// Word in the picture.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Before => "before",
            Self::After => "after",
        }
    }

    /// Its ink.
    #[must_use]
    pub fn ink(self) -> palette::Ink {
        match self {
            Self::Before => palette::BEFORE,
            Self::After => palette::AFTER,
        }
    }
}
