//! A finished picture as PNG, for who cannot use SVG: a message, a forum, a text document.
//!
//! The same picture gives the same bytes on every machine: text is drawn with the fonts beside this
//! file and never with a font of the system. `font/make` says how they were made; their licence
//! lies beside them.

use std::sync::{Arc, LazyLock};

use resvg::tiny_skia::{Color, Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};

use super::{ChartError, palette};

/// Pixels to a px of the picture, so that text stays sharp on a dense screen and on paper.
pub const SCALE: u32 = 2;
/// Largest width and height drawn, pixels: 256 MB of colours at most.
const LARGEST_PIXELS: u32 = 8192;
/// Name of the family in the embedded fonts.
const FAMILY: &str = "DejaVu Sans";

static FONTS: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(include_bytes!("font/DejaVuSans.ttf").to_vec());
    fonts.load_font_data(include_bytes!("font/DejaVuSans-Bold.ttf").to_vec());
    fonts.set_sans_serif_family(FAMILY);
    Arc::new(fonts)
});

/// Draws SVG text as a PNG file of [`SCALE`] pixels a px, in the light inks on their paper.
///
/// # Errors
/// [`ChartError`] if the text is not SVG, or its picture has no size or one beyond 4096 px.
pub fn png(svg: &str) -> Result<Vec<u8>, ChartError> {
    let options = Options {
        font_family: FAMILY.to_owned(),
        fontdb: Arc::clone(&FONTS),
        ..Options::default()
    };
    let tree = Tree::from_str(svg, &options).map_err(|error| ChartError(error.to_string()))?;
    let size = tree.size().to_int_size();
    let pixels = |px: u32| px.checked_mul(SCALE).filter(|n| *n <= LARGEST_PIXELS);
    let mut picture = pixels(size.width())
        .zip(pixels(size.height()))
        .and_then(|(width, height)| Pixmap::new(width, height))
        .ok_or_else(|| ChartError("it has no size, or a very large one".to_owned()))?;
    let (red, green, blue) = palette::PAPER.light;
    picture.fill(Color::from_rgba8(red, green, blue, 255));
    let scale = SCALE as f32;
    resvg::render(
        &tree,
        Transform::from_scale(scale, scale),
        &mut picture.as_mut(),
    );
    picture
        .encode_png()
        .map_err(|error| ChartError(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::canvas::{self, Anchor, Pen, TEXT_PX, TITLE_PX};

    fn drawn(title: &str, words: &str) -> Pixmap {
        let chart = canvas::draw((120, 60), "what is seen", |canvas| {
            let pen = Pen::new(palette::BEFORE, 2.0);
            canvas.line([(10.0, 50.0), (110.0, 50.0)], pen)?;
            canvas.text(title, (4.0, 12.0), Anchor::Start, TITLE_PX, palette::TEXT)?;
            canvas.text(words, (4.0, 32.0), Anchor::Start, TEXT_PX, palette::TEXT)
        });
        Pixmap::decode_png(&png(&chart.unwrap().svg).unwrap()).unwrap()
    }

    /// Dark pixels in a stretch of rows, by px of the picture.
    fn ink(picture: &Pixmap, rows: std::ops::Range<u32>) -> usize {
        let rows = rows.start * SCALE..rows.end * SCALE;
        let dark = |x: u32, y: u32| picture.pixel(x, y).unwrap().green() < 0x80;
        rows.flat_map(|y| (0..picture.width()).map(move |x| (x, y)))
            .filter(|(x, y)| dark(*x, *y))
            .count()
    }

    #[test]
    fn shapes_and_both_kinds_of_text_are_drawn() {
        let with = drawn("Slip", "0.5 m/s");
        let without = drawn("", "");
        assert_eq!((with.width(), with.height()), (240, 120));
        // A line of 100 px by 2 px.
        let line = ink(&without, 45..55);
        assert!((780..=820).contains(&line), "{line}");
        assert_eq!(ink(&without, 0..45), 0);
        assert!(ink(&with, 4..20) > 100, "no title");
        assert!(ink(&with, 25..40) > 100, "no words");
        let paper = with.pixel(239, 0).unwrap();
        assert_eq!(
            (paper.red(), paper.green(), paper.blue(), paper.alpha()),
            (0xFF, 0xFF, 0xFE, 0xFF)
        );
    }

    /// A letter that the fonts lack is drawn as a box, as wide whatever the letter is.
    #[test]
    fn signs_of_the_pages_are_in_the_fonts() {
        let absent = drawn("", "\u{4e00}");
        for sign in "°·²³−–±≤≥×⁻⁸µμαωΔ→↓↑●▲ÄßéłЖ€�%".chars()
        {
            let seen = drawn("", &sign.to_string());
            assert!(ink(&seen, 20..45) > 0 && seen != absent, "{sign}");
            let bold = drawn(&sign.to_string(), "");
            assert!(ink(&bold, 0..30) > 0, "{sign} bold");
        }
    }

    #[test]
    fn only_pictures_of_a_size_that_can_be_drawn() {
        for svg in [
            "",
            "<svg",
            "plain words",
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"0\" height=\"9\"/>",
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"4097\" height=\"9\"/>",
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"1e30\" height=\"1e30\"/>",
        ] {
            assert!(png(svg).is_err(), "{svg}");
        }
    }
}
