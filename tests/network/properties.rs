//! Properties that hold for any lines.

use std::collections::BTreeSet;

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use stakeline::network::{Network, NetworkSettings};

use crate::support::{noding_only, sound, tracks};

type Path = Vec<(f64, f64)>;
type WholePath = Vec<(i64, i64)>;

/// Edges as undirected paths in whole centimetres.
fn edge_set(network: &Network) -> BTreeSet<WholePath> {
    let whole = |v: f64| (v * 100.0).round() as i64;
    (0..network.edges().len() as u32)
        .map(|e| {
            let path: WholePath = network.path(e).iter().map(|p| (whole(p.x_m), whole(p.y_m))).collect();
            let back: WholePath = path.iter().rev().copied().collect();
            path.min(back)
        })
        .collect()
}

/// Lines whose vertices crowd a small square, so that everything nearly touches.
fn crowded() -> impl Strategy<Value = Vec<Path>> {
    let coordinate = || (0..60_i32).prop_map(|v| f64::from(v) * 0.05);
    prop::collection::vec(prop::collection::vec((coordinate(), coordinate()), 2..6), 1..10)
}

/// Lines over some hundred metres, with coordinates of any fraction.
fn spread() -> impl Strategy<Value = Vec<Path>> {
    prop::collection::vec(prop::collection::vec((0.0..400.0_f64, 0.0..400.0_f64), 2..8), 1..12)
}

fn built(paths: &[Path], settings: &NetworkSettings) -> Option<Network> {
    let long = |p: &Path| p.iter().any(|q| (q.0 - p[0].0).hypot(q.1 - p[0].1) > 0.05);
    paths.iter().any(long).then(|| sound(&tracks(paths), settings))
}

fn paths_of(network: &Network) -> Vec<Path> {
    (0..network.edges().len() as u32)
        .map(|e| network.path(e).iter().map(|p| (p.x_m, p.y_m)).collect())
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 50, failure_persistence: None, rng_seed: RngSeed::Fixed(7), ..ProptestConfig::default() })]

    #[test]
    fn noding_again_changes_nothing(paths in prop_oneof![crowded(), spread()]) {
        if let Some(network) = built(&paths, &noding_only(0.0)) {
            let again = sound(&tracks(&paths_of(&network)), &noding_only(0.0));
            prop_assert_eq!(edge_set(&network), edge_set(&again));
        }
    }

    #[test]
    fn order_and_direction_of_lines_play_no_part(paths in prop_oneof![crowded(), spread()], snap_m in 0.0..8.0_f64) {
        let snap_m = if snap_m < 0.01 { 0.0 } else { snap_m };
        if let Some(network) = built(&paths, &noding_only(snap_m)) {
            let mut turned: Vec<Path> = paths.iter().map(|p| p.iter().rev().copied().collect()).collect();
            turned.rotate_left(paths.len() / 2);
            let other = sound(&tracks(&turned), &noding_only(snap_m));
            prop_assert_eq!(edge_set(&network), edge_set(&other));
        }
    }

    #[test]
    fn a_shift_by_whole_steps_shifts_the_result(paths in crowded(), dx in -900_000..900_000_i64, dy in -900_000..900_000_i64) {
        if let Some(network) = built(&paths, &noding_only(0.5)) {
            // Whole centimetres from the start, so that the shift is exact on the lattice.
            let shift = |p: &Path| p.iter().map(|q| (
                ((q.0 * 100.0).round() + dx as f64) / 100.0,
                ((q.1 * 100.0).round() + dy as f64) / 100.0,
            )).collect::<Path>();
            let moved: Vec<Path> = paths.iter().map(shift).collect();
            let other = sound(&tracks(&moved), &noding_only(0.5));
            let wanted: BTreeSet<WholePath> = edge_set(&network)
                .into_iter()
                .map(|p| {
                    let path: WholePath = p.into_iter().map(|q| (q.0 + dx, q.1 + dy)).collect();
                    let back: WholePath = path.iter().rev().copied().collect();
                    path.min(back)
                })
                .collect();
            prop_assert_eq!(wanted, edge_set(&other));
        }
    }

    #[test]
    fn any_settings_give_a_sound_network(
        paths in prop_oneof![crowded(), spread()],
        snap_m in 0.02..30.0_f64,
        merge_m in 0.5..10.0_f64,
        reach_m in 1.0..200.0_f64,
    ) {
        let settings = NetworkSettings { snap_m, merge_m, reach_m, ..NetworkSettings::default() };
        built(&paths, &settings);
    }

    #[test]
    fn a_turn_keeps_the_counts_of_well_separated_lines(angle in 0.0..std::f64::consts::TAU, seed in 0..1000_u32) {
        // A lattice with 30 m between parallel lines: nothing is within ten steps of anything.
        let jitter = |k: u32| f64::from((seed.wrapping_mul(31).wrapping_add(k * 17)) % 700) / 100.0;
        let mut paths: Vec<Path> = Vec::new();
        for k in 0..6 {
            let at = f64::from(k) * 40.0 + jitter(k);
            paths.push(vec![(at, -20.0), (at + 3.0, 260.0)]);
            paths.push(vec![(-20.0, at), (260.0, at + 2.0)]);
        }
        let (s, c) = angle.sin_cos();
        let turned: Vec<Path> =
            paths.iter().map(|p| p.iter().map(|q| (q.0 * c - q.1 * s, q.0 * s + q.1 * c)).collect()).collect();
        let (a, b) = (sound(&tracks(&paths), &noding_only(0.01)), sound(&tracks(&turned), &noding_only(0.01)));
        prop_assert_eq!(a.degree_histogram(), b.degree_histogram());
        prop_assert_eq!(a.edges().len(), b.edges().len());
    }
}

#[test]
fn one_thread_and_four_give_the_same_network() {
    let mut paths: Vec<Path> = Vec::new();
    for k in 0..40 {
        let at = f64::from(k) * 7.3;
        paths.push(vec![(at, 0.0), (300.0 - at, 310.0)]);
        paths.push(vec![(0.0, at), (310.0, 295.0 - at), (150.0, 150.0)]);
    }
    let in_pool = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| sound(&tracks(&paths), &NetworkSettings::default()))
    };
    let (one, four) = (in_pool(1), in_pool(4));
    assert_eq!(one.nodes(), four.nodes());
    assert_eq!(one.edges(), four.edges());
    for edge in 0..one.edges().len() as u32 {
        assert_eq!((one.path(edge), one.stretches(edge)), (four.path(edge), four.stretches(edge)));
    }
    assert_eq!(one.near_misses(), four.near_misses());
}
