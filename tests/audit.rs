//! The audit: a set as a run wrote it keeps every promise; each promise broken by hand is found,
//! alone; and a broken set is never put in its place.

mod support;

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use serde_json::{Value, json};
use stakeline::files::OutputSet;
use stakeline::frame::{Frame, GroundPoint, LonLat, destination, distance_m};
use stakeline::plan::Plan;
use stakeline::steps::{self, Silent, StepError};
use support::manifest::assert_whole;
use support::{json as read_json, number, said, stakeline};
use tempfile::TempDir;

/// A corner of the country, in metres of EPSG:32755.
const WEST_M: f64 = 500_000.0;
const SOUTH_M: f64 = 6_100_000.0;

fn lonlat(x: f64, y: f64) -> [f64; 2] {
    let frame = Frame::from_epsg(32755).unwrap();
    let at = frame.to_lonlat(GroundPoint::new(WEST_M + x, SOUTH_M + y)).unwrap();
    [at.lon_deg(), at.lat_deg()].map(|d| (d * 1e7).round() / 1e7)
}

fn feature(kind: &str, coordinates: Value, properties: Value) -> Value {
    json!({ "type": "Feature", "properties": properties,
        "geometry": { "type": kind, "coordinates": coordinates } })
}

fn square(x: f64, y: f64, half: f64) -> Value {
    let corners = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)];
    json!(corners.map(|(a, b)| lonlat(x + a, y + b)))
}

fn write(folder: &Path, name: &str, features: &[Value]) {
    let text = json!({ "type": "FeatureCollection", "features": features }).to_string();
    fs::write(folder.join(name), text).unwrap();
}

const PLAN: &str = r#"
[place]
epsg = 32755
area = "area.geojson"
[[sign]]
file = "sign.geojson"
[[line]]
kind = "track"
file = "tracks.geojson"
[[keep_out]]
file = "keep-outs.geojson"
[[station]]
file = "stations.geojson"
[[parcel]]
file = "parcels.geojson"
notify_m = 500
[sites]
spacing_m = 800
budget = 6
weightings = 0
never = "never.geojson"
"#;

/// Two tracks with a gap of 2 m between them, dwellings, a paddock with a hole, a barred place, an area
/// and stations, one of which stands too near a dwelling.
fn property(folder: &Path) {
    let track = |way: &[(f64, f64)], name: &str| {
        let path: Vec<[f64; 2]> = way.iter().map(|&(x, y)| lonlat(x, y)).collect();
        feature("LineString", json!(path), json!({ "name": name }))
    };
    let tracks = [
        track(&[(0.0, 0.0), (2000.0, 60.0), (4000.0, 0.0), (6000.0, 100.0)], "Main"),
        track(&[(3000.0, 32.0), (3100.0, 1000.0), (2900.0, 3000.0)], "Spur"),
    ];
    write(folder, "tracks.geojson", &tracks);
    let dwelling = |x: f64, y: f64, m: f64| {
        feature("Point", json!(lonlat(x, y)), json!({ "name": "hut", "reason": "dwelling", "distance_m": m }))
    };
    let paddock = json!([square(3000.0, 2000.0, 300.0), square(3000.0, 2000.0, 120.0)]);
    let paddock =
        feature("Polygon", paddock, json!({ "name": "house paddock", "reason": "stock", "distance_m": 0 }));
    let keep_outs = [dwelling(1500.0, 300.0, 350.0), dwelling(4500.0, -500.0, 200.0), paddock];
    write(folder, "keep-outs.geojson", &keep_outs);
    let never = feature("Point", json!(lonlat(5500.0, 75.0)), json!({ "name": "bus stop", "within_m": 150 }));
    write(folder, "never.geojson", &[never]);
    write(folder, "area.geojson", &[feature("Polygon", json!([square(3000.0, 1000.0, 3200.0)]), json!({}))]);
    let station = |id: &str, x: f64, y: f64| {
        feature("Point", json!(lonlat(x, y)), json!({ "station_id": id, "set_on": "2025-01-10" }))
    };
    write(folder, "stations.geojson", &[station("N1", 150.0, 9.0), station("N2", 1600.0, 52.0)]);
    let parcel =
        |name: &str, x: f64| feature("Polygon", json!([square(x, 0.0, 900.0)]), json!({ "name": name }));
    write(folder, "parcels.geojson", &[parcel("Lot 1", 1000.0), parcel("Lot 2", 3000.0)]);
    let sign: Vec<Value> = (0..24)
        .map(|k| {
            let x = 250.0 * f64::from(k);
            feature("Point", json!(lonlat(x, 20.0)), json!({ "sign": "scat", "date": "2025-03-04" }))
        })
        .chain((1..10).map(|k| {
            let y = 300.0 * f64::from(k);
            feature("Point", json!(lonlat(3050.0, y)), json!({ "sign": "scat", "date": "2025-03-04" }))
        }))
        .collect();
    write(folder, "sign.geojson", &sign);
    fs::write(folder.join("plan.toml"), PLAN).unwrap();
}

