//! What a user can ask of `sites`, on small invented properties: every answer is worked out
//! again from the written files.

mod support;

use std::fs;
use std::path::PathBuf;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use stakeline::files::write::{Raster, write_geotiff};
use stakeline::frame::{Frame, GroundPoint, LonLat, distance_m};
use support::{json as read_json, number, said, stakeline};
use tempfile::TempDir;

/// A corner of the country, in metres of EPSG:32755.
const WEST_M: f64 = 500_000.0;
const SOUTH_M: f64 = 6_100_000.0;

/// A property to be: its folder, and a plan that grows.
struct Property {
    room: TempDir,
    frame: Frame,
    plan: String,
}

/// What a run of `sites` said and wrote.
struct Answer {
    status: i32,
    err: String,
    folder: PathBuf,
}

impl Answer {
    fn sites(&self) -> Vec<Value> {
        assert_eq!(self.status, 0, "{}", self.err);
        read_json(&self.folder.join("sites.geojson"))["features"].as_array().unwrap().clone()
    }

    fn candidates(&self) -> Vec<Value> {
        read_json(&self.folder.join("candidates.geojson"))["features"].as_array().unwrap().clone()
    }

    fn summary(&self) -> Value {
        assert_eq!(self.status, 0, "{}", self.err);
        read_json(&self.folder.join("sites.json"))
    }
}

impl Property {
    /// With tracks, each through places in metres east and north of a corner.
    fn new(tracks: &[&[(f64, f64)]]) -> Self {
        let frame = Frame::from_epsg(32755).unwrap();
        let mut property = Self { room: tempfile::tempdir().unwrap(), frame, plan: String::new() };
        let lines: Vec<Value> = tracks
            .iter()
            .enumerate()
            .map(|(k, way)| {
                let way: Vec<Value> = way.iter().map(|&at| property.lonlat(at)).collect();
                feature(
                    json!({ "type": "LineString", "coordinates": way }),
                    json!({ "name": format!("T{k}") }),
                )
            })
            .collect();
        property.file("tracks.geojson", &lines);
        property.say("[place]\nepsg = 32755\n[[line]]\nkind = \"track\"\nfile = \"tracks.geojson\"");
        property
    }

    fn lonlat(&self, (x, y): (f64, f64)) -> Value {
        let at = self.frame.to_lonlat(GroundPoint::new(WEST_M + x, SOUTH_M + y)).unwrap();
        json!([at.lon_deg(), at.lat_deg()])
    }

    fn point(&self, at: (f64, f64), properties: Value) -> Value {
        feature(json!({ "type": "Point", "coordinates": self.lonlat(at) }), properties)
    }

    fn square(&self, (x, y): (f64, f64), half_m: f64, properties: Value) -> Value {
        let corners = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0)];
        let ring: Vec<Value> =
            corners.iter().map(|(a, b)| self.lonlat((x + a * half_m, y + b * half_m))).collect();
        feature(json!({ "type": "Polygon", "coordinates": [ring] }), properties)
    }

    fn file(&self, name: &str, features: &[Value]) {
        let text = json!({ "type": "FeatureCollection", "features": features }).to_string();
        fs::write(self.room.path().join(name), text).unwrap();
    }

    fn say(&mut self, plan: &str) {
        self.plan += plan;
        self.plan.push('\n');
    }

    /// Scats of an animal: place, date, count.
    fn sign(&mut self, name: &str, animal: &str, found: &[((f64, f64), &str, u32)]) {
        let features: Vec<Value> = found
            .iter()
            .map(|&(at, date, count)| {
                self.point(at, json!({ "sign": "scat", "animal": animal, "date": date, "count": count }))
            })
            .collect();
        self.file(name, &features);
        self.say(&format!("[[sign]]\nfile = \"{name}\""));
    }

    /// A raster of heights that rise evenly to the east: 100 m at the corner and a tenth of a
    /// metre a metre.
    fn heights(&self, name: &str) {
        let (columns, rows, cell_m) = (60, 30, 100.0);
        let height_m = |k: usize| 100.0 + 0.1 * (((k % columns) as f64 + 0.5) * cell_m - 1000.0);
        let values: Vec<f32> = (0..columns * rows).map(|k| height_m(k) as f32).collect();
        let mut tif = Vec::new();
        let raster = Raster {
            west_m: WEST_M - 1000.0,
            north_m: SOUTH_M + 1500.0,
            cell_m,
            columns,
            rows,
            values: &values,
            epsg: 32755,
            description: "height",
            unit: "m",
        };
        write_geotiff(&mut std::io::Cursor::new(&mut tif), &raster).unwrap();
        fs::write(self.room.path().join(name), tif).unwrap();
    }

    /// Runs `sites` with the plan and some flags into a folder of its own.
    fn sites(&self, out: &str, flags: &[&str]) -> Answer {
        fs::write(self.room.path().join("plan.toml"), &self.plan).unwrap();
        let mut run = stakeline();
        run.current_dir(self.room.path()).args(["sites", "plan.toml", "--out", out]).args(flags);
        let (status, _, err) = said(&mut run);
        Answer { status, err, folder: self.room.path().join(out) }
    }

    /// Metres east and north of the corner.
    fn metres(&self, site: &Value) -> (f64, f64) {
        let p = self.frame.to_ground(place(site)).unwrap();
        (p.x_m - WEST_M, p.y_m - SOUTH_M)
    }
}

fn feature(geometry: Value, properties: Value) -> Value {
    json!({ "type": "Feature", "geometry": geometry, "properties": properties })
}

fn place(site: &Value) -> LonLat {
    let c = &site["geometry"]["coordinates"];
    LonLat::new(c[0].as_f64().unwrap(), c[1].as_f64().unwrap()).unwrap()
}

fn text<'v>(site: &'v Value, property: &str) -> &'v str {
    site["properties"][property].as_str().unwrap_or_else(|| panic!("no {property} in {site}"))
}

/// One track of 4 km from west to east, and dog scats along it.
fn one_track() -> Property {
    let mut property = Property::new(&[&[(0.0, 0.0), (4000.0, 0.0)]]);
    let found: Vec<((f64, f64), &str, u32)> =
        (0..9).map(|k| ((450.0 * f64::from(k) + 200.0, 8.0), "2025-03-10", 1 + (k * k) % 5)).collect();
    property.sign("dogs.geojson", "dog", &found);
    property.say("[surface]\nbandwidth = 250");
    property
}

