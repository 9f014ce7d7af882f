//! What stakeline is built with: permissive licences alone, one registry, no second version that
//! is not argued. The rules are those of `deny.toml`; nothing here needs a network.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn table(path: &Path) -> toml::Table {
    std::fs::read_to_string(path).unwrap().parse().unwrap()
}

/// The packages of a lock file: name, version and where from.
fn locked(path: &Path) -> Vec<(String, String, Option<String>)> {
    let text = |package: &toml::Value, key: &str| package.get(key)?.as_str().map(str::to_string);
    let packages = table(path)["package"].as_array().unwrap().clone();
    packages
        .iter()
        .map(|p| (text(p, "name").unwrap(), text(p, "version").unwrap(), text(p, "source")))
        .collect()
}

/// Packages that are compiled for this machine, without the optional features.
fn packages() -> Vec<Value> {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let version = Command::new("rustc").arg("-vV").output().unwrap();
    let version = String::from_utf8(version.stdout).unwrap();
    let host = version.lines().find_map(|l| l.strip_prefix("host: ")).unwrap();
    let told = Command::new(cargo)
        .args(["metadata", "--offline", "--locked", "--format-version", "1", "--filter-platform", host])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let all: Value = serde_json::from_slice(&told.stdout).unwrap();
    all["packages"].as_array().unwrap().clone()
}

/// Whether a licence expression (SPDX; an older form writes "/" for OR) can be met with allowed
/// licences alone.
fn can_be_met(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let spaced = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    let spaced = spaced.replace(" WITH ", "_WITH_");
    let words: Vec<String> = spaced.split_whitespace().map(|w| w.replace("_WITH_", " WITH ")).collect();
    let mut at = 0;
    let met = either(&words, &mut at, allowed);
    met && at == words.len()
}

/// Terms joined by OR, which binds less than AND.
fn either(words: &[String], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let mut met = both(words, at, allowed);
    while words.get(*at).is_some_and(|w| w == "OR") {
        *at += 1;
        met |= both(words, at, allowed);
    }
    met
}

fn both(words: &[String], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let mut met = one(words, at, allowed);
    while words.get(*at).is_some_and(|w| w == "AND") {
        *at += 1;
        met &= one(words, at, allowed);
    }
    met
}

fn one(words: &[String], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let Some(word) = words.get(*at) else { return false };
    *at += 1;
    if word != "(" {
        return allowed.contains(word);
    }
    let met = either(words, at, allowed);
    *at += 1;
    met && words.get(*at - 1).is_some_and(|w| w == ")")
}

#[test]
fn licence_expressions_are_read() {
    let allowed: BTreeSet<String> =
        ["MIT", "IJG", "Apache-2.0", "Apache-2.0 WITH LLVM-exception"].map(String::from).into();
    for good in
        ["MIT", "GPL-3.0 OR MIT", "MIT/GPL-2.0", "(MIT OR GPL-2.0) AND IJG", "Apache-2.0 WITH LLVM-exception"]
    {
        assert!(can_be_met(good, &allowed), "{good}");
    }
    for bad in ["GPL-3.0", "MIT AND GPL-3.0", "(MIT OR Zlib", "MIT)", "", "GPL-2.0 OR MIT AND GPL-3.0"] {
        assert!(!can_be_met(bad, &allowed), "{bad}");
    }
}

#[test]
fn every_licence_is_permissive() {
    let rules = table(&root().join("deny.toml"));
    let allowed = rules["licenses"]["allow"].as_array().unwrap();
    let allowed: BTreeSet<String> = allowed.iter().map(|l| l.as_str().unwrap().to_string()).collect();
    assert!(!allowed.iter().any(|l| l.contains("GPL") || l.contains("MPL")), "{allowed:?}");
    let packages = packages();
    assert!(packages.len() > 100, "only {} packages were seen", packages.len());
    for package in &packages {
        let licence = package["license"].as_str().unwrap_or_default();
        assert!(can_be_met(licence, &allowed), "{} is under \"{licence}\"", package["name"]);
    }
}

#[test]
fn every_crate_comes_from_one_registry_and_second_versions_are_argued() {
    let rules = table(&root().join("deny.toml"));
    let argued = rules["bans"]["skip"].as_array().unwrap();
    let argued: BTreeSet<&str> = argued.iter().map(|s| s["crate"].as_str().unwrap()).collect();
    let mut versions: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for (name, version, source) in locked(&root().join("Cargo.lock")) {
        let home = source.as_deref() == Some("registry+https://github.com/rust-lang/crates.io-index");
        assert!(home || name == "stakeline", "{name} comes from {source:?}");
        versions.entry(name).or_default().push(version);
    }
    let mut several = BTreeSet::new();
    for (name, versions) in versions.iter().filter(|(_, v)| v.len() > 1) {
        // Of several versions, all but one have to be argued.
        let skipped = |v: &&String| argued.iter().find(|s| format!("{name}@{v}").starts_with(*s)).copied();
        let said: Vec<&str> = versions.iter().filter_map(|v| skipped(&v)).collect();
        assert_eq!(said.len() + 1, versions.len(), "{name} in the versions {versions:?}");
        several.extend(said);
    }
    assert_eq!(several, argued, "deny.toml argues for what is not there");
}

#[test]
fn what_is_fuzzed_is_what_is_built() {
    let main: BTreeSet<(String, String)> =
        locked(&root().join("Cargo.lock")).into_iter().map(|(name, version, _)| (name, version)).collect();
    let names: BTreeSet<&str> = main.iter().map(|(name, _)| name.as_str()).collect();
    for (name, version, _) in locked(&root().join("fuzz/Cargo.lock")) {
        let known = main.contains(&(name.clone(), version.clone()));
        assert!(known || !names.contains(name.as_str()), "fuzz/Cargo.lock holds {name} {version}");
    }
}