/// A run of the property, made once.
static RUN: LazyLock<TempDir> = LazyLock::new(|| {
    let room = tempfile::tempdir().unwrap();
    property(room.path());
    let (status, _, err) =
        said(stakeline().current_dir(room.path()).args(["run", "plan.toml", "--out", "out"]));
    assert_eq!(status, 0, "{err}");
    room
});

/// A copy of that run in a folder of its own, to be changed by hand.
struct Copy {
    room: TempDir,
}

/// What an audit said and wrote.
struct Told {
    status: i32,
    out: String,
    err: String,
    audit: Value,
}

impl Told {
    /// What was not kept: promise and id.
    fn broken(&self) -> BTreeSet<(String, String)> {
        let text = |b: &Value, key: &str| b[key].as_str().unwrap_or_default().to_string();
        let breaches = self.audit["breaches"].as_array().unwrap();
        breaches.iter().map(|b| (text(b, "promise"), text(b, "id"))).collect()
    }

    fn promises(&self) -> BTreeSet<String> {
        self.broken().into_iter().map(|(promise, _)| promise).collect()
    }
}

fn copy_all(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        match entry.path().is_dir() {
            true => copy_all(&entry.path(), &to.join(entry.file_name())),
            false => drop(fs::copy(entry.path(), to.join(entry.file_name())).unwrap()),
        }
    }
}

impl Copy {
    fn new() -> Self {
        let room = tempfile::tempdir().unwrap();
        copy_all(RUN.path(), room.path());
        Self { room }
    }

    fn out(&self) -> PathBuf {
        self.room.path().join("out")
    }

    fn audit_with(&self, arguments: &[&str], results: &str) -> Told {
        let mut command = stakeline();
        let (status, out, err) =
            said(command.current_dir(self.room.path()).args(["audit", "out"]).args(arguments));
        let audit = read_json(&self.room.path().join(results).join("audit.json"));
        Told { status, out, err, audit }
    }

    fn audit(&self) -> Told {
        self.audit_with(&[], "out")
    }

    fn edit(&self, name: &str, change: impl FnOnce(&mut Vec<Value>)) {
        let path = self.out().join(name);
        let mut layer = read_json(&path);
        change(layer["features"].as_array_mut().unwrap());
        fs::write(path, layer.to_string()).unwrap();
    }

    fn sites(&self) -> Vec<Value> {
        read_json(&self.out().join("sites.geojson"))["features"].as_array().unwrap().clone()
    }

    /// Changes one site.
    fn edit_site(&self, k: usize, change: impl FnOnce(&mut Value)) {
        self.edit("sites.geojson", |sites| change(&mut sites[k]));
    }
}

