//! Values with closed forms: reflection at ends and junctions, wrapped normals, splits.
//! Recomputed with mpmath to 15 digits from the formulas named at each.

use super::*;

const PEAK: f64 = 0.00398942280401433;

/// Dead ends reflect: Σ φ(v − u + 2kL) + φ(v + u + 2kL) (McSwiggan, Baddeley & Nair 2017).
#[test]
fn a_single_line_reflects_at_its_ends() {
    let line = graph(2, &[(0, 1, 1000.0)]);
    let queries = [0.0, 100.0, 200.0, 400.0, 900.0].map(|v| at(0, v));
    let expected = [
        0.00107981933026376,
        0.00246402572931081,
        0.00399076110627198,
        0.000539909725890709,
        9.13472143634195e-14,
    ];
    assert_close(&heat(&line, &one(0, 200.0), &queries, 100.0).per_m, &expected, PEAK);
}

/// φ(|u − v|) + (2/m − 1) φ(u + v) on the same arm, (2/m) φ(u + v) on the others.
#[test]
fn stars_of_three_and_four_arms() {
    let along = [0.0, 50.0, 150.0, 300.0, 900.0];
    let cases = [
        (
            3,
            [
                0.000863450637772612,
                0.00223973735681414,
                0.00397464997597453,
                0.00129512267752189,
                2.43432063380684e-15,
            ],
            [
                0.000863450637772612,
                0.000359939776754587,
                2.95456560795865e-05,
                1.06558274046037e-07,
                3.05025039399355e-27,
            ],
        ),
        (
            4,
            [
                0.000647587978329459,
                0.00214975241262549,
                0.00396726356195464,
                0.00129509603795338,
                2.43432063380608e-15,
            ],
            [
                0.000647587978329459,
                0.00026995483256594,
                2.21592420596899e-05,
                7.99187055345274e-08,
                2.28768779549516e-27,
            ],
        ),
    ];
    for (arms, same, other) in cases {
        let star = star(arms);
        for (edge, expected) in [(0, same), (1, other), (arms - 1, other)] {
            let field = heat(&star, &one(0, 150.0), &along.map(|v| at(edge, v)), 100.0);
            assert_close(&field.per_m, &expected, PEAK);
        }
    }
}

/// A star of m arms so short that their far ends show. By symmetry the kernel is that of a line
/// closed at both ends, N, and of one open at the junction, D: N/m + (1 − 1/m) D on the record's
/// own arm, (N − D)/m on the others; both are sums over mirror images.
#[test]
fn short_stars_are_sums_over_mirror_images() {
    let (length_m, sigma_m, u) = (250.0, 100.0, 150.0);
    let images = |v: f64, sign_of_turn: f64, sign_of_mirror: f64| -> f64 {
        (-12..=12_i32)
            .map(|k| {
                let sign = if k % 2 == 0 { 1.0 } else { sign_of_turn };
                let shift = 2.0 * f64::from(k) * length_m;
                sign * (normal(v - u + shift, sigma_m) + sign_of_mirror * normal(v + u + shift, sigma_m))
            })
            .sum()
    };
    let along = [0.0, 40.0, 150.0, 200.0, 250.0];
    for arms in [2_u32, 3, 5] {
        let edges: Vec<_> = (0..arms).map(|arm| (0, arm + 1, length_m)).collect();
        let star = graph(arms as usize + 1, &edges);
        let m = f64::from(arms);
        for edge in 0..arms {
            let expected = along.map(|v| {
                let (closed, open) = (images(v, 1.0, 1.0), images(v, -1.0, -1.0));
                if edge == 0 { closed / m + (1.0 - 1.0 / m) * open } else { (closed - open) / m }
            });
            let field = heat(&star, &one(0, u), &along.map(|v| at(edge, v)), sigma_m);
            assert_close(&field.per_m, &expected, PEAK);
        }
    }
}

/// (2/m) φ(0) where record and query share a junction of m long arms.
#[test]
fn at_the_junction_itself() {
    let expected = [0.00797884560802865, 0.00398942280401433, 0.00265961520267622, 0.00199471140200716];
    for (arms, expected) in (1..).zip(expected) {
        // 20 σ long, so that the far ends do not show.
        let edges: Vec<_> = (0..arms).map(|arm| (0, arm + 1, 2000.0)).collect();
        let star = graph(arms as usize + 1, &edges);
        let found = heat(&star, &one(arms - 1, 0.0), &[at(0, 0.0)], 100.0).per_m[0];
        assert!((found - expected).abs() < 1e-11 * PEAK, "{arms} arms: {found}");
    }
}

/// A ring: Σ φ(d + kC), the wrapped normal. As one loop edge and as three edges.
#[test]
fn a_ring_is_a_wrapped_normal() {
    let expected = [0.00398942280401433, 0.00241970724519143, 0.00017528300493812, 2.9734390294686e-08];
    let along = [300.0, 400.0, 550.0, 800.0];
    let loop_edge = graph(1, &[(0, 0, 1000.0)]);
    assert_close(&heat(&loop_edge, &one(0, 300.0), &along.map(|v| at(0, v)), 100.0).per_m, &expected, PEAK);
    let three = graph(3, &[(0, 1, 500.0), (2, 1, 200.0), (2, 0, 300.0)]);
    let places = [at(0, 300.0), at(0, 400.0), at(1, 150.0), at(2, 100.0)];
    assert_close(&heat(&three, &one(0, 300.0), &places, 100.0).per_m, &expected, PEAK);
}

