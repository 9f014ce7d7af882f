//! Spaced selection on candidates of a smooth surface along random-walk tracks, and on the
//! candidates of other programs where `STAKELINE_PEER_DATA` names the folder that holds
//! them (`cand_KM_N.csv`: edge,t,x,y,score; `conf_KM_N.csv`: conflicting pairs; `net_KM.v.csv` and
//! `net_KM.e.csv`: the network). On those the total is the optimum the other program proved,
//! asserted.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use divan::{Bencher, black_box};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use stakeline::frame::{GroundPoint, LonLat, Traced};
use stakeline::network::{Foot, KindSet, Network, NetworkSettings, TravelGraph};
use stakeline::record::{Line, LineKind, SourcePlace};
use stakeline::siting::select::{Conflicts, Limits, Problem, select};
use stakeline::siting::{Apart, conflicts, weighting};

fn main() {
    divan::main();
}

/// (kilometres, candidates, the optimum that HiGHS 1.16.0 with clique rows proved).
const PEERS: [(u32, u32, f64); 5] = [
    (200, 500, 373.5071),
    (2000, 2000, 416.8046),
    (2000, 5000, 588.6132),
    (200, 2000, 496.4614),
    (200, 5000, 589.4035),
];

/// The rows of a file of numbers, its heading left out; `None` where it is not at hand.
fn rows(name: &str) -> Option<Vec<Vec<f64>>> {
    let folder = PathBuf::from(std::env::var_os("STAKELINE_PEER_DATA")?);
    let text = std::fs::read_to_string(folder.join(name)).ok()?;
    let numbers = |line: &str| line.split(',').map(|cell| cell.parse().expect("a number")).collect();
    Some(text.lines().skip(1).map(numbers).collect())
}

fn peer(km: u32, n: u32) -> Option<Problem> {
    let (rows, pairs) = (rows(&format!("cand_{km}_{n}.csv"))?, rows(&format!("conf_{km}_{n}.csv"))?);
    // Numbered along the edges, as candidates are.
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by(|&a, &b| rows[a][0].total_cmp(&rows[b][0]).then(rows[a][1].total_cmp(&rows[b][1])));
    let mut number = vec![0_u32; rows.len()];
    order.iter().enumerate().for_each(|(k, &v)| number[v] = k as u32);
    let pairs: Vec<(u32, u32)> =
        pairs.iter().map(|pair| (number[pair[0] as usize], number[pair[1] as usize])).collect();
    Some(Problem {
        weights: order.iter().map(|&v| (rows[v][4] * 1e6).round() as i64).collect(),
        costs: vec![1; rows.len()],
        conflicts: Conflicts::from_pairs(rows.len(), &pairs),
        budget: None,
    })
}

#[divan::bench(args = PEERS, sample_count = 5)]
fn peers_to_gap_0(bencher: Bencher, (km, n, best): (u32, u32, f64)) {
    let Some(problem) = peer(km, n) else { return };
    bencher.bench(|| {
        let selection = select(black_box(&problem), Limits::default());
        assert_eq!(selection.total, (best * 1e6).round() as i64);
        assert_eq!(selection.upper_bound, selection.total);
    });
}

#[divan::bench(args = PEERS, sample_count = 5)]
fn peers_to_half_a_percent(bencher: Bencher, (km, n, _): (u32, u32, f64)) {
    let Some(problem) = peer(km, n) else { return };
    bencher.bench(|| {
        let selection = select(black_box(&problem), Limits { tolerance: 0.005, ..Limits::default() });
        assert!(selection.gap() <= 0.005);
    });
}

/// The contracted network and a foot for each candidate of a peer's files.
fn feet(km: u32, n: u32) -> Option<(Network, Vec<Foot>)> {
    let (vertices, edges) = (rows(&format!("net_{km}.v.csv"))?, rows(&format!("net_{km}.e.csv"))?);
    let at = |v: f64| GroundPoint::new(vertices[v as usize][0], vertices[v as usize][1]);
    let nowhere = LonLat::new(0.0, 0.0).expect("a place");
    let line = |edge: &Vec<f64>| {
        let source = SourcePlace { file: Arc::from(Path::new("bench.geojson")), index: 0, id: None };
        let what = Line { kind: LineKind::Track, name: None, bridge: false, tunnel: false, layer: 0, source };
        Traced { what, path: vec![nowhere; 2], ground: vec![at(edge[0]), at(edge[1])] }
    };
    let lines: Vec<Traced<Line>> = edges.iter().map(line).collect();
    let settings = NetworkSettings { snap_m: 0.0, merge_m: 0.0, ..NetworkSettings::default() };
    let network = Network::build(&lines, &[], &settings).expect("a network");
    let foot = |row: &Vec<f64>| {
        let line = row[0] as u32;
        let length_m = network.line_length_m(line).expect("a line");
        network.foot_on_line(line, row[1] * length_m).expect("a foot")
    };
    let feet = rows(&format!("cand_{km}_{n}.csv"))?.iter().map(foot).collect();
    Some((network, feet))
}

