//! Inputs that keep people safe are used whole or stop the run, flags add to a plan, and what
//! lies in the wrong place is found: by running the program on a small invented property.

mod support;

use std::fs;
use std::path::PathBuf;

use serde_json::{Value, json};
use support::{json as read_json, said, stakeline};
use tempfile::TempDir;

/// The south-western corner of the property, and its size in degrees.
const WEST: f64 = 148.77;
const SOUTH: f64 = -36.22;
const SIZE: f64 = 0.05;

/// A property of 4.5 by 5.5 km with two tracks, sign along them, an area and a keep-out.
struct Property {
    room: TempDir,
}

/// What a run said.
struct Said {
    status: i32,
    out: String,
    err: String,
}

impl Said {
    /// The run stopped with status 1 and said all of this.
    #[track_caller]
    fn refused(&self, parts: &[&str]) {
        assert_eq!(self.status, 1, "{}\n{}", self.out, self.err);
        self.says(parts);
    }

    /// The run was done, and said all of this.
    #[track_caller]
    fn done(&self, parts: &[&str]) {
        assert_eq!(self.status, 0, "{}\n{}", self.out, self.err);
        self.says(parts);
    }

    #[track_caller]
    fn says(&self, parts: &[&str]) {
        for part in parts {
            assert!(
                self.err.contains(part) || self.out.contains(part),
                "\"{part}\" is not in:\n{}\n{}",
                self.out,
                self.err
            );
        }
    }
}

fn at(east: f64, north: f64) -> Value {
    json!([WEST + SIZE * east, SOUTH + SIZE * north])
}

fn feature(kind: &str, coordinates: Value, properties: Value) -> Value {
    json!({ "type": "Feature", "properties": properties, "geometry": { "type": kind, "coordinates": coordinates } })
}

fn square(east: f64, north: f64, half: f64) -> Value {
    json!([
        at(east - half, north - half),
        at(east + half, north - half),
        at(east + half, north + half),
        at(east - half, north + half),
        at(east - half, north - half)
    ])
}

/// Scats along the tracks.
fn sign() -> Vec<Value> {
    (0..40)
        .map(|k| {
            let along = f64::from(k) / 40.0;
            let place = if k % 2 == 0 { at(along, 0.5) } else { at(0.5, along) };
            let day = format!("2026-0{}-1{}", 1 + k % 6, k % 9);
            feature("Point", place, json!({ "sign": "scat", "animal": "dog", "date": day }))
        })
        .collect()
}

impl Property {
    fn new() -> Self {
        let property = Self { room: tempfile::tempdir().unwrap() };
        let way = |from: (f64, f64), to: (f64, f64)| -> Value {
            let between = |t: f64| at(from.0 + (to.0 - from.0) * t, from.1 + (to.1 - from.1) * t);
            (0..=20).map(|k| between(f64::from(k) / 20.0)).collect()
        };
        property.file("sign.geojson", &sign());
        property.file(
            "tracks.geojson",
            &[
                feature("LineString", way((0.0, 0.5), (1.0, 0.5)), json!({ "name": "east" })),
                feature("LineString", way((0.5, 0.0), (0.5, 1.0)), json!({ "name": "north" })),
            ],
        );
        property.file("area.geojson", &[feature("Polygon", json!([square(0.5, 0.5, 0.6)]), json!({}))]);
        property.file(
            "keep.geojson",
            &[feature("Point", at(0.2, 0.5), json!({ "distance_m": 300, "name": "house" }))],
        );
        property.plan("");
        property
    }

    /// The usual plan with more at its head.
    fn plan(&self, more: &str) {
        self.text(
            "plan.toml",
            &format!(
                "{more}\n[place]\narea = \"area.geojson\"\n[[sign]]\nfile = \"sign.geojson\"\n\
                 [[line]]\nkind = \"track\"\nfile = \"tracks.geojson\"\n[[keep_out]]\nfile = \"keep.geojson\"\n\
                 [surface]\nbandwidth = 300\n[sites]\nspacing_m = 700\nweightings = 0\n"
            ),
        );
    }

    fn text(&self, name: &str, content: &str) -> PathBuf {
        let path = self.room.path().join(name);
        fs::write(&path, content).unwrap();
        path
    }

    fn file(&self, name: &str, features: &[Value]) {
        self.text(name, &json!({ "type": "FeatureCollection", "features": features }).to_string());
    }

    /// Runs a command on the plan, in the folder of the property.
    fn run(&self, command: &str, flags: &[&str]) -> Said {
        self.run_on("plan.toml", command, flags)
    }