fn at(feature: &Value) -> LonLat {
    position(&feature["geometry"]["coordinates"])
}

fn position(c: &Value) -> LonLat {
    LonLat::new(c[0].as_f64().unwrap(), c[1].as_f64().unwrap()).unwrap()
}

/// Where a line ends.
fn at_end(line: &Value) -> LonLat {
    position(line["geometry"]["coordinates"].as_array().unwrap().last().unwrap())
}

fn id(site: &Value) -> String {
    site["properties"]["site_id"].as_str().unwrap().to_string()
}

fn put(site: &mut Value, at: LonLat) {
    site["geometry"]["coordinates"] = json!([at.lon_deg(), at.lat_deg()]);
}

#[test]
fn a_set_as_written_keeps_every_promise_and_has_its_table() {
    let copy = Copy::new();
    let before = fs::read(copy.out().join("sites.geojson")).unwrap();
    // The run wrote the table itself, and an audit of what it wrote finds the same.
    let table = fs::read_to_string(copy.out().join("site-distances.csv")).unwrap();
    let told = copy.audit();
    assert_eq!(told.status, 0, "{}{}", told.out, told.err);
    assert_eq!(told.audit["kept"], true, "{}", told.audit["breaches"]);
    assert!(told.audit["changes"].as_array().unwrap().is_empty(), "{}", told.audit["changes"]);
    assert!(number(&told.audit, "/closed_gaps") >= 1.0, "the property has no closed gap");
    assert!(number(&told.audit, "/error_bound_m") < 0.01);
    assert_eq!(fs::read(copy.out().join("sites.geojson")).unwrap(), before);
    assert_eq!(fs::read_to_string(copy.out().join("site-distances.csv")).unwrap(), table);
    assert_whole(&copy.out(), &[]);
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    let header = rows.headers().unwrap().clone();
    let rows: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
    let cell = |row: &csv::StringRecord, name: &str| {
        let k = header.iter().position(|h| h == name).unwrap_or_else(|| panic!("no column {name}"));
        row[k].to_string()
    };
    let ids: Vec<String> = rows.iter().map(|row| cell(row, "id")).collect();
    assert!(ids.is_sorted() && ids.len() == copy.sites().len() + 2, "{ids:?}");
    let hut = LonLat::new(lonlat(1500.0, 300.0)[0], lonlat(1500.0, 300.0)[1]).unwrap();
    let other = LonLat::new(lonlat(4500.0, -500.0)[0], lonlat(4500.0, -500.0)[1]).unwrap();
    for row in &rows {
        let here = LonLat::new(cell(row, "lon").parse().unwrap(), cell(row, "lat").parse().unwrap()).unwrap();
        let far: f64 = cell(row, "dwelling_distance_m").parse().unwrap();
        assert!((far - distance_m(here, hut).min(distance_m(here, other))).abs() < 0.01);
        let (limit, margin): (f64, f64) =
            (cell(row, "dwelling_limit_m").parse().unwrap(), cell(row, "dwelling_margin_m").parse().unwrap());
        assert!((far - limit - margin).abs() < 0.011);
        for column in ["stock_nearest", "never_nearest", "next_parcel", "nearest_straight", "boundary_m"] {
            assert!(!cell(row, column).is_empty(), "{column}");
        }
        assert_eq!(cell(row, "in_area"), "yes");
        // The station beside the hut must go, and the set says so itself.
        let kept = if cell(row, "id") == "N2" { "to be lifted" } else { "yes" };
        assert_eq!(cell(row, "kept"), kept, "{row:?}");
    }
    let lot = |id: &str| cell(rows.iter().find(|row| cell(row, "id") == id).unwrap(), "parcel");
    assert_eq!((lot("N1").as_str(), lot("N2").as_str()), ("Lot 1", "Lot 1"));
}