#[test]
fn a_site_moved_on_the_map_comes_back_where_it_was_put() {
    let mut property = one_track();
    property.say("[sites]\nspacing_m = 800\nweightings = 0");
    let first = property.sites("first", &[]).sites();
    // As the map saves it: off the line by the offset, with the site's own properties.
    let (x, _) = property.metres(&first[0]);
    let id = text(&first[0], "site_id");
    let moved = property.point((x + 77.3, -5.0), json!({ "site_id": id, "must": true, "side": "right" }));
    property.file("must.geojson", &[moved]);
    let again = property.sites("again", &["--must", "must.geojson"]);
    assert_eq!(number(&again.summary(), "/fixed"), 1.0);
    let sites = again.sites();
    let there = sites.iter().find(|s| {
        let at = property.metres(s);
        (at.0 - x - 77.3).abs() < 0.03 && (at.1 + 5.0).abs() < 0.03
    });
    assert_eq!(text(there.expect("no site where it was moved to"), "side"), "right");
    assert_eq!(text(there.unwrap(), "site_id"), id, "the id did not come along");
    let mut along: Vec<f64> = sites.iter().map(|s| property.metres(s).0).collect();
    along.sort_by(f64::total_cmp);
    assert!(along.windows(2).all(|w| w[1] - w[0] >= 800.0), "{along:?}");
}

/// The ids of sites by the places of their feet along the one track, in decimetres.
fn ids_by_place(property: &Property, sites: &[Value]) -> std::collections::BTreeMap<i64, String> {
    let along = |s: &Value| (property.metres(s).0 * 10.0).round() as i64;
    let ids: std::collections::BTreeMap<_, _> =
        sites.iter().map(|s| (along(s), text(s, "site_id").to_string())).collect();
    let distinct: std::collections::BTreeSet<&String> = ids.values().collect();
    assert_eq!(distinct.len(), sites.len(), "an id twice: {ids:?}");
    ids
}

#[test]
fn an_id_belongs_to_a_place_and_to_no_rank() {
    let mut property = one_track();
    property.say("[sites]\nspacing_m = 800\nweightings = 0");
    let all = property.sites("all", &[]).sites();
    let ids = ids_by_place(&property, &all);
    for (id, site) in ids.values().zip(&all) {
        let symbols = id.strip_prefix('S').unwrap_or_else(|| panic!("{id}"));
        assert!(symbols.len() == 4 && symbols.chars().all(|c| "3479BCDFGHJKMNPQRTVWXZ".contains(c)), "{id}");
        assert!(symbols.chars().any(|c| c.is_ascii_alphabetic()), "{id}");
        assert_eq!(site["id"], site["properties"]["site_id"]);
    }
    // Fewer of them, further off the line, or in another order: every place that is in both keeps its id.
    let few = property.sites("few", &["--budget", "2"]).sites();
    let farther = property.sites("farther", &["--offset", "12"]).sites();
    let (x, _) = property.metres(all.last().unwrap());
    property.sign("more.geojson", "dog", &[((x, 8.0), "2025-03-11", 60)]);
    let turned = property.sites("turned", &[]).sites();
    let mut same = 0;
    for sites in [&few, &farther, &turned] {
        let own = ids_by_place(&property, sites);
        for (place, id) in &own {
            assert!(ids.get(place).is_none_or(|known| known == id), "{place}: {id} {ids:?}");
            same += usize::from(ids.contains_key(place));
        }
    }
    assert!(same >= all.len(), "hardly a place is in two plans: this shows nothing");
    let first = text(&turned[0], "site_id");
    assert!(first == text(all.last().unwrap(), "site_id") && first != text(&all[0], "site_id"), "{first}");
    let ids = ids_by_place(&property, &turned);
    let candidates = property.sites("again", &[]).candidates();
    for c in candidates.iter().filter(|c| c["properties"]["chosen"] == true) {
        assert!(ids.values().any(|id| text(c, "site_id") == id));
    }
}

#[test]
fn a_new_id_repeats_none_that_any_input_carries() {
    let mut property = one_track();
    property.say("[sites]\nspacing_m = 800\nweightings = 0");
    let first = property.sites("first", &[]).sites();
    let ids: Vec<String> = first.iter().map(|s| text(s, "site_id").to_string()).collect();
    assert!(ids.len() >= 4, "{ids:?}");
    // The same ids far off, in the other case, in every kind of input that can name a station.
    let far = |id: &str, state: &str, x: f64| {
        property.point((x, 9000.0), json!({ "station_id": id.to_lowercase(), "state": state }))
    };
    property.file("ground.geojson", &[far(&ids[0], "set", 0.0), far(&ids[1], "lifted", 900.0)]);
    property
        .file("never.geojson", &[property.point((0.0, 8000.0), json!({ "SITE_ID": ids[2], "within_m": 1 }))]);
    fs::write(
        property.room.path().join("log.csv"),
        format!("site_id,date,found\n{},2025-04-01,intact\n", ids[3]),
    )
    .unwrap();
    property.say(
        "never = \"never.geojson\"\n[[station]]\nfile = \"ground.geojson\"\n[[check]]\nfile = \"log.csv\"",
    );
    let again = property.sites("second", &[]).sites();
    assert_eq!(again.len(), first.len());
    for site in &again {
        let id = text(site, "site_id");
        assert!(ids[..4].iter().all(|known| known != id), "{id} is in use: {ids:?}");
    }
    // As stations that are proposed or lifted at their places, they keep them.
    for (k, state) in ["proposed", "lifted"].iter().enumerate() {
        let mut property = one_track();
        property.say("[sites]\nspacing_m = 800\nweightings = 0\n[[station]]\nfile = \"before.geojson\"");
        let before: Vec<Value> = first
            .iter()
            .map(|s| {
                let own = json!({ "site_id": format!("OLD-{}", text(s, "site_id")), "state": state });
                json!({ "type": "Feature", "geometry": s["geometry"], "properties": own })
            })
            .collect();
        property.file("before.geojson", &before);
        let kept = property.sites(&format!("kept-{k}"), &[]).sites();
        for site in kept {
            assert!(text(&site, "site_id").starts_with("OLD-S"), "{site}");
        }
    }
}

#[test]
fn an_id_on_two_fixed_places_or_on_a_station_elsewhere_is_refused() {
    let mut property = one_track();
    property.file("ground.geojson", &[property.point((3000.0, 5.0), json!({ "station_id": "SK7D3" }))]);
    property.say("[sites]\nspacing_m = 800\nweightings = 0\n[[station]]\nfile = \"ground.geojson\"");
    let must = |ids: [&str; 2]| {
        let at = [(300.0, 5.0), (1500.0, 5.0)];
        let features: Vec<Value> =
            at.iter().zip(ids).map(|(&at, id)| property.point(at, json!({ "site_id": id }))).collect();
        property.file("must.geojson", &features);
        let answer = property.sites("out", &["--must", "must.geojson"]);
        (answer.status, answer.err)
    };
    let (status, err) = must(["SA3C4", "sa3c4"]);
    assert!(status == 1 && err.contains("must.geojson: feature 2") && err.contains("one place"), "{err}");
    let (status, err) = must(["SA3C4", "sk7d3"]);
    assert!(status == 1 && err.contains("station SK7D3") && err.contains("1501 m away"), "{err}");
    assert_eq!(must(["SA3C4", "SB4D7"]).0, 0);
}

