//! Holds the invented sample property to being country: what lies in `data-samples` is read
//! with a plain JSON reader and measured with plain arithmetic, never with the crate itself.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use serde_json::Value;

type Point = (f64, f64);

// The thresholds of "country, not random lines".
const NEAR_M: f64 = 150.0;
const NEAR_SHARE: f64 = 0.60;
const FENCE_VERTICES_PER_KM: f64 = 5.0;
/// Two ends this close meet: the snap distance that the sample's plan keeps.
const JOIN_M: f64 = 5.0;
const SEASONS: [&str; 2] = ["autumn-2024", "spring-2024"];

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("data-samples").join(name)
}

fn features(name: &str) -> Vec<Value> {
    let text = std::fs::read_to_string(sample(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
    let collection: Value = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{name}: {e}"));
    collection["features"].as_array().unwrap_or_else(|| panic!("{name}: no features")).clone()
}

/// Metres east and north of a point in the middle of the sample. Radii of the WGS84
/// ellipsoid at 39.21 S (meridian 6,360,999 m, parallel 6,386,687 m); over 10 km the plane
/// is true to about 0.1 %.
fn plane(position: &Value) -> Point {
    let degree = std::f64::consts::PI / 180.0;
    let (longitude, latitude) = (position[0].as_f64().unwrap(), position[1].as_f64().unwrap());
    let east = (longitude - 148.84) * degree * 6_386_687.0 * (39.21 * degree).cos();
    (east, (latitude + 39.21) * degree * 6_360_999.0)
}

fn line(feature: &Value) -> Vec<Point> {
    feature["geometry"]["coordinates"].as_array().unwrap().iter().map(plane).collect()
}

fn lines(name: &str) -> Vec<Vec<Point>> {
    features(name).iter().map(line).collect()
}

fn point(feature: &Value) -> Point {
    plane(&feature["geometry"]["coordinates"])
}

fn text<'a>(feature: &'a Value, property: &str) -> &'a str {
    feature["properties"][property].as_str().unwrap_or("")
}

fn number(feature: &Value, property: &str) -> f64 {
    feature["properties"][property].as_f64().unwrap_or_else(|| panic!("no {property}: {feature}"))
}

fn apart(a: Point, b: Point) -> f64 {
    (a.0 - b.0).hypot(a.1 - b.1)
}

fn length(line: &[Point]) -> f64 {
    line.windows(2).map(|w| apart(w[0], w[1])).sum()
}

fn to_segment(p: Point, a: Point, b: Point) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let t = ((p.0 - a.0) * dx + (p.1 - a.1) * dy) / (dx * dx + dy * dy);
    let t = t.clamp(0.0, 1.0);
    apart(p, (a.0 + t * dx, a.1 + t * dy))
}

fn to_line(p: Point, line: &[Point]) -> f64 {
    line.windows(2).map(|w| to_segment(p, w[0], w[1])).fold(f64::INFINITY, f64::min)
}

fn to_lines(p: Point, lines: &[Vec<Point>]) -> f64 {
    lines.iter().map(|l| to_line(p, l)).fold(f64::INFINITY, f64::min)
}

/// Points every `step` metres along a line.
fn walk(line: &[Point], step: f64) -> Vec<Point> {
    let mut points = Vec::new();
    let mut ahead = 0.0;
    for w in line.windows(2) {
        let long = apart(w[0], w[1]);
        while ahead < long {
            let t = ahead / long;
            points.push((w[0].0 + t * (w[1].0 - w[0].0), w[0].1 + t * (w[1].1 - w[0].1)));
            ahead += step;
        }
        ahead -= long;
    }
    points
}

/// The creek each creek falls into; `None` for the outlet. Creeks run downstream and end
/// on a vertex of the next.
fn receivers(creeks: &[Vec<Point>]) -> Vec<Option<usize>> {
    let onto = |i: usize| {
        let foot = *creeks[i].last().unwrap();
        (0..creeks.len()).find(|&j| j != i && creeks[j].iter().any(|&v| apart(v, foot) < 0.05))
    };
    (0..creeks.len()).map(onto).collect()
}

