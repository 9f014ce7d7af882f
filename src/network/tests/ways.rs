//! Ways at nodes and what converges there, on maps whose answer can be read off.

use super::*;

/// Spokes from a place outwards, as (degrees clockwise from north, metres).
fn spokes(at: (f64, f64), spokes: &[(f64, f64)]) -> Vec<Traced<Line>> {
    let spoke = |&(deg, length_m): &(f64, f64)| {
        let (sin, cos) = f64::to_radians(deg).sin_cos();
        track(&[at, (at.0 + length_m * sin, at.1 + length_m * cos)])
    };
    spokes.iter().map(spoke).collect()
}

fn ways(lines: &[Traced<Line>], at: (f64, f64)) -> Vec<f64> {
    let network = built(lines, &noding_only());
    let found = network.ways_deg(node_at(&network, at.0, at.1)).to_vec();
    found.into_iter().map(|deg| (deg * 100.0).round() / 100.0).collect()
}

const HERE: (f64, f64) = (300.0, -700.0);

#[test]
fn spokes_are_ways_where_they_lead_to_the_reach() {
    let bearings = [3.0, 50.0, 61.0, 179.0, 265.0, 352.0];
    let star: Vec<(f64, f64)> = bearings.iter().map(|&deg| (deg, 80.0)).collect();
    assert_eq!(ways(&spokes(HERE, &star), HERE), bearings);
    // A dead end counts from half the reach on, one at the reach once.
    for (length_m, count) in [(24.9, 2), (25.1, 3), (49.9, 3), (50.1, 3), (300.0, 3)] {
        let star = spokes(HERE, &[(10.0, 90.0), (120.0, length_m), (240.0, 60.0)]);
        assert_eq!(ways(&star, HERE).len(), count, "{length_m} m");
    }
}

#[test]
fn spokes_closer_than_the_angle_are_one_way_between_them() {
    assert_eq!(ways(&spokes(HERE, &[(20.0, 90.0), (28.0, 90.0), (200.0, 90.0)]), HERE), [24.0, 200.0]);
    assert_eq!(ways(&spokes(HERE, &[(356.0, 90.0), (2.0, 90.0), (200.0, 90.0)]), HERE), [200.0, 359.0]);
    // Twice the snap distance seen from the reach: 2 asin(15/50) is 34.9 degrees.
    let coarse = NetworkSettings { snap_m: 15.0, merge_m: 0.0, ..NetworkSettings::default() };
    for (apart_deg, count) in [(34.5, 2), (35.3, 3)] {
        let star = spokes(HERE, &[(20.0, 90.0), (20.0 + apart_deg, 90.0), (200.0, 90.0)]);
        let network = built(&star, &coarse);
        assert_eq!(network.ways_deg(node_at(&network, HERE.0, HERE.1)).len(), count, "{apart_deg} degrees");
    }
}

#[test]
fn a_way_bends_as_the_line_does_up_to_the_reach() {
    // 30 m north, then 40 m east: 20 m of that are within the reach.
    let bent = track(&[HERE, (300.0, -670.0), (340.0, -670.0)]);
    let deg = 20.0_f64.atan2(30.0).to_degrees();
    assert_eq!(ways(std::slice::from_ref(&bent), HERE), [(deg * 100.0).round() / 100.0]);
    // Against the direction of the line it is the same.
    let mut turned = bent;
    turned.ground.reverse();
    assert_eq!(ways(&[turned], HERE), [(deg * 100.0).round() / 100.0]);
}

#[test]
fn ways_beyond_a_fork_are_ways_of_the_node_before_it() {
    // A fork 20 m north, whose arms leave to either side for 60 m; a stem to the south.
    let fork = (300.0, -680.0);
    let lines = [
        track(&[HERE, fork]),
        track(&[fork, (240.0, -680.0)]),
        track(&[fork, (360.0, -680.0)]),
        track(&[HERE, (300.0, -800.0)]),
    ];
    let deg = 30.0_f64.atan2(20.0).to_degrees();
    let round = |deg: f64| (deg * 100.0).round() / 100.0;
    assert_eq!(ways(&lines, HERE), [round(deg), 180.0, round(360.0 - deg)]);
    assert_eq!(ways(&lines, fork), [90.0, 180.0, 270.0]);
}

