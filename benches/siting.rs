//! Spaced selection on candidates of a smooth surface along random-walk tracks, and on the
//! candidates of other programs where `STAKELINE_PEER_DATA` names the folder that holds
//! them (`cand_KM_N.csv`: edge,t,x,y,score; `conf_KM_N.csv`: conflicting pairs). Peak on
//! those: maximum weight, gap 0, asserted against the optimum the other program proved.

use std::path::PathBuf;

use divan::{Bencher, black_box};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stakeline::siting::select::{Conflicts, Limits, Problem, select};

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

fn peer(km: u32, n: u32) -> Option<Problem> {
    let folder = PathBuf::from(std::env::var_os("STAKELINE_PEER_DATA")?);
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).ok();
    let (candidates, pairs) = (read(&format!("cand_{km}_{n}.csv"))?, read(&format!("conf_{km}_{n}.csv"))?);
    let rows: Vec<Vec<f64>> = candidates
        .lines()
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().expect("the file holds numbers")).collect())
        .collect();
    // Numbered along the edges, as candidates are.
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by(|&a, &b| rows[a][0].total_cmp(&rows[b][0]).then(rows[a][1].total_cmp(&rows[b][1])));
    let mut number = vec![0_u32; rows.len()];
    order.iter().enumerate().for_each(|(k, &v)| number[v] = k as u32);
    let pairs: Vec<(u32, u32)> = pairs
        .lines()
        .skip(1)
        .filter_map(|line| line.split_once(','))
        .map(|(a, b)| {
            let at = |text: &str| number[text.parse::<usize>().expect("the file holds numbers")];
            (at(a), at(b))
        })
        .collect();
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
        assert!(selection.gap() < 0.015, "gap {}", selection.gap());
    });
}
