//! Shapes and text at places in the picture, and the finished element.
//!
//! plotters places shapes at whole numbers only; the picture is therefore drawn in tenths of a
//! pixel and shown at a tenth of that size. Text is real text in the reader's own sans-serif font:
//! its width is not known here, so nothing is placed beside the end of a text.

use maud::{PreEscaped, html};
use plotters::backend::SVGBackend;
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, DrawingAreaErrorKind, IntoDrawingArea};
use plotters::element::{Circle, DashedPathElement, PathElement, Polygon, Text};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontDesc, FontFamily, FontStyle, ShapeStyle, TextStyle};

use super::palette::{self, Ink};
use super::{Chart, ChartError};

/// Drawing units in a pixel.
const UNITS: f64 = 10.0;
/// plotters divides every text size by this on its way to SVG.
const TEXT_SCALE: f64 = 1.24;
/// Size of most text, px.
pub(crate) const TEXT_PX: f64 = 12.5;
/// Size of a picture's title, px.
pub(crate) const TITLE_PX: f64 = 14.5;

/// A place in the picture, px from its upper left corner.
pub(crate) type Place = (f64, f64);

/// Where a text's own reference point lies, along the line; upright it sits on its middle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Anchor {
    /// Text begins at the place.
    Start,
    /// Text is centred on the place.
    Middle,
    /// Text ends at the place.
    End,
}

/// How a line or a surface looks.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pen {
    /// Colour.
    pub(crate) ink: Ink,
    /// Line width, px.
    pub(crate) width: f64,
    /// 0 unseen to 1 solid.
    pub(crate) opacity: f64,
}

impl Pen {
    /// A solid line.
    pub(crate) fn new(ink: Ink, width: f64) -> Self {
        Self {
            ink,
            width,
            opacity: 1.0,
        }
    }

    /// The same, seen through.
    pub(crate) fn faint(self, opacity: f64) -> Self {
        Self { opacity, ..self }
    }

    fn style(self, filled: bool) -> ShapeStyle {
        let colour = self.ink.colour().mix(self.opacity);
        let width = (self.width * UNITS).round() as u32;
        ShapeStyle {
            color: colour,
            filled,
            stroke_width: width,
        }
    }
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

impl<E: std::error::Error + Send + Sync> From<DrawingAreaErrorKind<E>> for ChartError {
    fn from(error: DrawingAreaErrorKind<E>) -> Self {
        Self(error.to_string())
    }
}

/// The picture being drawn.
pub(crate) struct Canvas<'a> {
    area: Area<'a>,
}

/// Draws a picture of a size in px and finishes it as one element that says `label` to who cannot
/// see it.
pub(crate) fn draw(
    (width_px, height_px): (u32, u32),
    label: &str,
    paint: impl FnOnce(&Canvas<'_>) -> Result<(), ChartError>,
) -> Result<Chart, ChartError> {
    let units = UNITS as u32;
    let size = (width_px * units, height_px * units);
    let mut drawn = String::new();
    {
        let canvas = Canvas {
            area: SVGBackend::with_string(&mut drawn, size).into_drawing_area(),
        };
        paint(&canvas)?;
        canvas.area.present()?;
    }
    // The outer element is written anew: plotters gives it neither a role nor a label.
    let shapes = drawn
        .split_once('>')
        .and_then(|(_, rest)| rest.rsplit_once("</svg>"))
        .map(|(shapes, _)| shapes.replace(" opacity=\"1\"", ""))
        .ok_or_else(|| ChartError("the drawing has no outer element".to_owned()))?;
    let view = format!("0 0 {} {}", size.0, size.1);
    let svg = html! {
        svg class="chart" xmlns="http://www.w3.org/2000/svg" viewBox=(view)
            width=(width_px) height=(height_px) role="img" aria-label=(label) {
            (PreEscaped(shapes))
        }
    };
    Ok(Chart {
        svg: svg.into_string(),
    })
}

fn units((x, y): Place) -> (i32, i32) {
    // Far outside any picture and still far inside what plotters can add up.
    let whole = |v: f64| (v * UNITS).round().clamp(-1e6, 1e6) as i32;
    (whole(x), whole(y))
}

impl Canvas<'_> {
    /// A line through places.
    pub(crate) fn line(
        &self,
        places: impl IntoIterator<Item = Place>,
        pen: Pen,
    ) -> Result<(), ChartError> {
        let places: Vec<_> = places.into_iter().map(units).collect();
        Ok(self
            .area
            .draw(&PathElement::new(places, pen.style(false)))?)
    }

    /// A line of dashes and gaps of these lengths, px.
    pub(crate) fn dashes(
        &self,
        places: impl IntoIterator<Item = Place>,
        (dash_px, gap_px): (f64, f64),
        pen: Pen,
    ) -> Result<(), ChartError> {
        let places: Vec<_> = places.into_iter().map(units).collect();
        let length = |px: f64| (px * UNITS).round() as i32;
        Ok(self.area.draw(&DashedPathElement::new(
            places,
            length(dash_px),
            length(gap_px),
            pen.style(false),
        ))?)
    }

    /// A filled surface within places.
    pub(crate) fn surface(
        &self,
        places: impl IntoIterator<Item = Place>,
        pen: Pen,
    ) -> Result<(), ChartError> {
        let places: Vec<_> = places.into_iter().map(units).collect();
        Ok(self.area.draw(&Polygon::new(places, pen.style(true)))?)
    }

    /// A disc, or a ring if not filled.
    pub(crate) fn disc(
        &self,
        centre: Place,
        radius_px: f64,
        filled: bool,
        pen: Pen,
    ) -> Result<(), ChartError> {
        let radius = (radius_px * UNITS).round() as i32;
        Ok(self
            .area
            .draw(&Circle::new(units(centre), radius, pen.style(filled)))?)
    }

    /// Text of a size in px.
    pub(crate) fn text(
        &self,
        text: &str,
        place: Place,
        anchor: Anchor,
        size_px: f64,
        ink: Ink,
    ) -> Result<(), ChartError> {
        let style = if size_px > TEXT_PX {
            FontStyle::Bold
        } else {
            FontStyle::Normal
        };
        let size = size_px * UNITS * TEXT_SCALE;
        let horizontal = match anchor {
            Anchor::Start => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::End => HPos::Right,
        };
        let font = FontDesc::new(FontFamily::SansSerif, size, style);
        let colour = ink.colour();
        let style = TextStyle::from(font)
            .color(&colour)
            .pos(Pos::new(horizontal, VPos::Center));
        Ok(self.area.draw(&Text::new(text, units(place), style))?)
    }

    /// The picture's title in its upper left corner.
    pub(crate) fn title(&self, title: &str) -> Result<(), ChartError> {
        self.text(title, (4.0, 12.0), Anchor::Start, TITLE_PX, palette::TEXT)
    }
}
