//! Rules of the network on small maps.
//!
//! A map is drawn with a letter at each vertex, 10 m to a character, north up; lines are named by
//! the letters they run through.

use stakeline::frame::{GroundPoint, LonLat, Placed, Traced};
use stakeline::network::{
    ConvergenceSettings, KindSet, NearMissKind, Network, NetworkError, NetworkSettings, NodeKind, SignOnLine,
    TravelGraph,
};
use stakeline::record::{Gate, Line, LineKind};

use crate::support::{line, place, sound, traced};

const CELL_M: f64 = 10.0;

struct Map {
    drawing: &'static str,
}

impl Map {
    fn at(&self, letter: char) -> (f64, f64) {
        let rows: Vec<&str> = self.drawing.lines().skip(1).collect();
        for (row, text) in rows.iter().enumerate() {
            if let Some(column) = text.chars().position(|c| c == letter) {
                return (column as f64 * CELL_M, -(row as f64) * CELL_M);
            }
        }
        panic!("no {letter} on the map");
    }

    fn ground(&self, letter: char) -> GroundPoint {
        let (x, y) = self.at(letter);
        GroundPoint::new(x, y)
    }

    fn line(&self, what: Line, letters: &str) -> Traced<Line> {
        let path: Vec<(f64, f64)> = letters.chars().map(|c| self.at(c)).collect();
        traced(what, &path)
    }

    fn lines(&self, ways: &[(LineKind, &str)]) -> Vec<Traced<Line>> {
        ways.iter().enumerate().map(|(k, (kind, way))| self.line(line(*kind, k), way)).collect()
    }
}

fn settings() -> NetworkSettings {
    NetworkSettings::default()
}

fn node_at(network: &Network, at: GroundPoint) -> Option<u32> {
    network.nodes().iter().position(|n| n.at.distance_m(at) < 0.01).map(|k| k as u32)
}

fn counts(network: &Network) -> (usize, usize) {
    (network.nodes().len(), network.edges().len())
}

use LineKind::{Creek, Fence, Road, Track};

const CROSS: Map = Map {
    drawing: "
          c
          .
          .
          .
          .
          .
          .
          .
a.........x.........b
          .
          .
          .
          .
          .
          .
          .
          d",
};

#[test]
fn two_tracks_that_cross_make_a_junction_of_four_ways() {
    let network = sound(&CROSS.lines(&[(Track, "ab"), (Track, "cd")]), &settings());
    assert_eq!(counts(&network), (5, 4));
    let crossing = node_at(&network, CROSS.ground('x')).unwrap();
    let node = &network.nodes()[crossing as usize];
    assert_eq!((network.node_kind(crossing), node.degree), (NodeKind::Junction, 4));
    let ways: Vec<f64> = network.ways_deg(crossing).iter().map(|w| w.round()).collect();
    assert_eq!(ways, [0.0, 90.0, 180.0, 270.0]);
    assert_eq!(network.report().crossings, 1);
}

#[test]
fn a_fence_or_creek_crosses_a_track_without_joining_its_ways() {
    for kind in [Fence, Creek] {
        let network = sound(&CROSS.lines(&[(Track, "ab"), (kind, "cd")]), &settings());
        let crossing = node_at(&network, CROSS.ground('x')).unwrap();
        let node = &network.nodes()[crossing as usize];
        let ways = network.ways_deg(crossing).len();
        assert_eq!((network.node_kind(crossing), node.degree, ways), (NodeKind::Crossing, 4, 2));
    }
}