#[test]
fn demands_that_cannot_be_met_are_explained() {
    let mut property = one_track();
    property.file("tanks.geojson", &[property.point((1000.0, 50.0), json!({ "name": "House tank" }))]);
    property.file("ground.geojson", &[property.point((3000.0, 5.0), json!({ "station_id": "G7" }))]);
    property.say("[[keep_out]]\nfile = \"tanks.geojson\"\ndistance_m = 137");
    property.say("[[station]]\nfile = \"ground.geojson\"\n[sites]\nspacing_m = 800\nweightings = 0");
    let asked = |places: &[(&str, f64, f64)], flags: &[&str]| {
        let features: Vec<Value> =
            places.iter().map(|&(name, x, y)| property.point((x, y), json!({ "name": name }))).collect();
        property.file("must.geojson", &features);
        let mut all = vec!["--must", "must.geojson"];
        all.extend(flags);
        let answer = property.sites("out", &all);
        assert_eq!(answer.status, 1, "{}", answer.err);
        assert!(!answer.folder.exists(), "something was written");
        answer.err
    };
    let said = asked(&[("gully", 1010.0, 5.0)], &[]);
    assert!(said.contains("gully") && said.contains("House tank") && said.contains("137 m"), "{said}");
    let said = asked(&[("gate", 2500.0, 5.0)], &[]);
    assert!(said.contains("gate") && said.contains("station G7") && said.contains("500 m"), "{said}");
    let said = asked(&[("a", 200.0, 5.0), ("b", 700.0, 5.0)], &[]);
    assert!(said.contains("the fixed site b is within the spacing of the fixed site a"), "{said}");
    let said = asked(&[("a", 200.0, 5.0), ("b", 1900.0, 5.0)], &["--budget", "1"]);
    assert!(said.contains("2 sites are fixed and the budget is 1"), "{said}");
    let said = asked(&[("far", 200.0, 400.0)], &[]);
    assert!(said.contains("far") && said.contains("no track lies within 100 m"), "{said}");
}

#[test]
fn barred_places_bear_no_site() {
    let mut property = one_track();
    property.say("[sites]\nspacing_m = 400\nweightings = 0");
    let free = property.sites("free", &[]).sites();
    let camp = property.metres(&free[0]);
    property.file(
        "never.geojson",
        &[
            property.square((camp.0, 0.0), 150.0, json!({ "name": "camp ground" })),
            property.point((2000.0, 0.0), json!({ "name": "lookout", "within_m": 230 })),
        ],
    );
    let barred = property.sites("barred", &["--never", "never.geojson"]);
    for site in barred.sites() {
        let (x, _) = property.metres(&site);
        assert!((x - camp.0).abs() > 150.0 && (x - 2000.0).abs() > 229.9, "{x}");
    }
    let told: Vec<String> = barred
        .candidates()
        .iter()
        .filter_map(|c| c["properties"]["why_not"].as_str().map(str::to_string))
        .filter(|why| why.starts_with("barred by the plan"))
        .collect();
    assert!(told.iter().any(|why| why.ends_with("camp ground")), "{told:?}");
    assert!(told.iter().any(|why| why.ends_with("lookout")), "{told:?}");
    // A point without a distance is refused: none is invented.
    property.file("never.geojson", &[property.point((2000.0, 0.0), json!({ "name": "lookout" }))]);
    let refused = property.sites("refused", &["--never", "never.geojson"]);
    assert_eq!(refused.status, 1);
    assert!(refused.err.contains("never.geojson: feature 1") && refused.err.contains("within_m"));
    // An inline place works as a file does; a misspelt key of it is an error.
    property.say("never = [{ at = [147.0, -35.2], within_metres = 5 }]");
    let misspelt = property.sites("misspelt", &[]);
    assert_eq!(misspelt.status, 1, "{}", misspelt.err);
    assert!(misspelt.err.contains("within_m"), "{}", misspelt.err);
}

/// What each candidate says of why it was not chosen holds, in the order in which reasons count.
#[test]
fn every_candidate_that_is_not_chosen_says_why() {
    let mut property = one_track();
    property.file("tanks.geojson", &[property.point((1000.0, 50.0), json!({ "name": "House tank" }))]);
    property.say("[[keep_out]]\nfile = \"tanks.geojson\"\ndistance_m = 137");
    property.file("area.geojson", &[property.square((1700.0, 0.0), 1800.0, json!({}))]);
    property.say("[sites]\nspacing_m = 800\nbudget = 2\nweightings = 0");
    let answer = property.sites("out", &["--area", "area.geojson"]);
    let sites: Vec<(String, f64)> = answer
        .sites()
        .iter()
        .map(|site| (text(site, "site_id").to_string(), property.metres(site).0))
        .collect();
    assert_eq!(sites.len(), 2);
    let mut kinds = std::collections::BTreeMap::new();
    for candidate in answer.candidates() {
        let Some(why) = candidate["properties"]["why_not"].as_str() else {
            assert_eq!(candidate["properties"]["chosen"], true);
            continue;
        };
        let (x, _) = property.metres(&candidate);
        // Both sides lie 5 m off the track; the receiver's error of 10 m is kept besides.
        let to_tank_m = (x - 1000.0).hypot(45.0);
        // The margin for coordinates as written, and metres of a zone, up to 1 in 2500 longer than ours.
        let kept_m = (800.0 + 0.25) * 1.0004;
        let near = sites.iter().filter(|(_, at)| (x - at).abs() < kept_m).collect::<Vec<_>>();
        let kind = why.split(&[' ', ':'][..]).next().unwrap().to_string();
        match why {
            "outside the area" => assert!(x > 3499.0, "{x} {why}"),
            "over budget" => assert!(near.is_empty() && x < 3501.0 && to_tank_m > 146.5, "{x} {why}"),
            _ if why.starts_with("within the spacing of site ") => {
                let named = near.iter().any(|(id, _)| why.ends_with(id.as_str()));
                assert!(named && x < 3501.0 && to_tank_m > 136.5, "{x} {why} {sites:?}");
            }
            _ => {
                assert!(why.starts_with("keep-out House tank at "), "{x} {why}");
                let told_m: f64 = why.split(' ').nth(4).unwrap().parse().unwrap();
                assert!(told_m < 147.0 + 0.1, "{x} {why}");
            }
        }
        *kinds.entry(kind).or_insert(0) += 1;
    }
    assert_eq!(kinds.len(), 4, "{kinds:?}");
}

