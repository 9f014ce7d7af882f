//! Which lines are merged as passes of one track, where, and where the centre line comes to lie.

use super::*;

/// A straight line, a vertex every 10 m.
fn straight(from: (f64, f64), to: (f64, f64)) -> Vec<(f64, f64)> {
    let length = (to.0 - from.0).hypot(to.1 - from.1);
    let count = (length / 10.0).round();
    let at = |k: usize| {
        let t = k as f64 / count;
        (from.0 + (to.0 - from.0) * t, from.1 + (to.1 - from.1) * t)
    };
    (0..=count as usize).map(at).collect()
}

/// Straight pieces, one after another.
fn bent(corners: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut path = vec![corners[0]];
    corners.windows(2).for_each(|w| path.extend(&straight(w[0], w[1])[1..]));
    path
}

fn recorded(path: &[(f64, f64)]) -> Traced<Line> {
    let mut line = track(path);
    line.what.source.file = Arc::from(Path::new("test.gpx"));
    line
}

fn merged(lines: &[Traced<Line>]) -> Network {
    let network = built(lines, &NetworkSettings::default());
    assert!(network.faults().is_empty(), "{:?}", network.faults());
    network
}

/// (line, into) of all that was merged.
fn pairs(lines: &[Traced<Line>]) -> Vec<(u32, u32)> {
    merged(lines).report().merged.iter().map(|m| (m.line, m.into)).collect()
}

fn east(length_m: f64, y_m: f64) -> Vec<(f64, f64)> {
    straight((0.0, y_m), (length_m, y_m))
}

#[test]
fn only_lines_of_one_kind_and_level_merge() {
    let (first, second) = (track(&east(400.0, 0.0)), track(&east(390.0, 3.0)));
    assert_eq!(pairs(&[first.clone(), second.clone()]), [(1, 0)]);
    assert_eq!(pairs(&[first.clone(), line(LineKind::Road, &east(390.0, 3.0))]), []);
    let mut bridge = second;
    bridge.what.bridge = true;
    assert_eq!(pairs(&[first.clone(), bridge.clone()]), []);
    let flat = NetworkSettings { respect_levels: false, ..NetworkSettings::default() };
    assert_eq!(built(&[first, bridge], &flat).report().merged.len(), 1);
}

#[test]
fn the_longer_is_the_track_and_of_equals_the_western_then_the_southern() {
    let (long, short) = (track(&east(500.0, 0.0)), track(&east(460.0, 2.0)));
    assert_eq!(pairs(&[long.clone(), short.clone()]), [(1, 0)]);
    assert_eq!(pairs(&[short, long]), [(0, 1)]);
    let north = |x_m: f64| track(&straight((x_m, 0.0), (x_m, 400.0)));
    assert_eq!(pairs(&[north(-7.0), north(-4.0)]), [(1, 0)]);
    assert_eq!(pairs(&[north(-4.0), north(-7.0)]), [(0, 1)]);
    assert_eq!(pairs(&[north(0.002), north(3.0)]), [(1, 0)]);
    let level = |y_m: f64| track(&east(400.0, y_m));
    assert_eq!(pairs(&[level(3.0), level(0.0)]), [(0, 1)]);
    assert_eq!(pairs(&[level(-3.0), level(0.0)]), [(1, 0)]);
    // However little.
    assert_eq!([pairs(&[level(0.2), level(0.9)]), pairs(&[level(0.9), level(0.2)])], [[(1, 0)], [(0, 1)]]);
    assert_eq!([pairs(&[north(0.2), north(0.9)]), pairs(&[north(0.9), north(0.2)])], [[(1, 0)], [(0, 1)]]);
}

#[test]
fn passes_are_a_hundred_metres_long_at_least_and_a_merge_distance_apart_at_most() {
    let pass = |from_m: f64, to_m: f64, y_m: f64| {
        pairs(&[recorded(&east(600.0, 0.0)), recorded(&straight((from_m, y_m), (to_m, y_m)))]).len()
    };
    // Smoothing takes some metres off either end of a pass.
    assert_eq!([pass(200.0, 330.0, 2.0), pass(200.0, 299.0, 2.0)], [1, 0]);
    assert_eq!([pass(200.0, 400.0, 4.9), pass(200.0, 400.0, 5.1), pass(200.0, 400.0, -5.1)], [1, 0, 0]);
    assert_eq!(pass(400.0, 200.0, 3.0), 1, "against the track");
}