#[test]
fn every_creek_falls_to_one_outlet() {
    let features = features("creeks.geojson");
    let creeks: Vec<Vec<Point>> = features.iter().map(line).collect();
    let next = receivers(&creeks);
    let outlets: Vec<usize> = (0..creeks.len()).filter(|&i| next[i].is_none()).collect();
    assert_eq!(outlets.len(), 1, "outlets: {outlets:?}");
    assert!(creeks.len() >= 12);
    for (i, creek) in features.iter().enumerate() {
        assert!(number(creek, "head_m") > number(creek, "foot_m"), "runs uphill: {creek}");
        let (mut at, mut steps) = (i, 0);
        while let Some(below) = next[at] {
            let foot_m = number(&features[at], "foot_m");
            assert!(foot_m >= number(&features[below], "foot_m"), "{creek}");
            assert!(foot_m < number(&features[below], "head_m"), "{creek}");
            at = below;
            steps += 1;
            assert!(steps <= creeks.len(), "runs in a ring: {creek}");
        }
        assert_eq!(at, outlets[0]);
    }
}

#[test]
fn ridges_stand_between_creeks() {
    let crosses = |a: &[Point], b: &[Point]| {
        let turn = |a: Point, b: Point, c: Point| (b.0 - a.0) * (c.1 - a.1) - (b.1 - a.1) * (c.0 - a.0);
        let opposite = |a: &[Point], b: &[Point]| turn(a[0], a[1], b[0]) * turn(a[0], a[1], b[1]) < 0.0;
        a.windows(2).any(|a| b.windows(2).any(|b| opposite(a, b) && opposite(b, a)))
    };
    let creeks = lines("creeks.geojson");
    for ridge in features("ridges.geojson") {
        let way = line(&ridge);
        assert!(creeks.iter().all(|creek| !crosses(&way, creek)), "crosses a creek: {ridge}");
    }
}

#[test]
fn tracks_keep_to_ridges_and_creeks() {
    let tracks = lines("tracks.geojson");
    let natural = [lines("ridges.geojson"), lines("creeks.geojson")].concat();
    let points: Vec<Point> = tracks.iter().flat_map(|t| walk(t, 20.0)).collect();
    let near = points.iter().filter(|&&p| to_lines(p, &natural) <= NEAR_M).count();
    let share = near as f64 / points.len() as f64;
    let km = tracks.iter().map(|t| length(t)).sum::<f64>() / 1000.0;
    println!("{km:.1} km of tracks, {:.0} % within {NEAR_M} m of a ridge or creek", 100.0 * share);
    assert!(share >= NEAR_SHARE, "only {share}");
    assert!((40.0..62.0).contains(&km), "{km} km of tracks");
}

#[test]
fn fences_are_straight() {
    for fence in features("fences.geojson") {
        let way = line(&fence);
        let per_km = way.len() as f64 / (length(&way) / 1000.0);
        assert!(per_km <= FENCE_VERTICES_PER_KM, "{}: {per_km} vertices a km", text(&fence, "name"));
    }
}

#[test]
fn tracks_and_road_join_in_one_network() {
    let ways = [lines("tracks.geojson"), lines("road.geojson")].concat();
    let ends_on =
        |a: &[Point], b: &[Point]| [a[0], a[a.len() - 1]].iter().any(|&end| to_line(end, b) <= JOIN_M);
    let mut reached = BTreeSet::from([0]);
    let mut open = vec![0];
    while let Some(i) = open.pop() {
        for j in 0..ways.len() {
            let meet = ends_on(&ways[i], &ways[j]) || ends_on(&ways[j], &ways[i]);
            if meet && reached.insert(j) {
                open.push(j);
            }
        }
    }
    let left: Vec<usize> = (0..ways.len()).filter(|i| !reached.contains(i)).collect();
    assert!(left.is_empty(), "lines that nothing joins: {left:?}");
}

#[test]
fn gates_hang_where_tracks_pass_fences() {
    let (tracks, fences) = (lines("tracks.geojson"), lines("fences.geojson"));
    let gates = features("gates.geojson");
    assert!(gates.len() >= 8);
    for gate in &gates {
        assert_eq!(text(gate, "kind"), "gate");
        assert!(to_lines(point(gate), &tracks) < 1.0, "off the track: {gate}");
        assert!(to_lines(point(gate), &fences) < 1.0, "off the fence: {gate}");
    }
}

