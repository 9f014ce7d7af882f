//! The files that `nodes` writes, on a small invented property whose network is known: each
//! promise is worked out again from the written files.

mod support;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;

use serde_json::{Value, json};
use stakeline::frame::{Frame, GroundPoint, LonLat, distance_m};
use support::{json as read_json, number, said, stakeline};
use tempfile::TempDir;

/// A corner of the country, in metres of EPSG:32755, on the central meridian: true north is up.
const WEST_M: f64 = 500_000.0;
const SOUTH_M: f64 = 6_100_000.0;

type Way = [(f64, f64)];

/// A main track; a spur; a track that stops 3 m short of it, one that stops 9 m short, one that
/// runs 2 m past it; a boundary along part of it; a fence with a gate, a creek and a bridge
/// across it.
const LINES: [(&str, &str, bool, &Way); 9] = [
    ("Main", "track", false, &[(0.0, 0.0), (2000.0, 0.0)]),
    ("Edge", "boundary", false, &[(200.0, 0.0), (800.0, 0.0)]),
    ("Over", "track", false, &[(250.0, 400.0), (250.0, -2.0)]),
    ("Fence", "fence", false, &[(700.0, -300.0), (700.0, 300.0)]),
    ("Short", "track", false, &[(900.0, 3.0), (900.0, 400.0)]),
    ("Spur", "track", false, &[(1000.0, 0.0), (1000.0, 800.0)]),
    ("Bridge", "track", true, &[(1200.0, -200.0), (1200.0, 200.0)]),
    ("Far", "track", false, &[(1500.0, 9.0), (1500.0, 300.0)]),
    ("Creek", "creek", false, &[(1800.0, -200.0), (1800.0, 200.0)]),
];

struct Property {
    room: TempDir,
    frame: Frame,
}

/// What a run of `nodes` wrote.
struct Written {
    folder: PathBuf,
    frame: Frame,
}

impl Property {
    fn new() -> Self {
        let frame = Frame::from_epsg(32755).unwrap();
        let property = Self { room: tempfile::tempdir().unwrap(), frame };
        let mut lines: Vec<Value> = LINES
            .iter()
            .map(|(name, kind, bridge, way)| {
                let way: Vec<Value> = way.iter().map(|&at| property.lonlat(at)).collect();
                json!({
                    "type": "Feature",
                    "geometry": { "type": "LineString", "coordinates": way },
                    "properties": { "name": name, "kind": kind, "bridge": bridge },
                })
            })
            .collect();
        lines.push(property.point((700.0, 0.5), json!({ "kind": "gate" })));
        property.file("lines.geojson", &lines);
        let scat = json!({ "sign": "scat", "animal": "dog", "date": "2025-03-10" });
        let sign = [property.point((1000.0, 200.0), scat.clone()), property.point((1000.0, 210.0), scat)];
        property.file("sign.geojson", &sign);
        property
    }

    fn lonlat(&self, (x, y): (f64, f64)) -> Value {
        let at = self.frame.to_lonlat(GroundPoint::new(WEST_M + x, SOUTH_M + y)).unwrap();
        json!([at.lon_deg(), at.lat_deg()])
    }

    fn point(&self, at: (f64, f64), properties: Value) -> Value {
        let geometry = json!({ "type": "Point", "coordinates": self.lonlat(at) });
        json!({ "type": "Feature", "geometry": geometry, "properties": properties })
    }

    fn file(&self, name: &str, features: &[Value]) {
        let text = json!({ "type": "FeatureCollection", "features": features }).to_string();
        fs::write(self.room.path().join(name), text).unwrap();
    }

    /// Runs `nodes` with a `[nodes]` table and some flags: status and what it said.
    fn run(&self, table: &str, flags: &[&str], out: &str) -> (i32, String) {
        let plan = format!(
            "[place]\nepsg = 32755\n[[line]]\nkind = \"track\"\nfile = \"lines.geojson\"\n\
             [[sign]]\nfile = \"sign.geojson\"\n[nodes]\n{table}\n"
        );
        fs::write(self.room.path().join("plan.toml"), plan).unwrap();
        let mut run = stakeline();
        run.current_dir(self.room.path()).args(["nodes", "plan.toml", "--out", out]).args(flags);
        let (status, _, err) = said(&mut run);
        (status, err)
    }

