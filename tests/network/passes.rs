//! Repeated GPS passes of one track.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stakeline::network::{Network, NetworkSettings};

use crate::support::{noding_only, recordings, sound, tracks};
use crate::values::noisy_passes;

fn merging() -> NetworkSettings {
    NetworkSettings::default()
}

fn junctions(network: &Network) -> usize {
    network.nodes().iter().filter(|n| n.degree >= 3).count()
}

#[test]
fn four_noisy_passes_become_one_line_without_a_junction() {
    let network = sound(&tracks(&noisy_passes()), &merging());
    assert_eq!(network.report().merged.len(), 3);
    assert_eq!(junctions(&network), 0);
    let all = network.components(network.settings().travel);
    assert_eq!(all.count, 1);
    assert!((network.length_m() - 1000.0).abs() < 30.0, "{} m", network.length_m());
    for line in 0..4 {
        let middle_m = network.line_length_m(line).unwrap() / 2.0;
        let foot = network.foot_on_line(line, middle_m).unwrap();
        assert!((foot.at.x_m - 500.0).abs() < 30.0 && foot.at.y_m.abs() < 5.0, "line {line}: {foot:?}");
    }
}

/// Standard normal by Box and Muller (1958).
fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (rng.random_range(f64::EPSILON..1.0), rng.random());
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}

/// A winding track of some length with a vertex every 10 m.
fn track(rng: &mut ChaCha8Rng, length_m: f64) -> Vec<(f64, f64)> {
    let mut heading: f64 = rng.random_range(0.0..std::f64::consts::TAU);
    let (mut x, mut y) = (0.0, 0.0);
    let mut path = vec![(x, y)];
    for _ in 0..(length_m / 10.0) as usize {
        heading += 0.06 * normal(rng);
        x += 10.0 * heading.cos();
        y += 10.0 * heading.sin();
        path.push((x, y));
    }
    path
}

/// A pass with 3 m noise: white, or correlated over 50 m along the way.
fn pass(rng: &mut ChaCha8Rng, track: &[(f64, f64)], correlated: bool) -> Vec<(f64, f64)> {
    let keep = if correlated { (-10.0_f64 / 50.0).exp() } else { 0.0 };
    let fresh = 3.0 * (1.0 - keep * keep).sqrt();
    let (mut ex, mut ey) = (3.0 * normal(rng), 3.0 * normal(rng));
    track
        .iter()
        .map(|&(x, y)| {
            ex = keep * ex + fresh * normal(rng);
            ey = keep * ey + fresh * normal(rng);
            (x + ex, y + ey)
        })
        .collect()
}

fn merged_passes(paths: &[Vec<(f64, f64)>]) -> usize {
    sound(&tracks(paths), &merging()).report().merged.len()
}

/// Shifts a path to its left.
fn beside(path: &[(f64, f64)], by_m: f64) -> Vec<(f64, f64)> {
    let n = path.len();
    (0..n)
        .map(|i| {
            let (a, b) = (path[i.saturating_sub(1)], path[(i + 1).min(n - 1)]);
            let length = (b.0 - a.0).hypot(b.1 - a.1);
            (path[i].0 - by_m * (b.1 - a.1) / length, path[i].1 + by_m * (b.0 - a.0) / length)
        })
        .collect()
}

/// Sixty pairs of passes, half of them reversed or partial: at most one in thirty is missed.
#[test]
fn passes_with_three_metres_of_noise_are_found() {
    let mut missed = 0;
    for seed in 0..60 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let way = track(&mut rng, 1500.0);
        let correlated = seed % 2 == 1;
        let first = pass(&mut rng, &way, correlated);
        let mut second = pass(&mut rng, &way, correlated);
        match seed % 4 {
            1 => second.reverse(),
            2 => second = second[40..110].to_vec(),
            _ => {}
        }
        if merged_passes(&[first, second]) == 0 {
            missed += 1;
        }
    }
    assert!(missed <= 2, "{missed} of 60 pairs missed");
}

#[test]
fn a_parallel_track_twelve_metres_away_is_kept_apart() {
    for seed in 0..40 {
        let mut rng = ChaCha8Rng::seed_from_u64(100 + seed);
        let way = track(&mut rng, 1500.0);
        let other = beside(&way, 12.0);
        let correlated = seed % 2 == 1;
        let passes = [pass(&mut rng, &way, correlated), pass(&mut rng, &other, correlated)];
        assert_eq!(merged_passes(&passes), 0, "seed {seed}");
    }
}

