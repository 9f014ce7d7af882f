//! What a run promises, recomputed from its written files by other code: a plain Dijkstra, ray
//! casting, dense geodesic sampling.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;
use stakeline::frame::{Frame, GroundPoint, LonLat, distance_m};

use super::{json as read_json, number};

/// Written coordinates have 7 decimals, about a centimetre.
pub const ROUNDING_M: f64 = 0.02;

/// Outputs of a run of `sites`, and the frame to measure them in.
pub struct Outputs {
    pub folder: PathBuf,
    pub frame: Frame,
}

impl Outputs {
    pub fn read(&self, name: &str) -> Value {
        read_json(&self.folder.join(name))
    }

    pub fn features(&self, name: &str) -> Vec<Value> {
        self.read(name)["features"].as_array().unwrap().clone()
    }

    pub fn ground(&self, position: &Value) -> GroundPoint {
        self.frame.to_ground(place(position)).unwrap()
    }
}

pub fn place(position: &Value) -> LonLat {
    LonLat::new(position[0].as_f64().unwrap(), position[1].as_f64().unwrap()).unwrap()
}

/// The network as written: nodes, and edges with their ways in frame metres.
pub struct Roads {
    edges: Vec<(usize, usize, Vec<GroundPoint>)>,
    nodes: usize,
}

/// A foot: edge, distance along it, distance to it, whether it stands between two vertices.
#[derive(Clone, Copy)]
pub struct Foot {
    pub edge: usize,
    pub along_m: f64,
    pub off_m: f64,
    pub at: GroundPoint,
}

impl Roads {
    pub fn read(outputs: &Outputs) -> Self {
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

    pub fn length_m(&self, edge: usize) -> f64 {
        self.edges[edge].2.windows(2).map(|w| w[0].distance_m(w[1])).sum()
    }

    pub fn foot(&self, p: GroundPoint) -> Foot {
        let feet = (0..self.edges.len()).map(|edge| self.foot_on(edge, p));
        feet.min_by(|a, b| a.off_m.total_cmp(&b.off_m)).unwrap()
    }

    /// The feet on every edge that is as near as the nearest, to some centimetres: where lines are
    /// drawn twice, files do not say on which of them a thing stands.
    pub fn feet(&self, p: GroundPoint) -> Vec<Foot> {
        let nearest = self.foot(p);
        let feet = (0..self.edges.len()).map(|edge| self.foot_on(edge, p));
        feet.filter(|f| f.off_m <= nearest.off_m + 0.05).collect()
    }

    fn foot_on(&self, edge: usize, p: GroundPoint) -> Foot {
        let mut best: Option<Foot> = None;
        let mut before_m = 0.0;
        for w in self.edges[edge].2.windows(2) {
            let (dx, dy) = (w[1].x_m - w[0].x_m, w[1].y_m - w[0].y_m);
            let length_m = dx.hypot(dy);
            let along = (p.x_m - w[0].x_m) * dx + (p.y_m - w[0].y_m) * dy;
            // Two vertices a lattice step apart may be one place once they are written.
            let t = if length_m > 0.0 { along / (length_m * length_m) } else { 0.0 };
            let at = w[0].lerp(w[1], t.clamp(0.0, 1.0));
            let off_m = at.distance_m(p);
            if best.is_none_or(|b| off_m < b.off_m) {
                best = Some(Foot { edge, along_m: before_m + t.clamp(0.0, 1.0) * length_m, off_m, at });
            }
            before_m += length_m;
        }
        best.unwrap()
    }

    /// The foot of a written site: from the site at right angles to the bearing that it states,
    /// back to the line. Where the line bends, this is not the point nearest to the site.
    pub fn foot_of(&self, outputs: &Outputs, p: &Value, at: GroundPoint) -> Foot {
        let foot = self.foot(Self::on_line(outputs, p, at));
        Foot { off_m: foot.at.distance_m(at), ..foot }
    }

    /// Where on its line a written site says that it stands.
    pub fn on_line(outputs: &Outputs, p: &Value, at: GroundPoint) -> GroundPoint {
        let convergence = outputs.frame.convergence_deg(at).unwrap();
        let turn = if p["side"] == "left" { 90.0 } else { -90.0 };
        let back = (number(p, "/bearing_deg") - convergence + turn).to_radians();
        let offset_m = number(p, "/offset_m");
        GroundPoint::new(at.x_m + offset_m * back.sin(), at.y_m + offset_m * back.cos())
    }

    /// Shortest ways from a foot to every node, by a plain Dijkstra.
    pub fn far_m(&self, a: Foot) -> Vec<f64> {
        let mut far = vec![f64::INFINITY; self.nodes];
        let mut done = vec![false; self.nodes];
        let lengths: Vec<f64> = (0..self.edges.len()).map(|e| self.length_m(e)).collect();
        let (from, to, _) = &self.edges[a.edge];
        far[*from] = a.along_m;
        far[*to] = far[*to].min(lengths[a.edge] - a.along_m);
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
                far[other] = far[other].min(far[n] + lengths[e]);
            }
        }
        far
    }

    /// Shortest way from the foot `a`, from which `far` tells the ways to nodes, to another.
    pub fn travel_m(&self, far: &[f64], a: Foot, b: Foot) -> f64 {
        let (from, to, _) = &self.edges[b.edge];
        let through = (far[*from] + b.along_m).min(far[*to] + self.length_m(b.edge) - b.along_m);
        if a.edge == b.edge { through.min((a.along_m - b.along_m).abs()) } else { through }
    }
}