#[test]
fn a_gate_joins_the_fence_to_the_track() {
    let lines = CROSS.lines(&[(Track, "ab"), (Fence, "cd")]);
    let gate = |x_m, y_m| Placed {
        what: Gate { name: None, source: place(0) },
        at: LonLat::new(0.0, 0.0).unwrap(),
        ground: GroundPoint::new(x_m, y_m),
    };
    let (x_m, y_m) = CROSS.at('x');
    let network = Network::build(&lines, &[gate(x_m + 3.0, y_m)], &settings()).unwrap();
    let crossing = node_at(&network, CROSS.ground('x')).unwrap();
    let node = &network.nodes()[crossing as usize];
    assert!(node.gate);
    assert_eq!((network.node_kind(crossing), network.ways_deg(crossing).len()), (NodeKind::Junction, 4));
    let far = Network::build(&lines, &[gate(x_m + 6.0, y_m)], &settings()).unwrap();
    assert!(far.nodes().iter().all(|n| !n.gate));
}

#[test]
fn bridges_tunnels_and_layers_pass_without_joining() {
    let above: [fn(&mut Line); 4] =
        [|l| l.bridge = true, |l| l.tunnel = true, |l| l.layer = 1, |l| (l.bridge, l.layer) = (true, 2)];
    for raise in above {
        let mut over = line(Track, 1);
        raise(&mut over);
        let lines = [CROSS.line(line(Track, 0), "ab"), CROSS.line(over, "cd")];
        let network = sound(&lines, &settings());
        assert_eq!(counts(&network), (4, 2), "no node where they cross");
        assert_eq!((network.report().parted.len(), network.report().crossings), (1, 1));
        let graph = TravelGraph::new(&network, KindSet::of(Track));
        let (below, over) = (network.foot_on_line(0, 10.0).unwrap(), network.foot_on_line(1, 10.0).unwrap());
        assert_eq!(graph.distance_m(&below, &over, f64::INFINITY), None);
        let ignored = sound(&lines, &NetworkSettings { respect_levels: false, ..settings() });
        assert_eq!(counts(&ignored), (5, 4));
    }
}

#[test]
fn lines_of_one_layer_cross_and_a_shared_end_always_joins() {
    let mut upper = [line(Track, 0), line(Track, 1)];
    upper.iter_mut().for_each(|l| l.layer = 3);
    let [first, second] = upper.clone();
    let network = sound(&[CROSS.line(first, "ab"), CROSS.line(second, "cd")], &settings());
    assert_eq!(counts(&network), (5, 4));
    let [first, _] = upper;
    let network = sound(&[CROSS.line(first, "ax"), CROSS.line(line(Track, 1), "cd")], &settings());
    assert_eq!(counts(&network), (4, 3), "the deck ends on the road");
}

/// Ends at `gap_m` from a line of 200 m.
fn short_of(gap_m: f64) -> Vec<Traced<Line>> {
    vec![
        traced(line(Track, 0), &[(0.0, 0.0), (200.0, 0.0)]),
        traced(line(Track, 1), &[(100.0, gap_m), (100.0, 100.0)]),
    ]
}

#[test]
fn a_gap_within_the_snap_distance_closes_and_is_listed() {
    let network = sound(&short_of(3.0), &settings());
    assert_eq!(network.components(KindSet::of(Track)).count, 1);
    let [miss] = network.near_misses() else { panic!("one near miss") };
    assert_eq!((miss.kind, miss.closed, miss.line, miss.other), (NearMissKind::Gap, true, 1, 0));
    assert!((miss.gap_m - 3.0).abs() < 1e-9);
    let kind_and_degree = |at| {
        let node = node_at(&network, at).unwrap();
        (network.node_kind(node), network.nodes()[node as usize].degree)
    };
    let end = kind_and_degree(GroundPoint::new(100.0, 3.0));
    assert_eq!(end, (NodeKind::NearMiss, 2), "the end keeps its place");
    let foot = kind_and_degree(GroundPoint::new(100.0, 0.0));
    assert_eq!(foot, (NodeKind::Junction, 3));
    let connector = (0..).find(|&e| network.stretches(e).is_empty()).unwrap();
    let connector = network.edges()[connector as usize];
    assert_eq!((connector.length_m, connector.kind), (3.0, Track));
}