#[test]
fn each_target_animal_keeps_its_own_spacing() {
    let mut property = Property::new(&[&[(0.0, 0.0), (8000.0, 0.0)]]);
    let dogs: Vec<_> = (0..8).map(|k| ((1000.0 + 90.0 * f64::from(k), 4.0), "2025-03-10", 3)).collect();
    let foxes: Vec<_> = (0..8).map(|k| ((5200.0 + 310.0 * f64::from(k), 4.0), "2025-04-10", 2)).collect();
    property.sign("dogs.geojson", "dog", &dogs);
    property.sign("foxes.geojson", "fox", &foxes);
    property.say("[surface]\nbandwidth = 200\n[sites]\nweightings = 0\nmin_straight_m = 0");
    property.say("[sites.targets]\ndog = { weight = 2, spacing_m = 1500 }\nfox = { spacing_m = 500 }");
    property.say("[sites.weights]\nconvergence = 0\nline_kind = 0");
    let answer = property.sites("out", &[]);
    let sites = answer.sites();
    let weight = |p: &str| number(&sites[0], &format!("/properties/parts/{p}/weight"));
    assert!((weight("activity_dog") / weight("activity_fox") - 2.0).abs() < 1e-9);
    let meant: Vec<(f64, String)> =
        sites.iter().map(|s| (property.metres(s).0, text(s, "target").to_string())).collect();
    for (i, (x, animal)) in meant.iter().enumerate() {
        let kept: f64 = if animal == "dog" { 1500.0 } else { 500.0 };
        assert_eq!(number(&sites[i], "/properties/spacing_m"), kept);
        for (y, other) in &meant[..i] {
            let least = if other == "dog" { kept.max(1500.0) } else { kept.max(500.0) };
            assert!((x - y).abs() >= least, "{x} {animal} and {y} {other}");
        }
    }
    let foxes = meant.iter().filter(|(_, animal)| animal == "fox").count();
    assert!(foxes >= 4, "{meant:?}");
    assert_eq!(number(&answer.summary(), "/targets/fox/sites"), foxes as f64);
    let reasons: Vec<&str> = sites.iter().map(|s| text(s, "reason")).collect();
    assert!(
        reasons.iter().any(|r| r.contains("fox scats")) && reasons.iter().any(|r| r.contains("dog scats"))
    );
    let covered = property.sites("covered", &["--objective", "coverage", "--budget", "2"]).summary();
    assert!(number(&covered, "/total") > 0.6 && number(&covered, "/gap") < 0.3, "{covered}");
}

#[test]
fn a_time_of_the_year_brings_its_own_sign_weights_and_half_life() {
    let mut property = Property::new(&[&[(0.0, 0.0), (6000.0, 0.0)]]);
    property.sign(
        "dogs.geojson",
        "dog",
        &[
            ((1000.0, 3.0), "2024-12-20", 4),
            ((1000.0, 3.0), "2025-01-05", 4),
            ((5000.0, 3.0), "2025-06-20", 9),
            ((5000.0, 3.0), "2024-07-01", 9),
        ],
    );
    property.say("[surface]\nbandwidth = 300\n[sites]\nspacing_m = 2000\nbudget = 1\nweightings = 0");
    property.say("[periods.summer]\ndates.dog = { from = \"12-01\", to = \"02-28\" }\nhalf_life_days = 60");
    property.say("weights = { activity = 3, convergence = 0, line_kind = 1 }");
    let always = property.sites("always", &[]).sites();
    assert!((property.metres(&always[0]).0 - 5000.0).abs() < 150.0);
    let summer = property.sites("summer", &["--period", "summer"]);
    let sites = summer.sites();
    assert!((property.metres(&sites[0]).0 - 1000.0).abs() < 150.0);
    assert_eq!(number(&sites[0], "/properties/parts/activity/weight"), 3.0);
    assert!(sites[0]["properties"]["parts"]["convergence"].is_null());
    // 16 days before the latest record, at a half-life of 60 days; the peak of a Gaussian of
    // 300 m in sign per km2.
    let weight = 4.0 + 4.0 * 0.5_f64.powf(16.0 / 60.0);
    let (x, y) = property.metres(&sites[0]);
    let off = (-((x - 1000.0).powi(2) + (y.signum() * 0.0 - 3.0).powi(2)) / (2.0 * 300.0 * 300.0)).exp();
    let density = weight * off / (2.0 * std::f64::consts::PI * 0.09);
    let raw = number(&sites[0], "/properties/parts/activity/raw");
    assert!((raw / density - 1.0).abs() < 1e-3, "{raw} {density}");
    assert!(summer.err.contains("of another time of the year"), "{}", summer.err);
    let unknown = property.sites("unknown", &["--period", "winter"]);
    assert_eq!(unknown.status, 2);
    assert!(unknown.err.contains("winter") && unknown.err.contains("summer"), "{}", unknown.err);
}

#[test]
fn cover_and_layers_count_as_they_say() {
    let mut property = one_track();
    property.file("scrub.geojson", &[property.square((1000.0, 0.0), 100.0, json!({}))]);
    property.file(
        "soil.geojson",
        &[
            property.square((1000.0, 0.0), 1000.0, json!({ "sand": 20 })),
            property.square((3000.0, 0.0), 900.0, json!({ "sand": "60" })),
        ],
    );
    property.heights("height.tif");
    property.say("[sites]\nspacing_m = 700\nweightings = 0\ncover = \"scrub.geojson\"\ncover_reach_m = 400");
    property
        .say("[[sites.layer]]\nname = \"sand\"\nfile = \"soil.geojson\"\nproperty = \"sand\"\nweight = 2");
    property.say("worst = 60\nbest = 10");
    property
        .say("[[sites.layer]]\nname = \"low\"\nfile = \"height.tif\"\nweight = 1\nworst = 500\nbest = 100");
    let answer = property.sites("out", &[]);
    let mut seen = 0;
    for candidate in answer.candidates() {
        let (x, _) = property.metres(&candidate);
        let part = |name: &str| number(&candidate, &format!("/properties/parts/{name}"));
        let off_m = ((x - 1000.0).abs() - 100.0).max(0.0);
        assert!((part("cover") - (1.0 - off_m / 400.0).max(0.0)).abs() < 2e-3, "{x}");
        let height_m = 100.0 + 0.1 * x;
        assert!((part("low") - (500.0 - height_m) / 400.0).abs() < 1e-3, "{x}: {}", part("low"));
        let sand = if x < 1999.0 { 0.8 } else { 0.0 };
        // A polygon may or may not hold its own edge.
        if x > 1.0 && !(1999.0..=2001.0).contains(&x) {
            assert!((part("sand") - sand).abs() < 1e-9, "{x}: {}", part("sand"));
        }
        seen += 1;
    }
    assert!(seen > 80);
    assert!(answer.err.contains("soil.geojson: says nothing at"), "{}", answer.err);
    let site = &answer.sites()[0];
    assert!(text(site, "reason").len() > 10);
    assert_eq!(site["properties"]["parts"]["low"]["from"], "height.tif");
    let inputs = read_json(&answer.folder.join("sites.geojson"))["stakeline"]["inputs"].to_string();
    assert!(inputs.contains("height.tif") && inputs.contains("scrub.geojson"), "{inputs}");
}

