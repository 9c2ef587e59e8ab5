//! Checks that hold for every page that anything here writes: tags close, headings and tables are in
//! order, pictures say what is seen, nothing is loaded, and no script runs but the program's own.

use std::collections::BTreeSet;

/// Elements that HTML never closes.
const VOID: [&str; 6] = ["meta", "link", "br", "img", "hr", "input"];

/// One tag of a page: its name, its attributes as written, and whether it opens or closes.
pub(crate) struct Tag<'a> {
    pub(crate) name: &'a str,
    attributes: &'a str,
    pub(crate) closes: bool,
    closes_itself: bool,
}

/// The page with its scripts' texts left out, which are not HTML, and those texts.
pub(crate) fn without_scripts(page: &str) -> (String, Vec<&str>) {
    let mut outside = String::new();
    let mut inside = Vec::new();
    let mut rest = page;
    while let Some(at) = rest.find("<script") {
        let begin = at + rest[at..].find('>').unwrap() + 1;
        let end = begin + rest[begin..].find("</script>").unwrap();
        outside.push_str(&rest[..begin]);
        inside.push(&rest[begin..end]);
        rest = &rest[end..];
        outside.push_str(&rest[.."</script>".len()]);
        rest = &rest["</script>".len()..];
    }
    outside.push_str(rest);
    (outside, inside)
}

/// Every tag in order. A raw `<` or `>` outside a tag would show up as a tag without a name.
pub(crate) fn tags(page: &str) -> Vec<Tag<'_>> {
    let mut rest = page;
    let mut tags = Vec::new();
    while let Some((_, from)) = rest.split_once('<') {
        let mut quoted = false;
        let end = from
            .char_indices()
            .find(|(_, c)| {
                quoted ^= *c == '"';
                *c == '>' && !quoted
            })
            .map(|(i, _)| i)
            .unwrap();
        let inside = &from[..end];
        rest = &from[end + 1..];
        if inside.starts_with('!') {
            continue;
        }
        let closes = inside.starts_with('/');
        let inside = inside.trim_start_matches('/');
        let name = inside.split([' ', '/']).next().unwrap();
        tags.push(Tag {
            name,
            attributes: inside[name.len()..].trim_end_matches('/'),
            closes,
            closes_itself: inside.ends_with('/'),
        });
    }
    tags
}

fn attribute<'a>(tag: &Tag<'a>, name: &str) -> Option<&'a str> {
    let (_, from) = tag.attributes.split_once(&format!(" {name}=\""))?;
    from.split('"').next()
}

/// Checks all that holds for every page.
pub(crate) fn check_page(page: &str) {
    assert!(page.starts_with("<!DOCTYPE html><html lang=\"en\">"));
    let (page, _) = without_scripts(page);
    let page = page.as_str();
    let tags = tags(page);
    let mut open = Vec::new();
    for tag in &tags {
        let plain = !tag.name.is_empty() && tag.name.bytes().all(|b| b.is_ascii_alphanumeric());
        assert!(plain, "not a tag: {:?}", tag.name);
        if tag.closes {
            assert_eq!(open.pop(), Some(tag.name));
        } else if !tag.closes_itself && !VOID.contains(&tag.name) {
            open.push(tag.name);
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
    check_alone(page, &tags);
    check_headings(&tags);
    check_tables(&tags);
    check_pictures(page, &tags);
}

/// Loads nothing, runs nothing that is not the program's own.
fn check_alone(page: &str, tags: &[Tag<'_>]) {
    let without_namespace = page.replace("http://www.w3.org/2000/svg", "");
    for foreign in ["http:", "https:", "url(", "@import", "javascript:"] {
        assert!(!without_namespace.contains(foreign), "{foreign}");
    }
    for tag in tags {
        assert!(
            !["iframe", "object", "img"].contains(&tag.name),
            "{}",
            tag.name
        );
        // The three of the trace viewer; the policy names the digests of those that run.
        let own = ["", " id=\"trace-data\" type=\"application/json\""];
        assert!(tag.name != "script" || own.contains(&tag.attributes));
        // Between the quoted values stand the names.
        let handler = tag
            .attributes
            .split('"')
            .step_by(2)
            .any(|name| name.trim().starts_with("on"));
        assert!(!handler, "{}", tag.attributes);
        for link in ["href", "src"] {
            let target = attribute(tag, link).unwrap_or("#");
            assert!(target.starts_with('#') || target == "data:,", "{target}");
        }
    }
    let policy = tags.iter().find_map(|tag| {
        attribute(tag, "content")
            .filter(|_| attribute(tag, "http-equiv") == Some("Content-Security-Policy"))
    });
    let policy = policy.unwrap();
    assert!(policy.starts_with("default-src 'none';"));
    let scripts = tags.iter().filter(|t| t.name == "script" && !t.closes);
    let running = scripts.filter(|t| attribute(t, "type").is_none()).count();
    assert_eq!(policy.matches("'sha256-").count(), running);
}

/// One first heading, no level left out, and every link within the page leads somewhere.
fn check_headings(tags: &[Tag<'_>]) {
    let levels: Vec<u32> = tags
        .iter()
        .filter(|tag| !tag.closes)
        .filter_map(|tag| tag.name.strip_prefix('h')?.parse().ok())
        .collect();
    assert_eq!(levels.iter().filter(|level| **level == 1).count(), 1);
    assert_eq!(levels.first(), Some(&1));
    assert!(
        levels.windows(2).all(|pair| pair[1] <= pair[0] + 1),
        "{levels:?}"
    );
    let ids: Vec<&str> = tags.iter().filter_map(|tag| attribute(tag, "id")).collect();
    let unique: BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(ids.len(), unique.len());
    for tag in tags {
        let href = attribute(tag, "href").and_then(|href| href.strip_prefix('#'));
        for target in href
            .into_iter()
            .chain(attribute(tag, "aria-labelledby"))
            .chain(attribute(tag, "for"))
        {
            assert!(unique.contains(target), "{target}");
        }
    }
}

/// Every table has a caption, every heading cell says what it heads, every row is as long as its
/// head.
fn check_tables(tags: &[Tag<'_>]) {
    let mut head = 0;
    let mut cells = 0;
    for (i, tag) in tags.iter().enumerate() {
        match (tag.name, tag.closes) {
            ("table", false) => {
                assert_eq!(tags.get(i + 1).map(|t| t.name), Some("caption"));
                head = 0;
            }
            ("th", false) => {
                assert!(matches!(attribute(tag, "scope"), Some("col" | "row")));
                cells += 1;
            }
            ("td", false) => cells += 1,
            ("tr", false) => cells = 0,
            ("tr", true) if head == 0 => head = cells,
            ("tr", true) => assert_eq!(cells, head),
            _ => {}
        }
    }
}

/// Every picture says what is seen, and no shape has a place that is not a number.
fn check_pictures(page: &str, tags: &[Tag<'_>]) {
    for tag in tags.iter().filter(|tag| tag.name == "svg" && !tag.closes) {
        assert_eq!(attribute(tag, "role"), Some("img"));
        assert!(attribute(tag, "aria-label").is_some_and(|label| label.len() > 20));
    }
    for broken in ["NaN", "inf,", ",inf", "\"inf", "-inf"] {
        assert!(!page.contains(broken), "{broken}");
    }
}