#[test]
fn a_ring_is_left_by_either_side_and_its_far_side_counts_once() {
    // A square of 40 m sides hangs on a stem: its far corner is 80 m off by either way.
    let square = |side: f64| {
        track(&[HERE, (300.0 + side, -700.0), (300.0 + side, -700.0 + side), (300.0, -700.0 + side), HERE])
    };
    let stem = track(&[HERE, (300.0, -900.0)]);
    let round = |x: f64, y: f64| ((x.atan2(y).to_degrees() + 360.0) % 360.0 * 100.0).round() / 100.0;
    assert_eq!(ways(&[square(40.0), stem.clone()], HERE), [round(10.0, 40.0), round(40.0, 10.0), 180.0]);
    // One of 20 m sides is never 50 m away: no way leads along it.
    assert_eq!(ways(&[square(20.0), stem.clone()], HERE), [180.0]);
    // Of 25 m sides just the far corner is.
    assert_eq!(ways(&[square(25.0), stem], HERE), [45.0, 180.0]);
}

#[test]
fn ways_of_two_kinds_of_travel_lead_through_a_gate_only() {
    let fence = line(LineKind::Fence, &[(300.0, -900.0), (300.0, -500.0)]);
    let lines = [track(&[(100.0, -700.0), (500.0, -700.0)]), fence];
    assert_eq!(ways(&lines, HERE), [90.0, 270.0]);
}

/// A lattice of streets so dense that several hundred crossings lie within the reach: the ways are told apart
/// nearer by, and there are as many as streets lead away.
#[test]
fn streets_too_dense_for_the_reach_are_told_apart_nearer_by() {
    let lines: Vec<Traced<Line>> = (0..41)
        .flat_map(|k| {
            let at = 2.0 * f64::from(k);
            [track(&[(at, 0.0), (at, 80.0)]), track(&[(0.0, at), (80.0, at)])]
        })
        .collect();
    let network = built(&lines, &noding_only());
    let middle = network.ways_deg(node_at(&network, 40.0, 40.0)).to_vec();
    // Three hundred of these crossings lie up to 24 m off along the streets: a square on its corner.
    assert!((20..=36).contains(&middle.len()), "{middle:?}");
    let mirrored: Vec<f64> = middle.iter().rev().map(|deg| 360.0 - deg).collect();
    assert_eq!(network.ways_deg(node_at(&network, 38.0, 40.0)).len(), middle.len(), "{mirrored:?}");
}

/// Crossings 60 m apart in a row: within 50 m of one lies no other, within 150 m lie two on either side.
fn row_of_crossings(count: usize) -> Vec<Traced<Line>> {
    let far = 60.0 * count as f64;
    let across = |k: usize| track(&[(60.0 * k as f64, -100.0), (60.0 * k as f64, 100.0)]);
    std::iter::once(track(&[(-60.0, 0.0), (far, 0.0)])).chain((0..count).map(across)).collect()
}

#[test]
fn places_take_in_what_lies_within_the_reach_of_their_middle_and_no_more() {
    let row = row_of_crossings(7);
    let mut column = row.clone();
    column.iter_mut().flat_map(|l| &mut l.ground).for_each(|p| *p = GroundPoint::new(p.y_m, p.x_m));
    for (lines, upright) in [(row, false), (column, true)] {
        places_of(&lines, upright);
    }
}

/// What [`places_take_in_what_lies_within_the_reach_of_their_middle_and_no_more`] asks of a row of
/// crossings, or a column.
fn places_of(lines: &[Traced<Line>], upright: bool) {
    let grouped = |reach_m: f64| {
        let network = built(lines, &NetworkSettings { reach_m, ..noding_only() });
        let found = network.convergence(None, &ConvergenceSettings::default());
        let x_m = |n: &u32| {
            let at = network.nodes()[*n as usize].at;
            (if upright { at.y_m } else { at.x_m }).round() as i32
        };
        let mut places: Vec<(i32, Vec<i32>)> = found
            .places
            .iter()
            .map(|p| {
                let mut nodes: Vec<i32> = p.nodes.iter().map(x_m).collect();
                nodes.sort_unstable();
                (x_m(&p.centre), nodes)
            })
            .collect();
        places.sort();
        for (k, place) in found.of_node.iter().enumerate() {
            let member = found.places.iter().position(|p| p.nodes.contains(&(k as u32)));
            assert_eq!(place.map(|p| p as usize), member);
            assert_eq!(found.score(k as u32), found.place(k as u32).map_or(0.0, |p| p.score));
        }
        places
    };
    let alone: Vec<(i32, Vec<i32>)> = (0..7).map(|k| (60 * k, vec![60 * k])).collect();
    assert_eq!(grouped(50.0), alone);
    assert_eq!(grouped(59.9), alone);
    // Of equals the western, then the southern comes first.
    assert_eq!(
        grouped(60.0),
        [(0, vec![-60, 0, 60]), (120, vec![120, 180]), (240, vec![240, 300]), (360, vec![360, 420])]
    );
}