    fn run_on(&self, plan: &str, command: &str, flags: &[&str]) -> Said {
        let mut run = stakeline();
        run.current_dir(self.room.path()).arg(command).arg(plan).args(flags);
        if command != "inspect" {
            run.args(["--out", "out", "--force"]);
        }
        let (status, out, err) = said(&mut run);
        Said { status, out, err }
    }

    /// Names of the input files that a run read for a role.
    fn read(&self, role: &str) -> Vec<String> {
        let summary = read_json(&self.room.path().join("out/sites.geojson"));
        let inputs = summary.pointer("/provenance/inputs").or_else(|| summary.pointer("/stakeline/inputs"));
        let inputs = inputs
            .and_then(Value::as_array)
            .unwrap_or_else(|| panic!("{:?}", summary.as_object().unwrap().keys()));
        inputs
            .iter()
            .filter(|input| input["role"] == role)
            .map(|input| input["file"].as_str().unwrap().to_string())
            .collect()
    }
}

#[test]
fn files_of_flags_are_added_to_those_of_the_plan() {
    let property = Property::new();
    property.file("more.geojson", &[feature("Point", at(0.5, 0.8), json!({}))]);
    property.run("sites", &["--keep-out", "250=more.geojson"]).done(&[]);
    assert_eq!(property.read("keep_out"), ["keep.geojson", "more.geojson"]);
    // The settings that the run wrote reproduce it.
    let first = fs::read(property.room.path().join("out/sites.geojson")).unwrap();
    fs::copy(property.room.path().join("out/settings.toml"), property.room.path().join("again.toml"))
        .unwrap();
    property.run_on("again.toml", "sites", &[]).done(&[]);
    assert_eq!(fs::read(property.room.path().join("out/sites.geojson")).unwrap(), first);
    property.run("sites", &["--keep-out", "250=more.geojson", "--replace", "keep-out"]).done(&[]);
    assert_eq!(property.read("keep_out"), ["more.geojson"]);
    property.run("sites", &["--sign", "./sign.geojson", "--line", "track=tracks.geojson"]).done(&[]);
    assert_eq!(property.read("sign"), ["sign.geojson"]);
    property
        .run("sites", &["--keep-out", "250=more.geojson", "--replace", "never"])
        .refused(&["--replace never"]);
}

#[test]
fn never_places_of_plan_and_flag_all_hold() {
    let property = Property::new();
    let text = fs::read_to_string(property.room.path().join("plan.toml")).unwrap();
    property.text("plan.toml", &format!("{text}never = \"a.geojson\"\n"));
    property.file("a.geojson", &[feature("Polygon", json!([square(0.1, 0.5, 0.1)]), json!({}))]);
    property.file("b.geojson", &[feature("Polygon", json!([square(0.9, 0.5, 0.1)]), json!({}))]);
    property.run("sites", &["--never", "b.geojson"]).done(&[]);
    assert_eq!(property.read("never"), ["a.geojson", "b.geojson"]);
}

#[test]
fn a_second_area_or_another_distance_of_one_file_is_refused() {
    let property = Property::new();
    property.file("other.geojson", &[feature("Polygon", json!([square(0.5, 0.5, 0.3)]), json!({}))]);
    property.run("sites", &["--area", "other.geojson"]).refused(&[
        "plan.toml",
        "other.geojson",
        "--replace area",
    ]);
    property.run("sites", &["--area", "other.geojson", "--replace", "area"]).done(&[]);
    assert_eq!(property.read("area"), ["other.geojson"]);
    property.run("sites", &["--area", "area.geojson"]).done(&[]);
}

/// Runs `sites` with one more feature in a layer.
fn with_feature(layer: &str, shape: Value, properties: Value) -> Said {
    let property = Property::new();
    let odd = json!({ "type": "Feature", "id": "k7", "properties": properties, "geometry": shape });
    let good = match layer {
        "area" => feature("Polygon", json!([square(0.5, 0.5, 0.6)]), json!({})),
        _ => feature("Point", at(0.2, 0.5), json!({ "distance_m": 300, "within_m": 300 })),
    };
    property.file("odd.geojson", &[good, odd]);
    match layer {
        "area" => property.run("sites", &["--area", "odd.geojson", "--replace", "area"]),
        "keep_out" => property.run("sites", &["--keep-out", "200=odd.geojson"]),
        _ => property.run("sites", &["--never", "odd.geojson"]),
    }
}