#[test]
fn survey_has_two_seasons_of_outings_and_two_animals() {
    let (legs, records) = (features("survey.geojson"), features("sign.geojson"));
    let mut outings: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    let mut told = BTreeMap::new();
    for leg in &legs {
        assert!(number(leg, "passes") >= 1.0 && !text(leg, "mode").is_empty());
        outings.entry(text(leg, "season")).or_default().insert(text(leg, "survey"));
        told.insert(text(leg, "survey"), (text(leg, "date"), text(leg, "observer")));
    }
    assert_eq!(outings.keys().copied().collect::<Vec<_>>(), SEASONS);
    assert!(outings.values().all(|ids| ids.len() >= 12), "{outings:?}");

    let of = |animal: &str| records.iter().filter(|r| text(r, "animal") == animal).count();
    assert!(of("dog") + of("fox") >= 200 && of("dog") >= 100 && of("fox") >= 100);
    assert!((1..40).contains(&of("quoll")) && (1..40).contains(&of("goanna")));
    let kinds: BTreeSet<&str> = records.iter().map(|r| text(r, "sign")).collect();
    assert!(kinds.len() >= 6, "{kinds:?}");
    for record in &records {
        assert!(number(record, "count") >= 1.0 && number(record, "accuracy_m") > 0.0);
        let outing = text(record, "survey");
        if !outing.is_empty() {
            let here = (text(record, "date"), text(record, "observer"));
            assert_eq!(told.get(outing), Some(&here), "no such outing: {record}");
        }
    }
}

#[test]
fn legs_follow_the_tracks() {
    let ways = lines("tracks.geojson");
    for leg in features("survey.geojson") {
        let fixes = walk(&line(&leg), 100.0);
        let on = fixes.iter().filter(|&&p| to_lines(p, &ways) < 15.0).count();
        assert!(on as f64 >= 0.97 * fixes.len() as f64, "{on} of {}: {}", fixes.len(), leg["id"]);
    }
}

/// Records of outings and km searched within a part of the plane, in one season.
fn sign_and_km(animals: &[&str], season: &str, inside: impl Fn(Point) -> bool) -> (f64, f64) {
    let (records, legs) = (features("sign.geojson"), features("survey.geojson"));
    let counts = |r: &&Value| {
        text(r, "season") == season
            && !text(r, "survey").is_empty()
            && animals.contains(&text(r, "animal"))
            && inside(point(r))
    };
    let searched_km = |leg: &Value| {
        let steps = walk(&line(leg), 20.0).into_iter().filter(|&p| inside(p)).count();
        steps as f64 * 0.020 * number(leg, "passes")
    };
    let km = legs.iter().filter(|l| text(l, "season") == season).map(searched_km).sum();
    (records.iter().filter(counts).count() as f64, km)
}

/// Where a named keep-out stands.
fn at(name: &str) -> Point {
    let named = features("keep-outs.geojson");
    named.iter().find(|k| text(k, "name") == name).map(point).unwrap()
}

#[test]
fn the_home_stretch_is_hot_by_effort_alone() {
    let homestead = at("homestead");
    for season in SEASONS {
        let (here, here_km) = sign_and_km(&["dog", "fox"], season, |p| apart(p, homestead) < 1000.0);
        let (all, all_km) = sign_and_km(&["dog", "fox"], season, |_| true);
        println!("{season}: {here} of {all} records on {here_km:.0} of {all_km:.0} km searched");
        assert!(here > 0.2 * all, "{season}: {here} of {all} records");
        assert!(here / here_km < all / all_km, "{season}: the rate there is no lower");
    }
}

#[test]
fn dogs_are_fewer_after_control_and_only_there() {
    let tank = at("top tank");
    let rate = |season: &str, in_control: bool| {
        let north_east = |p: Point| p.0 > tank.0 - 100.0 && p.1 > tank.1 - 2300.0;
        let (records, km) = sign_and_km(&["dog"], season, |p| north_east(p) == in_control);
        println!("{season}, in the control part {in_control}: {records} records, {km:.0} km");
        records / km
    };
    assert!(rate(SEASONS[1], true) < 0.4 * rate(SEASONS[0], true));
    let elsewhere = rate(SEASONS[1], false) / rate(SEASONS[0], false);
    assert!((0.7..1.4).contains(&elsewhere), "{elsewhere}");
}