/// Every promise that needs nothing but the outputs.
pub fn check_sites(outputs: &Outputs, spacing_m: f64, budget: usize) {
    let sites = outputs.features("sites.geojson");
    assert!(!sites.is_empty() && sites.len() <= budget, "{} sites", sites.len());
    let roads = Roads::read(outputs);
    let barriers = barriers(outputs);
    let mut feet = Vec::new();
    for (i, site) in sites.iter().enumerate() {
        let p = &site["properties"];
        assert_eq!(p["rank"], i + 1);
        let at = outputs.ground(&site["geometry"]["coordinates"]);
        let foot = roads.foot_of(outputs, p, at);
        let offset_m = number(p, "/offset_m");
        let id = &p["site_id"];
        for off_m in [foot.off_m, roads.foot(at).off_m] {
            assert!((off_m - offset_m).abs() < 0.1 + ROUNDING_M, "{id}: {off_m} against {offset_m}");
        }
        check_side(outputs, p, foot.at, at);
        check_between(&barriers, foot.at, at, id);
        check_parts(p);
        feet.push(foot);
    }
    for i in 0..feet.len() {
        let far = roads.far_m(feet[i]);
        for j in 0..i {
            let travel_m = roads.travel_m(&far, feet[i], feet[j]);
            assert!(travel_m >= spacing_m - 0.1, "sites {i} and {j} are {travel_m} m apart");
        }
    }
    let total: f64 = sites.iter().map(|s| number(s, "/properties/score")).sum();
    let summary = outputs.read("sites.json");
    assert!((number(&summary, "/total") - total).abs() < 1e-4);
    let candidates = outputs.features("candidates.geojson").len() as f64;
    assert_eq!(number(&summary, "/candidates"), candidates);
}

/// Pieces of what may not lie between a line and its site, unless the plan allows it.
fn barriers(outputs: &Outputs) -> Vec<[GroundPoint; 2]> {
    let bars = |edge: &Value| {
        let kinds = edge["properties"]["kinds"].as_array().unwrap();
        kinds.iter().any(|k| k == "fence" || k == "creek" || k == "road")
    };
    let pieces = |edge: Value| {
        let way = edge["geometry"]["coordinates"].as_array().unwrap();
        let way: Vec<GroundPoint> = way.iter().map(|c| outputs.ground(c)).collect();
        way.windows(2).map(|w| [w[0], w[1]]).collect::<Vec<_>>()
    };
    outputs.features("network.geojson").into_iter().filter(bars).flat_map(pieces).collect()
}

/// No barrier is crossed on the way from the line to the site, those through the foot left out.
fn check_between(barriers: &[[GroundPoint; 2]], foot: GroundPoint, at: GroundPoint, id: &Value) {
    let turn = |a: GroundPoint, b: GroundPoint, c: GroundPoint| {
        (b.x_m - a.x_m) * (c.y_m - a.y_m) - (b.y_m - a.y_m) * (c.x_m - a.x_m)
    };
    // Coordinates are written to a centimetre: the way begins off the line.
    let start = foot.lerp(at, (10.0 * ROUNDING_M / foot.distance_m(at)).min(0.5));
    for &[a, b] in barriers {
        let parts = turn(a, b, start) * turn(a, b, at) < 0.0 && turn(start, at, a) * turn(start, at, b) < 0.0;
        assert!(!parts, "{id}: {a:?} to {b:?} lies between it and its line");
    }
}

/// The site lies at right angles to the line, on the side that it says.
pub fn check_side(outputs: &Outputs, p: &Value, foot: GroundPoint, at: GroundPoint) {
    let turn = if p["side"] == "left" { -90.0 } else { 90.0 };
    let convergence = outputs.frame.convergence_deg(foot).unwrap();
    let outward = foot.grid_bearing_deg(at) + convergence;
    let off = (outward - number(p, "/bearing_deg") - turn + 540.0).rem_euclid(360.0) - 180.0;
    // Where a line bends at the foot, a whole fan of directions is at right angles to it.
    assert!(off.abs() < 90.0, "{}: the site lies {off} degrees off its side", p["site_id"]);
}

/// The score is the weighted mean or sum of its parts.
pub fn check_parts(p: &Value) {
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
pub fn check_keep_outs(
    outputs: &Outputs,
    keep_outs: &[Value],
    distance_m_of: impl Fn(&Value) -> f64,
    error_m: f64,
) {
    for site in outputs.features("sites.geojson") {
        let at = place(&site["geometry"]["coordinates"]);
        for keep_out in keep_outs {
            let limit_m = distance_m_of(keep_out) + error_m;
            let nearest_m = nearest_m(keep_out, at);
            assert!(nearest_m >= limit_m - ROUNDING_M, "{nearest_m} m from {}", keep_out["properties"]);
        }
    }
}

/// Distance to a point, a line or the ring of a polygon, by dense sampling on the ellipsoid.
pub fn nearest_m(feature: &Value, at: LonLat) -> f64 {
    let positions = positions(&feature["geometry"]);
    let all = positions.windows(2).flat_map(|w| samples(w[0], w[1]));
    all.map(|q| distance_m(at, q)).fold(f64::INFINITY, f64::min)
}

/// The positions of a point (twice), a line or an outer ring.
pub fn positions(geometry: &Value) -> Vec<LonLat> {
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

pub fn inside(at: LonLat, ring: &[LonLat]) -> bool {
    ring.windows(2).fold(false, |inside, w| {
        let (a, b) = (w[0], w[1]);
        let crosses = (a.lat_deg() > at.lat_deg()) != (b.lat_deg() > at.lat_deg());
        let t = (at.lat_deg() - a.lat_deg()) / (b.lat_deg() - a.lat_deg());
        inside ^ (crosses && at.lon_deg() < a.lon_deg() + t * (b.lon_deg() - a.lon_deg()))
    })
}

/// Every GeoJSON output parses with the reference crate and keeps the right-hand rule.
pub fn check_rfc_7946(folder: &Path) {
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
