//! The whole job on the demo and on real open data, its promises recomputed from the
//! written files by other code: a plain Dijkstra, ray casting, dense geodesic sampling.

mod support;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use stakeline::frame::{Frame, GroundPoint, LonLat, distance_m};
use support::{case, json as read_json, number, said, stakeline};
use tempfile::TempDir;

/// Written coordinates have 7 decimals, about a centimetre.
const ROUNDING_M: f64 = 0.02;

/// Outputs of a run of `sites`, and the frame to measure them in.
struct Outputs {
    folder: PathBuf,
    frame: Frame,
}

impl Outputs {
    fn read(&self, name: &str) -> Value {
        read_json(&self.folder.join(name))
    }

    fn features(&self, name: &str) -> Vec<Value> {
        self.read(name)["features"].as_array().unwrap().clone()
    }

    fn ground(&self, position: &Value) -> GroundPoint {
        self.frame.to_ground(place(position)).unwrap()
    }
}

fn place(position: &Value) -> LonLat {
    LonLat::new(position[0].as_f64().unwrap(), position[1].as_f64().unwrap()).unwrap()
}

/// The network as written: nodes, and edges with their ways in frame metres.
struct Roads {
    edges: Vec<(usize, usize, Vec<GroundPoint>)>,
    nodes: usize,
}

/// A foot: edge, distance along it, distance to it, whether it stands between two vertices.
#[derive(Clone, Copy)]
struct Foot {
    edge: usize,
    along_m: f64,
    off_m: f64,
    at: GroundPoint,
}

impl Roads {
    fn read(outputs: &Outputs) -> Self {
        let mut ids: BTreeMap<String, usize> = BTreeMap::new();
        let mut edges = Vec::new();
        for edge in outputs.features("network.geojson") {
            let kinds = edge["properties"]["kinds"].as_array().unwrap();
            if !kinds.iter().any(|k| k == "track" || k == "road") {
                continue;
            }
            let mut node = |name: &str| {
                let next = ids.len();
                *ids.entry(edge["properties"][name].to_string()).or_insert(next)
            };
            let (from, to) = (node("from_node"), node("to_node"));
            let path = edge["geometry"]["coordinates"].as_array().unwrap();
            edges.push((from, to, path.iter().map(|c| outputs.ground(c)).collect()));
        }
        Self { nodes: ids.len(), edges }
    }

    fn length_m(&self, edge: usize) -> f64 {
        self.edges[edge].2.windows(2).map(|w| w[0].distance_m(w[1])).sum()
    }

    fn foot(&self, p: GroundPoint) -> Foot {
        let mut best: Option<Foot> = None;
        for (edge, (_, _, path)) in self.edges.iter().enumerate() {
            let mut before_m = 0.0;
            for w in path.windows(2) {
                let (dx, dy) = (w[1].x_m - w[0].x_m, w[1].y_m - w[0].y_m);
                let length_m = dx.hypot(dy);
                let t = ((p.x_m - w[0].x_m) * dx + (p.y_m - w[0].y_m) * dy) / (length_m * length_m);
                let at = w[0].lerp(w[1], t.clamp(0.0, 1.0));
                let off_m = at.distance_m(p);
                if best.is_none_or(|b| off_m < b.off_m) {
                    best = Some(Foot { edge, along_m: before_m + t.clamp(0.0, 1.0) * length_m, off_m, at });
                }
                before_m += length_m;
            }
        }
        best.unwrap()
    }

    /// Shortest way between two feet by a plain Dijkstra over all nodes.
    fn travel_m(&self, a: Foot, b: Foot) -> f64 {
        let mut far = vec![f64::INFINITY; self.nodes];
        let mut done = vec![false; self.nodes];
        let (from, to, _) = &self.edges[a.edge];
        far[*from] = a.along_m;
        far[*to] = far[*to].min(self.length_m(a.edge) - a.along_m);
        while let Some(n) = (0..self.nodes)
            .filter(|&n| !done[n] && far[n].is_finite())
            .min_by(|&i, &j| far[i].total_cmp(&far[j]))
        {
            done[n] = true;
            for (e, (p, q, _)) in self.edges.iter().enumerate() {
                let other = if *p == n {
                    *q
                } else if *q == n {
                    *p
                } else {
                    continue;
                };
                far[other] = far[other].min(far[n] + self.length_m(e));
            }
        }
        let (from, to, _) = &self.edges[b.edge];
        let through = (far[*from] + b.along_m).min(far[*to] + self.length_m(b.edge) - b.along_m);
        if a.edge == b.edge { through.min((a.along_m - b.along_m).abs()) } else { through }
    }
}

