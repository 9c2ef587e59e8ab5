//! Every value of two groups, side by side: before on the left, after on the right, each in columns
//! (drives) and in order within them.
//!
//! The median of each group is a line. The before median runs on, dotted, across the after half,
//! and the interval of the shift is a band there, counted from the before median: a band that stays
//! clear of the dotted line shows a change.

use super::axis::Axis;
use super::canvas::{self, Anchor, Canvas, Pen, TEXT_PX};
use super::marker::{self, Fill};
use super::{Chart, ChartError, Side, palette};

const SIZE_PX: (u32, u32) = (480, 300);
const LEFT_PX: f64 = 54.0;
const RIGHT_PX: f64 = 472.0;
const TOP_PX: f64 = 56.0;
const BOTTOM_PX: f64 = 258.0;
/// Between the two halves.
const MIDDLE_GAP_PX: f64 = 10.0;
/// Between the edge of a half and its outermost value.
const INSET_PX: f64 = 10.0;
/// Gap between columns, in steps between values of one column.
const COLUMN_GAP: f64 = 1.6;
/// Least width of a column's number.
const NUMBER_PX: f64 = 18.0;

/// One value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// The value; what is not a number is not drawn.
    pub value: f64,
    /// Its standard uncertainty, drawn as a thin line both ways.
    pub u: Option<f64>,
    /// How its marker is filled.
    pub fill: Fill,
    /// Whether it stands back because nothing was concluded from it.
    pub faint: bool,
}

impl Point {
    /// Ends of what is drawn; an uncertainty larger than its value may run out of the picture.
    fn ends(&self) -> [f64; 2] {
        let u = self.u.filter(|u| *u <= self.value.abs()).unwrap_or(0.0);
        [self.value - u, self.value + u]
    }
}

/// One group.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Group {
    /// One entry a column (drive), its values in order.
    pub columns: Vec<Vec<Point>>,
    /// Where the line is drawn.
    pub median: Option<f64>,
    /// The group's heading, after its marker.
    pub heading: String,
}

/// What is drawn.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Strip<'a> {
    /// Title.
    pub title: &'a str,
    /// Unit of the values, over the axis.
    pub unit: &'a str,
    /// Under the columns.
    pub column_caption: &'a str,
    /// What is seen, for who cannot see it.
    pub label: &'a str,
    /// Left half.
    pub before: Group,
    /// Right half.
    pub after: Group,
    /// Where the band lies on the right half, low and high.
    pub band: Option<(f64, f64)>,
}