#[test]
fn crossing_tracks_are_kept_apart_from_5_to_45_degrees() {
    for (k, angle) in [5.0, 7.5, 10.0, 15.0, 20.0, 30.0, 45.0_f64].into_iter().enumerate() {
        for seed in 0..6 {
            let mut rng = ChaCha8Rng::seed_from_u64(1000 + 10 * k as u64 + seed);
            let straight: Vec<(f64, f64)> = (0..=100).map(|i| (10.0 * f64::from(i) - 500.0, 0.0)).collect();
            let (s, c) = angle.to_radians().sin_cos();
            let turned: Vec<(f64, f64)> = straight.iter().map(|&(x, _)| (x * c, x * s)).collect();
            let passes = [pass(&mut rng, &straight, false), pass(&mut rng, &turned, false)];
            assert_eq!(merged_passes(&passes), 0, "{angle} degrees, seed {seed}");
        }
    }
}

#[test]
fn a_hairpin_survives() {
    for seed in 0..6 {
        let mut rng = ChaCha8Rng::seed_from_u64(2000 + seed);
        let up: Vec<(f64, f64)> = (0..=50).map(|i| (10.0 * f64::from(i), 0.0)).collect();
        let down = up.iter().rev().map(|&(x, _)| (x, 14.0));
        let way: Vec<(f64, f64)> = up.iter().copied().chain(down).collect();
        let passes = [pass(&mut rng, &way, false), pass(&mut rng, &way, false)];
        let network = sound(&tracks(&passes), &merging());
        assert_eq!(network.report().merged.len(), 1, "seed {seed}");
        assert!(network.length_m() > 950.0, "seed {seed}: the two legs became one, {} m", network.length_m());
    }
}

/// Tracks that share a stretch of 300 m and part again.
#[test]
fn ordinary_tracks_that_run_together_for_a_while_are_kept() {
    for seed in 0..10 {
        let mut rng = ChaCha8Rng::seed_from_u64(3000 + seed);
        let bend = |from: f64, side: f64| -> Vec<(f64, f64)> {
            (0..=150)
                .map(|i| {
                    let x = 10.0 * f64::from(i);
                    let off = ((from - x).max(0.0) + (x - from - 300.0).max(0.0)) * 0.5;
                    (x, side * off)
                })
                .collect()
        };
        let passes = [pass(&mut rng, &bend(500.0, 1.0), false), pass(&mut rng, &bend(500.0, -1.0), false)];
        assert_eq!(merged_passes(&passes), 0, "seed {seed}");
    }
}

/// There and back on one track in one recording.
#[test]
fn a_recording_that_goes_out_and_back_becomes_one_line() {
    for seed in 0..20 {
        let mut rng = ChaCha8Rng::seed_from_u64(4000 + seed);
        let out = track(&mut rng, 1200.0);
        let back = out.iter().rev().skip(1);
        let way: Vec<(f64, f64)> = out.iter().chain(back).copied().collect();
        let network = sound(&recordings(&[pass(&mut rng, &way, seed % 2 == 1)]), &merging());
        let [merged] = network.report().merged[..] else { panic!("seed {seed}: one stretch is merged") };
        assert_eq!((merged.line, merged.into), (0, 0));
        let merged_m = merged.to_m - merged.from_m;
        let whole_m = network.line_length_m(0).unwrap();
        assert!((merged_m / whole_m - 0.5).abs() < 0.05, "seed {seed}: {merged_m} of {whole_m} m");
        assert_eq!(junctions(&network), 0, "seed {seed}");
        assert!((network.length_m() - 1200.0).abs() < 30.0, "seed {seed}: {} m", network.length_m());
        assert!(network.line_pieces(0).len() >= 2, "both passes are on the edge");
    }
}

