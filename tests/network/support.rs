//! Lines for tests, and what is asked of every network.

use std::path::Path;
use std::sync::Arc;

use stakeline::frame::{Frame, GroundPoint, LonLat, Traced};
use stakeline::network::{Network, NetworkSettings};
use stakeline::record::{Line, LineKind, SourcePlace};

pub fn place(index: usize) -> SourcePlace {
    SourcePlace { file: Arc::from(Path::new("test.geojson")), index, id: None }
}

pub fn line(kind: LineKind, index: usize) -> Line {
    Line::new(kind, place(index))
}

/// Tracks along paths in frame metres. Their places on the ellipsoid play no part here.
pub fn tracks(paths: &[Vec<(f64, f64)>]) -> Vec<Traced<Line>> {
    paths.iter().enumerate().map(|(k, p)| traced(line(LineKind::Track, k), p)).collect()
}

/// As [`tracks`], but recorded by a receiver.
pub fn recordings(paths: &[Vec<(f64, f64)>]) -> Vec<Traced<Line>> {
    let mut lines = tracks(paths);
    lines.iter_mut().for_each(|l| l.what.source.file = Arc::from(Path::new("test.gpx")));
    lines
}

pub fn traced(what: Line, path: &[(f64, f64)]) -> Traced<Line> {
    let nowhere = LonLat::new(0.0, 0.0).unwrap();
    Traced {
        what,
        path: vec![nowhere; path.len()],
        ground: path.iter().map(|&(x, y)| GroundPoint::new(x, y)).collect(),
    }
}

/// Builds and demands every invariant.
pub fn sound(lines: &[Traced<Line>], settings: &NetworkSettings) -> Network {
    let network = Network::build(lines, &[], settings).unwrap();
    let faults = network.faults();
    assert!(faults.is_empty(), "{} faults, first {:?}", faults.len(), &faults[..faults.len().min(5)]);
    network
}

/// Noding alone: no merging, no gap above the snap distance.
pub fn noding_only(snap_m: f64) -> NetworkSettings {
    NetworkSettings { snap_m, merge_m: 0.0, respect_levels: false, ..NetworkSettings::default() }
}

/// The lines of a case with the kind that `kind_of` gives their `layer`; `None` drops them.
pub fn case_lines(
    dir: &Path,
    case: &str,
    epsg: u32,
    kind_of: impl Fn(&str) -> Option<LineKind>,
) -> Vec<Traced<Line>> {
    let text = std::fs::read_to_string(dir.join(case).join("lines.geojson")).unwrap();
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    let frame = Frame::from_epsg(epsg).unwrap();
    let mut lines = Vec::new();
    for (index, f) in json["features"].as_array().unwrap().iter().enumerate() {
        let tags = &f["properties"];
        let Some(kind) = kind_of(tags["layer"].as_str().unwrap_or("")) else { continue };
        let yes = |tag: &str| tags[tag].as_str().is_some_and(|v| v != "no");
        let layer = tags["osm_layer"].as_str().and_then(|v| v.parse().ok()).unwrap_or(0);
        let parts = match f["geometry"]["type"].as_str().unwrap() {
            "LineString" => vec![f["geometry"]["coordinates"].clone()],
            _ => f["geometry"]["coordinates"].as_array().unwrap().clone(),
        };
        for part in parts {
            let path: Vec<LonLat> = part
                .as_array()
                .unwrap()
                .iter()
                .map(|c| LonLat::new(c[0].as_f64().unwrap(), c[1].as_f64().unwrap()).unwrap())
                .collect();
            let ground = frame.path_to_ground(&path).unwrap();
            let what = Line { bridge: yes("bridge"), tunnel: yes("tunnel"), layer, ..line(kind, index) };
            lines.push(Traced { what, path, ground });
        }
    }
    lines
}
