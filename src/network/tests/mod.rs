//! The room's own parts against plain definitions, brute force and small cases worked out by hand. What the
//! room does as a whole is held to the outside in `tests/network`.

mod blocks;
mod faults;
mod feet;
mod levels;
mod merging;
mod travel;
mod ways;
mod words;

use std::path::Path;
use std::sync::Arc;

use super::*;
use crate::frame::{GroundPoint, LonLat, Traced};
use crate::record::{Line, LineKind, SourcePlace};

/// A line of a kind along a path in frame metres; its places on the ellipsoid play no part.
pub(super) fn line(kind: LineKind, path: &[(f64, f64)]) -> Traced<Line> {
    let source = SourcePlace { file: Arc::from(Path::new("test.geojson")), index: 0, id: None };
    Traced {
        what: Line::new(kind, source),
        path: vec![LonLat::new(0.0, 0.0).unwrap(); path.len()],
        ground: path.iter().map(|&(x_m, y_m)| GroundPoint::new(x_m, y_m)).collect(),
    }
}

pub(super) fn track(path: &[(f64, f64)]) -> Traced<Line> {
    line(LineKind::Track, path)
}

pub(super) fn tracks(paths: &[Vec<(f64, f64)>]) -> Vec<Traced<Line>> {
    paths.iter().map(|path| track(path)).collect()
}

/// Noding alone: nothing is merged and no gap closed.
pub(super) fn noding_only() -> NetworkSettings {
    NetworkSettings { snap_m: 0.0, merge_m: 0.0, ..NetworkSettings::default() }
}

pub(super) fn built(lines: &[Traced<Line>], settings: &NetworkSettings) -> Network {
    Network::build(lines, &[], settings).unwrap()
}

/// The node at a place.
pub(super) fn node_at(network: &Network, x_m: f64, y_m: f64) -> u32 {
    let at = GroundPoint::new(x_m, y_m);
    network.nodes().iter().position(|n| n.at.distance_m(at) < 0.01).unwrap() as u32
}
