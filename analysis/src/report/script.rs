//! Scripts of a page, and the security policy under which they run: nothing is loaded, and only
//! scripts whose digest the policy names may run, so that no text in the page can become one.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

/// Something that stands in a script element.
#[derive(Clone, Debug)]
pub struct Script(Kind);

#[derive(Clone, Debug)]
enum Kind {
    Code(String),
    Data { id: &'static str, json: String },
}

impl Script {
    /// A script that runs. It must be the program's own text: it is written as it is.
    #[must_use]
    pub fn code(text: String) -> Self {
        Self(Kind::Code(text))
    }

    /// JSON that a script finds by `id`; it may hold what someone else wrote.
    #[must_use]
    pub fn data(id: &'static str, json: String) -> Self {
        Self(Kind::Data { id, json })
    }

    pub(super) fn element(&self) -> Markup {
        match &self.0 {
            Kind::Code(text) => html! { script { (PreEscaped(text)) } },
            Kind::Data { id, json } => html! {
                script id=(id) type="application/json" { (PreEscaped(inert(json))) }
            },
        }
    }
}

/// JSON in which no character can end its element. The three occur within strings only, where an
/// escape says the same.
fn inert(json: &str) -> String {
    json.replace('<', "\\u003c")
        .replace('>', "\\u003e")
        .replace('&', "\\u0026")
}

/// The content security policy (W3C, Content Security Policy Level 3) of a page with these scripts.
/// The icon is an empty one in the page itself, so that no browser asks a server for one.
pub(super) fn security_policy(scripts: &[Script]) -> String {
    let mut policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; \
                      base-uri 'none'; form-action 'none'"
        .to_owned();
    let digests: Vec<String> = scripts
        .iter()
        .filter_map(|script| match &script.0 {
            Kind::Code(text) => Some(format!(
                "'sha256-{}'",
                STANDARD.encode(Sha256::digest(text))
            )),
            // Data blocks do not run and need no permission.
            Kind::Data { .. } => None,
        })
        .collect();
    if !digests.is_empty() {
        policy.push_str("; script-src ");
        policy.push_str(&digests.join(" "));
    }
    policy
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The digest of a script that a published example names: MDN Web Docs, "CSP: script-src",
    /// unsafe inline script (from memory), `doSomething();`. Checked against `openssl dgst -sha256`.
    #[test]
    fn the_policy_names_the_digest_of_each_script() {
        assert_eq!(
            security_policy(&[Script::code("doSomething();".to_owned())])
                .rsplit_once("; ")
                .unwrap()
                .1,
            "script-src 'sha256-RFWPLDbv2BY+rCkDzsE+0fr8ylGr2R2faWMhq4lfEQc='"
        );
        assert!(!security_policy(&[Script::data("d", "{}".to_owned())]).contains("script-src"));
    }

    #[test]
    fn data_cannot_end_its_element() {
        let hostile = serde_json::to_string("</script><!--<script>&").unwrap();
        let element = Script::data("d", hostile).element().into_string();
        let inside = element.split_once('>').unwrap().1;
        let inside = inside.rsplit_once("</script>").unwrap().0;
        assert!(!inside.contains(['<', '>', '&']));
        let read: String = serde_json::from_str(inside).unwrap();
        assert_eq!(read, "</script><!--<script>&");
    }
}
