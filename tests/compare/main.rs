//! `compare`, run as a program on an invented property: one track searched on 24 outings a
//! season, with three times the sign on its western third after.

mod off_legs;
mod rasters;
#[path = "../support/mod.rs"]
mod support;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::Value;
use stakeline::frame::{LonLat, distance_m};
use support::{json, number, said, stakeline};

const WEST: (f64, f64) = (148.20, -35.40);
const EAST: (f64, f64) = (148.28, -35.40);
const OUTINGS: usize = 24;

/// A small generator of its own, so that the property never changes.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

fn day(year: u32, outing: usize) -> String {
    let start: jiff::civil::Date = format!("{year}-03-02").parse().unwrap();
    (start + jiff::Span::new().days(3 * outing as i64)).to_string()
}

fn collection(features: &[String]) -> String {
    format!("{{\"type\":\"FeatureCollection\",\"features\":[{}]}}", features.join(","))
}

/// Sign of one season and its number: `west` and `rest` records an outing on average.
fn sign(year: u32, west: f64, rest: f64) -> Vec<String> {
    let mut dice = Dice(u64::from(year));
    let mut features = Vec::new();
    for outing in 0..OUTINGS {
        for (mean, from, to) in [(west, 0.0, 1.0 / 3.0), (rest, 0.0, 1.0)] {
            let count = (mean + 2.0 * (dice.roll() - 0.5) * mean).round() as usize;
            for _ in 0..count {
                let share = from + (to - from) * dice.roll();
                let lon = WEST.0 + (EAST.0 - WEST.0) * share;
                let lat = WEST.1 + 2e-4 * (dice.roll() - 0.5);
                features.push(format!(
                    "{{\"type\":\"Feature\",\"properties\":{{\"animal\":\"dog\",\"date\":\"{}\",\"season\":\"s{year}\",\"survey\":\"{year}-{outing}\"}},\"geometry\":{{\"type\":\"Point\",\"coordinates\":[{lon:.7},{lat:.7}]}}}}",
                    day(year, outing)
                ));
            }
        }
    }
    features
}

fn legs(year: u32) -> Vec<String> {
    let leg = |outing: usize| {
        format!(
            "{{\"type\":\"Feature\",\"properties\":{{\"date\":\"{}\",\"survey\":\"{year}-{outing}\"}},\"geometry\":{{\"type\":\"LineString\",\"coordinates\":[[{},{}],[{},{}]]}}}}",
            day(year, outing),
            WEST.0,
            WEST.1,
            EAST.0,
            EAST.1
        )
    };
    (0..OUTINGS).map(leg).collect()
}

/// Writes the property and gives the numbers of records before and after.
fn property(dir: &Path) -> (usize, usize) {
    let (before, after) = (sign(2023, 2.0, 6.0), sign(2024, 6.0, 6.0));
    let both: Vec<String> = before.iter().chain(&after).cloned().collect();
    let both_legs: Vec<String> = legs(2023).into_iter().chain(legs(2024)).collect();
    for (name, features) in [("before", &before), ("after", &after), ("both", &both), ("legs", &both_legs)] {
        std::fs::write(dir.join(format!("{name}.geojson")), collection(features)).unwrap();
    }
    let mut plan = String::new();
    writeln!(plan, "[[sign]]\nfile = \"both.geojson\"\n[[survey]]\nfile = \"legs.geojson\"").unwrap();
    writeln!(plan, "[seasons]\nafter = {{ from = \"2024-03-01\", to = \"2024-06-30\" }}").unwrap();
    writeln!(plan, "before = {{ from = \"2020-03-01\", to = \"2020-06-30\", years = [2023] }}").unwrap();
    writeln!(plan, "[surface]\nbandwidth = 500\n[compare]\nruns = 199").unwrap();
    std::fs::write(dir.join("plan.toml"), plan).unwrap();
    (before.len(), after.len())
}

fn run(dir: &Path, arguments: &[&str]) -> (Value, PathBuf) {
    let out = dir.join("out");
    let mut command = stakeline();
    command.current_dir(dir).arg("compare").args(arguments).args(["--out", "out", "--force"]);
    let (status, text, warnings) = said(&mut command);
    assert_eq!(status, 0, "{text}{warnings}");
    (json(&out.join("compare.json")), out)
}

/// What does not depend on the run.
fn settled(mut summary: Value) -> Value {
    summary.as_object_mut().unwrap().remove("seconds");
    summary
}