/// Every promise that needs nothing but the outputs.
fn check_sites(outputs: &Outputs, spacing_m: f64, budget: usize) {
    let sites = outputs.features("sites.geojson");
    assert!(!sites.is_empty() && sites.len() <= budget, "{} sites", sites.len());
    let roads = Roads::read(outputs);
    let mut feet = Vec::new();
    for (i, site) in sites.iter().enumerate() {
        let p = &site["properties"];
        assert_eq!(p["rank"], i + 1);
        let at = outputs.ground(&site["geometry"]["coordinates"]);
        let foot = roads.foot(at);
        let offset_m = number(p, "/offset_m");
        let id = &p["site_id"];
        assert!((foot.off_m - offset_m).abs() < 0.1 + ROUNDING_M, "{id}: {} against {offset_m}", foot.off_m);
        check_side(outputs, p, foot.at, at);
        check_parts(p);
        feet.push(foot);
    }
    for i in 0..feet.len() {
        for j in 0..i {
            let travel_m = roads.travel_m(feet[i], feet[j]);
            assert!(travel_m >= spacing_m - 0.1, "sites {i} and {j} are {travel_m} m apart");
        }
    }
    let total: f64 = sites.iter().map(|s| number(s, "/properties/score")).sum();
    let summary = outputs.read("sites.json");
    assert!((number(&summary, "/total") - total).abs() < 1e-4);
    let candidates = outputs.features("candidates.geojson").len() as f64;
    assert_eq!(number(&summary, "/candidates"), candidates);
}

/// The site lies at right angles to the line, on the side that it says.
fn check_side(outputs: &Outputs, p: &Value, foot: GroundPoint, at: GroundPoint) {
    let turn = if p["side"] == "left" { -90.0 } else { 90.0 };
    let convergence = outputs.frame.convergence_deg(foot).unwrap();
    let outward = foot.grid_bearing_deg(at) + convergence;
    let off = (outward - number(p, "/bearing_deg") - turn + 540.0).rem_euclid(360.0) - 180.0;
    // Where a line bends at the foot, a whole fan of directions is at right angles to it.
    assert!(off.abs() < 90.0, "{}: the site lies {off} degrees off its side", p["site_id"]);
}

/// The score is the weighted mean or sum of its parts.
fn check_parts(p: &Value) {
    let parts = p["parts"].as_object().unwrap();
    assert!(!parts.is_empty());
    for (name, part) in parts {
        // Where search effort is known, each site says what its activity is.
        if part["unit"].as_str().is_some_and(|unit| unit.contains("searched")) {
            assert!(["rate", "density"].contains(&part["by"].as_str().unwrap()), "{name}: {part}");
        }
        let value = number(part, "/value");
        assert!((0.0..=1.0).contains(&value), "{name}: {value}");
        assert!(number(part, "/weight") >= 0.0);
    }
    let weights: f64 = parts.values().map(|part| number(part, "/weight")).sum();
    let sum: f64 = parts.values().map(|part| number(part, "/weight") * number(part, "/value")).sum();
    assert!((sum / weights - number(p, "/score")).abs() < 1e-5, "{}", p["site_id"]);
    assert!(p["reason"].as_str().is_some_and(|r| !r.is_empty()));
}

/// No site lies inside a keep-out: dense sampling of its rings and lines, on the ellipsoid.
fn check_keep_outs(
    outputs: &Outputs,
    keep_outs: &[Value],
    distance_m_of: impl Fn(&Value) -> f64,
    error_m: f64,
) {
    for site in outputs.features("sites.geojson") {
        let at = place(&site["geometry"]["coordinates"]);
        for keep_out in keep_outs {
            let limit_m = distance_m_of(keep_out) + error_m;
            let nearest_m = positions(&keep_out["geometry"])
                .windows(2)
                .flat_map(|w| samples(w[0], w[1]))
                .map(|q| distance_m(at, q))
                .fold(f64::INFINITY, f64::min);
            assert!(nearest_m >= limit_m - ROUNDING_M, "{nearest_m} m from {}", keep_out["properties"]);
        }
    }
}