#[test]
fn distances_are_odd_and_say_that_they_are_invented() {
    for keep_out in features("keep-outs.geojson") {
        assert!([137.0, 211.0].contains(&number(&keep_out, "distance_m")), "{keep_out}");
        assert!(text(&keep_out, "note").contains("invented"), "{keep_out}");
        assert!(text(&keep_out, "note").contains("not a legal distance"), "{keep_out}");
    }
    let plan = std::fs::read_to_string(sample("plan.toml")).unwrap();
    assert!(plan.contains("invented for the demo, not a legal distance"));
    for line in plan.lines().filter(|l| l.starts_with("distance_m")) {
        assert!(line.contains("137") || line.contains("211"), "{line}");
    }
}

#[test]
fn stations_stand_beside_tracks() {
    let (stations, tracks) = (features("stations.geojson"), lines("tracks.geojson"));
    assert!((6..=10).contains(&stations.len()));
    for station in &stations {
        let off = to_lines(point(station), &tracks);
        assert!((1.0..10.0).contains(&off), "{off} m off: {station}");
    }
    assert_eq!(stations.iter().filter(|s| text(s, "state") == "lifted").count(), 1);
    let tank = at("top tank");
    let inside = stations.iter().filter(|s| apart(point(s), tank) < 137.0).count();
    assert_eq!(inside, 1, "one station stood there before the tank did");
}

#[test]
fn check_log_covers_every_round() {
    let log = std::fs::read_to_string(sample("checks.csv")).unwrap();
    let mut rows = log.lines();
    let header = "station_id,date,by,found,reason,animal,head_replaced,capsules_out,capsules_back,serviced,lifted,note";
    assert_eq!(rows.next(), Some(header));
    let months: BTreeSet<&str> = rows.filter_map(|r| r.split(',').nth(1)?.get(..7)).collect();
    assert!(months.len() >= 5, "{months:?}");
}

#[test]
fn wind_blows_up_the_valley_by_day_and_down_it_by_night() {
    let file = std::fs::read_to_string(sample("wind.csv")).unwrap();
    let mut rows = file.lines();
    assert_eq!(rows.next(), Some("time,from_deg,speed_m_s"));
    let (mut day_east, mut night_east, mut calm, mut hours) = (0.0, 0.0, 0, 0);
    for row in rows {
        let cells: Vec<&str> = row.split(',').collect();
        assert!(cells[0].ends_with("+10:00"), "{row}");
        let (from_deg, speed): (f64, f64) = (cells[1].parse().unwrap(), cells[2].parse().unwrap());
        assert!((0.0..=360.0).contains(&from_deg), "{row}");
        let from_east = speed * from_deg.to_radians().sin();
        match cells[0][11..13].parse().unwrap() {
            10..=16 => day_east += from_east,
            21..=23 | 0..=5 => night_east += from_east,
            _ => {}
        }
        calm += usize::from(speed == 0.0);
        hours += 1;
    }
    assert_eq!(hours, 720);
    assert!((30..200).contains(&calm), "{calm} calm hours");
    assert!(day_east < 0.0 && night_east > 0.0, "from the east: {day_east} by day, {night_east} by night");
}

#[test]
fn no_file_names_a_person_and_all_fit_the_binary() {
    for parcel in features("parcels.geojson") {
        assert_eq!(text(&parcel, "holder"), format!("holder of {}", text(&parcel, "name")));
        assert!(text(&parcel, "contact").contains("invented"));
    }
    let records = features("sign.geojson");
    let observers: BTreeSet<&str> = records.iter().map(|r| text(r, "observer")).collect();
    assert!(observers.iter().all(|o| o.len() == 1 || *o == "camera"), "{observers:?}");
    let files = std::fs::read_dir(sample("")).unwrap().map(|f| f.unwrap().metadata().unwrap());
    let bytes: u64 = files.filter(|f| f.is_file()).map(|f| f.len()).sum();
    assert!(bytes < 600_000, "{bytes} bytes");
}
