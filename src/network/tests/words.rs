//! Sets of kinds, settings, the words of files, and what a node is called.

use super::*;
use crate::network::noded::{Manner, PIXEL_LIMIT, Pass, Visit};
use crate::network::search::Workspace;

#[test]
fn a_set_of_kinds_holds_what_was_put_in() {
    for mask in 0..1_u32 << LineKind::ALL.len() {
        let kinds: Vec<LineKind> =
            (0..).zip(LineKind::ALL).filter(|(k, _)| mask >> k & 1 != 0).map(|(_, kind)| kind).collect();
        let set = KindSet::from_kinds(&kinds);
        assert!(set.kinds().eq(kinds.iter().copied()));
        assert_eq!((set.len(), set.is_empty()), (kinds.len(), kinds.is_empty()));
        for kind in LineKind::ALL {
            let held = kinds.contains(&kind);
            assert_eq!((set.has(kind), set.meets(KindSet::of(kind))), (held, held));
            assert_eq!(set.with(KindSet::of(kind)).len(), kinds.len() + usize::from(!held));
        }
        assert!(!set.meets(KindSet::EMPTY) && set.with(KindSet::EMPTY) == set);
    }
}

#[test]
fn settings_out_of_range_are_refused_by_name() {
    let refused = |change: &dyn Fn(&mut NetworkSettings)| {
        let mut settings = NetworkSettings::default();
        change(&mut settings);
        match settings.check() {
            Err(NetworkError::Setting { name, .. }) => name,
            other => other.map_or("another", |()| "taken"),
        }
    };
    for bad in [-1.0, 9.9e-7, f64::NAN, f64::INFINITY] {
        assert_eq!(refused(&|s| s.snap_m = bad), "snap", "{bad}");
    }
    for bad in [-1e-9, f64::NAN, f64::INFINITY] {
        assert_eq!(refused(&|s| s.merge_m = bad), "merge", "{bad}");
    }
    for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert_eq!(refused(&|s| s.reach_m = bad), "reach", "{bad}");
    }
    for good in [0.0, 1e-6, 5.0] {
        assert_eq!(
            refused(&|s| (s.snap_m, s.merge_m, s.reach_m) = (good, good, good + 1e-9)),
            "taken",
            "{good}"
        );
    }
}

#[test]
fn the_lattice_is_a_centimetre_or_as_fine_as_the_snap_distance() {
    let step_m = |snap_m: f64| NetworkSettings { snap_m, ..NetworkSettings::default() }.lattice_step_m();
    assert_eq!([0.0, 1e-6, 0.004, 0.01, 0.02, 5.0].map(step_m), [0.01, 1e-6, 0.004, 0.01, 0.01, 0.01]);
}

#[test]
fn words_of_files_are_these() {
    assert_eq!(NodeKind::ALL.map(NodeKind::word), ["junction", "crossing", "join", "end", "near-miss"]);
    assert_eq!([NearMissKind::Gap, NearMissKind::Overshoot].map(NearMissKind::word), ["gap", "overshoot"]);
    assert_eq!([Side::Left, Side::Right].map(Side::word), ["left", "right"]);
}