/// The positions of a point (twice), a line or an outer ring.
fn positions(geometry: &Value) -> Vec<LonLat> {
    let c = &geometry["coordinates"];
    match geometry["type"].as_str().unwrap() {
        "Point" => vec![place(c), place(c)],
        "LineString" => c.as_array().unwrap().iter().map(place).collect(),
        "Polygon" => c[0].as_array().unwrap().iter().map(place).collect(),
        other => panic!("{other} is not expected here"),
    }
}

/// Places every metre from one to another.
fn samples(a: LonLat, b: LonLat) -> impl Iterator<Item = LonLat> {
    let n = distance_m(a, b).ceil().max(1.0) as usize;
    (0..=n).map(move |i| {
        let t = i as f64 / n as f64;
        let mix = |p: f64, q: f64| p + (q - p) * t;
        LonLat::new(mix(a.lon_deg(), b.lon_deg()), mix(a.lat_deg(), b.lat_deg())).unwrap()
    })
}

fn inside(at: LonLat, ring: &[LonLat]) -> bool {
    ring.windows(2).fold(false, |inside, w| {
        let (a, b) = (w[0], w[1]);
        let crosses = (a.lat_deg() > at.lat_deg()) != (b.lat_deg() > at.lat_deg());
        let t = (at.lat_deg() - a.lat_deg()) / (b.lat_deg() - a.lat_deg());
        inside ^ (crosses && at.lon_deg() < a.lon_deg() + t * (b.lon_deg() - a.lon_deg()))
    })
}

/// Every GeoJSON output parses with the reference crate and keeps the right-hand rule.
fn check_rfc_7946(folder: &Path) {
    let mut seen = 0;
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|e| e != "geojson") {
            continue;
        }
        seen += 1;
        let text = fs::read_to_string(&path).unwrap();
        let parsed: geojson::FeatureCollection =
            text.parse::<geojson::GeoJson>().unwrap().try_into().unwrap_or_else(|e| panic!("{path:?}: {e}"));
        let foreign = parsed.foreign_members.unwrap();
        assert_eq!(foreign["stakeline"]["version"], env!("CARGO_PKG_VERSION"));
        for feature in read_json(&path)["features"].as_array().unwrap() {
            let c = &feature["geometry"]["coordinates"];
            match feature["geometry"]["type"].as_str() {
                Some("Polygon") => check_rings(c),
                Some("MultiPolygon") => c.as_array().unwrap().iter().for_each(check_rings),
                _ => {}
            }
        }
    }
    assert!(seen >= 3, "only {seen} GeoJSON files");
}

fn check_rings(rings: &Value) {
    for (i, ring) in rings.as_array().unwrap().iter().enumerate() {
        let ring: Vec<LonLat> = ring.as_array().unwrap().iter().map(place).collect();
        assert_eq!(ring.first(), ring.last());
        let area: f64 =
            ring.windows(2).map(|w| w[0].lon_deg() * w[1].lat_deg() - w[1].lon_deg() * w[0].lat_deg()).sum();
        assert!(if i == 0 { area >= 0.0 } else { area <= 0.0 }, "ring {i} runs the wrong way");
    }
}

#[test]
fn the_demo_keeps_its_promises() {
    let room = tempfile::tempdir().unwrap();
    let folder = room.path().join("demo");
    let (status, out, err) = said(stakeline().arg("demo").arg(&folder));
    assert_eq!(status, 0, "{err}");
    assert!(out.contains("invented"), "{out}");
    let outputs = Outputs { frame: Frame::from_epsg(32755).unwrap(), folder: folder.clone() };
    check_rfc_7946(&folder);
    check_sites(&outputs, 1000.0, 16);
    let property =
        |name: &str| read_json(&folder.join("property").join(name))["features"].as_array().unwrap().clone();
    check_keep_outs(&outputs, &property("keep-outs.geojson"), |k| number(k, "/properties/distance_m"), 10.0);
    check_keep_outs(&outputs, &property("road.geojson"), |_| 137.0, 10.0);
    check_keep_outs(&outputs, &property("boundary.geojson"), |_| 137.0, 10.0);
    let area = positions(&property("area.geojson")[0]["geometry"]);
    for site in outputs.features("sites.geojson") {
        assert!(inside(place(&site["geometry"]["coordinates"]), &area));
    }
    let sides: Vec<Value> =
        outputs.features("sites.geojson").iter().map(|s| s["properties"]["side"].clone()).collect();
    assert!(sides.iter().any(|s| s == "left") && sides.iter().any(|s| s == "right"), "one side only");
}