#[test]
fn stations_are_kept_moved_or_lifted_and_those_that_must_go_come_first() {
    let mut property = Property::new(&[&[(0.0, 0.0), (9000.0, 0.0)]]);
    let found: Vec<_> = [500.0, 2600.0, 4300.0, 8200.0]
        .iter()
        .flat_map(|&x| (0..4).map(move |k| ((x + 20.0 * f64::from(k), 4.0), "2025-03-10", 5)))
        .collect();
    property.sign("dogs.geojson", "dog", &found);
    property.file("tank.geojson", &[property.point((8200.0, 60.0), json!({ "name": "Top tank" }))]);
    let station = |id: &str, x: f64| property.point((x, 5.0), json!({ "station_id": id, "state": "set" }));
    // G1 on sign; G2 where nothing was found, 700 m from the best place; G3 by a tank that
    // was put in since.
    property.file("ground.geojson", &[station("G1", 530.0), station("G2", 3300.0), station("G3", 8200.0)]);
    property.say("[[keep_out]]\nfile = \"tank.geojson\"\ndistance_m = 137");
    property.say("[[station]]\nfile = \"ground.geojson\"\n[surface]\nbandwidth = 150");
    property.say("[sites]\nspacing_m = 1000\nweightings = 0\n[sites.weights]\nline_kind = 0");
    let answer = property.sites("out", &[]);
    let summary = answer.summary();
    let stations = summary["stations"].as_array().unwrap();
    let told: Vec<(&str, &str)> = stations
        .iter()
        .map(|s| (s["station_id"].as_str().unwrap(), s["verdict"].as_str().unwrap()))
        .collect();
    assert_eq!(told, [("G3", "lift"), ("G2", "move"), ("G1", "keep")]);
    assert!(stations[0]["because"].as_str().unwrap().contains("Top tank"));
    assert!(answer.err.contains("station G3: lift"), "{}", answer.err);
    // What the layer gains: the best choice without G2 against the one with it. Both by the
    // dynamic programme on the written candidates.
    let candidates: Vec<(f64, f64)> = answer
        .candidates()
        .iter()
        .filter(|c| {
            let why = c["properties"]["why_not"].as_str().unwrap_or("");
            !why.contains("keep-out") && !why.contains("right side")
        })
        .map(|c| (property.metres(c).0, number(c, "/properties/score")))
        .collect();
    let apart = |stations: &[f64]| -> Vec<(f64, f64)> {
        let far = |x: f64| stations.iter().all(|s| (x - s).abs() >= 1000.25);
        candidates.iter().copied().filter(|&(x, _)| far(x)).collect()
    };
    let (with, without) =
        (best_on_a_track(&apart(&[530.0, 3300.0]), 1000.25), best_on_a_track(&apart(&[530.0]), 1000.25));
    let own =
        candidates.iter().min_by(|a, b| (a.0 - 3300.0).abs().total_cmp(&(b.0 - 3300.0).abs())).unwrap().1;
    let gain = without.0 - with.0 - own;
    assert!((number(&stations[1], "/gain") - gain).abs() < 2e-2 * gain, "{gain} {}", stations[1]);
    // A station that must go keeps nothing away: the place beside it is taken.
    assert!(answer.sites().iter().any(|s| (property.metres(s).0 - 8200.0).abs() < 400.0));
}

/// A time limit from the plan ends with the best found and its gap: no better than without the limit,
/// and with a bound that the better choice does not exceed.
#[test]
fn a_time_limit_ends_with_the_best_found_and_an_honest_gap() {
    let ways: Vec<Vec<(f64, f64)>> = (0..5)
        .flat_map(|k| {
            let at = 900.0 * f64::from(k);
            [vec![(0.0, at), (3600.0, at)], vec![(at, 0.0), (at, 3600.0)]]
        })
        .collect();
    let mut property = Property::new(&ways.iter().map(Vec::as_slice).collect::<Vec<_>>());
    let found: Vec<((f64, f64), &str, u32)> = (0..40_u32)
        .map(|k| ((f64::from(k * 733 % 3600), f64::from(k % 5) * 900.0), "2025-03-10", 1 + k * k % 5))
        .collect();
    property.sign("dogs.geojson", "dog", &found);
    property.say("[surface]\nbandwidth = 250\n[sites]\nspacing_m = 700\nbudget = 8\nweightings = 0");
    for objective in ["score", "coverage"] {
        let free = property.sites(&format!("free-{objective}"), &["--objective", objective]).summary();
        let plan = property.plan.clone();
        property.say("seconds = 1e-9");
        let limited = property.sites(&format!("limited-{objective}"), &["--objective", objective]);
        property.plan = plan;
        assert!(!limited.sites().is_empty());
        let limited = limited.summary();
        let [total, bound, best] =
            [number(&limited, "/total"), number(&limited, "/upper_bound"), number(&free, "/total")];
        assert!(0.0 < total && total <= best + 1e-6 && best <= bound + 1e-6, "{objective}: {limited}");
        assert!((number(&limited, "/gap") - (bound - total) / bound).abs() < 1e-6, "{objective}: {limited}");
        assert!(number(&limited, "/gap") >= number(&free, "/gap"), "{objective}");
        assert!(objective == "score" || number(&limited, "/gap") > 0.0, "time was enough");
    }
}