    fn written(&self, table: &str, flags: &[&str], out: &str) -> Written {
        let (status, err) = self.run(table, flags, out);
        assert_eq!(status, 0, "{err}");
        Written { folder: self.room.path().join(out), frame: Frame::from_epsg(32755).unwrap() }
    }
}

impl Written {
    fn features(&self, name: &str) -> Vec<Value> {
        read_json(&self.folder.join(name))["features"].as_array().unwrap().clone()
    }

    fn summary(&self) -> Value {
        read_json(&self.folder.join("nodes.json"))
    }

    /// Metres east and north of the corner.
    fn metres(&self, position: &Value) -> (f64, f64) {
        let at = LonLat::new(position[0].as_f64().unwrap(), position[1].as_f64().unwrap()).unwrap();
        let p = self.frame.to_ground(at).unwrap();
        (p.x_m - WEST_M, p.y_m - SOUTH_M)
    }

    /// The node within 2 cm of a place.
    fn node_at(&self, x: f64, y: f64) -> Value {
        let near = |n: &Value| {
            let (p, q) = self.metres(&n["geometry"]["coordinates"]);
            (p - x).hypot(q - y) < 0.02
        };
        let nodes = self.features("nodes.geojson");
        nodes.into_iter().find(near).unwrap_or_else(|| panic!("no node at {x}, {y}"))["properties"].clone()
    }
}

fn words(value: &Value) -> Vec<&str> {
    value.as_array().unwrap().iter().map(|v| v.as_str().unwrap()).collect()
}

#[test]
fn edges_run_from_node_to_node_and_keep_kinds_and_names() {
    let property = Property::new();
    let written = property.written("", &[], "out");
    let nodes = written.features("nodes.geojson");
    let place: BTreeMap<&str, (f64, f64)> = nodes
        .iter()
        .map(|n| {
            (n["properties"]["node_id"].as_str().unwrap(), written.metres(&n["geometry"]["coordinates"]))
        })
        .collect();
    assert_eq!(place.len(), nodes.len(), "node ids are distinct");
    let mut degree: BTreeMap<String, u64> = BTreeMap::new();
    let mut lengths: BTreeMap<String, f64> = BTreeMap::new();
    let edges = written.features("network.geojson");
    for edge in &edges {
        let p = &edge["properties"];
        assert_eq!(edge["id"], p["edge_id"]);
        let path: Vec<(f64, f64)> =
            edge["geometry"]["coordinates"].as_array().unwrap().iter().map(|c| written.metres(c)).collect();
        for (end, at) in [("from_node", path[0]), ("to_node", path[path.len() - 1])] {
            let id = p[end].as_str().unwrap();
            let node = place[id];
            assert!((node.0 - at.0).hypot(node.1 - at.1) < 0.02, "{end} of {}", p["edge_id"]);
            *degree.entry(id.to_string()).or_default() += 1;
        }
        let length_m: f64 = path.windows(2).map(|w| (w[1].0 - w[0].0).hypot(w[1].1 - w[0].1)).sum();
        assert!((length_m - number(p, "/length_m")).abs() < 0.03, "{}: {length_m} m", p["edge_id"]);
        let name = p["name"].as_str().unwrap_or(if p["connector"] == true { "connector" } else { "" });
        *lengths.entry(name.to_string()).or_default() += length_m;
        if words(&p["names"]).contains(&"Edge") {
            assert_eq!(words(&p["names"]), ["Main", "Edge"], "coincident pieces keep all names");
            assert_eq!(words(&p["kinds"]), ["track", "boundary"]);
            assert_eq!(p["kind"], "track");
        }
    }
    let named: BTreeSet<&str> = degree.keys().map(String::as_str).collect();
    assert_eq!(named, place.keys().copied().collect(), "the nodes are those that edges name");
    for node in &nodes {
        let p = &node["properties"];
        assert_eq!(p["degree"], degree[p["node_id"].as_str().unwrap()], "{}", p["node_id"]);
        let (ways, bearings) = (p["ways"].as_u64().unwrap(), p["bearings_deg"].as_array().unwrap());
        assert_eq!(ways as usize, bearings.len());
    }
    // Main is cut where something meets it; the tail of 2 m is gone, the bridge is whole.
    let wanted = [("Main", 2000.0), ("Over", 400.0), ("connector", 3.0), ("Bridge", 400.0), ("Fence", 600.0)];
    for (name, length_m) in wanted {
        assert!((lengths[name] - length_m).abs() < 0.05, "{name}: {} m", lengths[name]);
    }
    let edges_of = |name: &str| edges.iter().filter(|e| e["properties"]["name"] == name).count();
    let counts = ["Main", "Over", "Short", "Far", "Spur", "Fence", "Creek", "Bridge"].map(edges_of);
    assert_eq!(counts, [8, 1, 1, 1, 1, 2, 2, 1]);
}