#[test]
fn a_site_moved_into_a_keep_out_is_found_and_stays_where_it_was_put() {
    for (x, y, named) in [(1600.0, 300.0, "hut"), (2760.0, 2000.0, "house paddock")] {
        let copy = Copy::new();
        let [lon, lat] = lonlat(x, y);
        copy.edit_site(2, |site| put(site, LonLat::new(lon, lat).unwrap()));
        let moved = fs::read(copy.out().join("sites.geojson")).unwrap();
        let id = id(&copy.sites()[2]);
        let told = copy.audit();
        assert_eq!(told.status, 1, "{}", told.out);
        assert!(told.broken().contains(&("keep-out".into(), id.clone())), "{:?}", told.broken());
        assert!(told.out.contains(named) && told.out.contains(&id), "{}", told.out);
        assert!(told.err.contains("sites.geojson was changed"), "{}", told.err);
        let table = fs::read_to_string(copy.out().join("site-distances.csv")).unwrap();
        let row = table.lines().find(|l| l.starts_with(&format!("{id},"))).unwrap();
        assert!(row.contains(",NO,") && row.contains(named), "{row}");
        assert_eq!(fs::read(copy.out().join("sites.geojson")).unwrap(), moved);
    }
    // In the hole of the paddock nothing bars it.
    let copy = Copy::new();
    let [lon, lat] = lonlat(3000.0, 2000.0);
    copy.edit_site(2, |site| put(site, LonLat::new(lon, lat).unwrap()));
    assert!(!copy.audit().promises().contains("keep-out"));
}

#[test]
fn a_site_outside_the_area_or_at_a_barred_place_is_found() {
    for (x, y, promise) in [(7000.0, 0.0, "area"), (5600.0, 90.0, "never")] {
        let copy = Copy::new();
        let [lon, lat] = lonlat(x, y);
        copy.edit_site(0, |site| put(site, LonLat::new(lon, lat).unwrap()));
        let told = copy.audit();
        assert_eq!(told.status, 1);
        assert!(told.broken().contains(&(promise.into(), id(&copy.sites()[0]))), "{:?}", told.broken());
    }
}

#[test]
fn a_site_beside_another_or_beside_a_station_is_found() {
    let copy = Copy::new();
    let other = at(&copy.sites()[1]);
    let bearing = number(&copy.sites()[1], "/properties/bearing_deg");
    copy.edit_site(3, |site| put(site, destination(other, bearing, 400.0)));
    let told = copy.audit();
    assert_eq!(told.status, 1);
    let both = [1, 3].map(|k| ("spacing".to_string(), id(&copy.sites()[k])));
    assert!(both.iter().any(|b| told.broken().contains(b)), "{:?}", told.broken());
    let copy = Copy::new();
    let [lon, lat] = lonlat(700.0, 26.0);
    copy.edit_site(0, |site| put(site, LonLat::new(lon, lat).unwrap()));
    assert!(copy.audit().out.contains("station N1"));
}

/// Only what was changed is found: nothing else follows from these.
#[test]
fn what_a_site_says_of_itself_is_worked_out_anew() {
    type Change = fn(&mut Value);
    let changes: [(&str, &[&str], Change); 8] = [
        ("the other side", &["side"], |p| {
            p["side"] = json!(if p["side"] == "left" { "right" } else { "left" })
        }),
        ("no side", &["number"], |p| drop(p.as_object_mut().unwrap().remove("side"))),
        ("another offset", &["side"], |p| p["offset_m"] = json!(5.5)),
        ("a line that runs the other way", &["side"], |p| {
            p["side"] = json!(if p["side"] == "left" { "right" } else { "left" });
            p["bearing_deg"] = json!((number(p, "/bearing_deg") + 180.0) % 360.0);
        }),
        ("another neighbour", &["number"], |p| {
            p["nearest_site_m"] = json!(number(p, "/nearest_site_m") + 2.0);
        }),
        ("no neighbour", &["number"], |p| p["nearest_site_m"] = Value::Null),
        ("a farther keep-out", &["number"], |p| {
            p["keep_out"]["distance_m"] = json!(number(p, "/keep_out/distance_m") + 0.05);
        }),
        ("a lesser limit", &["number"], |p| p["keep_out"]["limit_m"] = json!(12.0)),
    ];
    for (what, wanted, change) in changes {
        let copy = Copy::new();
        copy.edit_site(1, |site| change(&mut site["properties"]));
        let told = copy.audit();
        assert_eq!(told.status, 1, "{what}");
        let wanted: BTreeSet<String> = wanted.iter().map(ToString::to_string).collect();
        assert_eq!(told.promises(), wanted, "{what}: {}", told.out);
        assert!(told.broken().iter().all(|(_, own)| *own == id(&copy.sites()[1])), "{what}");
    }
}