/// Which of 5000 candidates on 2000 km are within 1000 m of each other, contraction included.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn conflicts_of_peers(bencher: Bencher) {
    let (Some((network, feet)), Some(wanted)) = (feet(2000, 5000), rows("conf_2000_5000.csv")) else {
        return;
    };
    let apart = vec![Apart { travel_m: 1000.0, straight_m: 0.0 }; feet.len()];
    bencher.bench_local(|| {
        let graph = TravelGraph::new(&network, KindSet::of(LineKind::Track));
        let found = conflicts(&graph, &feet, &apart);
        // Vertices are rounded to a centimetre, so a pair at just 1000 m may go either way.
        assert!(found.len().abs_diff(wanted.len()) <= 2, "{} pairs, not {}", found.len(), wanted.len());
        found
    });
}

/// Budgets of 10, 30 and 100 sites on a peer's problem, to gap 0 or what gap the work leaves.
#[divan::bench(args = [10, 30, 100], sample_count = 3, sample_size = 1)]
fn budgets(bencher: Bencher, budget: u32) {
    let Some(mut problem) = peer(200, 2000) else { return };
    problem.budget = Some(budget);
    bencher.bench_local(|| {
        let selection = select(black_box(&problem), Limits::default());
        assert!(selection.gap() < 0.005, "gap {}", selection.gap());
    });
}

/// 1000 weightings of a peer's score, a smooth hill and noise, drawn evenly from all proportions
/// and each solved to half a percent, in parallel; and one alone, to compare.
#[divan::bench(args = [1, 1000], sample_count = 1, sample_size = 1)]
fn weightings(bencher: Bencher, number: u64) {
    let Some(problem) = peer(2000, 2000) else { return };
    let most = problem.weights.iter().copied().max().unwrap_or(1) as f64;
    let n = problem.weights.len();
    let parts = |v: usize, rng: &mut ChaCha8Rng| {
        let hill = 0.5 + 0.5 * (v as f64 / n as f64 * 40.0).sin();
        [problem.weights[v] as f64 / most, hill, rng.random::<f64>()]
    };
    let mut rng = ChaCha8Rng::seed_from_u64(21);
    let parts: Vec<[f64; 3]> = (0..n).map(|v| parts(v, &mut rng)).collect();
    bencher.bench_local(|| {
        (0..number).into_par_iter().for_each(|k| {
            let weights = weighting(21, k, 3);
            let score = |p: &[f64; 3]| p.iter().zip(&weights).map(|(p, w)| p * w).sum::<f64>();
            let again = Problem {
                weights: parts.iter().map(|p| (score(p) * 1e6).round() as i64).collect(),
                ..problem.clone()
            };
            let selection = select(&again, Limits { tolerance: 0.005, ..Limits::default() });
            assert!(selection.gap() <= 0.005);
        });
    });
}

/// Candidates every 50 m along a comb of tracks with cross links, scores from a few smooth
/// hills: the hard kind, near equal neighbours everywhere.
fn smooth(tracks: usize, track_m: f64) -> Problem {
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let hills: Vec<(f64, f64)> = (0..12)
        .map(|_| (rng.random_range(0.0..track_m), rng.random_range(0.0..tracks as f64 * 700.0)))
        .collect();
    let mut at = Vec::new();
    for track in 0..tracks {
        let steps = (track_m / 50.0) as usize;
        at.extend((0..=steps).map(|k| (k as f64 * 50.0, track as f64 * 700.0)));
    }
    let score = |&(x, y): &(f64, f64)| {
        let hill = |&(cx, cy): &(f64, f64)| {
            (-((x - cx).powi(2) + (y - cy).powi(2)) / (2.0 * 1500.0_f64.powi(2))).exp()
        };
        ((0.2 + hills.iter().map(hill).sum::<f64>()) * 1e6) as i64
    };
    // Tracks are joined every 2.5 km.
    let travel_m = |a: (f64, f64), b: (f64, f64)| {
        let links = (b.1 - a.1).abs();
        if links == 0.0 {
            return (a.0 - b.0).abs();
        }
        let by = |link: f64| (a.0 - link).abs() + links + (b.0 - link).abs();
        let near = (a.0 / 2500.0).floor() * 2500.0;
        by(near).min(by(near + 2500.0))
    };
    let mut pairs = Vec::new();
    for a in 0..at.len() {
        for b in a + 1..at.len() {
            if (at[a].1 - at[b].1).abs() < 1000.0 && travel_m(at[a], at[b]) < 1000.0 {
                pairs.push((a as u32, b as u32));
            }
        }
    }
    Problem {
        weights: at.iter().map(score).collect(),
        costs: vec![1; at.len()],
        conflicts: Conflicts::from_pairs(at.len(), &pairs),
        budget: None,
    }
}

#[divan::bench(sample_count = 3)]
fn smooth_surface_200_km(bencher: Bencher) {
    let problem = smooth(10, 20_000.0);
    bencher.bench(|| {
        let selection = select(black_box(&problem), Limits::default());
        assert_eq!(selection.total, selection.upper_bound, "gap {}", selection.gap());
    });
}
