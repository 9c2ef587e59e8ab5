//! The frame that every report shares: head, first screen, contents, sections, foot.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{script, style};
use crate::chart::{Chart, ChartError};

pub use super::script::Script;

/// A style sheet beside the shared one.
#[derive(Clone, Copy, Debug)]
pub struct StyleSheet(pub &'static str);

/// What every report of a test drive carries.
pub const CAUTIONS: [&str; 6] = [
    "The passenger works the laptop, never the driver.",
    "Test on a closed or quiet road and within the law.",
    "Never run a raised car with only one axle free to turn.",
    "Let hot fluid cool and pressure go before anything is opened.",
    "Listening is the default: nothing is sent on the car's bus unless that is asked for by name.",
    "The vehicle maker's procedure, local rules and licensed practice come first.",
];

/// One section under its own heading.
pub struct Section {
    id: &'static str,
    heading: &'static str,
    body: Markup,
}

impl Section {
    /// A section that `#id` leads to.
    #[must_use]
    pub fn new(id: &'static str, heading: &'static str, body: Markup) -> Self {
        Self { id, heading, body }
    }
}

/// A whole page.
pub struct Page<'a> {
    /// What kind of report this is.
    pub title: &'static str,
    /// What it is about, in the owner's words; shown literally.
    pub subject: &'a str,
    /// Under the title: what the owner says of it, and when it was made.
    pub notes: Markup,
    /// First screen: the answer and the few numbers behind it.
    pub lead: Markup,
    /// Everything else, in order.
    pub sections: Vec<Section>,
}

impl Page<'_> {
    /// The page's HTML, without scripts.
    #[must_use]
    pub fn render(&self) -> String {
        self.render_with(&[], &[])
    }

    /// The page's HTML with scripts at its end. They run only as written here: the page's security
    /// policy names the digest of each.
    #[must_use]
    pub fn render_with(&self, styles: &[StyleSheet], scripts: &[Script]) -> String {
        html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta http-equiv="Content-Security-Policy" content=(script::security_policy(scripts));
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    meta name="referrer" content="no-referrer";
                    title { (self.title) ": " (visible(self.subject)) }
                    link rel="icon" href="data:,";
                    @for sheet in styles { style { (PreEscaped(sheet.0)) } }
                    style { (PreEscaped(style::sheet())) }
                }
                body {
                    a.skip href="#content" { "Skip to the verdict" }
                    header {
                        p.kind { (self.title) }
                        h1 { (literal(self.subject)) }
                        (self.notes)
                    }
                    main #content {
                        (self.lead)
                        nav aria-label="Contents" {
                            ul {
                                @for section in &self.sections {
                                    li { a href={ "#" (section.id) } { (section.heading) } }
                                }
                            }
                        }
                        @for section in &self.sections {
                            section.part id=(section.id) aria-labelledby={ (section.id) "-heading" } {
                                h2 id={ (section.id) "-heading" } { (section.heading) }
                                (section.body)
                            }
                        }
                    }
                    footer {
                        p {
                            "Written by slipwright " (env!("CARGO_PKG_VERSION")) ". This page is one "
                            "file: it loads nothing, sends nothing and can be kept and printed as it is."
                        }
                    }
                    @for script in scripts { (script.element()) }
                }
            }
        }
        .into_string()
    }
}

/// The cautions that every report carries on its first screen.
#[must_use]
pub fn cautions() -> Markup {
    html! {
        section aria-labelledby="cautions-heading" {
            h2 #cautions-heading { "Cautions" }
            ul { @for caution in CAUTIONS { li { (caution) } } }
        }
    }
}

/// Text that someone else wrote, such as a file name: every character seen, none obeyed. Its
/// direction of writing stays its own, and its spaces stay.
#[must_use]
pub fn literal(text: &str) -> Markup {
    html! { bdi.literal { (visible(text)) } }
}

/// Text that may hold what someone else wrote: control characters as their printable pictures, all
/// else as it is.
#[must_use]
pub fn visible(text: &str) -> String {
    text.chars()
        .map(|c| match u32::from(c) {
            code @ 0..=0x1F => char::from_u32(0x2400 + code).unwrap_or(char::REPLACEMENT_CHARACTER),
            0x7F => '␡',
            // Marks that reorder the text around them, and controls without a picture.
            0x80..=0x9F | 0x200E | 0x200F | 0x202A..=0x202E | 0x2066..=0x2069 => {
                char::REPLACEMENT_CHARACTER
            }
            _ => c,
        })
        .collect()
}

/// A picture with words under it, or the words and why there is no picture.
#[must_use]
pub fn figure(chart: Result<Chart, ChartError>, caption: &Markup) -> Markup {
    html! {
        figure {
            @match chart {
                Ok(chart) => (PreEscaped(chart.svg)),
                Err(error) => p.why { (error) },
            }
            figcaption { (caption) }
        }
    }
}

/// A table that may be wider than the screen: it scrolls by itself, also by keyboard.
#[must_use]
pub fn wide_table(name: &str, table: &Markup) -> Markup {
    html! {
        div.wide role="region" tabindex="0" aria-label=(visible(name)) { (table) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_others_wrote_is_shown_not_obeyed() {
        let shown = literal("<b>\"a\"</b> & 'c'\u{0}\n\u{202e}fdp").into_string();
        insta::assert_snapshot!(
            shown,
            @r#"<bdi class="literal">&lt;b&gt;&quot;a&quot;&lt;/b&gt; &amp; 'c'␀␊�fdp</bdi>"#
        );
    }
}
