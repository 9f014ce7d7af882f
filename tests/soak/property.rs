//! Random properties with their plan: tracks that wander, meet, nearly meet and are drawn twice;
//! roads, creeks, fences; keep-outs of every shape; sign, legs, stations, checks and wind; and
//! settings drawn from what a person might choose. All from one seed.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Map, Value, json};
use stakeline::frame::{LonLat, destination};

/// What the checks have to know of a property.
pub struct Property {
    /// Where everything lies.
    pub epsg: u32,
    /// Each keep-out with its distance in metres.
    pub keep_outs: Vec<(Value, f64)>,
    /// The outer ring of the area, if it has one.
    pub area: Option<Vec<[f64; 2]>>,
    pub spacing_m: f64,
    pub min_straight_m: f64,
    pub budget: usize,
    pub placement_error_m: f64,
    pub stations: Vec<(String, [f64; 2])>,
    /// Whether the surface is one whose mass is that of the sign: no edge cuts it.
    pub edge: &'static str,
    pub along_lines: bool,
    pub objective: &'static str,
}

struct Maker {
    random: ChaCha8Rng,
    centre: LonLat,
    half_m: f64,
    plan: String,
}

impl Maker {
    fn share(&mut self) -> f64 {
        self.random.random_range(0.0..1.0)
    }

    fn often(&mut self, share: f64) -> bool {
        self.share() < share
    }