impl Strip<'_> {
    fn group(&self, side: Side) -> &Group {
        match side {
            Side::Before => &self.before,
            Side::After => &self.after,
        }
    }

    fn values(&self) -> impl Iterator<Item = f64> {
        let of = |group: &Group| -> Vec<f64> {
            let points = group.columns.iter().flatten();
            points.flat_map(Point::ends).chain(group.median).collect()
        };
        let band = self.band.into_iter().flat_map(|(low, high)| [low, high]);
        of(&self.before)
            .into_iter()
            .chain(of(&self.after))
            .chain(band)
    }

    /// Draws it.
    ///
    /// # Errors
    /// [`ChartError`] if plotters refuses a shape.
    pub fn draw(&self) -> Result<Chart, ChartError> {
        canvas::draw(SIZE_PX, self.label, |canvas| {
            let axis = Axis::from_zero(self.values());
            canvas.title(self.title)?;
            scale(canvas, &axis, self.unit)?;
            for side in Side::BOTH {
                self.half(canvas, &axis, side)?;
            }
            let middle = (LEFT_PX + RIGHT_PX) / 2.0;
            canvas.text(
                self.column_caption,
                (middle, BOTTOM_PX + 33.0),
                Anchor::Middle,
                TEXT_PX,
                palette::QUIET,
            )
        })
    }

    fn half(&self, canvas: &Canvas<'_>, axis: &Axis, side: Side) -> Result<(), ChartError> {
        let group = self.group(side);
        let middle = (LEFT_PX + RIGHT_PX) / 2.0;
        let (left, right) = match side {
            Side::Before => (LEFT_PX, middle - MIDDLE_GAP_PX / 2.0),
            Side::After => (middle + MIDDLE_GAP_PX / 2.0, RIGHT_PX),
        };
        let y = |value: f64| height(axis, value);
        marker::draw(canvas, side, Fill::Solid, (left + 5.0, TOP_PX - 15.0), 1.0)?;
        canvas.text(
            &group.heading,
            (left + 14.0, TOP_PX - 15.0),
            Anchor::Start,
            TEXT_PX,
            palette::TEXT,
        )?;
        let pen = Pen::new(side.ink(), 1.0);
        if side == Side::After {
            if let Some((low, high)) = self.band.filter(|(l, h)| l.is_finite() && h.is_finite()) {
                let (top, bottom) = (y(high), y(low));
                canvas.surface(
                    [(left, top), (right, top), (right, bottom), (left, bottom)],
                    pen.faint(0.22),
                )?;
                for edge in [top, bottom] {
                    canvas.line([(left, edge), (right, edge)], pen.faint(0.8))?;
                }
            }
            if let Some(median) = self.before.median.filter(|m| m.is_finite()) {
                let pen = Pen::new(palette::BEFORE, 1.4);
                canvas.dashes([(left, y(median)), (right, y(median))], (1.5, 3.0), pen)?;
            }
        }
        self.points(canvas, axis, side, (left, right))?;
        if let Some(median) = group.median.filter(|m| m.is_finite()) {
            let line = [(left, y(median)), (right, y(median))];
            match side {
                Side::Before => canvas.line(line, Pen::new(side.ink(), 2.2))?,
                Side::After => canvas.dashes(line, (9.0, 4.0), Pen::new(side.ink(), 2.4))?,
            }
        }
        Ok(())
    }

    fn points(
        &self,
        canvas: &Canvas<'_>,
        axis: &Axis,
        side: Side,
        (left, right): (f64, f64),
    ) -> Result<(), ChartError> {
        let columns = &self.group(side).columns;
        let steps = columns.iter().map(|c| c.len().max(1) as f64).sum::<f64>() - 1.0
            + columns.len().saturating_sub(1) as f64 * (COLUMN_GAP - 1.0);
        let step = (right - left - 2.0 * INSET_PX) / steps.max(1.0);
        let mut x = if steps > 0.0 {
            left + INSET_PX
        } else {
            (left + right) / 2.0
        };
        let mut numbered_until = f64::NEG_INFINITY;
        for (i, column) in columns.iter().enumerate() {
            let width = column.len().saturating_sub(1) as f64 * step;
            let centre = x + width / 2.0;
            if i > 0 {
                let between = x - COLUMN_GAP * step / 2.0;
                let rule = Pen::new(palette::RULE, 1.0);
                canvas.line([(between, TOP_PX), (between, BOTTOM_PX)], rule)?;
            }
            if centre - numbered_until >= NUMBER_PX {
                let number = (i + 1).to_string();
                let place = (centre, BOTTOM_PX + 13.0);
                canvas.text(&number, place, Anchor::Middle, TEXT_PX, palette::QUIET)?;
                numbered_until = centre;
            }
            for (k, point) in column.iter().enumerate() {
                draw_point(canvas, axis, side, x + k as f64 * step, point)?;
            }
            x += width + COLUMN_GAP * step;
        }
        Ok(())
    }
}

fn draw_point(
    canvas: &Canvas<'_>,
    axis: &Axis,
    side: Side,
    x: f64,
    point: &Point,
) -> Result<(), ChartError> {
    if !point.value.is_finite() {
        return Ok(());
    }
    let opacity = if point.faint { 0.35 } else { 1.0 };
    let y = |value| height(axis, value);
    if let Some(u) = point.u.filter(|u| *u > 0.0) {
        let pen = Pen::new(side.ink(), 1.0).faint(0.55 * opacity);
        canvas.line([(x, y(point.value - u)), (x, y(point.value + u))], pen)?;
    }
    marker::draw(canvas, side, point.fill, (x, y(point.value)), opacity)
}

