//! A large map: 5,000 sites, 100,000 records, 2,000 km of tracks, 40,000 candidates.
//!
//! Measured, not judged: `cargo test --release --test pages big -- --ignored --nocapture` prints
//! how long the page takes to open in Chromium and the longest task while it is moved.

use std::path::Path;
use std::process::Command as Process;
use std::sync::Arc;

use geo_types::{Geometry, Point};
use serde_json::{Map, Value, json};
use stakeline::frame::{Frame, GroundPoint, LonLat, Placed, Traced};
use stakeline::record::{Animal, Line, LineKind, Occasion, Record, Sign, SourcePlace};
use stakeline::report::{Feature, Field, Layers, Material, Ramp, Shown, map_page};
use stakeline::surface::Grid;

use super::{Dice, browser};

/// The side of the place, and the tracks across it each way.
const SIDE_M: f64 = 40_000.0;
const TRACKS: usize = 25;
const VERTICES: usize = 200;
const SITES: usize = 5_000;
const RECORDS: usize = 100_000;
const CANDIDATES: usize = 40_000;

fn source() -> SourcePlace {
    SourcePlace { file: Arc::from(Path::new("made-up")), index: 0, id: None }
}

/// A place of the plane as both coordinates.
fn place(frame: &Frame, x_m: f64, y_m: f64) -> (LonLat, GroundPoint) {
    let ground = GroundPoint::new(600_000.0 + x_m, 6_080_000.0 + y_m);
    (frame.to_lonlat(ground).unwrap(), ground)
}

/// A winding track: how far off its straight line it is after so many metres.
fn winding_m(track: usize, along_m: f64) -> f64 {
    120.0 * (along_m / 900.0 + track as f64).sin()
}

/// Where a track is after so many metres; even tracks run east, odd ones north.
fn on_track(track: usize, along_m: f64) -> (f64, f64) {
    let across_m = (track / 2) as f64 * SIDE_M / TRACKS as f64 + winding_m(track, along_m);
    if track.is_multiple_of(2) { (along_m, across_m) } else { (across_m, along_m) }
}

fn lines(frame: &Frame) -> Vec<Traced<Line>> {
    (0..2 * TRACKS)
        .map(|track| {
            let step_m = SIDE_M / VERTICES as f64;
            let vertex = |k: usize| {
                let (x_m, y_m) = on_track(track, k as f64 * step_m);
                place(frame, x_m, y_m)
            };
            let (path, ground) = (0..=VERTICES).map(vertex).unzip();
            let name = Some(Arc::from(format!("Track {}", track + 1)));
            let what = Line { name, ..Line::new(LineKind::Track, source()) };
            Traced { what, path, ground }
        })
        .collect()
}

fn records(frame: &Frame, dice: &mut Dice) -> Vec<Placed<Record>> {
    let signs = [Sign::Scat, Sign::Print, Sign::Sighting, Sign::StockLoss];
    let seasons = ["first", "second"]
        .map(|name| Arc::new(Occasion { season: Some(name.into()), ..Occasion::default() }));
    (0..RECORDS)
        .map(|k| {
            let track = (dice.roll() * 2.0 * TRACKS as f64) as usize;
            let (x_m, y_m) = on_track(track, dice.roll() * SIDE_M);
            let (at, ground) = place(frame, x_m + 60.0 * dice.roll(), y_m + 60.0 * dice.roll());
            let what = Record {
                sign: signs[k % signs.len()],
                animal: Some(if k % 3 == 0 { Animal::Fox } else { Animal::Dog }),
                date: Some(jiff::civil::date(2024 + (k % 2) as i16, 3, 1 + (k % 28) as i8)),
                count: 1.0,
                accuracy_m: None,
                occasion: seasons[k % 2].clone(),
                source: source(),
            };
            Placed { what, at, ground }
        })
        .collect()
}

fn parts(dice: &mut Dice, whole: bool) -> Value {
    let names = ["activity", "convergence", "kind", "wind"];
    let one = |dice: &mut Dice| {
        let value = dice.roll();
        if whole { json!({ "raw": value, "value": value, "weight": 1.0, "unit": "" }) } else { json!(value) }
    };
    Value::Object(names.iter().map(|n| ((*n).to_string(), one(dice))).collect())
}

/// Features along the tracks, evenly; `more` adds to what all have.
fn along(frame: &Frame, count: usize, mut more: impl FnMut(usize, &mut Map<String, Value>)) -> Vec<Feature> {
    (0..count)
        .map(|k| {
            let track = k % (2 * TRACKS);
            let along_m = (k / (2 * TRACKS)) as f64 * SIDE_M / (count as f64 / (2 * TRACKS) as f64);
            let (x_m, y_m) = on_track(track, along_m);
            let (at, _) = place(frame, x_m, y_m);
            let mut properties = Map::new();
            for (name, value) in [
                ("line", json!(format!("Track {}", track + 1))),
                ("line_from", json!(format!("tracks#{}", track + 1))),
                ("kind", json!("track")),
                ("chainage_m", json!(along_m)),
                ("score", json!(0.5)),
            ] {
                properties.insert(name.to_string(), value);
            }
            more(k, &mut properties);
            let geometry = Geometry::Point(Point::new(at.lon_deg(), at.lat_deg()));
            Feature { id: format!("f{k}"), geometry, properties }
        })
        .collect()
}