    fn among<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.random.random_range(0..all.len())]
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.random.random_range(low..high)
    }

    /// A place so many metres east and north of the centre, to 7 decimals.
    fn at(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let away = destination(self.centre, x.atan2(y).to_degrees(), x.hypot(y));
        [away.lon_deg(), away.lat_deg()].map(|d| (d * 1e7).round() / 1e7)
    }

    fn anywhere(&mut self) -> [f64; 2] {
        let h = self.half_m;
        [self.between(-h, h), self.between(-h, h)]
    }

    /// A way that wanders from a place in steps of some 200 m.
    fn walk(&mut self, from: [f64; 2], steps: usize) -> Vec<[f64; 2]> {
        let mut bearing = self.between(0.0, std::f64::consts::TAU);
        let mut way = vec![from];
        let mut here = from;
        for _ in 0..steps {
            bearing += self.between(-0.6, 0.6);
            let step_m = self.between(80.0, 350.0);
            here = [here[0] + step_m * bearing.sin(), here[1] + step_m * bearing.cos()];
            way.push(here);
        }
        way
    }

    /// Tracks: each starts on an earlier one, or near it by a gap, or anywhere; some come back to
    /// where they began, some are drawn twice.
    fn tracks(&mut self) -> Vec<Vec<[f64; 2]>> {
        let mut tracks: Vec<Vec<[f64; 2]>> = vec![];
        for _ in 0..self.random.random_range(2..9) {
            let start = match tracks.last() {
                Some(_) if self.often(0.8) => {
                    let other = self.random.random_range(0..tracks.len());
                    let k = self.random.random_range(0..tracks[other].len());
                    let gap_m = self.among(&[0.0, 0.0, 0.003, 2.0, 12.0]);
                    let [x, y] = tracks[other][k];
                    [x + gap_m, y]
                }
                _ => self.anywhere(),
            };
            let steps = self.random.random_range(3..16);
            let mut way = self.walk(start, steps);
            if self.often(0.15) {
                way.push(start);
            }
            if self.often(0.1) {
                let twice =
                    way.iter().map(|[x, y]| [x + self.between(-1.5, 1.5), y + self.between(-1.5, 1.5)]);
                let twice = twice.collect();
                tracks.push(twice);
            }
            tracks.push(way);
        }
        tracks
    }

    fn line(&mut self, way: &[[f64; 2]], name: &str) -> Value {
        let mut properties = Map::new();
        if self.often(0.7) {
            properties.insert("name".into(), json!(name));
        }
        if self.often(0.05) {
            properties.insert("bridge".into(), json!("yes"));
        }
        let path: Vec<[f64; 2]> = way.iter().map(|&p| self.at(p)).collect();
        feature(Value::Object(properties), "LineString", json!(path))
    }

    /// A file of lines of a kind, if there are any.
    fn lines(&mut self, folder: &Path, kind: &str, ways: &[Vec<[f64; 2]>]) {
        if ways.is_empty() {
            return;
        }
        let features =
            ways.iter().enumerate().map(|(k, way)| self.line(way, &format!("{kind} {k}"))).collect();
        write_layer(folder, kind, features);
        let _ = write!(self.plan, "[[line]]\nkind = \"{kind}\"\nfile = \"{kind}.geojson\"\n");
    }

    /// A place beside a way.
    fn beside(&mut self, ways: &[Vec<[f64; 2]>], off_m: f64) -> [f64; 2] {
        let way = &ways[self.random.random_range(0..ways.len())];
        let k = self.random.random_range(1..way.len());
        let t = self.share();
        let mix = |i: usize| way[k - 1][i] + t * (way[k][i] - way[k - 1][i]);
        [mix(0) + self.between(-off_m, off_m), mix(1) + self.between(-off_m, off_m)]
    }

    /// One of sixteen days in two years on which somebody went out.
    fn date(&mut self) -> String {
        format!("{}-{:02}-14", self.among(&[2024, 2025]), self.random.random_range(1..=8))
    }

    fn sign(&mut self, folder: &Path, tracks: &[Vec<[f64; 2]>]) {
        let number = self.among(&[5, 40, 200]);
        let features = (0..number)
            .map(|_| {
                let off_m = self.among(&[3.0, 30.0, 300.0]);
                let place = self.beside(tracks, off_m);
                let mut p = Map::new();
                for (name, value) in [
                    ("sign", json!(self.among(&["scat", "print", "Scats", "howl", "mystery"]))),
                    ("animal", json!(self.among(&["dog", "dog", "fox", "quoll"]))),
                    ("date", json!(self.date())),
                    ("count", json!(self.random.random_range(0..4))),
                    ("observer", json!(self.among(&["A", "B"]))),
                    ("accuracy_m", json!(self.among(&[3.0, 15.0, 80.0]))),
                ] {
                    if self.often(0.85) {
                        p.insert(name.into(), value);
                    }
                }
                feature(Value::Object(p), "Point", json!(self.at(place)))
            })
            .collect();
        write_layer(folder, "sign", features);
        self.plan.push_str("[[sign]]\nfile = \"sign.geojson\"\n");
    }

    fn legs(&mut self, folder: &Path, tracks: &[Vec<[f64; 2]>]) {
        let features = (0..self.random.random_range(20..60))
            .map(|_| {
                let way = tracks[self.random.random_range(0..tracks.len())].clone();
                let leg = json!({ "date": self.date(), "passes": self.random.random_range(1..4),
                    "observer": self.among(&["A", "B"]) });
                let path: Vec<[f64; 2]> = way.iter().map(|&p| self.at(p)).collect();
                feature(leg, "LineString", json!(path))
            })
            .collect();
        write_layer(folder, "survey", features);
        self.plan.push_str("[[survey]]\nfile = \"survey.geojson\"\n");
    }

    /// Points, lines and squares with distances of their own.
    fn keep_outs(&mut self, folder: &Path) -> Vec<(Value, f64)> {
        let mut all = Vec::new();
        for k in 0..self.random.random_range(0..12) {
            let distance_m = self.among(&[0.0, 25.0, 111.0, 137.0, 400.0]);
            let p = json!({ "distance_m": distance_m, "name": format!("keep-out {k}") });
            let [x, y] = self.anywhere();
            let side_m = self.between(20.0, 500.0);
            let place = feature(p, "Point", json!(self.at([x, y])));
            let shape = match self.random.random_range(0..3) {
                0 => place,
                1 => {
                    let way = self.walk([x, y], 4);
                    let path: Vec<[f64; 2]> = way.iter().map(|&q| self.at(q)).collect();
                    feature(place["properties"].clone(), "LineString", json!(path))
                }
                _ => {
                    let ring = square([x, y], side_m).map(|q| self.at(q));
                    feature(place["properties"].clone(), "Polygon", json!([ring]))
                }
            };
            all.push((shape, distance_m));
        }
        if !all.is_empty() {
            write_layer(folder, "keep-outs", all.iter().map(|(shape, _)| shape.clone()).collect());
            self.plan.push_str("[[keep_out]]\nfile = \"keep-outs.geojson\"\n");
        }
        all
    }

    fn stations(&mut self, folder: &Path, tracks: &[Vec<[f64; 2]>]) -> Vec<(String, [f64; 2])> {
        let number = self.random.random_range(0..7);
        let stations: Vec<(String, [f64; 2])> = (0..number)
            .map(|k| {
                let place = self.beside(tracks, 4.0);
                (format!("N{k}"), self.at(place))
            })
            .collect();
        let set = |(id, at): &(String, [f64; 2])| {
            feature(json!({ "station_id": id, "set_on": "2025-01-10", "batch": "lot" }), "Point", json!(at))
        };
        if number == 0 {
            return stations;
        }
        write_layer(folder, "stations", stations.iter().map(set).collect());
        self.plan.push_str("[[station]]\nfile = \"stations.geojson\"\n");
        let start = self.at(tracks[0][0]);
        let _ = write!(self.plan, "[[check]]\nfile = \"checks.csv\"\n[round]\nstart = {start:?}\n");
        let mut log =
            "station_id,date,by,found,head_replaced,capsules_out,capsules_back,serviced\n".to_string();
        for (id, _) in &stations {
            for month in 2..self.random.random_range(3..9) {
                let found = self.among(&["intact", "activated", "bait-taken", "missing", "not-checked"]);
                let out = u8::from(matches!(found, "activated" | "missing"));
                let _ = writeln!(log, "{id},2025-{month:02}-10,A,{found},no,{out},0,yes");
            }
        }
        fs::write(folder.join("checks.csv"), log).unwrap();
        stations
    }

    fn wind(&mut self, folder: &Path) {
        let mut table = "time,from_deg,speed_m_s\n".to_string();
        for hour in 0..200 {
            let (day, hour) = (hour / 24 + 1, hour % 24);
            let (from, speed) = (self.between(0.0, 360.0), self.between(0.0, 6.0));
            let _ = writeln!(table, "2025-03-{day:02}T{hour:02}:00:00Z,{from:.0},{speed:.1}");
        }
        fs::write(folder.join("wind.csv"), table).unwrap();
        self.plan.push_str("[wind]\nfile = \"wind.csv\"\n");
    }
}

