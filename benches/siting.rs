//! Spaced selection on candidates of a smooth surface along random-walk tracks, and on the
//! candidates of other programs where `STAKELINE_PEER_DATA` names the folder that holds
//! them (`cand_KM_N.csv`: edge,t,x,y,score; `conf_KM_N.csv`: conflicting pairs; `net_KM.v.csv` and
//! `net_KM.e.csv`: the network). On those the total is the optimum the other program proved,
//! asserted. Coverage is benched on made-up tracks, which need no files.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use divan::{Bencher, black_box};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use stakeline::frame::{GroundPoint, LonLat, Traced};
use stakeline::network::{Foot, KindSet, Network, NetworkSettings, TravelGraph};
use stakeline::record::{Line, LineKind, SourcePlace};
use stakeline::siting::select::{Conflicts, Coverage, Limits, Problem, cover, select};
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
        conflicts: Conflicts::from_pairs(rows.len(), &pairs).into(),
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
    let lines: Vec<Traced<Line>> = edges.iter().map(|edge| track(vec![at(edge[0]), at(edge[1])])).collect();
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
        let found = conflicts(&graph, &feet, &[], &apart);
        // Vertices are rounded to a centimetre, so a pair at just 1000 m may go either way.
        assert!(found.pairs().abs_diff(wanted.len()) <= 2, "{} pairs, not {}", found.pairs(), wanted.len());
        found
    });
}

/// (kilometres, candidates, sites): three budgets on each of the peers' problems.
const BUDGETS: [(u32, u32, u32); 15] = {
    const SITES: [u32; 3] = [10, 30, 100];
    let mut all = [(0, 0, 0); 15];
    let mut k = 0;
    while k < 15 {
        all[k] = (PEERS[k / 3].0, PEERS[k / 3].1, SITES[k % 3]);
        k += 1;
    }
    all
};

/// To gap 0 or what gap the work leaves; to be compared with the free choice above.
#[divan::bench(args = BUDGETS, sample_count = 3, sample_size = 1)]
fn budgets(bencher: Bencher, (km, n, budget): (u32, u32, u32)) {
    let Some(mut problem) = peer(km, n) else { return };
    problem.budget = Some(budget);
    let gap = select(&problem, Limits::default()).gap();
    println!("gap {:.3} %", 100.0 * gap);
    assert!(gap < 0.005, "gap {gap}");
    bencher.bench_local(|| select(black_box(&problem), Limits::default()));
}