/// At most one in thirty is missed, and where it is found neither the turn nor the ends leave a
/// junction behind.
#[test]
#[ignore = "a thousand recordings; some seconds"]
fn a_thousand_recordings_that_go_out_and_back_leave_no_junction() {
    let mut missed = 0;
    for seed in 0..1000 {
        let mut rng = ChaCha8Rng::seed_from_u64(4000 + seed);
        let out = track(&mut rng, 1200.0);
        let way: Vec<(f64, f64)> = out.iter().chain(out.iter().rev().skip(1)).copied().collect();
        let network = sound(&recordings(&[pass(&mut rng, &way, seed % 2 == 1)]), &merging());
        match network.report().merged.len() {
            0 => missed += 1,
            _ => assert_eq!(junctions(&network), 0, "seed {seed}"),
        }
    }
    assert!(missed <= 33, "{missed} of 1000 missed");
}

/// A loop that was driven at the far end, 100 m across, is no noise.
#[test]
fn a_loop_at_the_turn_is_kept() {
    for seed in 0..10 {
        let mut rng = ChaCha8Rng::seed_from_u64(7000 + seed);
        let out: Vec<(f64, f64)> = (0..=80).map(|i| (10.0 * f64::from(i), 0.0)).collect();
        let round = (1..32).map(|k| {
            let (s, c) = (f64::from(k) * std::f64::consts::TAU / 32.0).sin_cos();
            (850.0 - 50.0 * c, 50.0 * s)
        });
        let way: Vec<(f64, f64)> =
            out.iter().copied().chain(round).chain(out.iter().rev().copied()).collect();
        let network = sound(&recordings(&[pass(&mut rng, &way, false)]), &merging());
        assert!(!network.report().merged.is_empty(), "seed {seed}");
        let loop_m = std::f64::consts::TAU * 50.0;
        let off_m = network.length_m() - 800.0 - loop_m;
        assert!(off_m.abs() < 80.0, "seed {seed}: {} m", network.length_m());
        assert!(junctions(&network) >= 1, "seed {seed}: the loop is gone");
    }
}

/// One line drawn sixty times, and one noisy pass of it: nothing is left beside the centre line.
#[test]
fn coincident_lines_go_where_their_twin_goes() {
    let mut rng = ChaCha8Rng::seed_from_u64(8000);
    let way = track(&mut rng, 1500.0);
    let mut paths = vec![way.clone(); 60];
    let network = sound(&recordings(&paths), &merging());
    assert!(network.report().merged.is_empty(), "what coincides is left to the noder");
    assert_eq!((network.edges().len(), network.line_pieces(59).len()), (1, 1));
    paths.push(pass(&mut rng, &way, false));
    let network = sound(&recordings(&paths), &merging());
    assert_eq!(junctions(&network), 0);
    assert!((network.length_m() - 1500.0).abs() < 40.0, "{} m", network.length_m());
}

/// A scribble that crosses itself tens of thousands of times ends, whatever is asked.
#[test]
fn a_scribble_is_noded_and_merged_in_bounded_time() {
    let mut rng = ChaCha8Rng::seed_from_u64(9000);
    let (mut x, mut y) = (0.0, 0.0);
    let way: Vec<(f64, f64)> = (0..4000)
        .map(|_| {
            let turn: f64 = rng.random_range(0.0..std::f64::consts::TAU);
            (x, y) = (x + 40.0 * turn.cos(), y + 40.0 * turn.sin());
            (x, y)
        })
        .collect();
    for settings in [merging(), noding_only(5.0)] {
        let network = sound(&recordings(std::slice::from_ref(&way)), &settings);
        assert!(network.nodes().len() > 3000, "{}", network.nodes().len());
    }
    // Noisy passes that are not merged: thousands of nodes within reach of each.
    let way = track(&mut rng, 600.0);
    let passes: Vec<Vec<(f64, f64)>> = (0..20).map(|_| pass(&mut rng, &way, false)).collect();
    let network = sound(&tracks(&passes), &noding_only(0.01));
    assert!(junctions(&network) > 5000, "{}", junctions(&network));
    for node in 0..network.nodes().len() as u32 {
        assert!(network.ways_deg(node).len() <= 36, "ways are at least 10 degrees apart");
    }
}