fn square([x, y]: [f64; 2], half_m: f64) -> [[f64; 2]; 5] {
    let (w, e, s, n) = (x - half_m, x + half_m, y - half_m, y + half_m);
    [[w, s], [e, s], [e, n], [w, n], [w, s]]
}

fn feature(properties: Value, kind: &str, coordinates: Value) -> Value {
    json!({ "type": "Feature", "properties": properties,
        "geometry": { "type": kind, "coordinates": coordinates } })
}

fn write_layer(folder: &Path, name: &str, features: Vec<Value>) {
    let text = json!({ "type": "FeatureCollection", "features": features }).to_string();
    fs::write(folder.join(format!("{name}.geojson")), text).unwrap();
}

/// Makes the property of a seed in a folder.
pub fn make(seed: u64, folder: &Path) -> Property {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (lon, lat) = (random.random_range(-179.0..179.0), random.random_range(-65.0..65.0));
    let centre = LonLat::new(lon, lat).unwrap();
    let half_m = random.random_range(800.0..3000.0);
    let mut maker = Maker { random, centre, half_m, plan: String::new() };
    let zone = ((lon + 180.0) / 6.0) as u32 + 1;
    let epsg = if lat < 0.0 { 32700 + zone } else { 32600 + zone };
    let m = &mut maker;
    let area = m.often(0.5).then(|| square([0.0, 0.0], half_m * 1.2).map(|p| m.at(p)).to_vec());
    let _ = write!(m.plan, "[place]\nepsg = {epsg}\ntime_zone = \"UTC\"\n");
    if let Some(ring) = &area {
        write_layer(folder, "area", vec![feature(json!({}), "Polygon", json!([ring]))]);
        m.plan.push_str("area = \"area.geojson\"\n");
    }
    let tracks = m.tracks();
    m.lines(folder, "track", &tracks);
    for (kind, most, steps) in [("road", 2, 20), ("creek", 3, 15), ("fence", 3, 3)] {
        let ways: Vec<_> = (0..m.random.random_range(0..=most))
            .map(|_| {
                let from = m.anywhere();
                m.walk(from, steps)
            })
            .collect();
        m.lines(folder, kind, &ways);
    }
    m.sign(folder, &tracks);
    if m.often(0.5) {
        m.legs(folder, &tracks);
    }
    let keep_outs = m.keep_outs(folder);
    let stations = m.stations(folder, &tracks);
    if m.often(0.5) {
        m.wind(folder);
    }
    let property = settings(
        m,
        Property {
            epsg,
            keep_outs,
            area,
            spacing_m: 0.0,
            min_straight_m: 0.0,
            budget: 0,
            placement_error_m: 0.0,
            stations,
            edge: "none",
            along_lines: false,
            objective: "score",
        },
    );
    fs::write(folder.join("plan.toml"), &maker.plan).unwrap();
    property
}