#[test]
fn the_demo_gives_the_same_bytes_whatever_the_folder_and_the_threads() {
    let room = tempfile::tempdir().unwrap();
    let hashes = |name: &str, threads: &str| {
        let folder = room.path().join(name);
        assert_eq!(said(stakeline().args(["--threads", threads, "demo"]).arg(&folder)).0, 0);
        read_json(&folder.join("manifest.json"))
    };
    let first = hashes("a", "1");
    assert_eq!(first, hashes("b", "8"));
    assert!(first["files"].as_object().unwrap().len() > 15);
}

#[test]
fn the_written_settings_reproduce_a_run() {
    let room = tempfile::tempdir().unwrap();
    let demo = room.path().join("demo");
    assert_eq!(said(stakeline().arg("demo").arg(&demo)).0, 0);
    let again = room.path().join("again");
    let mut run = stakeline();
    run.current_dir(&demo).args(["run", "settings.toml", "--out"]).arg(&again);
    let (status, _, err) = said(&mut run);
    assert_eq!(status, 0, "{err}");
    let files = |folder: &Path| read_json(&folder.join("manifest.json"))["files"].clone();
    let (first, second) = (files(&demo), files(&again));
    for (name, entry) in second.as_object().unwrap() {
        assert_eq!(&first[name], entry, "{name}");
    }
}

