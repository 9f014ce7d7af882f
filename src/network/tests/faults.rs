//! Every invariant that is checked shows when it is broken.

use super::*;
use crate::network::paths::Paths;

/// A cross, a spur and a ring: 4 arms, and what hangs on one.
fn sound() -> Network {
    let lines = [
        track(&[(-100.0, 0.0), (100.0, 0.0)]),
        track(&[(0.0, -100.0), (0.0, 100.0)]),
        track(&[(100.0, 0.0), (150.0, 50.0), (150.0, -50.0), (100.0, 0.0)]),
    ];
    let network = built(&lines, &noding_only());
    assert!(network.faults().is_empty());
    network
}

fn broken(damage: impl Fn(&mut Network)) -> Vec<String> {
    let mut network = sound();
    damage(&mut network);
    // Made from the stretches when first asked for.
    network.line_pieces = std::sync::OnceLock::new();
    network.faults()
}

fn says(faults: &[String], words: &str) -> bool {
    faults.iter().any(|f| f.contains(words))
}

/// The paths laid anew through other points.
fn moved(network: &mut Network, edge: u32, path: &[(f64, f64)]) {
    let ways: Vec<Vec<GroundPoint>> = (0..network.edges().len() as u32)
        .map(|e| {
            if e == edge {
                path.iter().map(|&(x, y)| GroundPoint::new(x, y)).collect()
            } else {
                network.path(e).to_vec()
            }
        })
        .collect();
    let mut next = 0;
    let pieces: Vec<edges::Piece> = ways
        .iter()
        .map(|way| {
            let from = next;
            // One is left out between, so that no edge seems to go on from the one before it.
            next += way.len() as u32 + 1;
            edges::Piece { from, to: from + way.len() as u32 - 1, strand: 0 }
        })
        .collect();
    let way = |piece: &edges::Piece| {
        let at = pieces.iter().position(|p| p.from == piece.from).unwrap();
        ways[at].clone().into_iter()
    };
    let mut edges = std::mem::take(&mut network.edges);
    network.paths = Paths::lay(&mut edges, &pieces, way);
    network.edges = edges;
}

#[test]
fn paths_laid_anew_are_as_before() {
    let mut network = sound();
    let path: Vec<(f64, f64)> = network.path(2).iter().map(|p| (p.x_m, p.y_m)).collect();
    moved(&mut network, 2, &path);
    assert!(network.faults().is_empty(), "{:?}", network.faults());
}

#[test]
fn ends_and_degrees_that_do_not_fit_are_faults() {
    assert!(says(&broken(|n| n.edges[0].from = 99), "edge 0: its from node 99 does not exist"));
    let swapped = broken(|n| {
        let e = n.edges[1];
        (n.edges[1].from, n.edges[1].to) = (e.to, e.from);
    });
    assert!(says(&swapped, "edge 1: its path does not touch its from node"));
    assert!(says(&swapped, "edge 1: its path does not touch its to node"));
    let counted = broken(|n| n.nodes[2].degree += 1);
    assert!(counted.len() == 1 && says(&counted, "node 2: degree"), "{counted:?}");
}

#[test]
fn a_length_that_is_not_that_of_the_path_is_a_fault() {
    assert!(says(&broken(|n| n.edges[3].length_m += 1e-9), "edge 3: length"));
    let none = broken(|n| {
        let at = n.nodes[n.edges[0].from as usize].at;
        moved(n, 0, &[(at.x_m, at.y_m), (at.x_m, at.y_m)]);
    });
    assert!(says(&none, "edge 0: length 0 m"), "{none:?}");
}

#[test]
fn edges_that_meet_elsewhere_than_at_nodes_are_faults() {
    let ends = |n: &Network, e: u32| {
        let path = n.path(e);
        let (a, b) = (path[0], path[path.len() - 1]);
        ((a.x_m, a.y_m), (b.x_m, b.y_m))
    };
    // The ring starts and ends at (100, 0); it is the edge whose ends are one node.
    let ring = |n: &Network| n.edges.iter().position(|e| e.from == e.to).unwrap() as u32;
    let at = (100.0, 0.0);
    let crossing = broken(|n| moved(n, ring(n), &[at, (-50.0, 50.0), (-50.0, -50.0), at]));
    assert!(says(&crossing, "cross"), "{crossing:?}");
    let touching = broken(|n| moved(n, ring(n), &[at, (50.0, 0.0), (60.0, 50.0), at]));
    assert!(says(&touching, "enters the other's end"), "{touching:?}");
    let through = broken(|n| moved(n, ring(n), &[at, (100.0, 100.0), (0.0, 100.0), (50.0, 120.0), at]));
    assert!(says(&through, "an edge passes through the node"), "{through:?}");
    let shared = broken(|n| {
        let (a, b) = ends(n, 0);
        moved(n, 0, &[a, (150.0, 50.0), b]);
    });
    assert!(says(&shared, "two edges share the vertex"), "{shared:?}");
    let same = broken(|n| {
        let (a, b) = ends(n, 0);
        n.edges[1] = n.edges[0];
        moved(n, 1, &[b, a]);
    });
    assert!(says(&same, "edge 1: another edge has the same path"), "{same:?}");
}

#[test]
fn stretches_that_are_too_long_overlap_or_lack_are_faults() {
    let changed = |change: &dyn Fn(&mut Stretch)| {
        broken(|n| {
            let count = n.edges.len();
            let mut rows = rows::Rows::with_capacity(count, count);
            for e in 0..count as u32 {
                let mut own = n.stretches(e).to_vec();
                if e == 0 {
                    change(&mut own[0]);
                }
                rows.push(own);
            }
            n.stretches = rows;
        })
    };
    assert!(changed(&|_| ()).is_empty());
    // Two vertices give room for twice √2 steps of 1 cm.
    assert!(changed(&|s| s.end_m += 0.028).is_empty());
    let long = changed(&|s| s.end_m += 0.029);
    assert!(says(&long, "edge 0: 100 m long, carries 100.029 m of line 0"), "{long:?}");
    assert!(says(&changed(&|s| s.end_m += 30.0), "line 0: pieces overlap at chainage 100 m"));
    let shifted = changed(&|s| (s.start_m, s.end_m) = (50.0, 150.0));
    assert!(says(&shifted, "pieces overlap"), "{shifted:?}");
    let lacking = changed(&|s| s.line = 1);
    assert!(says(&lacking, "m of line carry no edge, 0 m were cut"), "{lacking:?}");
}

/// Line by line √2 steps at either end may be missing: of six lines 0.17 m, besides what was cut.
#[test]
fn as_much_may_be_missing_as_rounding_and_cuts_account_for() {
    let lines: Vec<Traced<Line>> =
        (0..6).map(|k| track(&[(0.0, 50.0 * f64::from(k)), (100.0, 50.0 * f64::from(k))])).collect();
    let missing = |most_m: f64| {
        let mut network = built(&lines, &noding_only());
        let mut rows = rows::Rows::with_capacity(6, 6);
        for e in 0..6 {
            // A third of it at the start, two thirds at the end of each line.
            let part_m = most_m / 18.0;
            rows.push([Stretch { line: e, start_m: part_m, end_m: 100.0 - 2.0 * part_m }]);
        }
        network.stretches = rows;
        says(&network.faults(), "m of line carry no edge, 0 m were cut")
    };
    assert!(!missing(0.169) && missing(0.1705));
}