#[test]
fn what_keeps_people_safe_is_used_whole_or_stops_the_run() {
    let bow_tie = json!([at(0.1, 0.1), at(0.3, 0.3), at(0.3, 0.1), at(0.1, 0.3), at(0.1, 0.1)]);
    let shapes = [
        Value::Null,
        json!({ "type": "GeometryCollection", "geometries": [] }),
        json!({ "type": "Polygon", "coordinates": [bow_tie] }),
        json!({ "type": "Polygon", "coordinates": [[[0, 0], at(0.3, 0.3), at(0.3, 0.1), [0, 0]]] }),
        // The ring of a hole first, that of the outside after it.
        json!({ "type": "Polygon", "coordinates": [square(0.5, 0.5, 0.1), square(0.5, 0.5, 0.3)] }),
    ];
    for layer in ["keep_out", "never", "area"] {
        for shape in &shapes {
            with_feature(layer, shape.clone(), json!({ "within_m": 50 })).refused(&[
                "odd.geojson",
                "feature 2",
                "k7",
            ]);
        }
    }
    let point = json!({ "type": "Point", "coordinates": [0, 0] });
    for layer in ["keep_out", "never"] {
        with_feature(layer, point.clone(), json!({ "within_m": 50 }))
            .refused(&["feature 2", "without a fix"]);
    }
    let point = json!({ "type": "Point", "coordinates": at(0.5, 0.5) });
    with_feature("area", point, json!({})).refused(&["is a Point where a polygon is wanted"]);
}

#[test]
fn a_collection_of_polygons_is_an_area() {
    let property = Property::new();
    let polygon = |east| json!({ "type": "Polygon", "coordinates": [square(east, 0.5, 0.2)] });
    let collection = json!({ "type": "GeometryCollection", "geometries": [polygon(0.2), polygon(0.8)] });
    property.file("area.geojson", &[json!({ "type": "Feature", "properties": {}, "geometry": collection })]);
    property.run("inspect", &[]).done(&["area: 7"]);
}

#[test]
fn a_layer_without_a_feature_protects_nothing_and_is_refused() {
    for (name, flags) in
        [("keep.geojson", &[][..]), ("area.geojson", &[]), ("none.geojson", &["--never", "none.geojson"])]
    {
        let property = Property::new();
        property.file(name, &[]);
        property.run("sites", flags).refused(&[name, "protects nothing"]);
    }
}

#[test]
fn a_distance_that_is_less_than_it_may_mean_stops_the_run() {
    let house = || json!({ "type": "Point", "coordinates": at(0.8, 0.5) });
    let with = |properties| with_feature("keep_out", house(), properties);
    with(json!({ "distance_m": -5 })).refused(&["feature 2", "distance_m -5"]);
    with(json!({ "distance_m": "far" })).refused(&["feature 2", "distance_m \"far\""]);
    with(json!({ "distance_m": 0 })).refused(&["feature 2", "distance_m 0", "200"]);
    with(json!({ "Dist": 1500 })).refused(&["feature 2", "Dist", "[fields.keep_out]"]);
    with(json!({ "distance_m": 20 })).done(&[]);
    with(json!({ "buffer": 20 })).done(&[]);
}

#[test]
fn thousands_of_faults_of_one_cause_are_one_line() {
    let property = Property::new();
    let many: Vec<Value> = (0..1500).map(|_| feature("Point", at(0.2, 0.5), json!({}))).collect();
    property.file("keep.geojson", &many);
    let answer = property.run("sites", &[]);
    answer.refused(&["feature 1", "1499 more features"]);
    assert!(answer.err.lines().count() < 4, "{}", answer.err);
}

/// A house and a bore, moved by a slip.
fn keep_outs(slip: impl Fn(f64, f64) -> (f64, f64)) -> Vec<Value> {
    [(0.2, 0.5), (0.7, 0.6)]
        .map(|(east, north)| {
            let (lon, lat) = slip(WEST + SIZE * east, SOUTH + SIZE * north);
            feature("Point", json!([lon, lat]), json!({ "distance_m": 300 }))
        })
        .to_vec()
}

#[test]
fn a_keep_out_layer_of_another_place_is_refused_with_the_likely_slip() {
    for (slip, words) in [
        (keep_outs(|lon, lat| (lon, -lat)), "sign of its latitude"),
        (keep_outs(|lon, lat| (-lon, lat)), "sign of its longitude"),
        (keep_outs(|lon, lat| (lon - 6.0, lat)), "UTM zone were 1 farther east"),
        (keep_outs(|lon, lat| (lon / 10.0, lat)), "longitude ten times"),
        (keep_outs(|lon, lat| (lon, lat + 90.0)), "other hemisphere"),
        (keep_outs(|lon, lat| (lon + 11.0, lat - 3.0)), "far from the rest"),
    ] {
        let property = Property::new();
        property.file("keep.geojson", &slip);
        for command in ["sites", "run", "nodes", "surface"] {
            property.run(command, &[]).refused(&["keep.geojson", "far from the rest", words, "far_apart"]);
        }
        property.run("inspect", &[]).done(&["keep-out", words, "a run would stop here"]);
    }
}