#[test]
fn a_node_is_called_by_the_first_that_fits() {
    let lines = [
        track(&[(-200.0, 0.0), (200.0, 0.0)]),
        track(&[(0.0, 0.0), (0.0, 200.0)]),
        line(LineKind::Fence, &[(100.0, -100.0), (100.0, 100.0)]),
        track(&[(200.0, 0.0), (300.0, 100.0)]),
        // Ends 7 m short of the second.
        line(LineKind::Creek, &[(-7.0, 120.0), (-150.0, 120.0)]),
        // A spur too short to be a way.
        track(&[(-100.0, 0.0), (-100.0, -20.0)]),
    ];
    let network = built(&lines, &NetworkSettings { merge_m: 0.0, ..NetworkSettings::default() });
    let kind = |x_m: f64, y_m: f64| network.node_kind(node_at(&network, x_m, y_m));
    assert_eq!(kind(0.0, 0.0), NodeKind::Junction);
    assert_eq!(kind(100.0, 0.0), NodeKind::Crossing);
    assert_eq!(kind(200.0, 0.0), NodeKind::Join);
    assert_eq!(kind(300.0, 100.0), NodeKind::End);
    assert_eq!(kind(-7.0, 120.0), NodeKind::NearMiss);
    assert_eq!(kind(-100.0, 0.0), NodeKind::Join, "three ends, two ways, one kind");
    let counts = network.node_kind_counts().map(|c| c.1);
    assert_eq!((counts, counts.iter().sum::<usize>()), ([1, 1, 2, 7, 1], network.nodes().len()));
    let crossing = network.nodes()[node_at(&network, 100.0, 0.0) as usize];
    assert_eq!(
        (crossing.degree, crossing.kinds),
        (4, KindSet::from_kinds(&[LineKind::Track, LineKind::Fence]))
    );
    assert!(!crossing.gate && !crossing.near_miss);
}

#[test]
fn a_line_is_merged_where_it_went_into_another_or_another_into_it() {
    let merged = vec![MergedPass { line: 4, into: 2, from_m: 0.0, to_m: 9.0 }];
    let report = Report { merged, ..Report::default() };
    assert_eq!([1, 2, 3, 4, 5].map(|line| report.is_merged(line)), [false, true, false, true, false]);
}

#[test]
fn a_pass_holds_its_parts_and_sorts_by_them() {
    let last = PIXEL_LIMIT as u32 - 1;
    let mut all = Vec::new();
    for of in [0, 7, u32::MAX] {
        for manner in [Manner::Vertex, Manner::Inner, Manner::Near] {
            for pixel in [0, 5, last] {
                let pass = Pass::new(of, manner, pixel);
                assert_eq!((pass.of(), pass.manner(), pass.pixel()), (of, manner, pixel));
                all.push(pass);
            }
        }
    }
    assert!(all.is_sorted());
    let moved = Pass::new(3, Manner::Near, 10).counted_from(32);
    assert_eq!((moved.of(), moved.manner(), moved.pixel()), (3, Manner::Near, 42));
    assert_eq!(
        [Visit::to_pixel(last).pixel(), Visit::lone(8).pixel(), Visit::NONE.pixel()],
        [Some(last), None, None]
    );
    assert!(Visit::lone(8) != Visit::to_pixel(8) && Visit::lone(8) != Visit::lone(9));
}

#[test]
fn a_search_settles_by_distance_and_keeps_the_least() {
    let mut work = Workspace::new(5, 4);
    for _ in 0..2 {
        work.begin();
        work.offer_hub(3, 7.0, 10.0, 30);
        work.offer_hub(1, 9.0, 10.0, 10);
        work.offer_hub(1, 4.0, 10.0, 11);
        work.offer_hub(1, 5.0, 10.0, 12);
        work.offer_hub(0, 10.1, 10.0, 1);
        work.offer_hub(2, 10.0, 10.0, 20);
        let settled: Vec<(u32, f64)> = std::iter::from_fn(|| work.settle()).collect();
        assert_eq!(settled, [(1, 4.0), (3, 7.0), (2, 10.0)]);
        assert_eq!((work.by[1], work.by[2], work.by[3]), (11, 20, 30));
        let taken = [(2, 8.0), (0, 5.0), (2, 6.0), (2, 7.0), (3, 10.0), (1, 10.1)]
            .map(|(k, d)| work.offer_target(k, d, 10.0));
        assert_eq!(taken, [true, true, true, true, true, false]);
        assert_eq!(work.take_row(), [(0, 5.0), (2, 6.0), (3, 10.0)]);
    }
    work.begin();
    assert!(work.settle().is_none() && work.take_row().is_empty(), "a new search knows nothing of the last");
}
