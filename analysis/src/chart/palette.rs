//! The inks of pictures and pages: one list, so that a picture in a page follows the page.
//!
//! A picture is drawn in the light inks. [`dark_rules`] gives the style rules that turn each ink
//! into its dark form where the reader's device asks for it; a picture without a page stays light.

use std::fmt::Write as _;

use plotters::style::RGBColor;

/// One ink, in its light and its dark form.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ink {
    /// Name in style sheets.
    pub name: &'static str,
    /// On light paper.
    pub light: (u8, u8, u8),
    /// On dark paper.
    pub dark: (u8, u8, u8),
}

macro_rules! ink {
    ($name:literal $light:expr, $dark:expr) => {
        Ink {
            name: $name,
            light: $light,
            dark: $dark,
        }
    };
}

/// Behind everything.
pub const PAPER: Ink = ink!("paper"(0xFF, 0xFF, 0xFE), (0x15, 0x18, 0x1B));
/// Behind blocks that are set apart.
pub const SHADE: Ink = ink!("shade"(0xF3, 0xF4, 0xF2), (0x20, 0x24, 0x28));
/// Text.
pub const TEXT: Ink = ink!("text"(0x1B, 0x1F, 0x23), (0xE8, 0xE9, 0xE6));
/// Text that explains.
pub const QUIET: Ink = ink!("quiet"(0x50, 0x57, 0x5E), (0xB0, 0xB5, 0xB9));
/// Lines of tables and grids.
pub const RULE: Ink = ink!("rule"(0xD5, 0xD8, 0xD6), (0x3B, 0x41, 0x46));
/// Lines that carry meaning: axes, the zero line, the focus ring.
pub const EDGE: Ink = ink!("edge"(0x7B, 0x82, 0x87), (0x8B, 0x93, 0x99));
/// The before set: dark and cool.
pub const BEFORE: Ink = ink!("before"(0x23, 0x3F, 0x73), (0x9C, 0xBB, 0xF0));
/// The after set: lighter and warm.
pub const AFTER: Ink = ink!("after"(0xC4, 0x5F, 0x0C), (0xF5, 0xA2, 0x4B));
/// Set apart because it needs care.
pub const CAUTION: Ink = ink!("caution"(0x8C, 0x2F, 0x1B), (0xFF, 0xA6, 0x8F));

/// Every ink.
pub const INKS: [Ink; 9] = [
    PAPER, SHADE, TEXT, QUIET, RULE, EDGE, BEFORE, AFTER, CAUTION,
];

impl Ink {
    /// Its light form, as drawn.
    #[must_use]
    pub(crate) fn colour(self) -> RGBColor {
        let (r, g, b) = self.light;
        RGBColor(r, g, b)
    }
}

/// A colour in hexadecimal, as the SVG text has it.
fn hex((r, g, b): (u8, u8, u8)) -> String {
    format!("#{r:02X}{g:02X}{b:02X}")
}

/// Declarations of every ink as a custom property, in its light or its dark form.
#[must_use]
pub fn properties(dark: bool) -> String {
    INKS.iter().fold(String::new(), |mut css, ink| {
        let colour = hex(if dark { ink.dark } else { ink.light });
        let _ = write!(css, "--{}:{colour};", ink.name);
        css
    })
}

/// Style rules that give every inked shape of a picture its dark form.
#[must_use]
pub fn dark_rules() -> String {
    INKS.iter().fold(String::new(), |mut css, ink| {
        let (light, dark) = (hex(ink.light), hex(ink.dark));
        for attribute in ["fill", "stroke"] {
            let _ = writeln!(
                css,
                ".chart [{attribute}=\"{light}\"]{{{attribute}:{dark}}}"
            );
        }
        css
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Contrast ratio of the Web Content Accessibility Guidelines 2.2 (relative luminance and
    /// contrast ratio as defined in its glossary; from memory).
    fn contrast(a: (u8, u8, u8), b: (u8, u8, u8)) -> f64 {
        let luminance = |(r, g, b): (u8, u8, u8)| {
            let linear = |c: u8| {
                let c = f64::from(c) / 255.0;
                if c <= 0.04045 {
                    c / 12.92
                } else {
                    ((c + 0.055) / 1.055).powf(2.4)
                }
            };
            0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b)
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// Level AA: 4.5 for text, 3 for shapes that carry meaning.
    #[test]
    fn inks_stand_out_from_their_paper() {
        for paper in [PAPER, SHADE] {
            for (ink, least) in [
                (TEXT, 7.0),
                (QUIET, 4.5),
                (CAUTION, 4.5),
                (EDGE, 3.0),
                (BEFORE, 3.0),
                (AFTER, 3.0),
            ] {
                let light = contrast(ink.light, paper.light);
                let dark = contrast(ink.dark, paper.dark);
                assert!(
                    light >= least && dark >= least,
                    "{} on {}: {light:.2} {dark:.2}",
                    ink.name,
                    paper.name
                );
            }
        }
    }

    #[test]
    fn before_and_after_differ_in_lightness_too() {
        assert!(contrast(BEFORE.light, AFTER.light) > 2.0);
    }

    #[test]
    fn no_two_inks_share_a_light_form() {
        for (i, a) in INKS.iter().enumerate() {
            assert!(
                INKS.iter().skip(i + 1).all(|b| a.light != b.light),
                "{}",
                a.name
            );
        }
    }
}
