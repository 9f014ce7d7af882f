//! Pages that hold everything they need, and let nothing in or out.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use minijinja::{AutoEscape, Environment};
use serde::Serialize;
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
pub(super) fn script_json(value: &impl Serialize) -> serde_json::Result<String> {
    let json = serde_json::to_string(value)?;
    let wild = ['<', '>', '&', '\u{2028}', '\u{2029}'];
    if !json.contains(wild) {
        return Ok(json);
    }
    Ok(json
        .replace('<', "\\u003c")
        .replace('>', "\\u003e")
        .replace('&', "\\u0026")
        .replace('\u{2028}', "\\u2028")
        .replace('\u{2029}', "\\u2029"))
}

/// An object of [`script_json`] that is written member by member.
pub(super) struct ScriptObject<'p> {
    page: &'p mut String,
    members: usize,
}

impl<'p> ScriptObject<'p> {
    /// Opens it.
    pub(super) fn begin(page: &'p mut String) -> Self {
        page.push('{');
        Self { page, members: 0 }
    }

    fn name(&mut self, name: &str) -> serde_json::Result<()> {
        if self.members > 0 {
            self.page.push(',');
        }
        self.members += 1;
        self.page.push_str(&script_json(&name)?);
        self.page.push(':');
        Ok(())
    }

    /// A member.
    pub(super) fn put(&mut self, name: &str, value: &impl Serialize) -> serde_json::Result<()> {
        self.name(name)?;
        self.page.push_str(&script_json(value)?);
        Ok(())
    }

    /// A member that is a list, of which one item is held at a time.
    pub(super) fn list(
        &mut self,
        name: &str,
        items: impl Iterator<Item = impl Serialize>,
    ) -> serde_json::Result<()> {
        self.name(name)?;
        self.page.push('[');
        for (k, item) in items.enumerate() {
            if k > 0 {
                self.page.push(',');
            }
            self.page.push_str(&script_json(&item)?);
        }
        self.page.push(']');
        Ok(())
    }

    /// Closes it.
    pub(super) fn end(self) {
        self.page.push('}');
    }
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
    use serde_json::{Value, json};

    #[test]
    fn text_cannot_leave_the_script_that_holds_it() {
        let json =
            script_json(&json!({ "name": "</script><script>alert(1)</script><!-- & \u{2028}" })).unwrap();
        for wild in ["<", ">", "&", "\u{2028}"] {
            assert!(!json.contains(wild), "{wild} in {json}");
        }
        let back: Value = serde_json::from_str(&json).unwrap();
        assert!(back["name"].as_str().unwrap().starts_with("</script>"));
    }

    #[test]
    fn an_object_written_by_members_is_that_of_a_tree() {
        let mut text = String::new();
        let mut object = ScriptObject::begin(&mut text);
        object.put("a<b", &json!([1.0, null])).unwrap();
        object.list("none", std::iter::empty::<u8>()).unwrap();
        object.list("two", ["</script>", "&"].into_iter()).unwrap();
        object.end();
        let tree = json!({ "a<b": [1.0, null], "none": [], "two": ["</script>", "&"] });
        assert_eq!(text, script_json(&tree).unwrap());
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
