//! The size of things: `cargo test --test house -- --nocapture` prints the figures that
//! DEVELOPERS.md holds against the habits of the house.

use std::fs;
use std::path::{Path, PathBuf};

/// No file is longer than this many lines, tests left out.
const FILE_LINES: usize = 420;

/// No function is longer than this many lines: a screen.
const FUNCTION_LINES: usize = 60;

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|e| e == "rs") && !path.ends_with("tests.rs") {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// The lines of a file before its tests.
fn own_lines(path: &Path) -> Vec<String> {
    let text = fs::read_to_string(path).unwrap();
    text.lines().take_while(|l| *l != "#[cfg(test)]").map(String::from).collect()
}

/// Every function with its length. The code is formatted, so a function ends at the first
/// closing brace that stands as deep as its head begins.
fn functions(lines: &[String]) -> Vec<(String, usize)> {
    let depth = |l: &str| l.len() - l.trim_start().len();
    let mut found = Vec::new();
    for (k, line) in lines.iter().enumerate() {
        let head = line.trim_start();
        let words = head.split_whitespace().take_while(|w| !w.contains('('));
        // What a trait asks for has a head and no body.
        if head.starts_with("//")
            || head.ends_with(';')
            || !(head.starts_with("fn ") || words.clone().any(|w| w == "fn"))
        {
            continue;
        }
        let end = lines[k..].iter().position(|l| l.trim_end() == format!("{}}}", " ".repeat(depth(line))));
        if let Some(end) = end {
            let name = head.split("fn ").nth(1).unwrap_or(head);
            found.push((name.split(['(', '<']).next().unwrap_or(name).to_string(), end + 1));
        }
    }
    found
}

fn middle(mut sizes: Vec<usize>) -> usize {
    sizes.sort_unstable();
    sizes[sizes.len() / 2]
}

#[test]
fn a_file_has_one_subject_and_a_function_fits_a_screen() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut file_sizes = Vec::new();
    let mut function_sizes = Vec::new();
    let mut faults = Vec::new();
    for path in sources(&root) {
        let lines = own_lines(&path);
        let name = path.strip_prefix(&root).unwrap().display().to_string();
        file_sizes.push(lines.len());
        if lines.len() > FILE_LINES {
            faults.push(format!("{name}: {} lines", lines.len()));
        }
        for (function, length) in functions(&lines) {
            function_sizes.push(length);
            if length > FUNCTION_LINES {
                faults.push(format!("{name}: fn {function}: {length} lines"));
            }
        }
    }
    let most = |sizes: &[usize]| sizes.iter().copied().max().unwrap_or(0);
    println!(
        "files: {}, median {} lines, largest {}",
        file_sizes.len(),
        middle(file_sizes.clone()),
        most(&file_sizes)
    );
    println!(
        "functions: {}, median {} lines, largest {}",
        function_sizes.len(),
        middle(function_sizes.clone()),
        most(&function_sizes)
    );
    assert!(function_sizes.len() > 1000, "functions were not found");
    assert!(faults.is_empty(), "too long:\n{}", faults.join("\n"));
}

#[test]
fn an_exception_from_a_lint_gives_its_reason() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut faults = Vec::new();
    for path in sources(&root) {
        let text = fs::read_to_string(&path).unwrap();
        let mut rest = text.as_str();
        while let Some(at) = rest.find("[allow(").or_else(|| rest.find("[expect(")) {
            let end = rest[at..].find(")]").map_or(rest.len(), |e| at + e);
            if !rest[at..end].contains("reason") {
                faults.push(format!("{}: {}", path.display(), &rest[at..end]));
            }
            rest = &rest[end..];
        }
    }
    assert!(faults.is_empty(), "without a reason:\n{}", faults.join("\n"));
}

/// A small number in scientific notation is a tolerance; it stands in a constant, whose comment
/// says why. Tables of numbers with their own sources are left out.
#[test]
fn a_tolerance_has_a_name() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let tables = ["surface/along/poles.rs", "surface/along/wave.rs"];
    let small = |line: &str| {
        let digit = |part: Option<&str>| part.is_some_and(|p| p.starts_with(|c: char| c.is_ascii_digit()));
        let parts: Vec<&str> = line.split("e-").collect();
        parts.windows(2).any(|pair| {
            pair[0].ends_with(|c: char| c.is_ascii_digit() || c == '_') && digit(pair.get(1).copied())
        })
    };
    let mut faults = Vec::new();
    for path in sources(&root) {
        let name = path.strip_prefix(&root).unwrap().display().to_string();
        if tables.contains(&name.as_str()) || name.contains("/tests/") {
            continue;
        }
        for (k, line) in own_lines(&path).iter().enumerate() {
            let code = line.trim_start();
            let named = code.split_whitespace().take(2).any(|word| word == "const");
            if small(code) && !named && !code.starts_with("//") {
                faults.push(format!("{name}:{}: {code}", k + 1));
            }
        }
    }
    assert!(faults.is_empty(), "without a name:\n{}", faults.join("\n"));
}

/// A quantile that looks for its own range need not end: `statistics` has those that do. The normal law's
/// is a closed form.
#[test]
fn quantiles_come_from_where_they_end() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut faults = Vec::new();
    let mut quantiles = 0;
    for path in sources(&root) {
        let name = path.strip_prefix(&root).unwrap().display().to_string();
        if name.contains("/tests/") {
            continue;
        }
        let normal = ["season/bootstrap.rs", "season/control_impact.rs"].contains(&name.as_str());
        for (k, line) in own_lines(&path).iter().enumerate() {
            let code = line.split("//").next().unwrap_or("");
            let quantile = code.contains("inverse_cdf");
            quantiles += usize::from(quantile);
            let other =
                ["distribution::Gamma", "gamma_lr", "gamma_ur", "Beta::new", "StudentsT", "Poisson::new"];
            if (quantile || code.contains("ContinuousCDF")) && !normal
                || other.iter().any(|w| code.contains(w))
            {
                faults.push(format!("{name}:{}: {code}", k + 1));
            }
        }
    }
    assert!(quantiles > 0, "no quantile was found: has its name changed?");
    assert!(faults.is_empty(), "quantiles that need not end:\n{}", faults.join("\n"));
}