#[test]
fn one_keep_out_in_the_other_hemisphere_is_refused_and_a_district_is_not() {
    let property = Property::new();
    let mut layer = keep_outs(|lon, lat| (lon, lat));
    // Neighbours all over a district, each within reach of the next.
    layer.extend((1..40).map(|k| feature("Point", at(f64::from(k * 6), 0.5), json!({ "distance_m": 300 }))));
    property.file("keep.geojson", &layer);
    property.run("sites", &[]).done(&[]);
    layer.push(feature("Point", json!([WEST, -SOUTH]), json!({ "distance_m": 300 })));
    property.file("keep.geojson", &layer);
    property.run("sites", &[]).refused(&["keep.geojson: feature 42", "sign of its latitude"]);
    property.plan("");
    let text = fs::read_to_string(property.room.path().join("plan.toml")).unwrap();
    property.text("plan.toml", &text.replace("[place]", "[place]\nfar_apart = true"));
    property.run("sites", &[]).done(&[]);
}

#[test]
fn a_stray_vertex_of_a_line_or_a_keep_out_is_refused() {
    let way = |stray: Value| json!([at(0.0, 0.2), at(0.1, 0.2), stray, at(0.3, 0.2), at(0.4, 0.2)]);
    for stray in [json!([WEST, -SOUTH]), json!([WEST + 1.0, SOUTH]), json!([-WEST, SOUTH])] {
        let property = Property::new();
        property.file("fence.geojson", &[feature("LineString", way(stray.clone()), json!({}))]);
        for flags in [["--line", "fence=fence.geojson"], ["--keep-out", "50=fence.geojson"]] {
            property.run("sites", &flags).refused(&["fence.geojson: feature 1", "vertex 3"]);
        }
    }
    let property = Property::new();
    property.file("fence.geojson", &[feature("LineString", way(at(0.2, 0.2)), json!({}))]);
    property.run("sites", &["--line", "fence=fence.geojson"]).done(&[]);
}

#[test]
fn a_station_or_an_area_far_from_the_rest_is_refused() {
    let property = Property::new();
    let station =
        |place: Value, id: &str| feature("Point", place, json!({ "station_id": id, "state": "set" }));
    property.file("s.geojson", &[station(at(0.3, 0.5), "A"), station(json!([WEST + 1.0, SOUTH]), "B")]);
    property.run("sites", &["--stations", "s.geojson"]).refused(&["s.geojson: feature 2", "lies 8"]);
    let property = Property::new();
    let square = |lat: f64| json!([[[148.7, lat], [148.9, lat], [148.9, lat + 0.1], [148.7, lat]]]);
    property.file("area.geojson", &[feature("Polygon", square(36.2), json!({}))]);
    property.run("sites", &[]).refused(&["area.geojson", "sign of its latitude"]);
}

#[test]
fn a_record_far_from_everything_is_named_and_not_used() {
    let surface = |property: &Property, flags: &[&str]| {
        let answer = property.run("surface", flags);
        answer.done(&[]);
        (answer, read_json(&property.room.path().join("out/activity.json")))
    };
    let property = Property::new();
    let without = surface(&property, &[]).1;
    assert_eq!(without["records_set_aside"], 0);
    for (lon, lat) in [(WEST + 1.0, SOUTH), (WEST, SOUTH - 0.3), (-WEST, SOUTH), (WEST, -SOUTH)] {
        let mut records = sign();
        records.push(feature("Point", json!([lon, lat]), json!({ "sign": "scat", "animal": "dog" })));
        property.file("sign.geojson", &records);
        let (answer, with) = surface(&property, &[]);
        answer.says(&["sign.geojson: feature 41", "not used", "far_records"]);
        assert_eq!(with["records_set_aside"], 1);
        assert_eq!((&with["records"], &with["bandwidth_m"]), (&without["records"], &without["bandwidth_m"]));
        property.run("inspect", &[]).done(&["1 record far from everything else"]);
    }
    let text = fs::read_to_string(property.room.path().join("plan.toml")).unwrap();
    property.text("plan.toml", &format!("[select]\nfar_records = true\n{text}"));
    let mut records = sign();
    records.push(feature("Point", json!([WEST + 0.4, SOUTH]), json!({ "sign": "scat" })));
    property.file("sign.geojson", &records);
    let (answer, with) = surface(&property, &[]);
    answer.says(&["feature 41", "used all the same"]);
    assert_eq!(with["records_set_aside"], 0);
}