/// The greatest sum of scores on one straight track with places so far apart, and the
/// places: weighted interval scheduling.
fn best_on_a_track(candidates: &[(f64, f64)], apart_m: f64) -> (f64, Vec<f64>) {
    let mut along: Vec<(f64, f64)> = candidates.to_vec();
    along.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut best: Vec<(f64, Vec<f64>)> = vec![(0.0, Vec::new())];
    for (k, &(x, score)) in along.iter().enumerate() {
        let before = along[..k].iter().take_while(|c| c.0 <= x - apart_m).count();
        let mut with = best[before].clone();
        with.0 += score;
        with.1.push(x);
        let last = best[k].clone();
        best.push(if with.0 > last.0 { with } else { last });
    }
    best.pop().unwrap()
}

#[test]
fn rank_stability_is_what_another_draw_of_weights_gives() {
    let mut property = Property::new(&[&[(0.0, 0.0), (5000.0, 0.0)], &[(2500.0, 0.0), (2500.0, 300.0)]]);
    let found: Vec<_> = [400.0, 1300.0, 3900.0].iter().map(|&x| ((x, 4.0), "2025-03-10", 3)).collect();
    property.sign("dogs.geojson", "dog", &found);
    property.file("scrub.geojson", &[property.square((4600.0, 0.0), 150.0, json!({}))]);
    property.say("[surface]\nbandwidth = 250\n[sites]\nspacing_m = 1000\nmin_straight_m = 0\nbudget = 3");
    property.say("cover = \"scrub.geojson\"\nweightings = 400");
    property.say("[sites.weights]\nconvergence = 0");
    // The side track bears candidates too; keep the test to one line by barring it.
    property.file("spur.geojson", &[property.square((2500.0, 170.0), 145.0, json!({ "name": "spur" }))]);
    let answer = property.sites("out", &["--never", "spur.geojson"]);
    let places: Vec<(f64, Vec<f64>)> = answer
        .candidates()
        .iter()
        .filter(|c| {
            let why = c["properties"]["why_not"].as_str().unwrap_or("");
            !why.contains("barred") && !why.contains("right side") && property.metres(c).1.abs() < 1.0
        })
        .map(|c| {
            let parts = c["properties"]["parts"].as_object().unwrap();
            (property.metres(c).0, parts.values().map(|v| v.as_f64().unwrap()).collect())
        })
        .collect();
    let draws = 4000;
    let sites: Vec<f64> = answer.sites().iter().map(|s| property.metres(s).0).collect();
    let mut kept = vec![0.0; sites.len()];
    let mut rng = ChaCha8Rng::seed_from_u64(99);
    for _ in 0..draws {
        // Even on the simplex: gaps between sorted uniform numbers.
        let n = places[0].1.len();
        let mut cuts: Vec<f64> = (1..n).map(|_| rng.random_range(0.0..1.0)).collect();
        cuts.extend([0.0, 1.0]);
        cuts.sort_by(f64::total_cmp);
        let weights: Vec<f64> = cuts.windows(2).map(|w| w[1] - w[0]).collect();
        let score = |values: &[f64]| values.iter().zip(&weights).map(|(v, w)| v * w).sum::<f64>();
        let scored: Vec<(f64, f64)> = places.iter().map(|(x, v)| (*x, score(v))).collect();
        let chosen = best_within(&scored, 1000.25, 3);
        for (s, x) in sites.iter().enumerate() {
            kept[s] += f64::from(chosen.iter().any(|c| (c - x).abs() <= 100.0)) / f64::from(draws);
        }
    }
    for (s, site) in answer.sites().iter().enumerate() {
        let told = number(site, "/properties/rank_stability");
        // Five standard errors of 400 draws, and choices that are equal to half a percent.
        assert!((told - kept[s]).abs() < 0.2, "site at {}: {told} against {}", sites[s], kept[s]);
    }
    assert!(kept.iter().any(|k| *k < 0.99), "{kept:?} cannot fail");
}

/// As [`best_on_a_track`], with at most `budget` places.
fn best_within(candidates: &[(f64, f64)], apart_m: f64, budget: usize) -> Vec<f64> {
    let mut along: Vec<(f64, f64)> = candidates.to_vec();
    along.sort_by(|a, b| a.0.total_cmp(&b.0));
    let n = along.len();
    let before: Vec<usize> =
        (0..n).map(|k| along[..k].iter().take_while(|c| c.0 <= along[k].0 - apart_m).count()).collect();
    let mut best = vec![vec![0.0; n + 1]; budget + 1];
    for b in 1..=budget {
        for k in 0..n {
            best[b][k + 1] = f64::max(best[b][k], best[b - 1][before[k]] + along[k].1);
        }
    }
    let (mut chosen, mut b, mut k) = (Vec::new(), budget, n);
    while k > 0 && b > 0 {
        if best[b][k] > best[b][k - 1] {
            chosen.push(along[k - 1].0);
            k = before[k - 1];
            b -= 1;
        } else {
            k -= 1;
        }
    }
    chosen
}

#[test]
fn a_cluster_stands_on_different_ways_and_each_further_site_counts_half() {
    // Two tracks that cross.
    let mut property = Property::new(&[&[(-3000.0, 0.0), (3000.0, 0.0)], &[(0.0, -3000.0), (0.0, 3000.0)]]);
    let ways = [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)];
    let found: Vec<_> = ways
        .iter()
        .flat_map(|(a, b)| {
            (1..5).map(move |k| ((60.0 * a * f64::from(k), 60.0 * b * f64::from(k)), "2025-03-10", 4))
        })
        .collect();
    property.sign("dogs.geojson", "dog", &found);
    property.say(
        "[surface]\nbandwidth = 300\n[sites]\nspacing_m = 1200\ncluster = 3\nbudget = 8\nweightings = 0",
    );
    let answer = property.sites("out", &[]);
    let sites = answer.sites();
    let (together, alone): (Vec<&Value>, Vec<&Value>) =
        sites.iter().partition(|s| !s["properties"]["cluster_id"].is_null());
    assert_eq!(together.len(), 3, "{} sites at the crossing", together.len());
    let mut ways = Vec::new();
    for (k, site) in together.iter().enumerate() {
        let (x, y) = property.metres(site);
        // Five metres off its line, up to a sixth of the spacing along it.
        let along_m = if x.abs() > y.abs() { x } else { y };
        assert!(along_m.abs() <= 1200.0 / 6.0 + 0.1, "{along_m}");
        ways.push((x.abs() > y.abs(), along_m > 0.0));
        let parts = site["properties"]["parts"].as_object().unwrap().values();
        let weights: f64 = parts.clone().map(|p| number(p, "/weight")).sum();
        let score: f64 = parts.map(|p| number(p, "/weight") * number(p, "/value")).sum::<f64>() / weights;
        let share = number(site, "/properties/score") / score;
        assert!((share - 0.5_f64.powi(k as i32)).abs() < 1e-4, "site {k} counts {share}");
        assert!(site["properties"]["cautions"].to_string().contains("some guides forbid"));
        for other in &together[..k] {
            assert!(distance_m(place(site), place(other)) >= 50.0);
        }
    }
    ways.sort_unstable();
    ways.dedup();
    assert_eq!(ways.len(), 3, "two sites of the cluster share a way");
    for site in alone {
        let (x, y) = property.metres(site);
        assert!(x.abs().max(y.abs()) >= 1200.0, "{x} {y} counts from the crossing");
    }
    let total: f64 = sites.iter().map(|s| number(s, "/properties/score")).sum();
    assert!((number(&answer.summary(), "/total") - total).abs() < 1e-5);
}