#[test]
fn near_misses_are_listed_with_their_gaps() {
    let property = Property::new();
    let written = property.written("", &[], "out");
    let found: Vec<(String, String, bool, f64, f64)> = written
        .features("near-misses.geojson")
        .iter()
        .map(|miss| {
            let p = &miss["properties"];
            let ends: Vec<(f64, f64)> = miss["geometry"]["coordinates"]
                .as_array()
                .unwrap()
                .iter()
                .map(|c| written.metres(c))
                .collect();
            let text = |key: &str| p[key].as_str().unwrap().to_string();
            let drawn_m = (ends[1].0 - ends[0].0).hypot(ends[1].1 - ends[0].1);
            (text("line"), text("near_miss"), p["closed"] == true, number(p, "/gap_m"), drawn_m)
        })
        .collect();
    let told = |name: &str| found.iter().find(|f| f.0 == name).unwrap();
    assert_eq!(found.len(), 3, "{found:?}");
    for (name, kind, closed, gap_m) in
        [("Short", "gap", true, 3.0), ("Far", "gap", false, 9.0), ("Over", "overshoot", true, 2.0)]
    {
        let miss = told(name);
        assert_eq!((miss.1.as_str(), miss.2), (kind, closed), "{name}");
        assert!((miss.3 - gap_m).abs() < 0.002 && (miss.4 - gap_m).abs() < 0.03, "{miss:?}");
    }
}

#[test]
fn nodes_say_what_meets_there_and_how_much_converges() {
    let property = Property::new();
    let written = property.written("", &[], "out");
    let kinds = [
        ((0.0, 0.0), "end", 1, 1),
        ((250.0, 0.0), "junction", 3, 3),
        // The gate lets the fence's sides in.
        ((700.0, 0.0), "junction", 4, 4),
        ((800.0, 0.0), "join", 2, 2),
        ((900.0, 3.0), "near-miss", 2, 3),
        ((1000.0, 0.0), "junction", 3, 3),
        ((1500.0, 9.0), "near-miss", 1, 1),
        ((1800.0, 0.0), "crossing", 4, 2),
    ];
    for ((x, y), kind, degree, ways) in kinds {
        let node = written.node_at(x, y);
        assert_eq!((&node["node_kind"], &node["degree"]), (&json!(kind), &json!(degree)), "{x}, {y}");
        assert_eq!(node["ways"], ways, "{x}, {y}");
        assert_eq!(node["gate"], x == 700.0);
    }
    let spur = written.node_at(1000.0, 0.0);
    for (found, wanted) in spur["bearings_deg"].as_array().unwrap().iter().zip([0.0, 90.0, 270.0]) {
        let off = (found.as_f64().unwrap() - wanted + 180.0).rem_euclid(360.0) - 180.0;
        assert!(off.abs() < 0.2, "{}", spur["bearings_deg"]);
    }
    // Three ways; one kind; two fresh scats along one way of the three.
    let parts = &spur["convergence_parts"];
    let wanted = [("/ways", 1.0 / 3.0), ("/variety", 0.0), ("/sign", 2.0 / 3.0 / 3.0)];
    wanted.iter().for_each(|(part, v)| assert!((number(parts, part) - v).abs() < 1e-4, "{part}: {parts}"));
    let score = 0.5 * wanted[0].1 + 0.3 * wanted[2].1;
    assert!((number(&spur, "/convergence") - score).abs() < 2e-4, "{}", spur["convergence"]);
}

