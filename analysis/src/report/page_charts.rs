//! The pictures of a finished page, each with a name that a file can have.

use std::fmt::Write as _;

/// How the element of every chart begins.
const BEGINS: &str = "<svg class=\"chart\"";
const ENDS: &str = "</svg>";
/// Longest name, without its number.
const LONGEST_NAME: usize = 48;

/// One picture of a page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PageChart<'a> {
    /// Its number in the page and what it shows: letters, digits and hyphens only, whatever the
    /// page's words are.
    pub name: String,
    /// Its SVG element.
    pub svg: &'a str,
}

/// The pictures of a page, in the page's order. Text in a page is escaped, so an element that
/// begins as a chart does is one.
#[must_use]
pub fn page_charts(page: &str) -> Vec<PageChart<'_>> {
    let mut charts = Vec::new();
    let mut rest = page;
    while let Some(at) = rest.find(BEGINS) {
        let from = &rest[at..];
        let Some(end) = from.find(ENDS) else { break };
        let (svg, after) = from.split_at(end + ENDS.len());
        let label = svg
            .split_once(" aria-label=\"")
            .and_then(|(_, label)| label.split('"').next())
            .unwrap_or_default();
        charts.push(PageChart {
            name: name(charts.len() + 1, label),
            svg,
        });
        rest = after;
    }
    charts
}

/// `03-peak-slip` of the third picture, "Peak slip: before ...".
fn name(number: usize, label: &str) -> String {
    let mut name = format!("{number:02}");
    let first = label.split([':', ',', '.']).next().unwrap_or_default();
    let words = first
        .split(|c: char| !c.is_ascii_alphanumeric())
        .filter(|word| !word.is_empty());
    for word in words {
        if name.len() + word.len() > LONGEST_NAME {
            break;
        }
        let _ = write!(name, "-{}", word.to_ascii_lowercase());
    }
    name
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::raster;
    use crate::report::tests::drives;

    #[test]
    fn every_picture_of_a_report_can_be_a_file() {
        let page = drives::improved(1).report();
        let charts = page_charts(&page);
        assert_eq!(charts.len(), page.matches("<svg").count());
        assert!(charts.len() > 10, "{}", charts.len());
        let mut names: Vec<&str> = charts.iter().map(|c| c.name.as_str()).collect();
        assert!(names[0].starts_with("01-peak-slip"), "{names:?}");
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), charts.len());
        let png = raster::png(charts[3].svg).unwrap();
        assert!(png.starts_with(b"\x89PNG"));
    }

    #[test]
    fn a_name_leads_nowhere() {
        let chart = |label: &str| format!("{BEGINS} aria-label=\"{label}\">x{ENDS}");
        let named = |label: &str| page_charts(&chart(label))[0].name.clone();
        assert_eq!(named("../../etc/passwd"), "01");
        assert_eq!(named("a/b\\c\u{202e}d &lt;e"), "01-a-b-c-d-lt-e");
        assert_eq!(named(""), "01");
        assert!(named(&"long ".repeat(100)).len() <= LONGEST_NAME + 3);
        assert_eq!(page_charts("<svg class=\"chart\" without end"), []);
    }
}