fn height(axis: &Axis, value: f64) -> f64 {
    BOTTOM_PX - axis.place(value) * (BOTTOM_PX - TOP_PX)
}

/// Unit, grid and tick labels of the upright axis.
fn scale(canvas: &Canvas<'_>, axis: &Axis, unit: &str) -> Result<(), ChartError> {
    let place = (LEFT_PX - 7.0, TOP_PX - 15.0);
    canvas.text(unit, place, Anchor::End, TEXT_PX, palette::QUIET)?;
    for (tick, label) in axis.ticks() {
        let y = height(axis, tick);
        let ink = if tick == axis.low() || tick.abs() < 1e-300 {
            palette::EDGE
        } else {
            palette::RULE
        };
        canvas.line([(LEFT_PX, y), (RIGHT_PX, y)], Pen::new(ink, 1.0))?;
        canvas.text(
            &label,
            (LEFT_PX - 7.0, y),
            Anchor::End,
            TEXT_PX,
            palette::QUIET,
        )?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(value: f64) -> Point {
        Point {
            value,
            u: None,
            fill: Fill::Solid,
            faint: false,
        }
    }

    fn small() -> Strip<'static> {
        Strip {
            title: "Peak slip",
            unit: "m/s",
            column_caption: "drive",
            label: "what is seen",
            before: Group {
                columns: vec![vec![point(1.0), point(2.0)]],
                median: Some(1.5),
                heading: "before, median 1.5 m/s".to_owned(),
            },
            after: Group {
                columns: vec![vec![point(0.5)]],
                median: Some(0.5),
                heading: "after, median 0.5 m/s".to_owned(),
            },
            band: Some((0.25, 0.75)),
        }
    }

    #[test]
    fn values_stand_at_their_height() {
        let svg = small().draw().unwrap().svg;
        // 0 to 2 m/s fill 258 to 56 px: 1 m/s stands at 157 px, that is 1570 tenths.
        let discs: Vec<&str> = svg
            .lines()
            .filter(|line| line.starts_with("<circle"))
            .collect();
        assert!(
            discs.iter().any(|disc| disc.contains("cy=\"1570\"")),
            "{discs:?}"
        );
        assert!(
            discs.iter().any(|disc| disc.contains("cy=\"560\"")),
            "{discs:?}"
        );
        // The band from 0.25 to 0.75 m/s, and the median before as a line at 1.5 m/s.
        assert!(
            svg.contains("2680,1823 4720,1823 4720,2328 2680,2328"),
            "{svg}"
        );
        assert!(svg.contains("points=\"540,1065 2580,1065 \""), "{svg}");
    }

    #[test]
    fn the_words_of_a_picture() {
        let svg = small().draw().unwrap().svg;
        let head = svg.split_once('>').unwrap().0.to_owned() + ">";
        let words: Vec<&str> = svg
            .split("<text")
            .skip(1)
            .filter_map(|text| text.split_once(">\n")?.1.split_once("\n</text>"))
            .map(|(words, _)| words)
            .collect();
        insta::assert_snapshot!(format!("{head}\n{}", words.join(" | ")), @r#"
        <svg class="chart" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4800 3000" width="480" height="300" role="img" aria-label="what is seen">
        Peak slip | m/s | 0.0 | 0.5 | 1.0 | 1.5 | 2.0 | before, median 1.5 m/s | 1 | after, median 0.5 m/s | 1 | drive
        "#);
    }

    #[test]
    fn nothing_to_show_is_no_error() {
        let svg = Strip::default().draw().unwrap().svg;
        assert!(svg.starts_with("<svg") && svg.ends_with("</svg>"));
        let mut odd = small();
        odd.before.columns = vec![
            Vec::new(),
            vec![point(f64::NAN)],
            vec![point(f64::INFINITY)],
        ];
        odd.band = Some((f64::NAN, f64::INFINITY));
        assert!(!odd.draw().unwrap().svg.contains("NaN"));
    }
}
