//! Lines on different levels at one place.

use super::*;

fn at_level(layer: i32, path: &[(f64, f64)]) -> Traced<Line> {
    let mut line = track(path);
    line.what.layer = layer;
    line
}

/// The degrees of the nodes at a place, ascending.
fn degrees(network: &Network, x_m: f64, y_m: f64) -> Vec<u32> {
    let at = GroundPoint::new(x_m, y_m);
    let mut found: Vec<u32> =
        network.nodes().iter().filter(|n| n.at.distance_m(at) < 0.01).map(|n| n.degree).collect();
    found.sort_unstable();
    found
}

const WEST_EAST: [(f64, f64); 2] = [(-100.0, 0.0), (100.0, 0.0)];
const SOUTH_NORTH: [(f64, f64); 2] = [(0.0, -100.0), (0.0, 100.0)];
const RISING: [(f64, f64); 2] = [(-100.0, -100.0), (100.0, 100.0)];
const FALLING: [(f64, f64); 2] = [(-100.0, 100.0), (100.0, -100.0)];

#[test]
fn lines_of_one_level_join_where_others_pass_over_them() {
    let layers = |all: [i32; 4]| {
        let paths = [WEST_EAST, SOUTH_NORTH, RISING, FALLING];
        let lines: Vec<_> = all.iter().zip(&paths).map(|(&layer, path)| at_level(layer, path)).collect();
        let network = built(&lines, &noding_only());
        assert!(network.faults().is_empty());
        (degrees(&network, 0.0, 0.0), network.report().parted.len(), network.components_in_plan())
    };
    assert_eq!(layers([0, 0, 0, 0]), (vec![8], 0, 1));
    assert_eq!(layers([2, 2, 2, 2]), (vec![8], 0, 1));
    assert_eq!(layers([0, 0, 1, 1]), (vec![4, 4], 1, 1));
    assert_eq!(layers([0, 1, 0, 0]), (vec![6], 1, 1));
    assert_eq!(layers([0, 1, -1, 0]), (vec![4], 1, 1));
    assert_eq!(layers([1, 2, 1, 2]), (vec![4, 4], 1, 1));
    assert_eq!(layers([0, 1, 2, 3]), (vec![], 1, 1), "none joins another");
}

#[test]
fn crossings_are_told_apart_level_by_level_along_a_line() {
    // A bridge over three tracks, the middle one of which is a bridge too.
    let across = |layer: i32, x_m: f64| at_level(layer, &[(x_m, -50.0), (x_m, 50.0)]);
    let lines = [at_level(1, &WEST_EAST), across(0, -60.0), across(1, 0.0), across(0, 60.0)];
    let network = built(&lines, &noding_only());
    let found = [-60.0, 0.0, 60.0].map(|x_m| degrees(&network, x_m, 0.0));
    assert_eq!(found, [vec![], vec![4], vec![]]);
    let parted: Vec<(f64, f64)> = network.report().parted.iter().map(|p| (p.x_m, p.y_m)).collect();
    assert_eq!(parted.len(), 2);
    assert!(parted.contains(&(-60.0, 0.0)) && parted.contains(&(60.0, 0.0)));
    assert_eq!(network.report().crossings, 3);
    assert_eq!(
        (network.components(KindSet::of(LineKind::Track)).count, network.components_in_plan()),
        (3, 1)
    );
}

#[test]
fn where_a_line_ends_all_levels_join() {
    let deck = at_level(1, &[(0.0, 0.0), (0.0, 100.0)]);
    let network = built(&[at_level(0, &WEST_EAST), at_level(-1, &RISING), deck], &noding_only());
    assert_eq!((degrees(&network, 0.0, 0.0), network.report().parted.len()), (vec![5], 0));
}

#[test]
fn a_layer_goes_before_a_bridge_and_a_tunnel() {
    let level = |layer: i32, bridge: bool, tunnel: bool| {
        let mut what = at_level(layer, &WEST_EAST).what;
        (what.bridge, what.tunnel) = (bridge, tunnel);
        strand::level_of(&what)
    };
    assert_eq!([level(0, false, false), level(0, true, false), level(0, false, true)], [0, 1, -1]);
    assert_eq!([level(3, true, false), level(-2, true, false), level(2, false, true)], [3, -2, 2]);
    assert_eq!(level(0, true, true), 0, "what is both is neither");
}