fn split(graph: &LineGraph, rule: SplitRule, source: [Source; 1], queries: &[EdgePoint]) -> Field {
    // Half width 300 m.
    let sigma_m = 300.0 / 5f64.sqrt();
    let kernel = SplitKernel { kernel: Kernel::Epanechnikov, rule, sigma_m };
    kernel.density(&Chains::of(graph), &source, queries).unwrap()
}

/// T junction, record 150 m from it. Discontinuous: k(u + v)/(m − 1) on the other arms
/// (Okabe, Satoh & Sugihara 2009); continuous: k(|u − v|) − ((m − 2)/m) k(u + v) on its
/// own, (2/m) k(u + v) on the others.
#[test]
fn equal_splits_at_a_t_junction() {
    let along = [0.0, 50.0, 150.0, 300.0, 900.0];
    let cases = [
        (
            SplitRule::Discontinuous,
            [0.001875, 0.00222222222222222, 0.0025, 0.001875, 0.0],
            [0.0009375, 0.000694444444444444, 0.0, 0.0, 0.0],
        ),
        (
            SplitRule::Continuous,
            [0.00125, 0.00175925925925926, 0.0025, 0.001875, 0.0],
            [0.00125, 0.000925925925925926, 0.0, 0.0, 0.0],
        ),
    ];
    for (rule, same, other) in cases {
        for (edge, expected) in [(0, same), (1, other), (2, other)] {
            let field = split(&star(3), rule, one(0, 150.0), &along.map(|v| at(edge, v)));
            for (found, expected) in field.per_m.iter().zip(expected) {
                assert!((found - expected).abs() < 1e-15, "{rule:?} edge {edge}: {found} {expected}");
            }
        }
    }
}

/// A record 100 m from a dead end: discontinuous splits lose 1 − F(−100) = 0.259.
#[test]
fn a_dead_end_costs_discontinuous_splits_their_tail() {
    let line = graph(2, &[(0, 1, 1000.0)]);
    for (rule, expected) in [(SplitRule::Discontinuous, 0.740740740740741), (SplitRule::Continuous, 1.0)] {
        let field = split(&line, rule, one(0, 100.0), &[at(0, 0.0), at(0, 1000.0)]);
        assert!((field.mass_between(0, 1) - expected).abs() < 1e-12, "{rule:?}");
    }
}

/// The normal curve split continuously is the heat kernel, but for its cut tails.
#[test]
fn normal_walks_agree_with_heat() {
    let lollipop = graph(4, &[(0, 1, 120.0), (1, 2, 150.0), (2, 1, 170.0), (2, 3, 90.0)]);
    let queries: Vec<_> =
        (0..4).flat_map(|edge| (0..9).map(move |i| at(edge, 10.0 * f64::from(i)))).collect();
    let kernel = SplitKernel { kernel: Kernel::Gaussian, rule: SplitRule::Continuous, sigma_m: 40.0 };
    let walked = kernel.density(&Chains::of(&lollipop), &one(1, 30.0), &queries).unwrap();
    let heated = heat(&lollipop, &one(1, 30.0), &queries, 40.0);
    for (walked, heated) in walked.per_m.iter().zip(&heated.per_m) {
        // φ(4) is 3.4e-4 of the peak; several walks may be cut at once.
        assert!((walked - heated).abs() < 1e-3 * normal(0.0, 40.0), "{walked} {heated}");
    }
}

/// A straight track walked four times: numerator and denominator of the rate, by
/// quadrature with mpmath; the ratio estimator of Diggle (1985).
#[test]
fn effort_on_a_straight_track() {
    // A free line: the ends are 20 bandwidths away from the walked stretch.
    let track = graph(2, &[(0, 1, 15000.0)]);
    let network = HeatNetwork::new(Chains::of(&track));
    let queries = [6000.0, 6200.0, 7500.0, 8500.0].map(|v| at(0, v));
    let records = [6000.0, 6100.0, 6300.0, 7500.0].map(|x| Source { at: at(0, x), weight: 1.0 });
    let walked = [Spread { edge: 0, from_m: 5000.0, to_m: 10000.0, per_m: 4.0 }];
    let sign = network.diffuse(&Load { points: &records, spread: &[] }, &queries, 250.0).per_m;
    let effort = network.diffuse(&Load { points: &[], spread: &walked }, &queries, 250.0).per_m;
    let expected_sign =
        [0.0038455939270554077, 0.004104929477886656, 0.0015957852384104463, 5.353209030595659e-07];
    let expected_effort = [3.9998733150326675, 3.999996826687392, 4.0, 3.999999996053649];
    for i in 0..4 {
        assert!((sign[i] - expected_sign[i]).abs() < 1e-13, "{i}: {}", sign[i]);
        assert!((effort[i] - expected_effort[i]).abs() < 1e-11, "{i}: {}", effort[i]);
    }
}

/// Where lines are short against the bandwidth heat is even: weight over length, to a loss that goes
/// with the square of their ratio.
#[test]
fn heat_on_a_short_component_is_even() {
    let lines = graph(6, &[(0, 1, 5.0), (1, 2, 7.0), (3, 4, 6.0), (4, 3, 3.0), (4, 5, 3.0)]);
    let records = [at(0, 1.0), at(3, 2.0)].map(|at| Source { at, weight: 3.0 });
    let queries = [at(0, 0.0), at(1, 7.0), at(2, 1.0), at(4, 3.0)];
    for ratio in [10.0, 100.0, 1000.0] {
        let field = heat(&lines, &records, &queries, 12.0 * ratio);
        for found in field.per_m {
            // Of what is not even the slowest part falls with e^(−σ²π²/2L²), nothing here.
            assert!((found / 0.25 - 1.0).abs() < 1e-13 * (1.0 + ratio * ratio), "{ratio}: {found}");
        }
    }
}