#[test]
fn a_rise_on_a_third_of_the_track_is_found() {
    let dir = tempfile::tempdir().unwrap();
    let (before, after) = property(dir.path());
    let (found, out) = run(dir.path(), &["plan.toml", "--before", "before", "--after", "after"]);
    assert_eq!(found["compares"], "rate");
    assert_eq!(found["headline"]["block"], "week");
    assert_eq!(found["headline"]["verdict"], "change");
    assert!(number(&found, "/headline/p") <= 0.05);
    for size in ["outing", "day", "week", "month"] {
        let blocks = |which| number(&found, &format!("/global/{size}/{which}"));
        assert_eq!(blocks("blocks"), blocks("blocks_before") + blocks("blocks_after"));
    }
    // One outing a day: the same blocks, so the same p.
    assert_eq!(found["global"]["outing"]["p"], found["global"]["day"]["p"]);
    assert!(found["global"]["month"]["p"].is_null() && found["global"]["month"]["reason"].is_string());
    // Kilometres by an independent geodesic library, through the frame room.
    let at = |(lon, lat)| LonLat::new(lon, lat).unwrap();
    let km = distance_m(at(WEST), at(EAST)) / 1000.0 * OUTINGS as f64;
    for (season, records) in [("before", before), ("after", after)] {
        assert!((number(&found, &format!("/{season}/searched_km")) - km).abs() < 1e-3 * km);
        assert_eq!(number(&found, &format!("/{season}/records")), records as f64);
    }
    let ratio = after as f64 / before as f64;
    assert!((number(&found, "/index/rate_ratio") - ratio).abs() < 1e-9);
    assert!(number(&found, "/index/interval_95/0") < ratio && ratio < number(&found, "/index/interval_95/1"));
    assert!(number(&found, "/index/power/rise_seen") > 1.0 && number(&found, "/index/power/fall_seen") < 1.0);
    // The same leg day after day: its plots are one, which makes no passive index.
    assert!(found["passive_index"]["before"].is_null());

    let areas = json(&out.join("change-areas.geojson"));
    let areas = areas["features"].as_array().unwrap();
    assert!(!areas.is_empty());
    for area in areas {
        let properties = &area["properties"];
        assert_eq!(properties["direction"], "increase");
        assert!(number(properties, "/p_max") <= 0.05 && number(properties, "/p_min") <= 0.05);
        assert!(number(properties, "/area_ha") > 1.0 && properties["survives_fdr"].is_boolean());
        let ring = area["geometry"]["coordinates"][0].as_array().unwrap();
        let west = ring.iter().map(|c| c[0].as_f64().unwrap()).fold(f64::INFINITY, f64::min);
        assert!(west < WEST.0 + (EAST.0 - WEST.0) / 3.0);
    }
    let lines: Vec<&str> = found["summary"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    assert_eq!(lines.len(), 3);
    assert!(lines[2].contains("not by itself a change in numbers"));
}

#[test]
fn seasons_by_days_by_label_and_by_file_are_the_same() {
    let dir = tempfile::tempdir().unwrap();
    property(dir.path());
    let numbers = |summary: &Value| {
        (
            summary["global"].clone(),
            summary["headline"].clone(),
            summary["index"].clone(),
            summary["cells"].clone(),
        )
    };
    let (by_days, _) = run(dir.path(), &["plan.toml", "--before", "before", "--after", "after"]);
    let (by_label, _) = run(dir.path(), &["plan.toml", "--before", "s2023", "--after", "S2024"]);
    let files = ["--before", "before.geojson", "--after", "after.geojson", "--survey", "legs.geojson"];
    let (by_file, _) = run(dir.path(), &[&files[..], &["--bandwidth", "500", "--runs", "199"]].concat());
    assert_eq!(numbers(&by_days), numbers(&by_label));
    assert_eq!(numbers(&by_days), numbers(&by_file));
    assert_eq!(by_file["before"]["name"], "before");
}

/// The properties of a file's features.
fn properties(file: PathBuf) -> Vec<Value> {
    json(&file)["features"].as_array().unwrap().iter().map(|f| f["properties"].clone()).collect()
}

/// Which season comes first is a matter of naming: signs and directions turn round, and every p
/// stays, of the whole, of areas and of pieces of line.
#[test]
fn exchanging_the_seasons_flips_signs_and_keeps_every_p_in_the_files() {
    let dir = tempfile::tempdir().unwrap();
    property(dir.path());
    let track = format!(
        "{{\"type\":\"Feature\",\"properties\":{{}},\"geometry\":{{\"type\":\"LineString\",\"coordinates\":[[{},{}],[{},{}]]}}}}",
        WEST.0, WEST.1, EAST.0, EAST.1
    );
    std::fs::write(dir.path().join("track.geojson"), collection(&[track])).unwrap();
    let compared = |before: &str, after: &str| {
        let flags = ["--line", "track=track.geojson", "--along-lines"];
        let (found, out) =
            run(dir.path(), &[&["plan.toml", "--before", before, "--after", after][..], &flags].concat());
        let files = ["change-areas.geojson", "change-lines.geojson"].map(|name| properties(out.join(name)));
        (found, files)
    };
    let (there, [areas, lines]) = compared("before", "after");
    let (back, [areas_back, lines_back]) = compared("after", "before");
    for size in ["record", "outing", "day", "week", "month"] {
        assert_eq!(there["global"][size]["p"], back["global"][size]["p"], "{size}");
    }
    assert_eq!(there["headline"]["p"], back["headline"]["p"]);
    assert_eq!(there["headline"]["verdict"], "change");
    let product = number(&there, "/index/rate_ratio") * number(&back, "/index/rate_ratio");
    assert!((product - 1.0).abs() < 1e-9, "{product}");
    let turned = |direction: &Value| match direction.as_str() {
        Some("increase") => Value::from("decrease"),
        Some("decrease") => Value::from("increase"),
        _ => direction.clone(),
    };
    assert!(!areas.is_empty() && areas.len() == areas_back.len());
    let places = |areas: &[Value], turn: bool| -> Vec<(String, Value)> {
        let of = |a: &Value| {
            (a["p_max"].to_string(), if turn { turned(&a["direction"]) } else { a["direction"].clone() })
        };
        let mut all: Vec<_> = areas.iter().map(of).collect();
        all.sort_by(|a, b| a.0.cmp(&b.0));
        all
    };
    assert_eq!(places(&areas, true), places(&areas_back, false));
    assert!(lines.iter().any(|piece| piece["direction"] == "increase"), "no piece is claimed");
    for (one, other) in lines.iter().zip(&lines_back) {
        assert_eq!((&one["p"], &one["p_max"]), (&other["p"], &other["p_max"]));
        assert_eq!(turned(&one["direction"]), other["direction"]);
        let sum = number(one, "/log_ratio") + number(other, "/log_ratio");
        assert!(sum.abs() < 1e-9, "{one} {other}");
    }
}

#[test]
fn settings_reproduce_a_run_and_threads_do_not_matter() {
    let dir = tempfile::tempdir().unwrap();
    property(dir.path());
    let files =
        ["--before", "before.geojson", "--after", "after.geojson", "--runs", "99", "--block", "outing"];
    let (first, out) = run(dir.path(), &files);
    assert_eq!((first["compares"].as_str(), first["rule"].as_str()), (Some("pattern"), Some("scott")));
    assert!(first["index"].is_null());
    let bytes = |name: &str| std::fs::read(out.join(name)).unwrap();
    let names =
        ["change.tif", "change-p.tif", "change-p-asymptotic.tif", "change-areas.geojson", "settings.toml"];
    let before = names.map(bytes);
    std::fs::copy(out.join("settings.toml"), dir.path().join("again.toml")).unwrap();
    let (again, _) = run(dir.path(), &["--threads", "3", "again.toml"]);
    assert_eq!(settled(first), settled(again));
    assert!(before == names.map(bytes));
}

#[test]
fn what_cannot_be_compared_says_why() {
    let dir = tempfile::tempdir().unwrap();
    property(dir.path());
    let refused = |arguments: &[&str], status: i32, says: &str| {
        let mut command = stakeline();
        command.current_dir(dir.path()).arg("compare").args(arguments).args(["--out", "refused"]);
        let (found, _, text) = said(&mut command);
        assert_eq!(found, status, "{text}");
        assert!(text.contains(says), "{text}");
        assert!(!dir.path().join("refused").exists());
    };
    refused(&["--sign", "both.geojson"], 2, "say which season");
    refused(
        &["plan.toml", "--before", "before", "--after", "winter"],
        1,
        "known: after, before, s2023, s2024",
    );
    refused(&["plan.toml", "--before", "before", "--after", "s2023"], 1, "must not overlap");
    refused(&["plan.toml", "--before", "before", "--after", "after", "--runs", "3"], 2, "compare.runs");
    refused(&["plan.toml", "--before", "before", "--after", "missing.geojson"], 1, "missing.geojson");
}

/// A box around a part of the track.
fn ground(from: f64, to: f64) -> String {
    let lon = |share: f64| WEST.0 + (EAST.0 - WEST.0) * share;
    let (w, e, s, n) = (lon(from), lon(to), WEST.1 - 0.01, WEST.1 + 0.01);
    collection(&[format!(
        "{{\"type\":\"Feature\",\"properties\":{{}},\"geometry\":{{\"type\":\"Polygon\",\"coordinates\":[[[{w},{s}],[{e},{s}],[{e},{n}],[{w},{n}],[{w},{s}]]]}}}}"
    )])
}

#[test]
fn untreated_ground_is_held_against_the_rest_or_says_why_not() {
    let dir = tempfile::tempdir().unwrap();
    property(dir.path());
    std::fs::write(dir.path().join("untreated.geojson"), ground(0.5, 1.01)).unwrap();
    std::fs::write(dir.path().join("elsewhere.geojson"), ground(3.0, 4.0)).unwrap();
    let seasons = ["plan.toml", "--before", "before", "--after", "after", "--runs", "39"];
    let (found, _) = run(dir.path(), &[&seasons[..], &["--untreated", "untreated.geojson"]].concat());
    // The plain count: sign west and east of the middle, before and after; the track is the same.
    let half = |name: &str, east: bool| -> f64 {
        let records = json(&dir.path().join(format!("{name}.geojson")));
        let lon = |f: &Value| f["geometry"]["coordinates"][0].as_f64().unwrap();
        let middle = (WEST.0 + EAST.0) / 2.0;
        records["features"].as_array().unwrap().iter().filter(|f| (lon(f) > middle) == east).count() as f64
    };
    let ratio = half("after", false) / half("before", false) / (half("after", true) / half("before", true));
    let impact = number(&found, "/control_impact/ratio_of_rate_ratios");
    assert!((impact / ratio - 1.0).abs() < 0.01, "{impact} {ratio}");
    let end = |i: usize| number(&found, &format!("/control_impact/interval_95/{i}"));
    assert!(end(0) < impact && impact < end(1));
    assert!(found["summary"][1].as_str().unwrap().contains("against the untreated ground"));

    let warned = |found: &Value, says: &str| {
        let warnings = found["warnings"].as_array().unwrap();
        assert!(warnings.iter().any(|w| w.as_str().unwrap().contains(says)), "{warnings:?}");
    };
    let (found, _) = run(dir.path(), &[&seasons[..], &["--untreated", "elsewhere.geojson"]].concat());
    assert!(found["control_impact"].is_null());
    warned(&found, "nothing can be held against the untreated ground");
    let files =
        ["--before", "before.geojson", "--after", "after.geojson", "--runs", "39", "--edge", "uniform"];
    let (found, _) = run(dir.path(), &[&files[..], &["--untreated", "untreated.geojson"]].concat());
    warned(&found, "survey legs do not cover both seasons");
    warned(&found, "no edge rule is used here");
}

#[test]
fn named_periods_of_the_year_are_told_apart() {
    let dir = tempfile::tempdir().unwrap();
    property(dir.path());
    let plan = std::fs::read_to_string(dir.path().join("plan.toml")).unwrap();
    let says = |periods: &str| -> String {
        std::fs::write(dir.path().join("plan.toml"), format!("{plan}{periods}")).unwrap();
        let seasons = ["plan.toml", "--before", "before", "--after", "after", "--runs", "39"];
        run(dir.path(), &seasons).0["summary"].as_array().unwrap().iter().map(|l| l.to_string()).collect()
    };
    // Both seasons are the same days of March to May, so without periods nothing is said.
    assert!(!says("").contains("without any control"));
    let same = "[periods.mating.dates]\ndog = { from = \"03-01\", to = \"06-30\" }\n";
    assert!(!says(same).contains("without any control"));
    // Another animal's period is none of the dogs'.
    let other = "[periods.mating.dates]\nfox = { from = \"03-01\", to = \"06-30\" }\n";
    assert!(!says(other).contains("without any control"));
    // Summer against winter, by the plan's names.
    let moved = plan.replace("2020-03-01", "2020-02-01");
    assert_ne!(moved, plan);
    let both = std::fs::read_to_string(dir.path().join("both.geojson")).unwrap();
    let shifted = both.replace("\"date\":\"2024-0", "\"date\":\"2024-1").replace("2024-13", "2024-10");
    let shifted = shifted.replace("2024-14", "2024-11").replace("2024-15", "2024-12");
    std::fs::write(dir.path().join("both.geojson"), shifted).unwrap();
    let plan = plan.replace("\"2024-03-01\", to = \"2024-06-30\"", "\"2024-09-01\", to = \"2024-12-31\"");
    let periods = "[periods.mating.dates]\ndog = { from = \"03-01\", to = \"06-30\" }\n[periods.rearing.dates]\ndog = { from = \"09-15\", to = \"01-15\" }\n";
    std::fs::write(dir.path().join("plan.toml"), format!("{plan}{periods}")).unwrap();
    let seasons = ["plan.toml", "--before", "before", "--after", "after", "--runs", "39"];
    let (found, _) = run(dir.path(), &seasons);
    let summary = found["summary"].to_string();
    assert!(
        summary.contains("before lies in the period mating and after in the period rearing"),
        "{summary}"
    );
}
