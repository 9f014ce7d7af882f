//! Edges, the stretches they carry, and the ends that are cut.

use std::collections::HashMap;

use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;

/// Both ends of a block, in blocks; the lesser first.
type Block = [(i64, i64); 2];

/// A line, and where on it the lesser and the greater end of a block lie, in metres.
type Told = (u32, f64, f64);

/// Streets of a town that is a square lattice, in pieces of several blocks that overlap, run either way and
/// come in any order: what edge carries which line where follows from the lattice.
fn streets(rng: &mut ChaCha8Rng, blocks: i32) -> Vec<Vec<(f64, f64)>> {
    let mut paths = Vec::new();
    for k in 0..=blocks {
        let mut from = 0;
        while from < blocks {
            let to = (from + rng.random_range(1..9)).min(blocks);
            for turned in [false, true] {
                // Some blocks are carried by one line only, or by three.
                let (low, high) = ((from - rng.random_range(0..3)).max(0), to);
                let mut path: Vec<(f64, f64)> =
                    [low, high].map(|at| (10.0 * f64::from(at), 10.0 * f64::from(k))).to_vec();
                if turned {
                    path.iter_mut().for_each(|p| *p = (p.1, p.0));
                }
                if rng.random_range(0..2) == 0 {
                    path.reverse();
                }
                paths.push(path);
            }
            from = to;
        }
    }
    paths.shuffle(rng);
    paths
}

#[test]
fn every_block_is_one_edge_with_all_lines_along_it_where_they_pass() {
    let mut rng = ChaCha8Rng::seed_from_u64(61);
    for blocks in [6, 70] {
        let paths = streets(&mut rng, blocks);
        let network = built(&tracks(&paths), &noding_only());
        let side = blocks as usize;
        assert_eq!(
            (network.nodes().len(), network.edges().len()),
            ((side + 1).pow(2), 2 * side * (side + 1))
        );
        // What each block carries: line, and chainage at either end of the path.
        let mut wanted: HashMap<Block, Vec<Told>> = HashMap::new();
        for (line, path) in (0..).zip(&paths) {
            let whole = |p: (f64, f64)| ((p.0 / 10.0).round() as i64, (p.1 / 10.0).round() as i64);
            let (a, b) = (whole(path[0]), whole(path[1]));
            let count = (b.0 - a.0).abs().max((b.1 - a.1).abs());
            let step = ((b.0 - a.0) / count, (b.1 - a.1) / count);
            let at = |k: i64| (a.0 + k * step.0, a.1 + k * step.1);
            for k in 0..count {
                let (p, q) = (at(k), at(k + 1));
                let along = (10.0 * k as f64, 10.0 * (k + 1) as f64);
                let (low_m, high_m) = if p < q { along } else { (along.1, along.0) };
                wanted.entry([p.min(q), p.max(q)]).or_default().push((line, low_m, high_m));
            }
        }
        for edge in 0..network.edges().len() as u32 {
            let (e, path) = (network.edges()[edge as usize], network.path(edge));
            assert_eq!((path.len(), e.length_m), (2, 10.0));
            assert_eq!(
                (network.nodes()[e.from as usize].at, network.nodes()[e.to as usize].at),
                (path[0], path[1])
            );
            let whole = |p: GroundPoint| ((p.x_m / 10.0).round() as i64, (p.y_m / 10.0).round() as i64);
            let (p, q) = (whole(path[0]), whole(path[1]));
            let carried = &wanted[&[p.min(q), p.max(q)]];
            let found: Vec<Told> = network
                .stretches(edge)
                .iter()
                .map(|s| if p < q { (s.line, s.start_m, s.end_m) } else { (s.line, s.end_m, s.start_m) })
                .collect();
            assert_eq!(&found, carried, "from {p:?} to {q:?}");
            // The edge runs as the first of its lines does.
            assert!(network.stretches(edge)[0].start_m < network.stretches(edge)[0].end_m);
        }
        for node in 0..network.nodes().len() as u32 {
            for end in network.ends_at(node) {
                let e = &network.edges()[end.edge as usize];
                assert_eq!(if end.at_to { e.to } else { e.from }, node);
            }
            assert!(network.ends_at(node).is_sorted());
        }
        assert!(network.faults().is_empty());
    }
}

#[test]
fn a_crossing_divides_a_line_at_its_place_along_it() {
    // 3-4-5: a line of 100 m in two pieces, crossed 20 m and 75 m along.
    let bent = track(&[(0.0, 0.0), (30.0, 40.0), (80.0, 40.0)]);
    let across = [line(LineKind::Road, &[(0.0, 16.0), (40.0, 16.0)]), track(&[(55.0, 0.0), (55.0, 90.0)])];
    let network = built(&[bent, across[0].clone(), across[1].clone()], &noding_only());
    let pieces: Vec<(f64, f64)> = network.line_pieces(0).iter().map(|p| (p.low_m, p.high_m)).collect();
    assert_eq!(pieces.len(), 3);
    for (found, wanted) in pieces.iter().zip([(0.0, 20.0), (20.0, 75.0), (75.0, 100.0)]) {
        assert!((found.0 - wanted.0).abs() < 1e-9 && (found.1 - wanted.1).abs() < 1e-9, "{found:?}");
    }
    assert_eq!(network.report().crossings, 2);
    assert_eq!([0, 1, 2].map(|line| network.line_length_m(line)), [Some(100.0), Some(40.0), Some(90.0)]);
    assert_eq!((network.line_length_m(3), network.line_pieces(3).len()), (None, 0));
    assert!((network.length_m() - 230.0).abs() < 1e-9);
    let of_kind_m = |kind| network.length_of_kind_m(kind);
    assert!(
        (of_kind_m(LineKind::Track) - 190.0).abs() < 1e-9 && (of_kind_m(LineKind::Road) - 40.0).abs() < 1e-9
    );
    assert_eq!(of_kind_m(LineKind::Creek), 0.0);
    assert_eq!(network.degree_histogram(), [0, 6, 0, 0, 2]);
}