#[test]
fn the_summary_adds_up() {
    let property = Property::new();
    let written = property.written("", &[], "out");
    let summary = written.summary();
    let (nodes, edges) = (written.features("nodes.geojson"), written.features("network.geojson"));
    assert_eq!(summary["lines"], LINES.len());
    assert_eq!((&summary["nodes"], &summary["edges"]), (&json!(nodes.len()), &json!(edges.len())));
    // Main is crossed by Over, Fence and Creek, and passed over by Bridge.
    assert_eq!((&summary["crossings"], &summary["passes_at_other_level"]), (&json!(4), &json!(1)));
    // Only Far touches nothing; the bridge touches in plan but carries no way down.
    assert_eq!((&summary["components"], &summary["travel_components"]), (&json!(2), &json!(3)));
    let near = &summary["near_misses"];
    let counts = ["gaps_closed", "gaps_not_closed", "overshoots_cut"].map(|key| near[key].as_u64().unwrap());
    assert_eq!(counts, [1, 1, 1]);
    assert!((number(near, "/cut_m") - 2.0).abs() < 0.01);
    assert_eq!(summary["merged_passes"], 0);
    let noded_m: f64 = edges.iter().map(|e| number(e, "/properties/length_m")).sum();
    assert!((number(&summary, "/noded_length_km") * 1000.0 - noded_m).abs() < 0.1);
    let place = |at: (f64, f64)| {
        let c = property.lonlat(at);
        LonLat::new(c[0].as_f64().unwrap(), c[1].as_f64().unwrap()).unwrap()
    };
    let ends = |way: &Way| distance_m(place(way[0]), place(way[1]));
    let length_m: f64 = LINES.iter().map(|line| ends(line.3)).sum();
    assert!((number(&summary, "/length_km") * 1000.0 - length_m).abs() < 0.01, "geodesic, before noding");
    let mut histogram: BTreeMap<String, u64> = BTreeMap::new();
    for node in &nodes {
        *histogram.entry(node["properties"]["degree"].to_string()).or_default() += 1;
    }
    assert_eq!(summary["degree_histogram"], json!(histogram));
}

#[test]
fn the_plan_says_what_carries_travel() {
    let property = Property::new();
    let written = property.written("travel = [\"track\", \"creek\"]", &[], "out");
    assert_eq!(words(&written.summary()["travel"]), ["track", "creek"]);
    let node = written.node_at(1800.0, 0.0);
    assert_eq!((&node["node_kind"], &node["ways"]), (&json!("junction"), &json!(4)));
    let (status, err) = property.run("travel = [\"corridor\"]", &[], "other");
    assert_eq!(status, 2, "{err}");
    assert!(err.contains("nodes.travel") && err.contains("\"corridor\""), "{err}");
}

#[test]
fn the_plan_weighs_convergence_for_each_animal() {
    let property = Property::new();
    let table = "[nodes.convergence.dog]\nways = 1\nvariety = 0\nsign = 0\nfull_ways = 3\n\
                 [nodes.convergence.any]\nways = 0\nvariety = 1\nsign = 0\nkinds = { fence = 1 }";
    let dog = property.written(table, &["--animal", "dog"], "dog");
    assert_eq!(dog.node_at(1000.0, 0.0)["convergence"], 1.0, "three ways count in full");
    // Half of what fence (1) and boundary (0.5) bring beyond the best.
    let any = property.written(table, &[], "any");
    assert_eq!(any.node_at(700.0, 0.0)["convergence"], 0.75);
    assert_eq!(any.node_at(1000.0, 0.0)["convergence"], 0.0, "one kind alone");
    let reach = "[nodes.convergence.dog]\nways = 0\nvariety = 0\nsign = 1\nsign_reach_m = 205";
    let dog = property.written(reach, &["--animal", "dog"], "reach");
    let sign = number(&dog.node_at(1000.0, 0.0), "/convergence");
    assert!((sign - 0.5 / 3.0).abs() < 1e-4, "one of two scats is within 205 m: {sign}");
}
