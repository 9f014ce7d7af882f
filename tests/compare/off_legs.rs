//! Sign that no leg of its season found: left out of the rates of both seasons, by name, and by the
//! same rule as in the rate of one season.

use std::path::Path;

use serde_json::{Value, json};

use super::support::{json as read, number, said, stakeline};

/// Twelve weekly outings of a year along one track of 4.5 km, each with a leg, unless it is dropped.
fn legs(year: i32, season: &str) -> Vec<Value> {
    let leg = |week: i64| {
        json!({"type": "Feature", "properties": {"date": day(year, week), "season": season, "survey": format!("{year}-{week}")},
               "geometry": {"type": "LineString", "coordinates": [[148.0, -35.0], [148.05, -35.0]]}})
    };
    (0..12).map(leg).collect()
}

fn day(year: i32, week: i64) -> String {
    let start: jiff::civil::Date = format!("{year}-03-01").parse().unwrap();
    (start + jiff::Span::new().days(7 * week)).to_string()
}

fn record(date: &str, season: &str, survey: Option<&str>, (lon, lat): (f64, f64)) -> Value {
    json!({"type": "Feature", "id": format!("{date} {lat}"),
           "properties": {"sign": "scat", "animal": "dog", "date": date, "season": season, "survey": survey},
           "geometry": {"type": "Point", "coordinates": [lon, lat]}})
}

/// One record an outing on the track, both seasons alike.
fn on_the_track() -> Vec<Value> {
    let of = |(year, season): (i32, &'static str)| {
        (0..12).map(move |week| record(&day(year, week), season, None, (148.01 + 0.003 * week as f64, -35.0)))
    };
    [(2024, "a"), (2025, "b")].into_iter().flat_map(of).collect()
}

fn write(dir: &Path, name: &str, features: &[Value]) {
    let all = json!({"type": "FeatureCollection", "features": features});
    std::fs::write(dir.join(name), all.to_string()).unwrap();
}

/// Runs `compare`; gives its summary and what it warned of.
fn compared(sign: &[Value], legs: &[Value]) -> (Value, String) {
    let dir = tempfile::tempdir().unwrap();
    write(dir.path(), "sign.geojson", sign);
    write(dir.path(), "legs.geojson", legs);
    let files = ["--sign", "sign.geojson", "--survey", "legs.geojson", "--bandwidth", "500"];
    let mut compare = stakeline();
    compare.current_dir(dir.path()).arg("compare").args(files);
    compare.args(["--before", "a", "--after", "b", "--runs", "39", "--cell", "250", "--out", "out"]);
    let (status, text, warnings) = said(&mut compare);
    assert_eq!(status, 0, "{text}{warnings}");
    let found = read(&dir.path().join("out/compare.json"));
    // The rate of one season counts the same sign.
    let mut surface = stakeline();
    surface.current_dir(dir.path()).arg("surface").args(files).args(["--cell", "250", "--out", "one"]);
    let (status, text, other) = said(&mut surface);
    assert_eq!(status, 0, "{text}{other}");
    let one = read(&dir.path().join("one/activity.json"));
    assert_eq!(
        number(&one, "/rate/sign_found"),
        number(&found, "/before/sign") + number(&found, "/after/sign")
    );
    (found, warnings)
}

fn both_legs() -> Vec<Value> {
    [legs(2024, "a"), legs(2025, "b")].concat()
}

/// Sign per km searched, after over before.
fn ratio(found: &Value) -> f64 {
    number(found, "/after/sign_per_km") / number(found, "/before/sign_per_km")
}

fn left_out(found: &Value, season: &str) -> usize {
    found[season]["left_out_of_rates"].as_array().unwrap().len()
}

#[test]
fn sign_ten_kilometres_from_every_leg_makes_no_rise() {
    let mut sign = on_the_track();
    for week in 0..12 {
        // Some name their outing, most do not; one is of the day of no leg.
        let named = format!("2025-{week}");
        let survey = (week % 3 == 0).then_some(named.as_str());
        let date = if week == 5 { "2025-07-01".to_string() } else { day(2025, week) };
        sign.extend((0..6).map(|k| record(&date, "b", survey, (148.02 + 0.003 * f64::from(k), -35.09))));
    }
    let (found, warnings) = compared(&sign, &both_legs());
    assert_eq!(found["compares"], "rate");
    assert!((ratio(&found) - 1.0).abs() < 1e-9, "{found}");
    assert_eq!((left_out(&found, "before"), left_out(&found, "after")), (0, 72));
    assert!(warnings.contains("72 records of b belong to no survey leg"), "{warnings}");
    assert!(warnings.contains("(id 2025-03-01 -35.09)"), "{warnings}");
}

/// Far sign in both seasons; and sign on the track, on the day of a leg of the other season.
#[test]
fn each_season_leaves_out_its_own() {
    let mut sign = on_the_track();
    sign.push(record(&day(2024, 3), "a", None, (148.02, -35.05)));
    sign.push(record(&day(2025, 3), "b", None, (148.02, -35.03)));
    sign.push(record(&day(2025, 4), "b", None, (148.02, -35.03)));
    let (found, warnings) = compared(&sign, &both_legs());
    assert_eq!((left_out(&found, "before"), left_out(&found, "after")), (1, 2), "{warnings}");
    assert!(
        warnings.contains("1 record of a belongs") && warnings.contains("2 records of b belong"),
        "{warnings}"
    );
    assert!((ratio(&found) - 1.0).abs() < 1e-9);
}