#[test]
fn animals_that_control_is_not_for_are_told_kept_clear_of_or_counted_against() {
    let mut property = one_track();
    property.sign(
        "quolls.geojson",
        "quoll",
        &[((1100.0, 30.0), "2025-02-01", 2), ((1150.0, 10.0), "2025-05-03", 1)],
    );
    property.say("[select]\nanimals = [\"dog\"]\n[sites]\nspacing_m = 400\nweightings = 0\nreach_m = 300");
    property.say("[non_target]\nanimals = [\"quoll\"]");
    let told = property.sites("told", &[]).sites();
    let mut near = 0;
    for site in &told {
        let (x, _) = property.metres(site);
        let count = [(1100.0, 30.0, 2.0), (1150.0, 10.0, 1.0)]
            .iter()
            .filter(|(a, b, _)| f64::hypot(a - x, *b) <= 300.0)
            .map(|(_, _, n)| n)
            .sum::<f64>();
        let cautions = site["properties"]["cautions"].to_string();
        assert_eq!(cautions.contains("quoll"), count > 0.0, "{x}: {cautions}");
        if count > 2.5 {
            assert!(cautions.contains("3 records of quoll") && cautions.contains("2025-05-03"), "{cautions}");
            near += 1;
        }
    }
    assert!(near > 0);
    property.say("keep_out_m = 350");
    for site in property.sites("clear", &[]).sites() {
        let (x, _) = property.metres(&site);
        assert!(f64::hypot(x - 1100.0, 30.0) > 350.0 && f64::hypot(x - 1150.0, 10.0) > 350.0, "{x}");
    }
    property.plan = property.plan.replace("keep_out_m = 350", "weight = 1");
    for site in property.sites("against", &[]).sites() {
        let raw = number(&site, "/properties/parts/non_target/raw");
        assert!((number(&site, "/properties/parts/non_target/value") - (1.0 - raw / 3.0)).abs() < 1e-6);
    }
}

#[test]
fn wind_puts_sites_upwind_and_old_sign_is_told() {
    let mut property = one_track();
    property.sign("old.geojson", "dog", &[((3900.0, 2.0), "2022-01-01", 30)]);
    // Wind out of the north by day and night; half of the night is calm.
    let mut table = "from_deg,day,night\n".to_string();
    for k in 0..8 {
        table += &format!("{},{},{}\n", 45 * k, if k == 0 { 600 } else { 0 }, if k == 0 { 300 } else { 0 });
    }
    fs::write(property.room.path().join("wind.csv"), table + "calm,0,300\n").unwrap();
    property.say("[wind]\nfile = \"wind.csv\"\n[sites]\nspacing_m = 600\nweightings = 0");
    let answer = property.sites("out", &[]);
    let summary = answer.summary();
    assert!(summary["wind"]["instrument_height_difference_m"].is_null());
    assert!(summary["wind"]["instrument_distance_m"].is_null());
    assert_eq!(number(&summary, "/wind/night/calm_share"), 0.5);
    for site in answer.sites() {
        // The track runs from west to east, so north is left of it.
        assert_eq!(text(&site, "side"), "left");
        assert!(property.metres(&site).1 > 4.9);
        assert!(number(&site, "/properties/wind_day") > 0.9);
        let night = number(&site, "/properties/wind_night");
        assert!((0.7..0.76).contains(&night), "{night}");
    }
    assert_eq!(number(&summary, "/sign/older_than_a_year"), 1.0);
    assert!(answer.err.contains("more than a year older than the latest"), "{}", answer.err);
    let sites = answer.sites();
    let old: Vec<&Value> = sites.iter().filter(|s| property.metres(s).0 > 3800.0).collect();
    for site in old {
        let (x, _) = property.metres(site);
        if (x - 3800.0 - 0.0).abs() > 500.0 {
            assert!(site["properties"]["cautions"].to_string().contains("old"), "{site}");
        }
    }
    // Height and place of the instrument, when they are known.
    property.plan = property.plan.replace(
        "file = \"wind.csv\"",
        "file = \"wind.csv\"\nat = [147.0, -35.2]\nheight_m = 250\nplace_height_m = 610.5",
    );
    let known = property.sites("known", &[]).summary();
    assert_eq!(number(&known, "/wind/instrument_height_difference_m"), -360.5);
    assert!(number(&known, "/wind/instrument_distance_m") > 100.0);
    // From the raster of heights: 150 m at the instrument, 300 m in the middle of the track.
    property.heights("height.tif");
    let at = property.lonlat((500.0, 300.0));
    property.plan = property
        .plan
        .replace("at = [147.0, -35.2]\nheight_m = 250\nplace_height_m = 610.5", &format!("at = {at}"));
    property.say("[terrain]\ndem = \"height.tif\"\nlines = []");
    let measured = property.sites("measured", &[]).summary();
    let higher_m = number(&measured, "/wind/instrument_height_difference_m");
    assert!((higher_m + 150.0).abs() < 5.0, "{higher_m}");
    assert!((number(&measured, "/wind/instrument_distance_m") - 300.0).abs() < 1.0);
}

/// The least distance between any two sites, and between sites and other places, on the ellipsoid.
fn least_m(sites: &[Value], others: &[LonLat]) -> f64 {
    let at: Vec<LonLat> = sites.iter().map(place).collect();
    let pairs = (0..at.len()).flat_map(|i| at[..i].iter().chain(others).map(move |other| (i, *other)));
    pairs.map(|(i, other)| distance_m(at[i], other)).fold(f64::INFINITY, f64::min)
}

