//! Speed of the line network.
//!
//! Random-walk tracks as in a bush network, 20 and 2 km of line to the km². The peer is GEOS:
//! `python benches/network_peer.py` times it on the same lines in the same session; see
//! docs/network.md for figures.

use std::path::Path;
use std::sync::Arc;

use divan::Bencher;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stakeline::frame::{GroundPoint, LonLat, Traced};
use stakeline::network::{Foot, KindSet, Network, NetworkSettings, TravelGraph};
use stakeline::record::{Line, LineKind, SourcePlace};

fn main() {
    divan::main();
}

/// Standard normal by Box and Muller (1958).
fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (rng.random_range(f64::EPSILON..1.0), rng.random());
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}

/// Tracks of 50 to 200 segments of 20 to 60 m in a square whose side gives the density,
/// folded back at its edges; or those of the file that STAKELINE_BENCH_LINES names
/// (CSV with line, x, y), so that a peer can be timed on the same.
fn tracks(segments: usize, km_per_km2: f64) -> Vec<Traced<Line>> {
    if let Some(file) = std::env::var_os("STAKELINE_BENCH_LINES") {
        return read(Path::new(&file));
    }
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let side_m = (segments as f64 * 0.040 / km_per_km2).sqrt() * 1000.0;
    let fold = |v: f64| ((v + side_m).rem_euclid(2.0 * side_m) - side_m).abs();
    let round = |v: f64| (v * 100.0).round() / 100.0;
    let mut left = segments;
    let mut lines = Vec::new();
    while left > 0 {
        let count = rng.random_range(50..=200_usize).min(left);
        left -= count;
        let (mut x, mut y) = (rng.random_range(0.0..side_m), rng.random_range(0.0..side_m));
        let mut heading = rng.random_range(0.0..std::f64::consts::TAU);
        let mut path = Vec::with_capacity(count + 1);
        path.push(GroundPoint::new(round(x), round(y)));
        for _ in 0..count {
            heading += 0.15 * normal(&mut rng);
            let step_m = rng.random_range(20.0..60.0);
            x += step_m * heading.cos();
            y += step_m * heading.sin();
            path.push(GroundPoint::new(round(fold(x)), round(fold(y))));
        }
        lines.push(line(path));
    }
    lines
}

fn read(file: &Path) -> Vec<Traced<Line>> {
    let text = std::fs::read_to_string(file).expect("the file of lines");
    let mut lines: Vec<Vec<GroundPoint>> = Vec::new();
    for row in text.lines().skip(1) {
        let mut fields = row.split(',').map(|f| f.parse::<f64>().expect("a number"));
        let (k, x, y) = (fields.next().unwrap() as usize, fields.next().unwrap(), fields.next().unwrap());
        if lines.len() <= k {
            lines.resize(k + 1, Vec::new());
        }
        lines[k].push(GroundPoint::new(x, y));
    }
    lines
        .into_iter()
        .map(|mut path| {
            path.shrink_to_fit();
            line(path)
        })
        .collect()
}

fn line(ground: Vec<GroundPoint>) -> Traced<Line> {
    let source = SourcePlace { file: Arc::from(Path::new("bench.geojson")), index: 0, id: None };
    let what = Line::new(LineKind::Track, source);
    let nowhere = LonLat::new(0.0, 0.0).expect("a place");
    Traced { what, path: vec![nowhere; ground.len()], ground }
}

fn settings(snap_m: f64, merge_m: f64) -> NetworkSettings {
    NetworkSettings { snap_m, merge_m, ..NetworkSettings::default() }
}

/// Noding: edges between nodes with their degrees, and the input lines that edges carry.
#[divan::bench(args = [(100_000, 20.0), (1_000_000, 20.0), (1_000_000, 2.0)], sample_count = 7, sample_size = 1)]
fn noding(bencher: Bencher, (segments, density): (usize, f64)) {
    let lines = tracks(segments, density);
    bencher.bench_local(|| {
        let network = Network::build(&lines, &[], &settings(0.0, 0.0)).expect("a network");
        assert!(network.edges().len() > lines.len());
        network
    });
}

/// With the ways at every node too.
#[divan::bench(args = [(1_000_000, 20.0)], sample_count = 7, sample_size = 1)]
fn noding_and_ways(bencher: Bencher, (segments, density): (usize, f64)) {
    let lines = tracks(segments, density);
    bencher.bench_local(|| {
        let network = Network::build(&lines, &[], &settings(0.0, 0.0)).expect("a network");
        assert!(!network.ways_deg(0).is_empty());
        network
    });
}