/// One candidate in twenty is a hot node that may hold three sites: beside its own item it has one of
/// weight 1.75 and cost 3 and one of weight 1.5 and cost 2, with its conflicts and against each other,
/// as clusters are put to the search; without a budget and with one of 100.
#[divan::bench(args = [(200, 500), (2000, 2000), (2000, 5000), (200, 2000), (200, 5000)], sample_count = 3, sample_size = 1)]
fn clusters(bencher: Bencher, (km, n): (u32, u32)) {
    let Some(base) = peer(km, n) else { return };
    let mut problem = base.clone();
    let mut pairs: Vec<(u32, u32)> = Vec::new();
    for v in 0..n {
        pairs.extend(base.conflicts.of(v).filter(|&u| u > v).map(|u| (v, u)));
    }
    for v in (0..n).step_by(20) {
        let own = problem.weights[v as usize];
        let first = problem.weights.len() as u32;
        for (k, (weight, cost)) in [(own * 3 / 2, 2), (own * 7 / 4, 3)].into_iter().enumerate() {
            let item = first + k as u32;
            pairs.extend((first..item).chain([v]).chain(base.conflicts.of(v)).map(|u| (u, item)));
            // Those beside other hot nodes stand against each other as the nodes do.
            for u in base.conflicts.of(v).filter(|&u| u < v && u % 20 == 0) {
                let other = n + u / 20 * 2;
                pairs.extend([(other, item), (other + 1, item)]);
            }
            problem.weights.push(weight);
            problem.costs.push(cost);
        }
    }
    problem.conflicts = Conflicts::from_pairs(problem.weights.len(), &pairs).into();
    bencher.bench_local(|| {
        for budget in [None, Some(100)] {
            problem.budget = budget;
            let selection = select(black_box(&problem), Limits::default());
            assert!(selection.gap() < 0.005, "gap {}", selection.gap());
        }
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

/// Coverage: length of the network in km, least travel between sites in metres, budget, reach in
/// metres.
const COVERAGE: [(u32, f64, u32, f64); 20] = {
    const ASKED: [(u32, f64); 5] = [(10, 1000.0), (20, 500.0), (50, 500.0), (100, 500.0), (20, 1500.0)];
    const KINDS: [(u32, f64); 4] = [(200, 0.0), (200, 1000.0), (2000, 0.0), (2000, 1000.0)];
    let mut all = [(0, 0.0, 0, 0.0); 20];
    let mut k = 0;
    while k < 20 {
        all[k] = (KINDS[k / 5].0, KINDS[k / 5].1, ASKED[k % 5].0, ASKED[k % 5].1);
        k += 1;
    }
    all
};

/// Coverage of 5000 places by 2000 candidates to a gap of half a percent, or what gap is left. Where
/// fifty or a hundred sites reach as far as half the spacing on the denser network, the relaxation
/// itself is further from the best choice than that.
#[divan::bench(args = COVERAGE, sample_count = 3, sample_size = 1)]
fn coverage(bencher: Bencher, (km, apart_m, budget, reach_m): (u32, f64, u32, f64)) {
    let problem = places_and_demand(km, apart_m, budget, reach_m);
    let limits = Limits { tolerance: 0.005, ..Limits::default() };
    let selection = cover(&problem, limits);
    println!("gap {:.2} %", 100.0 * selection.gap());
    assert!(selection.gap() < 0.03, "gap {}", selection.gap());
    bencher.bench(|| cover(black_box(&problem), limits));
}

/// 2000 candidates and 5000 places of demand anywhere on tracks that wander about a square with 4 km
/// of track per km² (2000 km: 0.5 km per km²); what a place is worth falls off from fifteen hills.
fn places_and_demand(km: u32, apart_m: f64, budget: u32, reach_m: f64) -> Coverage {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let network = wandering(km, &mut rng);
    let lengths: Vec<f64> = network.edges().iter().map(|edge| edge.length_m).collect();
    let mut feet: Vec<Foot> = (0..2000).map(|_| anywhere(&network, &lengths, &mut rng)).collect();
    feet.sort_by(|a, b| a.edge.cmp(&b.edge).then(a.along_m.total_cmp(&b.along_m)));
    let places: Vec<GroundPoint> = (0..5000).map(|_| anywhere(&network, &lengths, &mut rng).at).collect();
    let hills: Vec<GroundPoint> = (0..15).map(|_| feet[rng.random_range(0..feet.len())].at).collect();
    let hill = |at: GroundPoint, top: &GroundPoint| (-(at.distance_m(*top) / 1500.0).powi(2) / 2.0).exp();
    let worth =
        |&at: &GroundPoint| ((0.05 + hills.iter().map(|top| hill(at, top)).sum::<f64>()) * 1e4) as i64;
    let near = |foot: &Foot| {
        (0..).zip(&places).filter(|(_, at)| foot.at.distance_m(**at) <= reach_m).map(|(j, _)| j).collect()
    };
    let conflicts = if apart_m > 0.0 {
        let apart = vec![Apart { travel_m: apart_m, straight_m: 0.0 }; feet.len()];
        conflicts(&TravelGraph::new(&network, KindSet::of(LineKind::Track)), &feet, &[], &apart)
    } else {
        Conflicts::from_pairs(feet.len(), &[])
    };
    let reaches = feet.iter().map(near).collect();
    Coverage {
        demand: places.iter().map(worth).collect(),
        reaches,
        conflicts: conflicts.into(),
        budget: Some(budget),
    }
}

fn anywhere(network: &Network, lengths: &[f64], rng: &mut ChaCha8Rng) -> Foot {
    let mut left_m = rng.random::<f64>() * lengths.iter().sum::<f64>();
    let mut edge = 0;
    while edge + 1 < lengths.len() && left_m > lengths[edge] {
        left_m -= lengths[edge];
        edge += 1;
    }
    network.foot_at(edge as u32, left_m.min(lengths[edge]))
}

/// Random walks of 50 to 200 steps of 20 to 60 m in a square, folded at its sides.
fn wandering(km: u32, rng: &mut ChaCha8Rng) -> Network {
    let per_km2 = if km > 1000 { 0.5 } else { 4.0 };
    let side_m = (f64::from(km) / per_km2).sqrt() * 1000.0;
    let fold = |v: f64| ((v + side_m).rem_euclid(2.0 * side_m) - side_m).abs();
    let (mut lines, mut total_m) = (Vec::new(), 0.0);
    while total_m < f64::from(km) * 1000.0 {
        let (mut x_m, mut y_m) = (rng.random::<f64>() * side_m, rng.random::<f64>() * side_m);
        let mut heading = rng.random::<f64>() * std::f64::consts::TAU;
        let mut way = vec![GroundPoint::new(x_m, y_m)];
        for _ in 0..rng.random_range(50..200) {
            heading += 0.36 * (rng.random::<f64>() + rng.random::<f64>() - 1.0);
            let step_m = rng.random_range(20.0..60.0);
            total_m += step_m;
            (x_m, y_m) = (x_m + step_m * heading.cos(), y_m + step_m * heading.sin());
            way.push(GroundPoint::new(fold(x_m), fold(y_m)));
        }
        lines.push(track(way));
    }
    let settings = NetworkSettings { snap_m: 0.01, merge_m: 0.0, ..NetworkSettings::default() };
    Network::build(&lines, &[], &settings).expect("a network")
}

fn track(ground: Vec<GroundPoint>) -> Traced<Line> {
    let source = SourcePlace { file: Arc::from(Path::new("bench.geojson")), index: 0, id: None };
    let what = Line::new(LineKind::Track, source);
    let nowhere = LonLat::new(0.0, 0.0).expect("a place");
    Traced { what, path: vec![nowhere; ground.len()], ground }
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
        conflicts: Conflicts::from_pairs(at.len(), &pairs).into(),
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