/// One track recorded twice 8 m apart, a hairpin, and a ladder of rungs: whatever lines lead where, no
/// two sites stand nearer than half the spacing.
#[test]
fn no_two_sites_are_nearer_in_a_straight_line_than_half_the_spacing() {
    let ladder: Vec<Vec<(f64, f64)>> = (0..12)
        .map(|k| {
            let x = 330.0 * f64::from(k);
            let y = if k % 2 == 0 { 0.0 } else { 900.0 };
            vec![(x, y), (x, 1800.0 - y), (x + 330.0, 1800.0 - y)]
        })
        .collect();
    let ladder: Vec<&[(f64, f64)]> = ladder.iter().map(Vec::as_slice).collect();
    let twice: [&[(f64, f64)]; 2] = [&[(0.0, 0.0), (4000.0, 60.0)], &[(3990.0, 68.0), (4.0, 8.0)]];
    let hairpin: [&[(f64, f64)]; 1] =
        [&[(0.0, 0.0), (2600.0, 0.0), (2620.0, 20.0), (2600.0, 40.0), (0.0, 40.0)]];
    for (name, tracks) in [("twice", &twice[..]), ("hairpin", &hairpin), ("ladder", &ladder)] {
        for (spacing_m, offset_m, cluster) in [(1000.0, 5.0, 1), (700.0, 24.0, 1), (1000.0, 5.0, 3)] {
            let mut property = Property::new(tracks);
            let found: Vec<((f64, f64), &str, u32)> = (0..30)
                .map(|k| ((137.0 * f64::from(k), f64::from(k % 3) * 400.0), "2026-03-01", 1 + k % 4))
                .collect();
            property.sign("dogs.geojson", "dog", &found);
            property.file("ground.geojson", &[property.point((900.0, 30.0), json!({ "station_id": "G1" }))]);
            property.say("[[station]]\nfile = \"ground.geojson\"\n[surface]\nbandwidth = 300");
            property.say(&format!(
                "[nodes]\nmerge_m = 0\n[sites]\nspacing_m = {spacing_m}\noffset_m = {offset_m}\ncluster = {cluster}\nweightings = 0"
            ));
            let answer = property.sites("out", &[]);
            let sites = answer.sites();
            let alone: Vec<Value> =
                sites.iter().filter(|s| s["properties"]["cluster_id"].is_null()).cloned().collect();
            let station = property.frame.to_lonlat(GroundPoint::new(WEST_M + 900.0, SOUTH_M + 30.0)).unwrap();
            let nearest_m = least_m(&alone, &[station]);
            assert!(nearest_m >= spacing_m / 2.0, "{name}, {spacing_m} m: {nearest_m} m apart");
            // Members of clusters keep it to all that are not of theirs.
            for a in &sites {
                for b in &sites {
                    let of = |s: &Value| s["properties"]["cluster_id"].clone();
                    let far_m = distance_m(place(a), place(b));
                    assert!(
                        a == b || (!of(a).is_null() && of(a) == of(b)) || far_m >= spacing_m / 2.0,
                        "{name}: {far_m} m"
                    );
                }
                let told = a["properties"]["nearest_straight_m"].as_f64().unwrap();
                let mut all: Vec<f64> =
                    sites.iter().filter(|b| *b != a).map(|b| distance_m(place(a), place(b))).collect();
                all.push(distance_m(place(a), station));
                assert!((told - all.into_iter().fold(f64::INFINITY, f64::min)).abs() < 0.01);
            }
            assert_eq!(number(&answer.summary(), "/min_straight_m"), spacing_m / 2.0);
            assert!(sites.len() >= 2, "{name}: {} sites", sites.len());
        }
    }
}

#[test]
fn the_straight_line_is_of_no_account_where_the_plan_turns_it_off() {
    let mut property = Property::new(&[&[(0.0, 0.0), (4000.0, 0.0)], &[(0.0, 60.0), (4000.0, 60.0)]]);
    let found: Vec<((f64, f64), &str, u32)> =
        (0..40).map(|k| ((100.0 * f64::from(k), 60.0 * f64::from(k % 2)), "2026-03-01", 1)).collect();
    property.sign("dogs.geojson", "dog", &found);
    property.say("[surface]\nbandwidth = 300\n[sites]\nweightings = 0");
    let kept = property.sites("kept", &[]);
    property.say("min_straight_m = 0");
    let off = property.sites("off", &[]);
    assert!(least_m(&kept.sites(), &[]) >= 500.0 && least_m(&off.sites(), &[]) < 500.0);
    assert_eq!(number(&off.summary(), "/min_straight_m"), 0.0);
    assert!(number(&kept.summary(), "/total") < number(&off.summary(), "/total"));
}

/// What is asked for by name may stand nearer, and is told; stations in the ground likewise.
#[test]
fn fixed_sites_and_stations_nearer_in_a_straight_line_are_cautioned() {
    let mut property = Property::new(&[&[(0.0, 0.0), (4000.0, 0.0)], &[(0.0, 160.0), (4000.0, 160.0)]]);
    property.sign(
        "dogs.geojson",
        "dog",
        &[((500.0, 0.0), "2026-03-01", 1), ((3500.0, 160.0), "2026-03-01", 2)],
    );
    let must = [("north", 2000.0, 165.0), ("south", 2000.0, -5.0)];
    let must: Vec<Value> =
        must.iter().map(|&(name, x, y)| property.point((x, y), json!({ "name": name }))).collect();
    property.file("must.geojson", &must);
    let ground = [("G1", 500.0, 5.0), ("G2", 520.0, 155.0), ("G3", 3990.0, 165.0)];
    let ground: Vec<Value> =
        ground.iter().map(|&(id, x, y)| property.point((x, y), json!({ "station_id": id }))).collect();
    property.file("ground.geojson", &ground);
    property
        .say("[[station]]\nfile = \"ground.geojson\"\n[surface]\nbandwidth = 300\n[sites]\nweightings = 0");
    let answer = property.sites("out", &["--must", "must.geojson"]);
    let sites = answer.sites();
    let told: Vec<&Value> = sites
        .iter()
        .filter(|s| s["properties"]["cautions"].to_string().contains("asked for by name"))
        .collect();
    assert_eq!(told.len(), 2, "{sites:?}");
    assert!((distance_m(place(told[0]), place(told[1])) - 170.0).abs() < 0.5);
    assert!(told.iter().all(|s| {
        s["properties"]["cautions"]
            .to_string()
            .contains("within 170 m in a straight line, where 500 m are the least,")
    }));
    assert!(
        answer.err.contains("station G1: within 151 m in a straight line")
            && answer.err.contains("of station G2"),
        "{}",
        answer.err
    );
    assert!(answer.err.contains("2 fixed sites stand nearer"), "{}", answer.err);
    // All others keep it.
    let others: Vec<Value> = sites.iter().filter(|s| !told.contains(s)).cloned().collect();
    assert!(least_m(&others, &[place(told[0]), place(told[1])]) >= 500.0);
}
