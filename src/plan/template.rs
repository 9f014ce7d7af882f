//! The plan that `stakeline new` writes to start from.

/// A commented plan. It holds no distance to keep: those come from permit and label.
pub fn template(name: &str) -> String {
    include_str!("template.toml").replace("{name}", name)
}
