//! Feet on edges and on input lines.

use super::*;

/// Two lines along one stretch, one of them against the other, and a third that meets them: nodes at 0, 40,
/// 100 and 160 m east.
fn shared() -> Network {
    let lines = [
        track(&[(0.0, 0.0), (100.0, 0.0)]),
        track(&[(160.0, 0.0), (40.0, 0.0)]),
        line(LineKind::Fence, &[(40.0, -30.0), (40.0, 30.0)]),
    ];
    built(&lines, &noding_only())
}

#[test]
fn a_place_on_a_line_is_found_on_its_edge_and_back() {
    let network = shared();
    let lines_m = [100.0, 120.0, 60.0];
    for (line, length_m) in (0..).zip(lines_m) {
        for k in 0..=12 {
            let chainage_m = length_m * f64::from(k) / 12.0;
            let foot = network.foot_on_line(line, chainage_m).unwrap();
            let wanted = match line {
                0 => (chainage_m, 0.0),
                1 => (160.0 - chainage_m, 0.0),
                _ => (40.0, chainage_m - 30.0),
            };
            assert!(
                foot.at.distance_m(GroundPoint::new(wanted.0, wanted.1)) < 1e-9,
                "{chainage_m} m on {line}"
            );
            assert!(
                network.point_at(foot.edge, foot.along_m).distance_m(foot.at) < 1e-9 && foot.offset_m == 0.0
            );
            // The first line that carries the edge says where that is.
            let on = network.line_at(&foot).unwrap();
            let again = network.foot_on_line(on.line, on.chainage_m).unwrap();
            assert!(again.at.distance_m(foot.at) < 1e-9);
            let first = network.stretches(foot.edge)[0];
            assert_eq!((on.line, on.against), (first.line, first.end_m < first.start_m));
            if line != 1 {
                assert!((on.chainage_m - chainage_m).abs() < 1e-9);
            }
        }
        assert!(
            network.foot_on_line(line, -0.1).is_none()
                && network.foot_on_line(line, length_m + 0.1).is_none()
        );
    }
    assert!(network.foot_on_line(3, 0.0).is_none());
}

#[test]
fn pieces_of_a_line_come_by_chainage_and_say_which_way_the_edge_runs() {
    let network = shared();
    let told = |line: u32| {
        let pieces = network.line_pieces(line).iter().map(|p| (p.low_m, p.high_m, p.against));
        pieces.collect::<Vec<_>>()
    };
    assert_eq!(told(0), [(0.0, 40.0, false), (40.0, 100.0, false)]);
    assert_eq!(told(1), [(0.0, 60.0, false), (60.0, 120.0, true)]);
    assert_eq!(told(2), [(0.0, 30.0, false), (30.0, 60.0, false)]);
}

#[test]
fn a_line_over_itself_is_found_in_either_pass() {
    let network = built(&[track(&[(0.0, 0.0), (70.0, 0.0), (0.0, 0.0)])], &noding_only());
    assert_eq!(network.edges().len(), 1);
    for (chainage_m, x_m) in [(0.0, 0.0), (20.0, 20.0), (70.0, 70.0), (90.0, 50.0), (140.0, 0.0)] {
        let foot = network.foot_on_line(0, chainage_m).unwrap();
        assert!((foot.at.x_m - x_m).abs() < 1e-9, "{chainage_m} m: {foot:?}");
    }
}

#[test]
fn a_foot_keeps_within_its_edge_and_a_point_lies_on_a_side_of_it() {
    let network = built(&[track(&[(0.0, 0.0), (0.0, 50.0), (30.0, 50.0)])], &noding_only());
    let along = [-5.0, 0.0, 20.0, 65.0, 80.0, 99.0].map(|m| {
        let foot = network.foot_at(0, m);
        (foot.along_m, foot.at.x_m, foot.at.y_m)
    });
    let wanted = [
        (0.0, 0.0, 0.0),
        (0.0, 0.0, 0.0),
        (20.0, 0.0, 20.0),
        (65.0, 15.0, 50.0),
        (80.0, 30.0, 50.0),
        (80.0, 30.0, 50.0),
    ];
    assert_eq!(along, wanted);
    let side =
        |m: f64, x_m: f64, y_m: f64| network.side_of(&network.foot_at(0, m), GroundPoint::new(x_m, y_m));
    assert_eq!(
        [side(20.0, -1.0, 20.0), side(20.0, 1.0, 20.0), side(20.0, 0.0, 20.0)],
        [Some(Side::Left), Some(Side::Right), None]
    );
    assert_eq!([side(65.0, 15.0, 51.0), side(65.0, 15.0, 49.0)], [Some(Side::Left), Some(Side::Right)]);
    // At the bend the piece that follows decides.
    assert_eq!(side(50.0, -3.0, 49.0), Some(Side::Right));
    assert_eq!((Side::Left.other(), Side::Right.other()), (Side::Right, Side::Left));
}

#[test]
fn the_nearest_foot_is_on_an_edge_that_is_taken_and_of_equals_on_the_lowest() {
    let network = shared();
    let at = GroundPoint::new(43.0, 4.0);
    let fence = network.nearest_foot(at, 5.0, |_| true).unwrap();
    assert_eq!((fence.at, fence.offset_m), (GroundPoint::new(40.0, 4.0), 3.0));
    assert!(network.edges()[fence.edge as usize].kinds.has(LineKind::Fence));
    let on_track = network.nearest_foot(at, 5.0, |e| e.kinds.has(LineKind::Track)).unwrap();
    assert_eq!((on_track.at, on_track.offset_m), (GroundPoint::new(43.0, 0.0), 4.0));
    assert!((network.point_at(on_track.edge, on_track.along_m).x_m - 43.0).abs() < 1e-9);
    assert!(network.nearest_foot(at, 3.9, |e| e.kinds.has(LineKind::Track)).is_none());
    // At a node all its edges are as near.
    let node = network.nearest_foot(GroundPoint::new(40.0, 0.0), 1.0, |_| true).unwrap();
    let lowest = network.ends_at(node_at(&network, 40.0, 0.0)).iter().map(|e| e.edge).min();
    assert_eq!((Some(node.edge), node.offset_m), (lowest, 0.0));
    let but_lowest =
        network.nearest_foot_on(GroundPoint::new(40.0, 0.0), 1.0, |e| Some(e) != lowest).unwrap();
    assert!(Some(but_lowest.edge) > lowest);
}

#[test]
fn a_connector_has_no_line() {
    let lines = [track(&[(0.0, 0.0), (100.0, 0.0)]), track(&[(50.0, 3.0), (50.0, 80.0)])];
    let settings = NetworkSettings { merge_m: 0.0, ..NetworkSettings::default() };
    let network = built(&lines, &settings);
    let foot = network.nearest_foot(GroundPoint::new(50.0, 1.5), 0.1, |_| true).unwrap();
    assert!(network.stretches(foot.edge).is_empty() && network.line_at(&foot).is_none());
}