/// Along a track for 400 m, then away from it by 60°.
fn leaving(along_m: f64, away_m: f64) -> Vec<(f64, f64)> {
    let end = (along_m + 0.5 * away_m, 2.0 + 0.75_f64.sqrt() * away_m);
    bent(&[(0.0, 2.0), (along_m, 2.0), end])
}

#[test]
fn what_no_receiver_recorded_merges_as_a_whole_or_not_at_all() {
    let long = east(900.0, 0.0);
    let both = |pass: &[(f64, f64)]| {
        [pairs(&[track(&long), track(pass)]).len(), pairs(&[recorded(&long), recorded(pass)]).len()]
    };
    assert_eq!(both(&leaving(400.0, 40.0)), [1, 1]);
    assert_eq!(both(&leaving(400.0, 200.0)), [0, 1]);
    // One recording of two is not enough.
    assert_eq!(pairs(&[recorded(&long), track(&leaving(400.0, 200.0))]), []);
    assert_eq!(pairs(&[track(&long), recorded(&leaving(400.0, 200.0))]), []);
}

/// The north ends of what is left of three passes.
#[test]
fn the_centre_line_is_the_mean_of_passes_that_scatter() {
    let middle_m = |ys: &[f64]| {
        let lines: Vec<_> = (0..).zip(ys).map(|(k, &y)| recorded(&east(600.0 - f64::from(k), y))).collect();
        let network = merged(&lines);
        assert_eq!(network.report().merged.len(), ys.len() - 1);
        let feet: Vec<Foot> = (0..ys.len() as u32).map(|k| network.foot_on_line(k, 300.0).unwrap()).collect();
        assert!(
            feet.iter().all(|f| (f.at.x_m - 300.0).abs() < 2.5),
            "{:?}",
            feet.iter().map(|f| f.at).collect::<Vec<_>>()
        );
        assert!(feet.iter().all(|f| (f.at.y_m - feet[0].at.y_m).abs() < 1e-9));
        (feet[0].at.y_m * 100.0).round() / 100.0
    };
    assert_eq!(middle_m(&[0.0, 4.0]), 2.0);
    assert_eq!(middle_m(&[0.0, 3.0, 6.0]), 3.0);
    assert_eq!(middle_m(&[1.0, -3.0, 3.0, -2.0]), -0.25);
    // Within a fifth of the merge distance it is one line drawn twice.
    assert_eq!(middle_m(&[0.0, 0.9]), 0.0);
    assert_eq!(middle_m(&[0.0, 1.1]), 0.55);
}

#[test]
fn a_line_drawn_twice_keeps_the_vertices_of_the_longer() {
    let sparse = [(0.0, 0.0), (300.0, 0.0), (600.0, 40.0)];
    let network = merged(&[track(&sparse), track(&bent(&[(1.0, 0.5), (300.0, 0.5), (600.0, 40.5)]))]);
    assert_eq!((network.report().merged.len(), network.edges().len()), (1, 1));
    let path: Vec<(f64, f64)> = network.path(0).iter().map(|p| (p.x_m, p.y_m)).collect();
    assert_eq!(path, sparse);
    let stretches = network.stretches(0);
    assert_eq!((stretches.len(), stretches[0].line, stretches[1].line), (2, 0, 1));
    assert!((stretches[1].end_m - network.line_length_m(1).unwrap()).abs() < 1e-6, "all of it");
}

#[test]
fn what_coincides_is_left_to_the_noder() {
    let network = merged(&[recorded(&east(500.0, 0.0)), recorded(&straight((500.0, 0.01), (0.0, 0.01)))]);
    assert!(network.report().merged.is_empty());
    let network = merged(&[recorded(&east(500.0, 0.0)), recorded(&east(500.0, 0.03))]);
    assert_eq!(network.report().merged.len(), 1, "more than two lattice steps");
}