#[test]
fn a_record_counts_to_the_way_it_lies_along_or_beyond() {
    // Spokes of 800 m north, east and west; the one to the north forks 200 m on.
    let mut lines = spokes((0.0, 0.0), &[(0.0, 200.0), (90.0, 800.0), (270.0, 800.0)]);
    lines.extend(spokes((0.0, 200.0), &[(320.0, 600.0), (40.0, 600.0)]));
    // A dead end of 20 m leads to no way: what lies on it counts to the nearest bearing.
    lines.extend(spokes((0.0, 0.0), &[(110.0, 20.0)]));
    let network = built(&lines, &noding_only());
    let counted = |on: u32, along_m: f64, weight: f64, age_days: Option<f64>| {
        let foot = network.foot_on_line(on, along_m).unwrap();
        let sign = [SignOnLine { foot, count: weight, age_days }];
        let found = network.convergence(Some(&sign), &ConvergenceSettings::default());
        let place = found.place(node_at(&network, 0.0, 0.0)).unwrap();
        assert_eq!(place.ways_deg, [0.0, 90.0, 270.0]);
        place.sign_by_way.clone()
    };
    for (on, along_m, way) in [
        (0, 20.0, 0),
        (0, 150.0, 0),
        (3, 100.0, 0),
        (4, 299.0, 0),
        (1, 30.0, 1),
        (1, 499.0, 1),
        (2, 400.0, 2),
        (5, 15.0, 1),
    ] {
        let mut wanted = [0.0; 3];
        wanted[way] = 4.0;
        assert_eq!(counted(on, along_m, 4.0, Some(0.0)), wanted, "{along_m} m along line {on}");
    }
    // Beyond 500 m nothing counts.
    for (on, along_m) in [(1, 501.0), (3, 301.0), (4, 310.0)] {
        assert_eq!(counted(on, along_m, 4.0, Some(0.0)), [0.0; 3], "{along_m} m along line {on}");
    }
    // A half-life of 60 days; no date is one half-life, and the future is today.
    for (age_days, left) in [(Some(60.0), 2.0), (Some(120.0), 1.0), (Some(-5.0), 4.0), (None, 2.0)] {
        assert_eq!(counted(2, 300.0, 4.0, age_days), [0.0, 0.0, left]);
    }
}

#[test]
fn the_score_is_the_weighted_mean_of_its_parts() {
    let mut lines = spokes((0.0, 0.0), &[(0.0, 900.0), (90.0, 900.0), (180.0, 900.0), (270.0, 900.0)]);
    lines.push(line(LineKind::Creek, &[(-90.0, -90.0), (0.0, 0.0), (90.0, 90.0)]));
    lines.push(line(LineKind::Fence, &[(-90.0, 90.0), (0.0, 0.0), (90.0, -90.0)]));
    let network = built(&lines, &noding_only());
    let centre = node_at(&network, 0.0, 0.0);
    let sign: Vec<SignOnLine> = [(0, 1.0), (1, 3.0)]
        .map(|(on, count)| SignOnLine {
            foot: network.foot_on_line(on, 100.0).unwrap(),
            count,
            age_days: Some(0.0),
        })
        .to_vec();
    let place = |sign: Option<&[SignOnLine]>, settings: &ConvergenceSettings| {
        network.convergence(sign, settings).place(centre).unwrap().clone()
    };
    let settings = ConvergenceSettings::default();
    let found = place(Some(&sign), &settings);
    // Four ways of five that count in full, from two on; the best of track 1, fence 0.5 and creek 0.25 left
    // out; 1/2 and 3/4 on two of four ways.
    let (ways, variety, by_sign) = (2.0 / 3.0, (0.5 + 0.25) / 2.0, (0.5 + 0.75) / 4.0);
    assert_eq!((found.parts.ways, found.parts.variety, found.parts.sign), (ways, variety, Some(by_sign)));
    assert!((found.score - (0.5 * ways + 0.2 * variety + 0.3 * by_sign)).abs() < 1e-12);
    assert_eq!(found.kinds, KindSet::from_kinds(&[LineKind::Track, LineKind::Creek, LineKind::Fence]));
    let unknown = place(None, &settings);
    assert!(
        (unknown.score - (0.5 * ways + 0.2 * variety) / 0.7).abs() < 1e-12 && unknown.parts.sign.is_none()
    );
    assert_eq!(unknown.sign_by_way, [0.0; 4]);
    // For foxes the creek counts in full.
    let fox = place(None, &ConvergenceSettings::for_foxes());
    assert_eq!(fox.parts.variety, (1.0 + 0.25) / 2.0);
    // Weights of another sum, more ways than count in full, and no weight at all.
    let odd = ConvergenceSettings { ways_weight: 3.0, variety_weight: 1.0, full_ways: 3.5, ..settings };
    assert!((place(None, &odd).score - (3.0 + variety) / 4.0).abs() < 1e-12);
    let none = ConvergenceSettings { ways_weight: 0.0, variety_weight: 0.0, ..odd.clone() };
    assert_eq!(place(None, &none).score, 0.0);
    let few = ConvergenceSettings { full_ways: 2.5, ..odd };
    assert_eq!(place(None, &few).parts.ways, 1.0);
}

