//! Distances and ways on the travel graph against all pairs of nodes by Floyd and Warshall.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;
use crate::network::eliminate::Elimination;

const EVERYWHERE_M: f64 = f64::INFINITY;

/// Tracks and creeks between places of a jittered grid, some of them left out; rings, dead ends and
/// nodes that two edges meet at come of themselves.
fn tangle(rng: &mut ChaCha8Rng) -> Network {
    let place: Vec<(f64, f64)> = (0..49)
        .map(|k| {
            (
                100.0 * f64::from(k % 7) + rng.random_range(0.0..60.0),
                100.0 * f64::from(k / 7) + rng.random_range(0.0..60.0),
            )
        })
        .collect();
    let mut lines = Vec::new();
    for k in 0..49 {
        for other in [k + 1, k + 7, k + 8] {
            if other < 49 && (other == k + 7 || k % 7 < 6) && rng.random_range(0..100) < 42 {
                let kind = if rng.random_range(0..6) == 0 { LineKind::Creek } else { LineKind::Track };
                lines.push(line(kind, &[place[k], place[other]]));
            }
        }
    }
    // A ring on its own, and a loop at one of the places.
    let ring = |x: f64, y: f64| track(&[(x, y), (x + 30.0, y + 5.0), (x + 15.0, y + 30.0), (x, y)]);
    lines.push(ring(1000.0, 0.0));
    lines.push(ring(place[24].0, place[24].1));
    built(&lines, &noding_only())
}

/// Distances between all nodes along the edges of some kinds.
fn between_nodes(network: &Network, kinds: KindSet) -> Vec<Vec<f64>> {
    let n = network.nodes().len();
    let mut metres = vec![vec![EVERYWHERE_M; n]; n];
    (0..n).for_each(|k| metres[k][k] = 0.0);
    for e in network.edges().iter().filter(|e| e.kinds.meets(kinds)) {
        let (a, b) = (e.from as usize, e.to as usize);
        metres[a][b] = metres[a][b].min(e.length_m);
        metres[b][a] = metres[a][b];
    }
    for via in 0..n {
        for a in 0..n {
            for b in 0..n {
                metres[a][b] = metres[a][b].min(metres[a][via] + metres[via][b]);
            }
        }
    }
    metres
}

/// By the ends of the two edges, or along the one they share.
fn between_feet(network: &Network, nodes: &[Vec<f64>], p: &Foot, q: &Foot) -> f64 {
    let ends = |f: &Foot| {
        let e = &network.edges()[f.edge as usize];
        [(e.from, f.along_m), (e.to, e.length_m - f.along_m)]
    };
    let mut least_m = if p.edge == q.edge { (p.along_m - q.along_m).abs() } else { EVERYWHERE_M };
    for (a, to_a_m) in ends(p) {
        for (b, to_b_m) in ends(q) {
            least_m = least_m.min(to_a_m + nodes[a as usize][b as usize] + to_b_m);
        }
    }
    least_m
}

fn same(found: Option<f64>, wanted_m: f64) -> bool {
    found.map_or(wanted_m == EVERYWHERE_M, |m| (m - wanted_m).abs() < 1e-6)
}

fn tracks_only() -> KindSet {
    KindSet::of(LineKind::Track)
}

#[test]
fn distances_are_those_of_the_whole_network_node_by_node() {
    let mut rng = ChaCha8Rng::seed_from_u64(51);
    for _ in 0..12 {
        let network = tangle(&mut rng);
        let nodes = between_nodes(&network, tracks_only());
        let graph = TravelGraph::new(&network, tracks_only());
        let mut foot = |edge: u32| {
            let length_m = network.edges()[edge as usize].length_m;
            network.foot_at(edge, [0.0, length_m, rng.random_range(0.0..length_m)][rng.random_range(0..3)])
        };
        let on_track = |edge: &u32| network.edges()[*edge as usize].kinds.meets(tracks_only());
        let feet: Vec<Foot> = (0..network.edges().len() as u32).filter(on_track).map(&mut foot).collect();
        let eliminated = Elimination::of(&graph).unwrap();
        let rows = eliminated.rows(&graph, &feet, &feet);
        let all = graph.distances(&feet, &feet, EVERYWHERE_M);
        assert_eq!((all.len(), all.is_empty()), (feet.len(), false));
        assert!(graph.distances(&[], &feet, EVERYWHERE_M).is_empty());
        for (i, row) in rows.iter().enumerate() {
            assert!(
                row.is_sorted_by_key(|r| r.0) && row.iter().copied().eq(all.row(i)),
                "so many are eliminated"
            );
        }
        for (i, from) in feet.iter().enumerate() {
            let searched = graph.distances(std::slice::from_ref(from), &feet, EVERYWHERE_M);
            let near = graph.distances(std::slice::from_ref(from), &feet, 250.0);
            for (j, to) in feet.iter().enumerate() {
                let wanted_m = between_feet(&network, &nodes, from, to);
                assert!(same(all.get(i, j), wanted_m), "eliminated: {:?}, not {wanted_m}", all.get(i, j));
                assert!(
                    same(searched.get(0, j), wanted_m),
                    "searched: {:?}, not {wanted_m}",
                    searched.get(0, j)
                );
                let within_m = if wanted_m <= 250.0 { wanted_m } else { EVERYWHERE_M };
                assert!(same(near.get(0, j), within_m));
                assert_eq!(graph.distance_m(from, to, 250.0), near.get(0, j));
            }
        }
    }
}