/// From the south to a track, along it for 400 m, and away to the south again.
#[test]
fn a_pass_in_the_middle_of_a_recording_leaves_the_rest_joined_to_the_centre_line() {
    let long = recorded(&east(1000.0, 0.0));
    for turned in [false, true] {
        let mut way = bent(&[(300.0, -202.0), (300.0, -2.0), (700.0, -2.0), (700.0, -202.0)]);
        if turned {
            way.reverse();
        }
        let network = merged(&[long.clone(), recorded(&way)]);
        let [pass] = network.report().merged[..] else { panic!("one pass") };
        assert_eq!((pass.line, pass.into), (1, 0));
        assert!((pass.from_m - 200.0).abs() < 25.0 && (pass.to_m - 600.0).abs() < 25.0, "{pass:?}");
        assert_eq!(network.degree_histogram(), [0, 4, 0, 2]);
        assert!((network.length_m() - 1400.0).abs() < 40.0, "{} m", network.length_m());
        // All of the line is there, in order, and where it was.
        let pieces = network.line_pieces(1);
        assert_eq!((pieces.len(), pieces[0].low_m), (3, 0.0));
        assert!(pieces.windows(2).all(|w| (w[0].high_m - w[1].low_m).abs() < 1e-6));
        assert!((pieces[2].high_m - network.line_length_m(1).unwrap()).abs() < 1e-6);
        let foot = network.foot_on_line(1, 400.0).unwrap();
        assert!(foot.at.distance_m(GroundPoint::new(500.0, -1.0)) < 3.0, "{foot:?}");
        let (before, after) =
            (network.foot_on_line(1, 100.0).unwrap(), network.foot_on_line(1, 700.0).unwrap());
        // Their ends moved to the centre line, a metre farther north.
        let (west, east) = if turned { (after, before) } else { (before, after) };
        for (foot, x_m) in [(west, 300.0), (east, 700.0)] {
            assert!((foot.at.x_m - x_m).abs() < 1e-6 && (foot.at.y_m + 102.0).abs() < 3.0, "{foot:?}");
        }
    }
}

#[test]
fn what_goes_on_past_a_track_counts_to_the_pass_where_it_is_short() {
    let past = |over_m: f64| {
        let network =
            merged(&[recorded(&east(500.0, 0.0)), recorded(&straight((100.0, 3.0), (500.0 + over_m, 3.0)))]);
        let [pass] = network.report().merged[..] else { panic!("one pass") };
        assert_eq!(pass.from_m, 0.0);
        (pass.to_m, network.edges().len(), network.length_m())
    };
    let (to_m, edges, length_m) = past(5.0);
    assert_eq!((to_m, edges), (405.0, 2));
    assert!((length_m - 500.0).abs() < 5.0, "{length_m}");
    let (to_m, edges, length_m) = past(60.0);
    assert_eq!(edges, 3);
    assert!((to_m - 400.0).abs() < 15.0 && (length_m - 560.0).abs() < 6.0, "{to_m} {length_m}");
    // What is left over is four merge distances long at least, but for a sample.
    for over_m in 1..40 {
        let over_m = f64::from(over_m);
        let (to_m, edges, _) = past(over_m);
        let rest_m = 400.0 + over_m - to_m;
        assert!((rest_m == 0.0 && edges == 2) || (rest_m > 15.0 && edges == 3), "{rest_m} m of {over_m} m");
    }
}

#[test]
fn a_merge_distance_below_half_a_metre_merges_nothing() {
    let lines = [recorded(&east(400.0, 0.0)), recorded(&east(390.0, 0.3))];
    let within = |merge_m: f64| {
        let settings = NetworkSettings { merge_m, snap_m: 0.0, ..NetworkSettings::default() };
        built(&lines, &settings).report().merged.len()
    };
    assert_eq!([within(0.49), within(0.5)], [0, 1]);
}

/// Between two tracks that lie too far apart to be one, a pass goes to the nearer.
#[test]
fn a_pass_goes_to_the_track_that_it_follows_best() {
    for (y_m, into) in [(4.3, 0), (4.7, 1)] {
        let lines = [recorded(&east(600.0, 0.0)), recorded(&east(590.0, 9.0)), recorded(&east(500.0, y_m))];
        assert_eq!(pairs(&lines), [(2, into)], "{y_m} m");
        let turned = [recorded(&east(590.0, 0.0)), recorded(&east(600.0, 9.0)), recorded(&east(500.0, y_m))];
        assert_eq!(pairs(&turned), [(2, into)], "{y_m} m");
    }
    // Against both tracks as well.
    let against: Vec<(f64, f64)> = east(500.0, 4.7).into_iter().rev().collect();
    assert_eq!(
        pairs(&[recorded(&east(600.0, 0.0)), recorded(&east(590.0, 9.0)), recorded(&against)]),
        [(2, 1)]
    );
}