/// Round a ring a record is met from both sides.
#[test]
fn a_record_met_from_both_sides_counts_once_by_the_nearer() {
    let ring = track(&[(0.0, 0.0), (0.0, 100.0), (100.0, 100.0), (100.0, 0.0), (0.0, 0.0)]);
    let stem = track(&[(0.0, 0.0), (-300.0, -300.0)]);
    let south = track(&[(0.0, 0.0), (0.0, -300.0), (300.0, -300.0)]);
    let network = built(&[ring, stem, south], &noding_only());
    let at_start = node_at(&network, 0.0, 0.0);
    let counted = |on: u32, along_m: f64| {
        let foot = network.foot_on_line(on, along_m).unwrap();
        let sign = [SignOnLine { foot, count: 1.0, age_days: Some(0.0) }];
        let found = network.convergence(Some(&sign), &ConvergenceSettings::default());
        let place = found.place(at_start).unwrap();
        assert_eq!(place.ways_deg, [0.0, 90.0, 180.0, 225.0]);
        place.sign_by_way.clone()
    };
    for along_m in [1.0, 30.0, 120.0, 180.0, 199.0] {
        assert_eq!(counted(0, along_m), [1.0, 0.0, 0.0, 0.0], "{along_m} m");
        assert_eq!(counted(0, 400.0 - along_m), [0.0, 1.0, 0.0, 0.0], "{along_m} m from its end");
    }
    assert_eq!(counted(0, 200.0).iter().sum::<f64>(), 1.0, "half way round");
    assert_eq!([counted(2, 40.0), counted(2, 500.0)], [[0.0, 0.0, 1.0, 0.0]; 2]);
}

/// A track leaves to the north, turns west after 100 m, and passes near a track that leaves to the west.
#[test]
fn a_record_beyond_the_reach_counts_to_the_way_that_leads_to_it() {
    let north = track(&[(0.0, 0.0), (0.0, 100.0), (-400.0, 100.0)]);
    let lines = [north, track(&[(0.0, 0.0), (-500.0, 0.0)]), track(&[(0.0, 0.0), (70.0, -500.0)])];
    for turned in [false, true] {
        let mut lines = lines.clone();
        if turned {
            lines.iter_mut().for_each(|l| l.ground.reverse());
        }
        let network = built(&lines, &noding_only());
        let counted = |on: u32, along_m: f64| {
            let along_m = if turned { network.line_length_m(on).unwrap() - along_m } else { along_m };
            let sign = [SignOnLine {
                foot: network.foot_on_line(on, along_m).unwrap(),
                count: 1.0,
                age_days: Some(0.0),
            }];
            let found = network.convergence(Some(&sign), &ConvergenceSettings::default());
            let by_way = found.place(node_at(&network, 0.0, 0.0)).unwrap().sign_by_way.clone();
            by_way.iter().position(|&s| s == 1.0)
        };
        // By bearing: south by east, west, north.
        assert_eq!(
            [counted(0, 40.0), counted(0, 140.0), counted(0, 450.0)],
            [Some(0); 3],
            "north, then west"
        );
        assert_eq!([counted(1, 40.0), counted(1, 450.0)], [Some(2); 2]);
        assert_eq!([counted(2, 10.0), counted(2, 480.0)], [Some(1); 2]);
    }
}

/// Two crossings 40 m apart, wherever they lie, are one place at a reach of 50 m.
#[test]
fn places_do_not_hang_on_where_they_lie() {
    for shift_m in [0.0, 17.0, 30.0, 49.0] {
        for upright in [false, true] {
            let way = |path: [(f64, f64); 2]| {
                track(&path.map(|(x, y)| if upright { (y, x + shift_m) } else { (x + shift_m, y) }))
            };
            let across = |x_m: f64| way([(x_m, -100.0), (x_m, 100.0)]);
            let network =
                built(&[way([(-200.0, 0.0), (300.0, 0.0)]), across(0.0), across(40.0)], &noding_only());
            let found = network.convergence(None, &ConvergenceSettings::default());
            let sizes: Vec<usize> = found.places.iter().map(|p| p.nodes.len()).collect();
            assert_eq!(sizes, [2], "{shift_m} m");
        }
    }
}
