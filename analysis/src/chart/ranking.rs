//! Shares from nought to one as bars under each other, in the order given.

use super::axis::Axis;
use super::canvas::{self, Anchor, Pen, TEXT_PX};
use super::{Chart, ChartError, palette};

const WIDTH_PX: u32 = 560;
const LEFT_PX: f64 = 6.0;
const RIGHT_PX: f64 = 470.0;
const TOP_PX: f64 = 30.0;
const ROW_PX: f64 = 42.0;
const BAR_PX: f64 = 14.0;
/// More bars than this are not drawn.
const MOST_BARS: usize = 24;

/// What is drawn.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ranking<'a> {
    /// What is shown.
    pub title: &'a str,
    /// What is seen, in words.
    pub label: &'a str,
    /// Each bar's name, its share and the share as printed.
    pub bars: Vec<(&'a str, f64, String)>,
}

impl Ranking<'_> {
    /// Draws it.
    ///
    /// # Errors
    /// [`ChartError`] if plotters refuses a shape.
    pub fn draw(&self) -> Result<Chart, ChartError> {
        let bars = self.bars.len().min(MOST_BARS);
        let height = (TOP_PX + ROW_PX * bars as f64 + 4.0) as u32;
        let axis = Axis::spanning(0.0, 1.0);
        canvas::draw((WIDTH_PX, height), self.label, |canvas| {
            canvas.title(self.title)?;
            for (row, (name, share, printed)) in self.bars.iter().take(bars).enumerate() {
                let y = TOP_PX + ROW_PX * row as f64 + 8.0;
                canvas.text(name, (LEFT_PX, y), Anchor::Start, TEXT_PX, palette::TEXT)?;
                let (top, bottom) = (y + 10.0, y + 10.0 + BAR_PX);
                let bar = |to: f64| [(LEFT_PX, top), (to, top), (to, bottom), (LEFT_PX, bottom)];
                canvas.surface(bar(RIGHT_PX), Pen::new(palette::SHADE, 1.0))?;
                let end = LEFT_PX + axis.place(*share) * (RIGHT_PX - LEFT_PX);
                canvas.surface(bar(end), Pen::new(palette::BEFORE, 1.0))?;
                let edge = [(LEFT_PX, top), (LEFT_PX, bottom)];
                canvas.line(edge, Pen::new(palette::EDGE, 1.2))?;
                let place = (f64::from(WIDTH_PX) - 4.0, 0.5 * (top + bottom));
                canvas.text(printed, place, Anchor::End, TEXT_PX, palette::TEXT)?;
            }
            Ok(())
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_are_as_long_as_their_share() {
        let ranking = Ranking {
            title: "Causes",
            label: "what is seen",
            bars: vec![
                ("one", 0.75, "75 %".to_owned()),
                ("two", f64::NAN, "–".to_owned()),
            ],
        };
        let svg = ranking.draw().unwrap().svg;
        // From 6 px on, three quarters of 464 px.
        assert!(svg.contains("60,480 3540,480 3540,620 60,620"), "{svg}");
        assert!(svg.contains("60,900 60,900 60,1040 60,1040"), "{svg}");
        assert!(svg.contains("75 %") && !svg.contains("NaN"));
    }

    #[test]
    fn no_bars_and_many() {
        assert!(Ranking::default().draw().unwrap().svg.starts_with("<svg"));
        let bars = vec![("a", 0.1, String::new()); 1000];
        let many = Ranking {
            bars,
            ..Ranking::default()
        };
        assert!(many.draw().unwrap().svg.len() < 100_000);
    }
}