/// Three times round a loop in one recording.
#[test]
fn a_recording_of_three_laps_becomes_one_loop() {
    for seed in 0..10 {
        let mut rng = ChaCha8Rng::seed_from_u64(5000 + seed);
        let lap = 2.0 * std::f64::consts::PI * 200.0;
        let way: Vec<(f64, f64)> = (0..=(3.0 * lap / 10.0) as usize)
            .map(|k| {
                let (s, c) = (10.0 * k as f64 / 200.0).sin_cos();
                (200.0 * c, 200.0 * s)
            })
            .collect();
        let network = sound(&recordings(&[pass(&mut rng, &way, seed % 2 == 1)]), &merging());
        assert!(!network.report().merged.is_empty(), "seed {seed}");
        assert!(network.length_m() < 1.25 * lap, "seed {seed}: {} m of {lap} m a lap", network.length_m());
    }
}

#[test]
fn a_recorded_hairpin_and_a_recording_that_crosses_itself_stay_as_they_are() {
    for seed in 0..10 {
        let mut rng = ChaCha8Rng::seed_from_u64(6000 + seed);
        let up: Vec<(f64, f64)> = (0..=50).map(|i| (10.0 * f64::from(i), 0.0)).collect();
        let down = up.iter().rev().map(|&(x, _)| (x, 14.0));
        let hairpin: Vec<(f64, f64)> = up.iter().copied().chain(down).collect();
        let eight: Vec<(f64, f64)> = (0..200)
            .map(|k| {
                let (s, c) = (f64::from(k) * std::f64::consts::TAU / 200.0).sin_cos();
                (300.0 * s, 300.0 * s * c)
            })
            .collect();
        for way in [hairpin, eight] {
            let network = sound(&recordings(&[pass(&mut rng, &way, false)]), &merging());
            assert!(network.report().merged.is_empty(), "seed {seed}: {:?}", network.report().merged);
        }
    }
}

#[test]
fn merging_can_be_turned_off() {
    let network = sound(&tracks(&noisy_passes()), &noding_only(1e-5));
    assert!(network.report().merged.is_empty());
    assert!(junctions(&network) > 300);
}

/// Recordings of a square grid of tracks, there and back at random: as lines they make no network. Each
/// track drawn once makes one.
#[test]
fn dozens_of_recordings_of_the_same_tracks_are_no_network() {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let mut recording = || {
        let (mut at, mut before) = ((rng.random_range(0..3), rng.random_range(0..3)), None);
        let (mut path, mut off) = (Vec::new(), (0.0, 0.0));
        while path.len() < 120 {
            let ways = [(1, 0), (-1, 0), (0, 1), (0, -1)].map(|(dx, dy): (i32, i32)| (at.0 + dx, at.1 + dy));
            let next = ways[rng.random_range(0..4)];
            if !(0..3).contains(&next.0) || !(0..3).contains(&next.1) || Some(next) == before {
                continue;
            }
            for k in 0..30 {
                let t = f64::from(k) / 30.0;
                let along = |a: i32, b: i32| 300.0 * (f64::from(a) + t * f64::from(b - a));
                let mut error = |e: f64| 0.9 * e + rng.random_range(-2.3..2.3);
                off = (error(off.0), error(off.1));
                path.push((along(at.0, next.0) + off.0, along(at.1, next.1) + off.1));
            }
            (before, at) = (Some(at), next);
        }
        path
    };
    let paths: Vec<Vec<(f64, f64)>> = (0..40).map(|_| recording()).collect();
    for merge_m in [0.0, 5.0, 10.0] {
        let settings = NetworkSettings { merge_m, ..NetworkSettings::default() };
        let tangle = Network::build(&recordings(&paths), &[], &settings).unwrap().tangle();
        assert!(tangle.is_doubtful(), "merge {merge_m} m: {tangle:?}");
        assert!(merge_m > 0.0 || tangle.is_no_network(), "merge {merge_m} m: {tangle:?}");
    }
    let row = |k: usize| (0..3).map(|i| (300.0 * f64::from(i), 300.0 * k as f64)).collect::<Vec<_>>();
    let column = |k: usize| row(k).into_iter().map(|(x, y)| (y, x)).collect::<Vec<_>>();
    let drawn: Vec<Vec<(f64, f64)>> = (0..3).map(row).chain((0..3).map(column)).collect();
    let tangle = sound(&tracks(&drawn), &NetworkSettings::default()).tangle();
    assert!(!tangle.is_doubtful() && tangle.crowded == 0, "{tangle:?}");
}