#[test]
fn ids_that_name_two_things_and_too_many_sites_are_found() {
    let copy = Copy::new();
    let first = copy.sites()[0]["properties"]["site_id"].clone();
    copy.edit_site(1, |site| site["properties"]["site_id"] = first);
    assert!(copy.audit().promises().contains("id"));
    let copy = Copy::new();
    copy.edit_site(1, |site| site["properties"]["site_id"] = json!("N1"));
    let told = copy.audit();
    assert_eq!(told.promises(), BTreeSet::from(["id".to_string()]), "{}", told.out);
    // One more site by hand, without a word but its place and id, next to the hut.
    let copy = Copy::new();
    copy.edit("sites.geojson", |sites| {
        sites.push(feature("Point", json!(lonlat(1500.0, 200.0)), json!({ "site_id": "MINE" })));
    });
    let told = copy.audit();
    assert!(told.broken().contains(&("keep-out".into(), "MINE".into())), "{:?}", told.broken());
    assert!(told.promises().contains("budget"));
}

#[test]
fn a_gap_that_is_called_closed_and_is_not_is_found() {
    let copy = Copy::new();
    let connectors = |e: &Value| e["properties"]["connector"] == true;
    copy.edit("network.geojson", |edges| {
        let before = edges.len();
        edges.retain(|e| !connectors(e));
        assert!(edges.len() < before, "the property has no connector");
    });
    let told = copy.audit();
    assert_eq!(told.status, 1);
    assert!(told.promises().contains("gap"), "{}", told.out);
    // An edge that names a node which lies elsewhere joins nothing.
    let copy = Copy::new();
    copy.edit("network.geojson", |edges| {
        let edge = edges.iter_mut().find(|e| connectors(e)).unwrap();
        edge["properties"]["from_node"] = edge["properties"]["to_node"].clone();
    });
    assert!(copy.audit().promises().contains("gap"));
    // The gap is bridged, and what the bridge leads to is cut off from the other line.
    let copy = Copy::new();
    let feet = read_json(&copy.out().join("near-misses.geojson"))["features"].clone();
    let foot = at_end(&feet[0]);
    copy.edit("network.geojson", |edges| {
        for (name, ends) in [("from_node", true), ("to_node", false)] {
            for edge in edges.iter_mut().filter(|e| !connectors(e)) {
                let path = edge["geometry"]["coordinates"].as_array().unwrap();
                let end = if ends { path.first() } else { path.last() };
                if distance_m(position(end.unwrap()), foot) < 0.05 {
                    edge["properties"][name] = json!(format!("cut-off-{name}"));
                }
            }
        }
    });
    assert!(copy.audit().promises().contains("gap"));
    let copy = Copy::new();
    copy.edit("network.geojson", |edges| {
        edges[0]["properties"]["length_m"] = json!(number(&edges[0], "/properties/length_m") + 1.0);
    });
    assert_eq!(copy.audit().promises(), BTreeSet::from(["number".to_string()]));
}

