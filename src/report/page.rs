//! Pages that hold everything they need, and let nothing in or out.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use minijinja::{AutoEscape, Environment};
use serde::Serialize;
use serde_json::Value;
use sha2::{Digest, Sha256};

/// What pages share: the head, with the policy, and the list of open items.
const SHARED: [(&str, &str); 2] = [
    ("head.html", include_str!("assets/head.html")),
    ("open-items.html", include_str!("assets/open-items.html")),
];

/// Why a page could not be made: a fault of this program, not of its input.
#[derive(thiserror::Error, Debug)]
#[error("the page {page} could not be made: {why}")]
pub struct PageError {
    /// The page.
    pub page: &'static str,
    /// What the template engine says.
    pub why: String,
}

/// The content-security policy of a page: its own scripts and styles by their hashes,
/// pictures out of the page itself, and nothing else.
pub(super) fn policy(scripts: &[&str], style: &str) -> String {
    let hash = |text: &str| format!("'sha256-{}'", BASE64_STANDARD.encode(Sha256::digest(text.as_bytes())));
    let scripts = match scripts {
        [] => "'none'".to_string(),
        some => some.iter().map(|s| hash(s)).collect::<Vec<_>>().join(" "),
    };
    format!(
        "default-src 'none'; script-src {scripts}; style-src {}; img-src data:; base-uri 'none'; form-action 'none'",
        hash(style)
    )
}

/// JSON that may stand inside a `script` element: no character in it can end the element
/// or begin a comment, and it holds no line ends that scripts treat as such.
pub(super) fn script_json(value: &Value) -> String {
    value
        .to_string()
        .replace('<', "\\u003c")
        .replace('>', "\\u003e")
        .replace('&', "\\u0026")
        .replace('\u{2028}', "\\u2028")
        .replace('\u{2029}', "\\u2029")
}

/// Fills a template; every value is escaped for HTML but those that the template marks safe.
pub(super) fn render(
    page: &'static str,
    template: &str,
    context: impl Serialize,
) -> Result<String, PageError> {
    let mut engine = Environment::new();
    engine.set_auto_escape_callback(|_| AutoEscape::Html);
    engine.set_undefined_behavior(minijinja::UndefinedBehavior::Strict);
    let context = minijinja::value::Serde(context);
    let fault = |e: minijinja::Error| PageError { page, why: format!("{e:#}") };
    for (name, shared) in SHARED {
        engine.add_template(name, shared).map_err(fault)?;
    }
    engine.render_str(template, context).map_err(fault)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn text_cannot_leave_the_script_that_holds_it() {
        let json = script_json(&json!({ "name": "</script><script>alert(1)</script><!-- & \u{2028}" }));
        for wild in ["<", ">", "&", "\u{2028}"] {
            assert!(!json.contains(wild), "{wild} in {json}");
        }
        let back: Value = serde_json::from_str(&json).unwrap();
        assert!(back["name"].as_str().unwrap().starts_with("</script>"));
    }

    #[test]
    fn the_policy_names_the_sha256_of_the_script() {
        // Published example of the CSP Level 2 recommendation, section 4.2.5 (W3C 2016).
        let policy = policy(&["alert('Hello, world.');"], "");
        assert!(policy.contains("'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"), "{policy}");
    }

    #[test]
    fn templates_escape_text() {
        let page = render("test", "<p>{{ name }}</p>", json!({ "name": "<b>&\"" })).unwrap();
        assert_eq!(page, "<p>&lt;b&gt;&amp;&quot;</p>");
    }
}