#[test]
fn larger_gaps_are_listed_up_to_three_times_the_snap_distance_and_left_open() {
    for (gap_m, listed) in [(5.01, 1), (15.0, 1), (15.01, 0)] {
        let network = sound(&short_of(gap_m), &settings());
        assert_eq!(network.components(KindSet::of(Track)).count, 2, "{gap_m} m");
        assert_eq!(network.near_misses().len(), listed, "{gap_m} m");
        assert!(network.near_misses().iter().all(|m| !m.closed));
        let kind = if listed == 1 { NodeKind::NearMiss } else { NodeKind::End };
        let end = node_at(&network, GroundPoint::new(100.0, gap_m)).unwrap();
        assert_eq!(network.node_kind(end), kind, "{gap_m} m");
    }
}

#[test]
fn an_overshoot_is_cut_and_listed() {
    let network = sound(&short_of(-4.0), &settings());
    assert_eq!(counts(&network), (4, 3));
    let [miss] = network.near_misses() else { panic!("one near miss") };
    assert_eq!((miss.kind, miss.closed, miss.gap_m), (NearMissKind::Overshoot, true, 4.0));
    assert_eq!(network.report().cut_m, 4.0);
    assert!(network.foot_on_line(1, 2.0).is_none(), "what was cut off carries nothing");
    let longer = sound(&short_of(-6.0), &settings());
    assert_eq!((counts(&longer), longer.near_misses().len()), ((5, 4), 0));
}

#[test]
fn a_short_line_across_another_is_no_overshoot() {
    let lines = vec![
        traced(line(Track, 0), &[(0.0, 0.0), (200.0, 0.0)]),
        traced(line(Track, 1), &[(100.0, -3.0), (100.0, 3.0)]),
    ];
    let network = sound(&lines, &settings());
    assert!(
        (0..network.edges().len() as u32).flat_map(|e| network.stretches(e)).any(|s| s.line == 1),
        "something of it is left"
    );
}

#[test]
fn two_ends_that_face_each_other_meet_end_to_end() {
    let lines = vec![
        traced(line(Track, 0), &[(0.0, 0.0), (100.0, 0.0)]),
        traced(line(Track, 1), &[(99.0, 3.0), (200.0, 3.0)]),
    ];
    let network = sound(&lines, &settings());
    assert_eq!(counts(&network), (4, 3));
    assert_eq!(network.near_misses().len(), 1);
    assert_eq!(network.degree_histogram(), [0, 2, 2]);
}

#[test]
fn lines_that_run_close_together_stay_apart_unless_one_ends_there() {
    let lines = vec![
        traced(line(Track, 0), &[(0.0, 0.0), (500.0, 0.0)]),
        traced(line(Creek, 1), &[(-100.0, 3.0), (600.0, 3.0)]),
    ];
    let network = sound(&lines, &settings());
    // Both ends of the track join the creek; nothing joins between.
    assert_eq!(network.near_misses().iter().filter(|m| m.closed).count(), 2);
    assert_eq!(network.nodes().iter().filter(|n| n.degree >= 3).count(), 2);
    assert_eq!(network.edges().len(), 6);
}

#[test]
fn shared_stretches_are_one_edge_with_all_kinds_and_lines() {
    let map = Map { drawing: "\na...........b...........c...........d" };
    let network = sound(&map.lines(&[(Road, "ac"), (Fence, "db"), (Track, "cb")]), &settings());
    assert_eq!(counts(&network), (4, 3));
    let shared = (0..).find(|&e| network.stretches(e).len() == 3).unwrap();
    let (middle, path) = (network.edges()[shared as usize], network.path(shared));
    assert_eq!(middle.kind, Road);
    assert_eq!(middle.kinds, KindSet::from_kinds(&[Road, Fence, Track]));
    assert!(path[0].x_m < path[1].x_m, "in the direction of the first line");
    let against: Vec<bool> = network.stretches(shared).iter().map(|s| s.end_m < s.start_m).collect();
    assert_eq!(against, [false, true, true]);
}