/// A further pass moves the centre line when what is left of a recording has been joined to it.
#[test]
fn what_is_left_of_a_pass_goes_where_the_centre_line_comes_to_lie() {
    let through = bent(&[(300.0, -202.0), (300.0, -4.0), (700.0, -4.0), (700.0, -202.0)]);
    let lines =
        [recorded(&east(1000.0, 0.0)), recorded(&through), recorded(&straight((250.0, 2.0), (750.0, 2.0)))];
    let open = NetworkSettings { snap_m: 0.0, ..NetworkSettings::default() };
    let network = built(&lines, &open);
    assert!(network.faults().is_empty());
    let merged: Vec<(u32, u32)> = network.report().merged.iter().map(|m| (m.line, m.into)).collect();
    assert_eq!(merged, [(1, 0), (2, 0)]);
    // Two ends of the long one, two legs that hang on it.
    assert_eq!(
        (network.components(network.settings().travel).count, network.degree_histogram()[..4].to_vec()),
        (1, vec![0, 4, 2, 2])
    );
    let middle = network.foot_on_line(0, 500.0).unwrap();
    assert!((middle.at.y_m + 2.0 / 3.0).abs() < 0.05, "the mean of 0, -4 and 2: {middle:?}");
}

#[test]
fn what_coincides_with_a_line_goes_where_that_is_moved_to() {
    let once = merged(&[recorded(&east(600.0, 0.0)), recorded(&east(560.0, 4.0))]);
    let twice =
        merged(&[recorded(&east(600.0, 0.0)), recorded(&east(560.0, 4.0)), recorded(&east(600.0, 0.0))]);
    assert_eq!(twice.edges().len(), once.edges().len());
    assert!(
        (twice.length_m() - once.length_m()).abs() < 2.0,
        "{} m, {} m",
        twice.length_m(),
        once.length_m()
    );
    let [on_first, on_twin] = [0, 2].map(|line| twice.foot_on_line(line, 300.0).unwrap().at);
    assert!(on_first.distance_m(on_twin) < 1.0 && on_first.y_m > 1.0, "{on_first:?} {on_twin:?}");
}

/// Chainages on a line at which something crosses it, and its end.
fn crossed(network: &Network, line: u32) -> Vec<f64> {
    let mut at: Vec<f64> = network.line_pieces(line).iter().map(|p| p.high_m).collect();
    at.sort_by(f64::total_cmp);
    at
}

fn roads(at: &[f64]) -> Vec<Traced<Line>> {
    at.iter().map(|&x_m| line(LineKind::Road, &[(x_m, -60.0), (x_m, 60.0)])).collect()
}

fn close(found: &[f64], wanted: &[f64], within_m: f64) -> bool {
    found.len() == wanted.len() && found.iter().zip(wanted).all(|(f, w)| (f - w).abs() <= within_m)
}

#[test]
fn a_crossing_of_merged_passes_lies_where_it_does_on_each_of_them() {
    for (y_m, within_m) in [(4.0, 3.0), (0.5, 3.0)] {
        let pass = east(590.0, y_m);
        let against: Vec<(f64, f64)> = pass.iter().rev().copied().collect();
        for (pass, wanted) in [(pass, [150.0, 300.0, 450.0, 590.0]), (against, [140.0, 290.0, 440.0, 590.0])]
        {
            let lines =
                [vec![recorded(&east(600.0, 0.0)), recorded(&pass)], roads(&[150.0, 300.0, 450.0])].concat();
            let network = merged(&lines);
            assert_eq!(network.report().merged.len(), 1);
            let (first, second) = (crossed(&network, 0), crossed(&network, 1));
            // The track may be cut where the pass ends short of it.
            let first: Vec<f64> = first.into_iter().filter(|m| *m < 500.0 || *m > 599.0).collect();
            assert!(close(&first, &[150.0, 300.0, 450.0, 600.0], within_m), "{first:?}");
            assert!(close(&second, &wanted, within_m) && second[3] == 590.0, "{second:?}, not {wanted:?}");
        }
    }
}

/// Out 500 m and back 560 m: the way back is the longer piece, and begins 500 m along.
#[test]
fn a_crossing_of_a_way_out_and_back_lies_on_both_passes() {
    for off_m in [0.5, 4.0] {
        let way = bent(&[(0.0, 0.0), (500.0, 0.0), (500.0, off_m), (-60.0, off_m)]);
        let network = merged(&[vec![recorded(&way)], roads(&[120.0, 300.0])].concat());
        let [pass] = network.report().merged[..] else { panic!("one pass") };
        assert!(pass.from_m == 0.0 && (pass.to_m - 500.0).abs() < 10.0, "{pass:?}");
        let found = crossed(&network, 0);
        for wanted_m in [120.0, 300.0, 700.0 + off_m, 880.0 + off_m, 1060.0 + off_m] {
            assert!(found.iter().any(|m| (m - wanted_m).abs() < 4.0), "{wanted_m} m is not among {found:?}");
        }
    }
}
