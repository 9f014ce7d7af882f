//! Density along lines on bush tracks, 10,000 records, σ 500 m (equal splits 100 m).
//!
//! The network is that of `STAKELINE_PEER_DATA` (files `net_KM.v.csv`, `net_KM.e.csv`,
//! `netpts_KM_10000.csv`: vertices x,y; edges a,b; points edge,t) where it is set, so that
//! other programs can be timed on the same; otherwise tracks of random walks at 4 km per km².

use std::path::Path;
use std::sync::LazyLock;

use divan::{Bencher, black_box};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stakeline::frame::{GroundPoint, Traced};
use stakeline::network::{Network, NetworkSettings};
use stakeline::record::{Line, LineKind, SourcePlace};
use stakeline::surface::Kernel;
use stakeline::surface::along::{
    EdgePoint, GraphEdge, LineGraph, LineKernel, LineSmoother, Pieces, Source, SplitRule, line_graph,
};
use stakeline::surface::effort::{Effort, Passage, Rates};

const RECORDS: usize = 10_000;
const HEAT: LineKernel = LineKernel::Heat { sigma_m: 500.0 };

fn main() {
    divan::main();
}

struct Scene {
    graph: LineGraph,
    smoother: LineSmoother,
    records: Vec<Source>,
    pieces: Pieces,
}

static SCENE_200: LazyLock<Scene> = LazyLock::new(|| scene(200));
static SCENE_2000: LazyLock<Scene> = LazyLock::new(|| scene(2000));

fn scene_of(km: u32) -> &'static Scene {
    if km == 200 { &SCENE_200 } else { &SCENE_2000 }
}

fn scene(km: u32) -> Scene {
    let (graph, records) = match std::env::var_os("STAKELINE_PEER_DATA") {
        Some(folder) => from_files(Path::new(&folder), km),
        None => made_up(km),
    };
    let smoother = LineSmoother::new(graph.clone());
    let pieces = Pieces::cut(&graph, 50.0, |_| true);
    println!(
        "{km} km: {:.0} m, {} edges, {} pieces",
        graph.length_m(),
        graph.edges().len(),
        pieces.as_slice().len()
    );
    Scene { graph, smoother, records, pieces }
}