#[test]
fn rings_lollipops_and_lines_of_no_length() {
    let map = Map {
        drawing: "
a.......b.......c
.       .       .
.       .       .
.       .       .
d.......e.......f",
    };
    let mut lines = map.lines(&[(Track, "bcfeb"), (Track, "adebcfe"), (Track, "aa")]);
    lines.push(traced(line(Track, 3), &[(0.0, 0.0), (0.004, 0.0), (0.0, 0.004)]));
    let network = sound(&lines, &settings());
    assert_eq!(network.report().vanished, [2, 3]);
    assert_eq!(counts(&network), (3, 3), "stem, side and rest of the ring");
    let ring = sound(&map.lines(&[(Track, "bcfeb")]), &settings());
    assert_eq!((counts(&ring), ring.nodes()[0].degree), ((1, 1), 2));
    let graph = TravelGraph::new(&ring, KindSet::of(Track));
    let (p, q) = (ring.foot_at(0, 10.0), ring.foot_at(0, ring.edges()[0].length_m - 20.0));
    assert_eq!(graph.distance_m(&p, &q, f64::INFINITY), Some(30.0), "the short way round");
}

#[test]
fn a_line_that_goes_out_and_back_is_one_edge() {
    let network = sound(&CROSS.lines(&[(Track, "axa")]), &settings());
    assert_eq!(counts(&network), (2, 1));
    assert_eq!(network.stretches(0).len(), 2);
}

#[test]
fn a_dog_leg_is_one_place_of_four_ways_and_a_doubled_line_is_one_way() {
    let lines = vec![
        traced(line(Track, 0), &[(-300.0, 0.0), (300.0, 0.0)]),
        traced(line(Track, 1), &[(0.0, 0.0), (0.0, 300.0)]),
        traced(line(Track, 2), &[(12.0, 0.0), (12.0, -300.0)]),
    ];
    let network = sound(&lines, &NetworkSettings { merge_m: 0.0, ..settings() });
    let convergence = network.convergence(None, &ConvergenceSettings::default());
    assert_eq!(convergence.places.len(), 1);
    assert_eq!((convergence.places[0].nodes.len(), convergence.places[0].ways_deg.len()), (2, 4));
    let doubled = vec![
        traced(line(Track, 0), &[(-300.0, 0.0), (300.0, 0.0)]),
        traced(line(Track, 1), &[(0.0, 0.0), (300.0, 6.0)]),
    ];
    let network = sound(&doubled, &NetworkSettings { merge_m: 0.0, ..settings() });
    let fork = node_at(&network, GroundPoint::new(0.0, 0.0)).unwrap();
    let node = &network.nodes()[fork as usize];
    assert_eq!((node.degree, network.ways_deg(fork).len(), network.node_kind(fork)), (3, 2, NodeKind::Join));
}

#[test]
fn convergence_rises_with_ways_variety_and_sign_on_every_way() {
    let plain = ConvergenceSettings::default();
    let three = sound(&CROSS.lines(&[(Track, "ab"), (Track, "cx")]), &settings());
    let four = sound(&CROSS.lines(&[(Track, "ab"), (Track, "cd")]), &settings());
    let varied = sound(&CROSS.lines(&[(Track, "ab"), (Track, "cd"), (Creek, "cb")]), &settings());
    let score = |n: &Network| n.convergence(None, &plain).places[0].score;
    // Ways (3 − 2)/3 and (4 − 2)/3, weight 0.5 of 0.7; a creek adds 0.25/2 to the variety.
    assert!((score(&three) - 0.5 / 3.0 / 0.7).abs() < 1e-12);
    assert!((score(&four) - 1.0 / 3.0 / 0.7).abs() < 1e-12);
    assert!(varied.convergence(None, &plain).places[0].score > 0.0);

    let sign = |ways: &[u32], age_days| -> Vec<SignOnLine> {
        let foot = |&line: &u32| four.foot_on_line(line % 2, if line < 2 { 20.0 } else { 140.0 }).unwrap();
        ways.iter().map(|w| SignOnLine { foot: foot(w), count: 1.0, age_days: Some(age_days) }).collect()
    };
    let with = |sign: &[SignOnLine]| four.convergence(Some(sign), &plain).places[0].clone();
    let none = with(&[]);
    assert_eq!(none.parts.sign, Some(0.0));
    let one = with(&sign(&[0, 0, 0, 0], 0.0));
    assert_eq!(one.sign_by_way.iter().filter(|&&s| s == 4.0).count(), 1);
    let every = with(&sign(&[0, 1, 2, 3], 0.0));
    assert_eq!(every.sign_by_way, [1.0; 4]);
    assert_eq!(every.parts.sign, Some(0.5));
    assert!(every.score > one.score && one.score > none.score, "spread over the ways counts more");
    let old = with(&sign(&[0, 1, 2, 3], 60.0));
    assert_eq!(old.sign_by_way, [0.5; 4], "half after one half-life");
}