#[test]
fn a_way_goes_from_foot_to_foot_as_far_as_their_distance() {
    let mut rng = ChaCha8Rng::seed_from_u64(52);
    for _ in 0..8 {
        let network = tangle(&mut rng);
        let nodes = between_nodes(&network, tracks_only());
        let graph = TravelGraph::new(&network, tracks_only());
        for _ in 0..300 {
            let mut foot = || {
                let edge = rng.random_range(0..network.edges().len() as u32);
                let length_m = network.edges()[edge as usize].length_m;
                network.foot_at(edge, rng.random_range(-10.0..length_m + 10.0))
            };
            let (from, to) = (foot(), foot());
            let carries = |f: &Foot| network.edges()[f.edge as usize].kinds.meets(tracks_only());
            let wanted_m = between_feet(&network, &nodes, &from, &to);
            let Some(way) = graph.way(&from, &to) else {
                assert!(wanted_m == EVERYWHERE_M || !carries(&from) || !carries(&to));
                continue;
            };
            assert!((way.length_m - wanted_m).abs() < 1e-6, "{} m, not {wanted_m} m", way.length_m);
            let (mut at, mut along_m) = (from.at, 0.0);
            for p in &way.pieces {
                assert!(network.edges()[p.edge as usize].kinds.meets(tracks_only()) && p.from_m != p.to_m);
                assert!(network.point_at(p.edge, p.from_m).distance_m(at) < 1e-6, "no jump");
                (at, along_m) = (network.point_at(p.edge, p.to_m), along_m + (p.to_m - p.from_m).abs());
            }
            assert!(at.distance_m(to.at) < 1e-6 && (along_m - wanted_m).abs() < 1e-6);
        }
    }
}

#[test]
fn hubs_are_nodes_that_other_than_two_ends_meet_at() {
    let mut rng = ChaCha8Rng::seed_from_u64(53);
    for kinds in [tracks_only(), KindSet::of(LineKind::Creek), KindSet::from_kinds(&LineKind::ALL)] {
        let network = tangle(&mut rng);
        let graph = TravelGraph::new(&network, kinds);
        let taken = |e: &EdgeEnd| network.edges()[e.edge as usize].kinds.meets(kinds);
        let ends = |n: u32| network.ends_at(n).iter().filter(|e| taken(e)).count();
        let hubs = (0..network.nodes().len() as u32).filter(|&n| !matches!(ends(n), 0 | 2)).count();
        // The ring on its own has one hub more.
        let ring = usize::from(kinds.has(LineKind::Track));
        assert!(graph.hubs() >= hubs + ring && graph.kinds() == kinds);
        let length_m: f64 = graph.chains.iter().map(|c| c.length_m).sum();
        let edges_m: f64 = network.edges().iter().filter(|e| e.kinds.meets(kinds)).map(|e| e.length_m).sum();
        assert!((length_m - edges_m).abs() < 1e-6);
        for (edge, e) in network.edges().iter().enumerate() {
            assert_eq!(graph.of_edge[edge].is_some(), e.kinds.meets(kinds));
        }
        // Where each foot lies on its chain is where the chain's edges put it.
        for (chain, c) in (0..).zip(&graph.chains) {
            let mut along_m = 0.0;
            for e in &graph.chain_edges[c.edges.start as usize..c.edges.end as usize] {
                assert!((e.start_m - along_m).abs() < 1e-9);
                let quarter_m = if e.against { 0.75 } else { 0.25 } * e.length_m;
                let spot = graph.spot(&network.foot_at(e.edge, quarter_m)).unwrap();
                assert_eq!(spot.chain, chain);
                assert!((spot.at_m - along_m - 0.25 * e.length_m).abs() < 1e-9);
                along_m += e.length_m;
            }
            assert!((along_m - c.length_m).abs() < 1e-9);
        }
    }
}

#[test]
fn parts_hang_together_where_a_way_leads_from_one_node_to_the_other() {
    let mut rng = ChaCha8Rng::seed_from_u64(54);
    for _ in 0..6 {
        let network = tangle(&mut rng);
        let nodes = between_nodes(&network, tracks_only());
        let parts = network.components(tracks_only());
        let used = |n: usize| {
            network
                .ends_at(n as u32)
                .iter()
                .any(|e| network.edges()[e.edge as usize].kinds.meets(tracks_only()))
        };
        for a in 0..nodes.len() {
            assert_eq!(parts.of_node[a].is_some(), used(a));
            for b in (0..nodes.len()).filter(|&b| used(a) && used(b)) {
                assert_eq!(parts.of_node[a] == parts.of_node[b], nodes[a][b] < EVERYWHERE_M);
            }
        }
        let numbers: std::collections::BTreeSet<u32> = parts.of_node.iter().flatten().copied().collect();
        assert!(numbers.into_iter().eq(0..parts.count as u32), "numbered from 0");
        let all = network.components(KindSet::from_kinds(&LineKind::ALL)).count;
        assert_eq!(network.components_in_plan(), all, "nothing is parted");
    }
}