fn from_files(folder: &Path, km: u32) -> (LineGraph, Vec<Source>) {
    let rows = |name: String| -> Vec<Vec<f64>> {
        let text = std::fs::read_to_string(folder.join(&name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        text.lines().skip(1).map(|line| line.split(',').map(|v| v.parse().unwrap()).collect()).collect()
    };
    let vertices = rows(format!("net_{km}.v.csv"));
    let length_m =
        |a: usize, b: usize| (vertices[a][0] - vertices[b][0]).hypot(vertices[a][1] - vertices[b][1]);
    let edges: Vec<GraphEdge> = rows(format!("net_{km}.e.csv"))
        .iter()
        .map(|row| {
            let (a, b) = (row[0] as usize, row[1] as usize);
            GraphEdge { from: a as u32, to: b as u32, length_m: length_m(a, b) }
        })
        .collect();
    let records = rows(format!("netpts_{km}_{RECORDS}.csv"))
        .iter()
        .map(|row| {
            let along_m = row[1] * edges[row[0] as usize].length_m;
            Source { at: EdgePoint { edge: row[0] as u32, along_m }, weight: 1.0 }
        })
        .collect();
    (LineGraph::new(vertices.len(), edges).unwrap(), records)
}

/// Random walks of 50 to 200 steps of 20 to 60 m in a box, folded at its sides.
fn made_up(km: u32) -> (LineGraph, Vec<Source>) {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let side_m = (f64::from(km) / 4.0).sqrt() * 1000.0;
    let fold = |v: f64| ((v + side_m).rem_euclid(2.0 * side_m) - side_m).abs();
    let (mut lines, mut total_m) = (Vec::new(), 0.0);
    while total_m < f64::from(km) * 1000.0 {
        let mut at = GroundPoint::new(rng.random::<f64>() * side_m, rng.random::<f64>() * side_m);
        let mut heading = rng.random::<f64>() * std::f64::consts::TAU;
        let mut way = vec![at];
        for _ in 0..rng.random_range(50..200) {
            heading += 0.26 * (rng.random::<f64>() + rng.random::<f64>() - 1.0) * 1.4;
            let step_m = rng.random_range(20.0..60.0);
            total_m += step_m;
            at = GroundPoint::new(at.x_m + step_m * heading.cos(), at.y_m + step_m * heading.sin());
            way.push(GroundPoint::new(fold(at.x_m), fold(at.y_m)));
        }
        let source = SourcePlace { file: Path::new("made up").into(), index: lines.len(), id: None };
        let what = Line::new(LineKind::Track, source);
        lines.push(Traced { what, path: Vec::new(), ground: way });
    }
    let settings = NetworkSettings { snap_m: 0.01, merge_m: 0.0, ..NetworkSettings::default() };
    let network = Network::build(&lines, &[], &settings).unwrap();
    let graph = line_graph(&network, |_| true);
    let records = (0..RECORDS)
        .map(|_| {
            let edge = rng.random_range(0..graph.edges().len());
            let along_m = rng.random::<f64>() * graph.edges()[edge].length_m;
            Source { at: EdgePoint { edge: edge as u32, along_m }, weight: 1.0 }
        })
        .collect();
    (graph, records)
}

/// Contraction and elimination order, once a network.
#[divan::bench(args = [200, 2000])]
fn prepare(bencher: Bencher, km: u32) {
    let scene = scene_of(km);
    bencher.bench_local(|| LineSmoother::new(black_box(scene.graph.clone())));
}

/// The mean density over every piece of 50 m; the mass is right to 1e-9.
#[divan::bench(args = [200, 2000])]
fn heat_kernel(bencher: Bencher, km: u32) {
    let scene = scene_of(km);
    let run = || scene.pieces.mean_density(&scene.smoother, HEAT, black_box(&scene.records)).unwrap();
    let mass: f64 =
        run().iter().zip(scene.pieces.as_slice()).map(|(per_m, piece)| per_m * piece.length_m()).sum();
    assert!((mass / RECORDS as f64 - 1.0).abs() < 1e-9, "{mass}");
    bencher.bench_local(run);
}

/// The cross-validated bandwidth between 50 m and 5 km.
#[divan::bench(args = [200, 2000])]
fn cross_validation(bencher: Bencher, km: u32) {
    let scene = scene_of(km);
    let run = || scene.smoother.likelihood_bandwidth(black_box(&scene.records), (50.0, 5000.0)).unwrap();
    println!("{:.1} m", run().sigma_m);
    bencher.bench_local(run);
}

/// Equal splits, quartic, continuous, σ 100 m.
#[divan::bench(args = [200, 2000])]
fn equal_split(bencher: Bencher, km: u32) {
    let scene = scene_of(km);
    let kernel = LineKernel::new(Kernel::Quartic, SplitRule::Continuous, 100.0);
    let run = || scene.pieces.mean_density(&scene.smoother, kernel, black_box(&scene.records)).unwrap();
    let mass: f64 =
        run().iter().zip(scene.pieces.as_slice()).map(|(per_m, piece)| per_m * piece.length_m()).sum();
    assert!((mass / RECORDS as f64 - 1.0).abs() < 1e-9, "{mass}");
    bencher.bench_local(run);
}

/// Rates with both intervals at the middle of every piece, all line searched.
#[divan::bench(args = [200], sample_count = 10)]
fn rates(bencher: Bencher, km: u32) {
    let scene = scene_of(km);
    let passages = scene.graph.edges().iter().zip(0..).map(|(edge, index)| Passage {
        edge: index,
        from_m: 0.0,
        to_m: edge.length_m,
        passes: f64::from(1 + index % 4),
        date: None,
    });
    let effort = Effort::new(scene.graph.edges().len(), passages);
    let middles: Vec<EdgePoint> = scene.pieces.as_slice().iter().map(|piece| piece.middle()).collect();
    bencher.bench_local(|| {
        let rates = Rates::new(&scene.smoother, HEAT, &effort, black_box(&scene.records), 0.95).unwrap();
        rates.at(&middles).unwrap()
    });
}