/// A record half way round a ring is as far by either way, and one at the reach is within it.
#[test]
fn a_record_as_far_by_two_ways_and_one_at_the_reach_count_once() {
    let ring = [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0), (0.0, 0.0)];
    let lines = vec![traced(line(Track, 0), &ring), traced(line(Track, 1), &[(0.0, 0.0), (-600.0, 0.0)])];
    let network = sound(&lines, &settings());
    let counted = |line, along_m| {
        let foot = network.foot_on_line(line, along_m).unwrap();
        let sign = [SignOnLine { foot, count: 1.0, age_days: Some(0.0) }];
        let found = network.convergence(Some(&sign), &ConvergenceSettings::default());
        found.places[0].sign_by_way.iter().sum::<f64>()
    };
    assert_eq!([199.0, 200.0, 201.0].map(|along_m| counted(0, along_m)), [1.0; 3]);
    assert_eq!([499.0, 500.0, 501.0].map(|along_m| counted(1, along_m)), [1.0, 1.0, 0.0]);
}

#[test]
fn what_cannot_be_a_network_is_refused() {
    let build = |lines: &[Traced<Line>], s: NetworkSettings| Network::build(lines, &[], &s).err().unwrap();
    assert_eq!(build(&[], settings()), NetworkError::NoLine);
    let dot = vec![traced(line(Track, 4), &[(1.0, 1.0), (1.0, 1.0)])];
    let message = build(&dot, settings()).to_string();
    assert!(message.contains("test.geojson: feature 5"), "{message}");
    let far = vec![traced(line(Track, 0), &[(0.0, 0.0), (2e7, 0.0)])];
    assert!(matches!(build(&far, settings()), NetworkError::TooWide { .. }));
    for bad in [f64::NAN, -1.0, 1e-9, f64::INFINITY] {
        let error = build(&short_of(1.0), NetworkSettings { snap_m: bad, ..settings() });
        assert!(matches!(error, NetworkError::Setting { name: "snap", .. }), "{bad}");
    }
}

/// Spokes of 200 m through one point: every pair meets there.
#[test]
fn very_many_lines_through_one_point_are_refused_or_noded_but_never_run_away() {
    let spokes = |n: usize| -> Vec<Traced<Line>> {
        let spoke = |k: usize| {
            let (s, c) = (std::f64::consts::PI * k as f64 / n as f64).sin_cos();
            traced(line(Track, k), &[(-100.0 * c, -100.0 * s), (100.0 * c, 100.0 * s)])
        };
        (0..n).map(spoke).collect()
    };
    let noding = NetworkSettings { merge_m: 0.0, snap_m: 0.0, ..settings() };
    let network = sound(&spokes(200), &noding);
    assert!(network.nodes().iter().any(|n| n.degree >= 300), "the hub joins them all");
    for s in [noding, settings()] {
        let refused = Network::build(&spokes(200_000), &[], &s).err();
        assert!(matches!(refused, Some(NetworkError::TooManyCrossings { .. })), "{refused:?}");
    }
}
