//! The siting room on small invented tracks, each part worked out again by other means. What a user can
//! ask of `sites` is in `tests/site_demands.rs`; the choice against trying everything in
//! `tests/site_choice.rs`.

mod choices;
mod feet;
mod keeping_out;
mod values;
mod words;

use std::path::Path;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;
use crate::frame::{Frame, GroundPoint, Placed, Traced};
use crate::network::{KindSet, Network, NetworkSettings, TravelGraph};
use crate::record::{Line, LineKind, SourcePlace};

const WEST_M: f64 = 500_000.0;
const SOUTH_M: f64 = 6_100_000.0;

fn source() -> SourcePlace {
    SourcePlace { file: Path::new("lines.geojson").into(), index: 0, id: None }
}

fn ground(x: f64, y: f64) -> GroundPoint {
    GroundPoint::new(WEST_M + x, SOUTH_M + y)
}

fn frame() -> Frame {
    Frame::from_epsg(32755).unwrap()
}

fn line(kind: LineKind, way: &[(f64, f64)]) -> Traced<Line> {
    let frame = frame();
    let ground: Vec<GroundPoint> = way.iter().map(|&(x, y)| ground(x, y)).collect();
    let what = Line::new(kind, source());
    Traced { what, path: ground.iter().map(|&p| frame.to_lonlat(p).unwrap()).collect(), ground }
}

fn track(way: &[(f64, f64)]) -> Traced<Line> {
    line(LineKind::Track, way)
}

fn network(lines: &[Traced<Line>]) -> Network {
    Network::build(lines, &[], &NetworkSettings::default()).unwrap()
}

/// Lines with what is made of them.
struct Country {
    frame: Frame,
    lines: Vec<Traced<Line>>,
    network: Network,
    travel: TravelGraph,
    strokes: Strokes,
    keep_outs: KeepOuts,
    never: KeepOuts,
    settings: SitingSettings,
}

impl Country {
    fn new(lines: Vec<Traced<Line>>) -> Self {
        let network = network(&lines);
        let tracks = KindSet::of(LineKind::Track);
        Self {
            frame: frame(),
            travel: TravelGraph::new(&network, tracks),
            strokes: Strokes::new(&network, tracks),
            lines,
            network,
            keep_outs: KeepOuts::new(&[]),
            never: KeepOuts::new(&[]),
            settings: SitingSettings { weightings: 0, ..SitingSettings::default() },
        }
    }

    fn ground(&self) -> Ground<'_> {
        Ground {
            frame: &self.frame,
            lines: &self.lines,
            network: &self.network,
            area: None,
            keep_outs: &self.keep_outs,
            never: &self.never,
        }
    }

    fn candidates(&self) -> Vec<Candidate> {
        let required = required_m(&self.settings, 1.0);
        lay_candidates(&self.ground(), &self.settings, &self.strokes, required).unwrap()
    }
}

fn part(name: &str, weight: f64, value: Vec<f64>) -> Part {
    Part {
        name: name.to_string(),
        weight,
        unit: "",
        from: String::new(),
        by: Vec::new(),
        raw: value.clone(),
        value,
    }
}

/// Two crossing tracks and a third that joins one of them, a kilometre across.
fn crossing() -> Country {
    Country::new(vec![
        track(&[(-1000.0, 0.0), (1000.0, 0.0)]),
        track(&[(0.0, -1000.0), (0.0, 1000.0)]),
        track(&[(600.0, 0.0), (900.0, 500.0)]),
    ])
}