/// What is left of a track east through 100 m across which others run, as (west end, east end) of it, and
/// the metres that near misses say were cut.
fn cut(from_m: f64, to_m: f64, snap_m: f64, across: &[f64]) -> (f64, f64, Vec<f64>, f64) {
    let mut lines = vec![track(&[(from_m, 0.0), (to_m, 0.0)])];
    lines.extend(across.iter().map(|&x_m| track(&[(x_m, -50.0), (x_m, 50.0)])));
    let network = built(&lines, &NetworkSettings { snap_m, merge_m: 0.0, ..NetworkSettings::default() });
    assert!(network.faults().is_empty(), "{:?}", network.faults());
    let pieces = network.line_pieces(0);
    let mut cuts: Vec<f64> =
        network.near_misses().iter().filter(|n| n.kind == NearMissKind::Overshoot).map(|n| n.gap_m).collect();
    cuts.sort_by(f64::total_cmp);
    let ends = (from_m + pieces[0].low_m, from_m + pieces[pieces.len() - 1].high_m);
    (ends.0, ends.1, cuts, network.report().cut_m)
}

#[test]
fn ends_are_cut_back_to_the_first_line_they_cross_within_the_snap_distance() {
    let across = [0.0, 100.0];
    assert_eq!(cut(-3.0, 104.0, 5.0, &across), (0.0, 100.0, vec![3.0, 4.0], 7.0));
    assert_eq!(cut(-5.0, 105.0, 5.0, &across), (0.0, 100.0, vec![5.0, 5.0], 10.0), "just so far");
    assert_eq!(cut(-5.02, 104.0, 5.0, &across), (-5.02, 100.0, vec![4.0], 4.0));
    assert_eq!(cut(-3.0, 105.02, 5.0, &across), (0.0, 105.02, vec![3.0], 3.0));
    assert_eq!(cut(0.0, 100.0, 5.0, &across), (0.0, 100.0, vec![], 0.0));
    // Two lines across the tail: the end goes back to the one next to it.
    assert_eq!(cut(0.0, 104.0, 5.0, &[0.0, 100.0, 102.0]), (0.0, 102.0, vec![2.0], 2.0));
}

#[test]
fn a_line_of_which_no_more_than_the_snap_distance_would_be_left_is_not_cut() {
    assert_eq!(cut(-2.0, 7.5, 5.0, &[0.0, 5.5]), (0.0, 5.5, vec![2.0, 2.0], 4.0));
    assert_eq!(cut(-2.0, 7.0, 5.0, &[0.0, 5.0]), (-2.0, 7.0, vec![], 0.0));
    assert_eq!(cut(-2.0, 2.0, 5.0, &[0.0]), (-2.0, 2.0, vec![], 0.0), "both tails end at one node");
}

#[test]
fn gates_stand_at_the_nearest_node_of_a_fence_within_the_snap_distance() {
    use crate::frame::Placed;
    use crate::record::Gate;
    let fence = line(LineKind::Fence, &[(0.0, 0.0), (200.0, 0.0)]);
    let lines = [fence, track(&[(50.0, -60.0), (50.0, 60.0)]), track(&[(56.0, -60.0), (56.0, 60.0)])];
    let gated = |x_m: f64, y_m: f64| {
        let source = SourcePlace { file: Arc::from(Path::new("gates.csv")), index: 0, id: None };
        let gate = Placed {
            what: Gate { name: None, source },
            at: LonLat::new(0.0, 0.0).unwrap(),
            ground: GroundPoint::new(x_m, y_m),
        };
        let settings = NetworkSettings { merge_m: 0.0, ..NetworkSettings::default() };
        let network = Network::build(&lines, &[gate], &settings).unwrap();
        network.nodes().iter().filter(|n| n.gate).map(|n| n.at.x_m).collect::<Vec<f64>>()
    };
    assert_eq!(gated(50.0, 0.0), [50.0]);
    assert_eq!(gated(52.5, 1.0), [50.0]);
    assert_eq!(gated(53.5, -1.0), [56.0]);
    assert_eq!(gated(46.0, 3.0), [50.0], "just 5 m off");
    assert_eq!(gated(45.9, 3.0), [] as [f64; 0]);
    assert_eq!(gated(100.0, 0.0), [] as [f64; 0], "on the fence but at no node");
    assert_eq!(gated(50.0, 20.0), [] as [f64; 0], "on a track but at no fence");
    assert_eq!(gated(199.0, 0.0), [200.0]);
}