#[test]
fn half_of_the_sign_in_the_other_hemisphere_is_refused() {
    let property = Property::new();
    let half: Vec<Value> = sign()
        .into_iter()
        .enumerate()
        .map(|(k, mut record)| {
            let lat = record["geometry"]["coordinates"][1].as_f64().unwrap();
            if k % 2 == 0 {
                record["geometry"]["coordinates"][1] = json!(-lat);
            }
            record
        })
        .collect();
    property.file("sign.geojson", &half);
    property.run("sites", &[]).refused(&["20 of 40 records", "sign of its latitude"]);
}

#[test]
fn sign_on_neighbouring_land_and_along_a_road_out_is_used() {
    let property = Property::new();
    let mut records = sign();
    records.extend(
        (1..8).map(|k| feature("Point", at(1.0 + 0.3 * f64::from(k), 0.5), json!({ "sign": "scat" }))),
    );
    property.file("sign.geojson", &records);
    property.run("surface", &[]).done(&[]);
    assert_eq!(read_json(&property.room.path().join("out/activity.json"))["records_set_aside"], 0);
}

#[test]
fn a_choice_that_leaves_no_record_proposes_nothing_and_names_what_removed_them() {
    let property = Property::new();
    let stations = [feature("Point", at(0.3, 0.5), json!({ "station_id": "K1", "state": "set" }))];
    property.file("stations.geojson", &stations);
    for command in ["sites", "run"] {
        let said = property.run(command, &["--stations", "stations.geojson", "--from", "2027-01-01"]);
        said.refused(&[
            "sign.geojson: none of the 40 records",
            "40 records before the first day",
            "from 2027-01-01",
        ]);
        assert!(!said.out.contains("K1") && !property.room.path().join("out").exists(), "{}", said.out);
        property
            .run(command, &["--to", "2025-06-30"])
            .refused(&["after the last day (chosen: to 2025-06-30)"]);
        property
            .run(command, &["--animal", "fox"])
            .refused(&["40 records of another animal (chosen: animals fox)"]);
    }
    property.plan(
        "[select]\nperiod = \"spring\"\n[periods.spring.dates]\ndog = { from = \"09-01\", to = \"11-30\" }\n",
    );
    property
        .run("sites", &[])
        .refused(&["40 records of another time of the year (chosen: period \"spring\")"]);
    // One record is enough, and sign that was never given is not missed.
    property.plan("");
    property.run("sites", &["--from", "2026-06-10"]).done(&[]);
    let plan = fs::read_to_string(property.room.path().join("plan.toml")).unwrap();
    property.text("lines.toml", &plan.replace("[[sign]]\nfile = \"sign.geojson\"\n", ""));
    property.run_on("lines.toml", "sites", &[]).done(&[]);
}

#[test]
fn every_name_that_the_plan_maps_is_known_and_its_column_is_there() {
    let property = Property::new();
    let with = |fields: &str| {
        property.plan("");
        let plan = fs::read_to_string(property.room.path().join("plan.toml")).unwrap();
        property.text("plan.toml", &format!("{plan}{fields}"));
        property.run("sites", &[])
    };
    // Both slips at once: a layer and a property that are not known.
    with("[fields.sign]\ncuont = \"N\"\n[fields.keepout]\ndistance_m = \"D\"\n").refused(&[
        "[fields.sign]: \"cuont\" is not read",
        "did you mean \"count\"?",
        "there is no layer \"keepout\"",
        "did you mean \"keep_out\"?",
    ]);
    with("[fields.keep_out]\ndistnace = \"distance_m\"\n").refused(&["did you mean \"distance_m\"?"]);
    with("[fields.sign]\ncount = \"N\"\n").refused(&["count = \"N\"", "it has animal, date, sign"]);
    with("[fields.wombats]\nname = \"N\"\n").refused(&["known are check, keep_out, line"]);
    // A column that one feature has is enough; a layer that is not read is not held.
    let mut records = sign();
    records[7]["properties"]["N"] = json!(3);
    property.file("sign.geojson", &records);
    with("[fields.sign]\ncount = \"N\"\n[fields.check]\ndate = \"day\"\n").done(&[]);
}