#[test]
fn inputs_that_changed_since_the_run_are_said_and_audited_as_they_are() {
    let copy = Copy::new();
    let new_hut = destination(at(&copy.sites()[0]), 45.0, 120.0);
    let path = copy.room.path().join("keep-outs.geojson");
    let mut layer = read_json(&path);
    let hut = feature(
        "Point",
        json!([new_hut.lon_deg(), new_hut.lat_deg()]),
        json!({ "name": "new hut", "reason": "dwelling", "distance_m": 200 }),
    );
    layer["features"].as_array_mut().unwrap().push(hut);
    fs::write(&path, layer.to_string()).unwrap();
    let told = copy.audit();
    assert_eq!(told.status, 1);
    assert!(told.err.contains("keep-outs.geojson (keep_out) has changed since the run"), "{}", told.err);
    assert!(told.out.contains("new hut"), "{}", told.out);
    assert!(told.broken().contains(&("keep-out".into(), id(&copy.sites()[0]))));
}

#[test]
fn another_plan_further_layers_and_another_folder_can_be_given() {
    let copy = Copy::new();
    let beside = destination(at(&copy.sites()[0]), 200.0, 300.0);
    let well = feature("Point", json!([beside.lon_deg(), beside.lat_deg()]), json!({ "name": "well" }));
    write(copy.room.path(), "wells.geojson", &[well]);
    let files = |folder: &Path| {
        let mut all: Vec<(String, Vec<u8>)> = fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap())
            .map(|e| (e.file_name().into_string().unwrap(), fs::read(e.path()).unwrap()))
            .collect();
        all.sort();
        all
    };
    let before = files(&copy.out());
    let arguments = ["plan.toml", "--keep-out", "310=wells.geojson", "--out", "audited"];
    let told = copy.audit_with(&arguments, "audited");
    assert_eq!(told.status, 1, "{}{}", told.out, told.err);
    assert!(told.out.contains("well"), "{}", told.out);
    assert!(files(&copy.out()) == before, "the folder that was audited was changed");
    assert_whole(&copy.room.path().join("audited"), &[]);
    let (status, _, err) = said(stakeline().current_dir(copy.room.path()).args(["audit", "."]));
    assert_eq!(status, 1);
    assert!(err.contains("settings.toml"), "{err}");
}

#[test]
fn a_broken_set_is_never_put_in_its_place() {
    let room = tempfile::tempdir().unwrap();
    property(room.path());
    let file = room.path().join("plan.toml");
    let plan = Plan::parse(&file, PLAN).unwrap();
    let desk = steps::load(&plan, &Silent).unwrap();
    let out = room.path().join("out");
    for tampered in [false, true] {
        let mut set = OutputSet::begin(&out, false).unwrap();
        steps::sites(&desk, &mut set, None, None).unwrap();
        if tampered {
            // As if the planner had put a site on the hut.
            let mut sites = read_json(&set.staging().join("sites.geojson"));
            sites["features"][0]["geometry"]["coordinates"] = json!(lonlat(1500.0, 300.0));
            set.write("sites.geojson", |out| std::io::Write::write_all(out, sites.to_string().as_bytes()))
                .unwrap();
        }
        match (tampered, steps::commit(&desk, set)) {
            (false, Ok(written)) => {
                assert!(written.files.iter().any(|f| f.ends_with("site-distances.csv")));
                fs::remove_dir_all(&out).unwrap();
            }
            (true, Err(StepError::Broken(breaches))) => {
                let said = StepError::Broken(breaches).to_string();
                for part in
                    ["sites.geojson: feature 1", "hut", "fault in the program", "report it", "--never"]
                {
                    assert!(said.contains(part), "{part} not in {said}");
                }
            }
            (_, other) => panic!("{tampered}: {other:?}"),
        }
    }
    assert!(!out.exists());
    let left: Vec<_> = fs::read_dir(room.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(left.iter().all(|name| !name.to_string_lossy().starts_with('.')), "{left:?}");
}