/// The tracks as a noded network: each cut where the others cross it.
fn network(frame: &Frame) -> Vec<Feature> {
    let piece = |track: usize, k: usize| {
        let (from_m, long_m) = (k as f64 * SIDE_M / TRACKS as f64, SIDE_M / TRACKS as f64);
        let vertex = |step: usize| {
            let (x_m, y_m) = on_track(track, from_m + step as f64 * long_m / 8.0);
            let (at, _) = place(frame, x_m, y_m);
            (at.lon_deg(), at.lat_deg())
        };
        // East tracks pass the crossings of a row, north ones those of a column.
        let node = |k: usize| match track.is_multiple_of(2) {
            true => format!("n{}-{k}", track / 2),
            false => format!("n{k}-{}", track / 2),
        };
        let members =
            json!({ "kind": "track", "length_m": long_m, "from_node": node(k), "to_node": node(k + 1) });
        let geometry = Geometry::LineString((0..=8).map(vertex).collect());
        Feature { id: format!("e{track}-{k}"), geometry, properties: members.as_object().cloned().unwrap() }
    };
    (0..2 * TRACKS).flat_map(|track| (0..TRACKS).map(move |k| piece(track, k))).collect()
}

/// A surface of 256 by 256 cells over the whole place.
fn surface() -> Shown {
    let cell_m = SIDE_M / 256.0;
    let grid = Grid { west_m: 600_000.0, north_m: 6_080_000.0 + SIDE_M, cell_m, columns: 256, rows: 256 };
    let wave = |k: usize| (k as f64 / 17.0).sin();
    let value = |k: usize| (1.0 + wave(k / 256) * wave(k % 256)) as f32;
    let field = Field { grid, values: (0..256 * 256).map(value).collect() };
    let ramp = Ramp::Rising { peak: field.peak() };
    Shown { id: "activity", name: "Activity".into(), unit: "sign per km²".into(), field, ramp }
}

#[test]
#[ignore = "measures a large page; run in release with --nocapture"]
fn big_page() {
    let frame = Frame::from_epsg(32755).unwrap();
    let mut dice = Dice(11);
    let (lines, records) = (lines(&frame), records(&frame, &mut dice));
    let sites = along(&frame, SITES, |k, p| {
        p.insert("site_id".into(), json!(format!("S{:04}", k + 1)));
        p.insert("rank".into(), json!(k + 1));
        p.insert("side".into(), json!(if k % 2 == 0 { "left" } else { "right" }));
        p.insert("offset_m".into(), json!(3.0));
        p.insert("bearing_deg".into(), json!(if k % 2 == 0 { 90.0 } else { 0.0 }));
        p.insert("reason".into(), json!("Made up to measure the page."));
        p.insert("parts".into(), parts(&mut dice, true));
    });
    let candidates = along(&frame, CANDIDATES, |_, p| {
        p.insert("parts".into(), parts(&mut dice, false));
    });
    let material = Material {
        title: "Large place".into(),
        origin: "Made up.".into(),
        frame: &frame,
        cautions: vec!["This is a plan, not an authority.".into()],
        contacts: Vec::new(),
        open_items: Vec::new(),
        records: records.iter().map(|r| (r, r.what.occasion.season.as_deref().map(String::from))).collect(),
        lines: &lines,
        area: None,
        keep_outs: &[],
        stations: &[],
        verdicts: Vec::new(),
        min_straight_m: None,
        spacing_m: Some(500.0),
        placement_error_m: 10.0,
        rasters: vec![surface()],
        layers: Layers {
            sites,
            candidates: candidates.into_iter().collect(),
            network: network(&frame),
            ..Layers::default()
        },
        wind: None,
        compare: None,
        notices: Vec::new(),
    };
    let room = tempfile::tempdir().unwrap();
    let page = map_page(&material).unwrap();
    println!("{} sites, {} records, {:.1} MB", SITES, RECORDS, page.len() as f64 / 1e6);
    std::fs::write(room.path().join("map.html"), page).unwrap();
    let Some([chromium, playwright, _]) = browser() else { return };
    let shots =
        std::env::var_os("STAKELINE_SCREENSHOTS").map_or_else(|| room.path().to_path_buf(), Into::into);
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/big.mjs");
    let done = Process::new("node")
        .arg(script)
        .args([chromium, playwright, room.path().join("map.html"), shots])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&done.stdout);
    println!("{said}");
    assert!(done.status.success(), "{said}{}", String::from_utf8_lossy(&done.stderr));
    let found: Value = serde_json::from_str(&said).unwrap();
    assert_eq!(found["sites"], SITES);
}