/// How time grows with size: `cargo bench --bench network -- --ignored growth`.
#[divan::bench(ignore, args = [100_000, 1_000_000, 3_000_000, 10_000_000], sample_count = 5, sample_size = 1)]
fn growth(bencher: Bencher, segments: usize) {
    let lines = tracks(segments, 20.0);
    bencher.bench_local(|| {
        let network = Network::build(&lines, &[], &settings(0.0, 0.0)).expect("a network");
        assert!(!network.ways_deg(0).is_empty());
        network
    });
}

/// With gaps closed and overshoots cut at 5 m.
#[divan::bench(args = [(1_000_000, 20.0)], sample_count = 7, sample_size = 1)]
fn noding_and_gaps(bencher: Bencher, (segments, density): (usize, f64)) {
    let lines = tracks(segments, density);
    bencher.bench_local(|| Network::build(&lines, &[], &settings(5.0, 0.0)).expect("a network"));
}

/// With passes merged too.
#[divan::bench(args = [(1_000_000, 20.0)], sample_count = 3, sample_size = 1)]
fn everything(bencher: Bencher, (segments, density): (usize, f64)) {
    let lines = tracks(segments, density);
    bencher.bench_local(|| Network::build(&lines, &[], &settings(5.0, 5.0)).expect("a network"));
}

/// The most memory that the process has held, in megabytes; none where the system does not say.
fn peak_mb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    let kib: u64 = line.trim().trim_end_matches(" kB").parse().ok()?;
    Some(kib * 1024 / 1_000_000)
}

/// Ten million segments with gaps closed and the ways at every node, held to the memory aimed at: the
/// whole process, lines included. Run by itself, since the peak is that of all that ran before:
/// `cargo bench --bench network -- --ignored ten_million`.
#[divan::bench(ignore, args = [0.0, 5.0], sample_count = 1, sample_size = 1)]
fn ten_million(bencher: Bencher, snap_m: f64) {
    let lines = tracks(10_000_000, 20.0);
    bencher.bench_local(|| {
        let network = Network::build(&lines, &[], &settings(snap_m, 0.0)).expect("a network");
        let built = peak_mb();
        assert!(!network.ways_deg(0).is_empty());
        let peak = peak_mb();
        println!("peak {built:?} MB, with the ways {peak:?} MB");
        assert!(peak.is_none_or(|mb| mb < 1500));
        network
    });
}

/// A network as a peer stores it: a line for every edge of the files that STAKELINE_BENCH_NET
/// names without their endings (`.v.csv` with x, y and `.e.csv` with a, b); else 2000 km of
/// tracks, 4 km to the km².
fn network() -> Network {
    let lines = match std::env::var("STAKELINE_BENCH_NET") {
        Err(_) => tracks(65_000, 4.0),
        Ok(stem) => {
            let rows = |ending: &str| -> Vec<(f64, f64)> {
                let text =
                    std::fs::read_to_string(format!("{stem}{ending}")).expect("the files of the network");
                let pair = |row: &str| {
                    let (a, b) = row.split_once(',').expect("two fields");
                    (a.parse().expect("a number"), b.parse().expect("a number"))
                };
                text.lines().skip(1).map(pair).collect()
            };
            let vertices = rows(".v.csv");
            let at = |v: f64| GroundPoint::new(vertices[v as usize].0, vertices[v as usize].1);
            rows(".e.csv").into_iter().map(|(a, b)| line(vec![at(a), at(b)])).collect()
        }
    };
    Network::build(&lines, &[], &settings(0.0, 0.0)).expect("a network")
}

/// All distances among 300 stations; building the contracted graph counts too.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn distances_of_300_stations(bencher: Bencher) {
    let network = network();
    let mut rng = ChaCha8Rng::seed_from_u64(13);
    let feet: Vec<Foot> = (0..300)
        .map(|_| {
            let edge = rng.random_range(0..network.edges().len()) as u32;
            network.foot_at(edge, rng.random_range(0.0..network.edges()[edge as usize].length_m))
        })
        .collect();
    bencher.bench_local(|| {
        let graph = TravelGraph::new(&network, KindSet::of(LineKind::Track));
        graph.distances(&feet, &feet, f64::INFINITY)
    });
}