/// A real case: its lines by kind, and sign of its own or scattered along its lines by seed.
struct Case {
    room: TempDir,
    lines: Vec<(&'static str, PathBuf)>,
    sign: PathBuf,
    expected: Value,
}

impl Case {
    /// `kinds` maps the case's own classes to kinds of line.
    fn open(name: &str, kinds: &[(&str, &'static str)], own_sign: bool) -> Option<Self> {
        let folder = case(name)?;
        let room = tempfile::tempdir().unwrap();
        let all = read_json(&folder.join("lines.geojson"))["features"].as_array().unwrap().clone();
        let mut lines = Vec::new();
        for (class, kind) in kinds {
            let part: Vec<&Value> = all.iter().filter(|f| f["properties"]["layer"] == *class).collect();
            assert!(!part.is_empty(), "{name} has no {class}");
            let path = room.path().join(format!("{class}.geojson"));
            fs::write(&path, json!({ "type": "FeatureCollection", "features": part }).to_string()).unwrap();
            lines.push((*kind, path));
        }
        let sign = if own_sign { folder.join("points.geojson") } else { scattered(&all, room.path()) };
        let expected = read_json(&folder.join("expected.json"));
        Some(Self { room, lines, sign, expected })
    }

    fn run(&self, command: &str, epsg: u32, flags: &[&str]) -> Outputs {
        let folder = self.room.path().join(command);
        let mut run = stakeline();
        run.arg(command).args(["--epsg", &epsg.to_string()]).arg("--sign").arg(&self.sign);
        for (kind, path) in &self.lines {
            run.arg("--line").arg(format!("{kind}={}", path.display()));
        }
        let (status, _, err) = said(run.args(flags).arg("--out").arg(&folder));
        assert_eq!(status, 0, "{err}");
        Outputs { folder, frame: Frame::from_epsg(epsg).unwrap() }
    }

    /// Length, edges and junctions against the case's own figures (shapely, GEOS 3.14.1).
    fn check_network(&self, epsg: u32) {
        let nodes = self.run("nodes", epsg, &["--snap", "0.01"]);
        let summary = nodes.read("nodes.json");
        let lines = &self.expected["lines"];
        let length_km = number(lines, "/length_geodesic_wgs84_m") / 1000.0;
        assert!((number(&summary, "/length_km") / length_km - 1.0).abs() < 1e-4);
        let noded = &lines["noded_grid_0.01"];
        assert_eq!(nodes.features("network.geojson").len() as f64, number(noded, "/n_edges"));
        let junctions =
            nodes.features("nodes.geojson").iter().filter(|n| number(n, "/properties/degree") >= 3.0).count();
        assert_eq!(junctions as f64, number(noded, "/n_junctions_deg3plus"));
        assert_eq!(summary["degree_histogram"], noded["degree_histogram"]);
    }
}

/// Three hundred records near the lines, by a fixed linear congruential sequence
/// (Knuth's MMIX constants, from memory).
fn scattered(lines: &[Value], room: &Path) -> PathBuf {
    let mut state = 2026_u64;
    let mut next = || {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let features: Vec<Value> = (0..300)
        .map(|i| {
            let line = &lines[(next() * lines.len() as f64) as usize]["geometry"]["coordinates"];
            let path = line.as_array().unwrap();
            let at = &path[(next() * path.len() as f64) as usize];
            let jitter = |v: f64, u: f64| v + (u - 0.5) * 4e-4;
            let (lon, lat) = (at[0].as_f64().unwrap(), at[1].as_f64().unwrap());
            json!({ "type": "Feature", "id": i, "properties": { "sign": "scat", "animal": "dog" },
                "geometry": { "type": "Point", "coordinates": [jitter(lon, next()), jitter(lat, next())] } })
        })
        .collect();
    let path = room.join("sign.geojson");
    fs::write(&path, json!({ "type": "FeatureCollection", "features": features }).to_string()).unwrap();
    path
}

#[test]
fn tempe_streets_and_points() {
    let Some(tempe) = Case::open("geodanet-tempe", &[("street", "track")], true) else { return };
    tempe.check_network(32612);
    let schools = case("geodanet-tempe").unwrap().join("schools.geojson");
    let keep_out = format!("211={}", schools.display());
    let flags = ["--weightings", "4", "--spacing", "300", "--budget", "12", "--keep-out", &keep_out];
    let outputs = tempe.run("sites", 32612, &flags);
    check_rfc_7946(&outputs.folder);
    check_sites(&outputs, 300.0, 12);
    let schools = read_json(&schools)["features"].as_array().unwrap().clone();
    check_keep_outs(&outputs, &schools, |_| 211.0, 10.0);
}

#[test]
fn soho_streets_and_deaths() {
    let Some(soho) = Case::open("soho-snow", &[("street", "track")], true) else { return };
    let outputs = soho.run(
        "sites",
        32630,
        &["--weightings", "4", "--spacing", "150", "--budget", "10", "--offset", "3"],
    );
    check_rfc_7946(&outputs.folder);
    check_sites(&outputs, 150.0, 10);
    let length_km = number(&soho.expected, "/lines/length_geodesic_wgs84_m") / 1000.0;
    let nodes = soho.run("nodes", 32630, &["--snap", "0.01"]).read("nodes.json");
    assert!((number(&nodes, "/length_km") / length_km - 1.0).abs() < 1e-4);
    assert_eq!(number(&nodes, "/components"), 1.0);
}

#[test]
fn niue_tracks_and_roads() {
    let kinds = [("track", "track"), ("road", "road"), ("barrier", "fence")];
    let Some(niue) = Case::open("osm-niue", &kinds, false) else { return };
    niue.check_network(32702);
    let outputs = niue.run("sites", 32702, &["--weightings", "4", "--spacing", "1000", "--budget", "20"]);
    check_rfc_7946(&outputs.folder);
    check_sites(&outputs, 1000.0, 20);
}

#[test]
fn gozo_tracks_walls_and_streams() {
    let kinds = [("track", "track"), ("road", "road"), ("barrier", "fence"), ("water", "creek")];
    let Some(gozo) = Case::open("osm-gozo-west", &kinds, false) else { return };
    let outputs = gozo.run(
        "sites",
        32633,
        &["--weightings", "4", "--spacing", "500", "--budget", "15", "--offset", "2"],
    );
    check_rfc_7946(&outputs.folder);
    check_sites(&outputs, 500.0, 15);
}