/// What a person might choose.
fn settings(m: &mut Maker, property: Property) -> Property {
    let spacing_m = m.among(&[150.0, 400.0, 1000.0]);
    let min_straight_m = if m.often(0.2) { 0.0 } else { spacing_m / 2.0 };
    let budget = m.random.random_range(1..20);
    let (offset_m, placement_error_m) = (m.among(&[2.0, 5.0, 8.0]), m.among(&[0.0, 4.0, 10.0]));
    let cluster = m.among(&[1, 1, 1, 3]);
    let objective = m.among(&["score", "score", "score", "coverage"]);
    let _ = write!(
        m.plan,
        "[sites]\nspacing_m = {spacing_m}\nmin_straight_m = {min_straight_m}\nbudget = {budget}\noffset_m = {offset_m}\n\
         placement_error_m = {placement_error_m}\ncluster = {cluster}\nobjective = \"{objective}\"\nweightings = 3\n"
    );
    let snap_m = m.among(&[1.0, 5.0, 10.0]);
    let _ = writeln!(m.plan, "[nodes]\nsnap_m = {snap_m}");
    let kernel = m.among(&["gaussian", "quartic", "epanechnikov", "triangular", "uniform"]);
    let bandwidth = m.among(&["150", "400", "\"scott\"", "\"likelihood\"", "\"diggle\""]);
    let edge = if property.area.is_some() { m.among(&["none", "uniform", "jones-diggle"]) } else { "none" };
    let adaptive = m.often(0.2);
    let along_lines = m.often(0.2);
    let _ = write!(
        m.plan,
        "[surface]\nkernel = \"{kernel}\"\nbandwidth = {bandwidth}\nedge = \"{edge}\"\nadaptive = {adaptive}\nalong_lines = {along_lines}\n"
    );
    if m.often(0.25) {
        m.plan.push_str(
            "[compare]\nbefore = \"one\"\nafter = \"two\"\nruns = 99\n[seasons]\none = { from = \"2024-01-01\", to = \"2024-12-31\" }\n\
             two = { from = \"2025-01-01\", to = \"2025-12-31\" }\n",
        );
    }
    Property {
        spacing_m,
        min_straight_m,
        budget,
        placement_error_m,
        edge,
        along_lines,
        objective,
        ..property
    }
}
