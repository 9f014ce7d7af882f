//! Planar densities against values recomputed with independent libraries.
//!
//! Twenty invented points; reference values from spatstat.explore 3.0.6 (R 4.2.2) and
//! closed forms, recomputed with numpy 2.4.6 and scipy 1.17.1.

use approx::assert_relative_eq;
use geo_types::{Coord, LineString, MultiPolygon, Polygon};
use stakeline::frame::GroundPoint;
use stakeline::surface::{
    DensitySettings, EdgeRule, ErrorBound, Grid, Kernel, Rule, Smoother, Surface, SurfaceError,
    WeightedPoint, Window, adaptive_bandwidths_m, choose_bandwidth, densities_at, density, density_at,
    density_at_places, density_on_grid, hot_areas,
};

const X: [f64; 20] = [
    120., 135., 150., 160., 180., 210., 240., 300., 420., 455., 470., 480., 500., 515., 560., 640., 720.,
    760., 810., 905.,
];
const Y: [f64; 20] = [
    110., 140., 125., 160., 150., 205., 190., 260., 390., 410., 380., 430., 420., 445., 400., 520., 600.,
    240., 655., 700.,
];

fn points() -> Vec<WeightedPoint> {
    X.iter().zip(Y).map(|(&x, y)| WeightedPoint::new(GroundPoint::new(x, y), 1.0)).collect()
}

fn grid(west_m: f64, south_m: f64, east_m: f64, north_m: f64, cell_m: f64) -> Grid {
    Grid::covering(GroundPoint::new(west_m, south_m), GroundPoint::new(east_m, north_m), cell_m)
}

/// spatstat density.ppp(at = "points", edge = FALSE, leaveoneout = FALSE), sigma 80, per m².
const AT_POINTS: [f64; 20] = [
    0.000116800286779813,
    0.000136797640763344,
    0.000138062349723643,
    0.00014619874798297,
    0.000146495117206311,
    0.000123342307108035,
    0.000114236691011017,
    6.01166278020664e-05,
    0.000115185151846211,
    0.000142405742451081,
    0.000138209440843266,
    0.000146894698470531,
    0.00014849461058924,
    0.000135412009558269,
    0.000109029669998969,
    4.99229660275522e-05,
    4.56058837667746e-05,
    2.5066143186527e-05,
    4.64126932232659e-05,
    3.61503159242082e-05,
];

/// Mass of a Gaussian of sigma 80 inside 1000 × 800 m: products of normal integrals.
const EDGE_MASS: [f64; 20] = [
    0.854276675613378,
    0.916020069813872,
    0.912314488073677,
    0.9550173046073,
    0.957750745072906,
    0.990493984000458,
    0.98988747151928,
    0.999334608684004,
    0.99999923113909,
    0.99999930073843,
    0.999998904735576,
    0.999998087689908,
    0.9999989064567,
    0.999995435486216,
    0.999999407706025,
    0.999763973998077,
    0.993559150143882,
    0.997302026160158,
    0.956577745211414,
    0.789250455311517,
];

/// spatstat density.ppp(edge = TRUE) at the points, per m².
const UNIFORM: [f64; 20] = [
    0.000136724190316855,
    0.00014933913051833,
    0.000151331971078479,
    0.000153084920323079,
    0.000152957455747173,
    0.000124526053767509,
    0.000115403714359256,
    6.01566555182476e-05,
    0.000115185240407639,
    0.000142405842030013,
    0.000138209592219316,
    0.000146894979379282,
    0.000148494772974704,
    0.000135412627651075,
    0.000109029734576623,
    4.99347519274067e-05,
    4.59015286207874e-05,
    2.51339539367401e-05,
    4.85195201912294e-05,
    4.58033513708138e-05,
];

/// spatstat density.ppp(edge = TRUE, diggle = TRUE) at the points, per m².
const JONES_DIGGLE: [f64; 20] = [
    0.000127013292035829,
    0.000147480050571575,
    0.000148775554776689,
    0.000156076781962717,
    0.000155944114791245,
    0.000128713887925579,
    0.00011865116544809,
    6.08640462580947e-05,
    0.000115188496166264,
    0.00014240686205287,
    0.00013821078453225,
    0.00014689574390703,
    0.000148495888178045,
    0.000135414380366813,
    0.000109032429988189,
    5.001883679412e-05,
    4.64523264588885e-05,
    2.5133429237662e-05,
    5.04100233775682e-05,
    4.32718920850422e-05,
];

/// Abramson bandwidths, pilot 100 m, global 90 m, closed form in R.
const ABRAMSON_M: [f64; 20] = [
    81.9590610012517,
    77.0538065976138,
    76.7614501365881,
    74.7223575663574,
    74.5074005248534,
    78.3652654037688,
    80.4490108200376,
    99.9480613897356,
    80.6751907152409,
    75.3346901121087,
    75.8922245739655,
    74.4083457853744,
    74.0121916110199,
    76.0415156716916,
    81.5359343889885,
    109.586919441915,
    123.915336638891,
    182.409375369166,
    126.072839517672,
    145.357613480971,
];

fn window() -> Window {
    let [a, b, c, d] = [(0., 0.), (1000., 0.), (1000., 800.), (0., 800.)].map(|(x, y)| Coord { x, y });
    Window::new(&MultiPolygon(vec![Polygon::new(LineString(vec![a, b, c, d, a]), Vec::new())])).unwrap()
}

fn places() -> Vec<GroundPoint> {
    points().iter().map(|p| p.at).collect()
}

#[test]
fn masses_inside_a_rectangle() {
    for (at, mass) in places().into_iter().zip(EDGE_MASS) {
        assert_relative_eq!(window().mass(at, Kernel::Gaussian, 80.0), mass, max_relative = 1e-10);
    }
    // On the edge and at a corner of a window far wider than the kernel.
    let on_edge = window().mass(GroundPoint::new(500.0, 0.0), Kernel::Gaussian, 10.0);
    let at_corner = window().mass(GroundPoint::new(1000.0, 800.0), Kernel::Gaussian, 10.0);
    assert_relative_eq!(on_edge, 0.5, max_relative = 1e-12);
    assert_relative_eq!(at_corner, 0.25, max_relative = 1e-12);
}

#[test]
fn edge_corrected_density_at_the_points() {
    for (edge, expected) in [(EdgeRule::Uniform, UNIFORM), (EdgeRule::JonesDiggle, JONES_DIGGLE)] {
        let settings = DensitySettings { edge, ..DensitySettings::plain(Kernel::Gaussian, 80.0) };
        let found = density_at_places(&points(), &places(), settings, Some(&window())).unwrap();
        for (found, per_m2) in found.into_iter().zip(expected) {
            assert_relative_eq!(found, per_m2 * 1e6, max_relative = 1e-9);
        }
    }
}

#[test]
fn edge_corrected_mass_over_the_window() {
    // Computed in R on the same midpoint grid of 2.5 m; exact integrals: none
    // 19.3115379721619, Jones–Diggle 20, uniform 21.1506168762.
    let grid = grid(0.0, 0.0, 1000.0, 800.0, 2.5);
    for (edge, mass) in [
        (EdgeRule::None, 19.3116280361792),
        (EdgeRule::JonesDiggle, 20.0001006193844),
        (EdgeRule::Uniform, 21.1507197037592),
    ] {
        let settings = DensitySettings { edge, ..DensitySettings::plain(Kernel::Gaussian, 80.0) };
        let surface = density(&points(), &grid, settings, Some(&window())).unwrap();
        assert_relative_eq!(surface.integral, mass, max_relative = 2e-6);
    }
}

#[test]
fn abramson_bandwidths_and_density() {
    let own = adaptive_bandwidths_m(&points(), Kernel::Gaussian, 100.0, 90.0);
    for (found, expected_m) in own.into_iter().zip(ABRAMSON_M) {
        assert_relative_eq!(found, expected_m, max_relative = 1e-9);
    }
    // On a grid and at places the same, and the mass is kept.
    let settings = DensitySettings { adaptive: true, ..DensitySettings::plain(Kernel::Gaussian, 90.0) };
    let grid = grid(-1500.0, -1500.0, 2500.0, 2500.0, 20.0);
    let surface = density(&points(), &grid, settings, None).unwrap();
    assert_relative_eq!(surface.integral, 20.0, max_relative = 1e-6);
    let (row, column) = (100, 90);
    let exact = density_at_places(&points(), &[grid.centre(row, column)], settings, None).unwrap();
    assert_relative_eq!(surface.value(row, column).unwrap(), exact[0], max_relative = 2e-7);
}

#[test]
fn adaptive_density_at_two_places() {
    // Closed form with pilot 100 m and bandwidth 90 m, per m² and integrating to one.
    let own = adaptive_bandwidths_m(&points(), Kernel::Gaussian, 100.0, 90.0);
    for (x_m, y_m, expected) in [(500.0, 420.0, 8.28325707392954e-6), (180.0, 150.0, 7.88516826698033e-6)] {
        let at = GroundPoint::new(x_m, y_m);
        let each = points().into_iter().zip(&own).map(|(p, &h)| density_at(&[p], at, Kernel::Gaussian, h));
        assert_relative_eq!(each.sum::<f64>() / 20.0 / 1e6, expected, max_relative = 1e-9);
    }
}

/// Every place's own bandwidth decides the mass by which it is divided
/// (`tests/golden/edge/edge.py`, scipy).
#[test]
fn adaptive_density_with_uniform_edge() {
    let golden: serde_json::Value = serde_json::from_str(include_str!("golden/edge/edge.json")).unwrap();
    let settings = DensitySettings {
        adaptive: true,
        edge: EdgeRule::Uniform,
        ..DensitySettings::plain(Kernel::Gaussian, 90.0)
    };
    for row in golden["adaptive_uniform"].as_array().unwrap() {
        let [x_m, y_m, expected] = [0, 1, 2].map(|k| row[k].as_f64().unwrap());
        let at = GroundPoint::new(x_m, y_m);
        let found = density_at_places(&points(), &[at], settings, Some(&window())).unwrap();
        assert_relative_eq!(found[0], expected, max_relative = 1e-9);
    }
    // On a grid within its bound of the same at the cells' centres.
    let grid = grid(0.0, 0.0, 1000.0, 800.0, 10.0);
    let surface = density(&points(), &grid, settings, Some(&window())).unwrap();
    let centres: Vec<GroundPoint> =
        (0..grid.cells()).map(|k| grid.centre(k / grid.columns, k % grid.columns)).collect();
    let exact = density_at_places(&points(), &centres, settings, Some(&window())).unwrap();
    assert_within(&surface.values, &exact, surface.error_bound);
    let worst =
        surface.values.iter().zip(&exact).map(|(&f, e)| (f64::from(f) / e - 1.0).abs()).fold(0.0, f64::max);
    assert!(worst < 2e-3, "{worst:e}");
}

/// Places on one line, or at one place but for rounding, and what a rule says of them.
#[test]
fn rules_refuse_what_has_no_spread() {
    let on = |f: fn(f64) -> (f64, f64)| -> Vec<WeightedPoint> {
        let at = |k: u32| f(f64::from(k * 37 % 211));
        (0..200).map(at).map(|(x, y)| WeightedPoint::new(GroundPoint::new(x, y), 1.0)).collect()
    };
    let along_a_fence = on(|t| (600_000.0 + 40.0 * t, 6_000_000.0 + t % 7.0));
    let askew = on(|t| (600_000.0 + 30.0 * t, 6_000_000.0 + 40.0 * t));
    let one_place = on(|t| (600_000.0 + 1e-3 * t, 6_000_000.0));
    let thin = on(|t| (600_000.0 + 40.0 * t, 6_000_000.0 + 20.0 * (t % 7.0)));
    for rule in Rule::ALL {
        let line = |points| choose_bandwidth(rule, points, None);
        for points in [&along_a_fence, &askew] {
            let found = line(points);
            assert!(
                matches!(found, Err(SurfaceError::OnOneLine { along_m, across_m, .. })
                if along_m > 2000.0 && across_m < 3.0),
                "{found:?}"
            );
        }
        let found = line(&one_place);
        assert!(matches!(found, Err(SurfaceError::TooClose { spread_m, .. }) if spread_m < 0.3), "{found:?}");
        assert!(line(&thin).unwrap().bandwidth_m > 1.0);
    }
    // Ripley's K in a given window knows lines.
    let [a, b, c, d] =
        [(599e3, 5.99e6), (612e3, 5.99e6), (612e3, 6.01e6), (599e3, 6.01e6)].map(|(x, y)| Coord { x, y });
    let ground = MultiPolygon(vec![Polygon::new(LineString(vec![a, b, c, d, a]), Vec::new())]);
    assert!(choose_bandwidth(Rule::Diggle, &askew, Some(&Window::new(&ground).unwrap())).is_ok());
}

#[test]
fn adaptive_bandwidths_over_too_fine_cells_are_refused_with_cells_that_fit() {
    let many = vec![points(); 60].concat();
    let settings = DensitySettings { adaptive: true, ..DensitySettings::plain(Kernel::Quartic, 90.0) };
    let error = density(&many, &grid(0.0, 0.0, 1000.0, 800.0, 0.05), settings, None).unwrap_err();
    let SurfaceError::TooManyValues { fitting_cell_m, most_values, .. } = error else { panic!("{error}") };
    assert!(fitting_cell_m <= 1.0 && most_values == 1e11, "{error}");
}

#[test]
fn exact_density_at_the_points() {
    let points = points();
    let places: Vec<GroundPoint> = points.iter().map(|p| p.at).collect();
    let found = densities_at(&points, &places, Kernel::Gaussian, 80.0);
    for (found, per_m2) in found.into_iter().zip(AT_POINTS) {
        assert_relative_eq!(found, per_m2 * 1e6, max_relative = 1e-9);
    }
}

#[test]
fn bandwidths_of_every_rule() {
    let window = window();
    for (rule, expected_m, tolerance) in [
        // spatstat.explore bw.scott.iso.
        (Rule::Scott, 128.187660505357, 1e-9),
        // sparr 2.2.17 OS(nstar = "npoints", scaler = "silverman").
        (Rule::Oversmooth, 140.545588678632, 1e-9),
        // Closed form minimised in R (Rudemo 1982, Bowman 1984).
        (Rule::Lscv, 39.5872241813432, 2.5e-5),
        // Closed form maximised in R.
        (Rule::Likelihood, 70.7153941416204, 1.4e-5),
        // Duong & Hazelton's pilots, diagonal matrix (2717.63755, 1403.35075) m², from the
        // definition in numpy.
        (Rule::PlugIn, f64::powf(2717.63755 * 1403.35075, 0.25), 1e-5),
        // Own recomputation of Berman & Diggle 1989; spatstat's bw.diggle gives 25.519 with
        // nr = 4096. The minimum sits on the pair distance √2600.
        (Rule::Diggle, 25.495098, 1e-6),
    ] {
        let found = choose_bandwidth(rule, &points(), Some(&window)).unwrap();
        assert_relative_eq!(found.bandwidth_m, expected_m, max_relative = tolerance);
        assert!(!found.at_search_edge);
    }
}

#[test]
fn sums_of_a_quartic_over_a_grid() {
    // Radius 200 m, cell 5 m, the point at a cell corner and at a cell centre.
    let bandwidth_m = 200.0 / f64::sqrt(8.0);
    for (offset, mass) in [(0.0, 0.999999613528295), (2.5, 1.000000340916121)] {
        let point = [WeightedPoint::new(GroundPoint::new(offset, offset), 1.0)];
        let grid = grid(-300.0, -300.0, 300.0, 300.0, 5.0);
        let sum: f64 = density_on_grid(&point, &grid, Kernel::Quartic, bandwidth_m).iter().sum();
        assert_relative_eq!(sum * 25.0 / 1e6, mass, max_relative = 1e-12);
    }
}

/// A surface of exact values, as the published cell counts assume.
fn exact_surface(grid: Grid, bandwidth_m: f64) -> Surface {
    let mut surface =
        density(&points(), &grid, DensitySettings::plain(Kernel::Gaussian, bandwidth_m), None).unwrap();
    let exact = density_on_grid(&points(), &grid, Kernel::Gaussian, bandwidth_m);
    surface.values = exact.into_iter().map(|v| v as f32).collect();
    surface
}

#[test]
fn cells_that_hold_a_share_of_the_mass() {
    // Sorted-cell cumulative mass, computed in R from the definition: sigma 80, cell
    // centres −495..1495 × −495..1295 step 10 m; levels per m² of unit mass.
    let surface = exact_surface(grid(-500.0, -500.0, 1500.0, 1300.0, 10.0), 80.0);
    let areas = hot_areas(&surface, &[50.0, 95.0]).unwrap();
    assert_eq!((areas[0].cells, areas[1].cells), (1063, 4545));
    // Ours is the level halfway to the next cell.
    for (area, per_m2) in areas.iter().zip([2.84084576626681e-06, 4.04609580407097e-07]) {
        assert_relative_eq!(area.density_per_km2, per_m2 * 20.0 * 1e6, max_relative = 1e-3);
    }
}

#[test]
fn fast_keeps_its_bound() {
    let points = points();
    for (cell_m, kernel) in [(2.5, Kernel::Gaussian), (10.0, Kernel::Gaussian), (30.0, Kernel::Gaussian)]
        .into_iter()
        .chain(Kernel::ALL.map(|kernel| (10.0, kernel)))
    {
        let grid = grid(-500.0, -500.0, 1500.0, 1300.0, cell_m);
        let surface = density(&points, &grid, DensitySettings::plain(kernel, 80.0), None).unwrap();
        let exact = density_on_grid(&points, &grid, kernel, 80.0);
        assert_within(&surface.values, &exact, surface.error_bound);
        // The disc jumps at its rim, so sums over cells are coarse for it.
        let tolerance = if kernel == Kernel::Uniform { 1e-2 } else { 1e-3 };
        assert_relative_eq!(surface.integral, 20.0, max_relative = tolerance);
        assert_eq!(surface.sum_of_weights, 20.0);
    }
}

/// One cluster and its tail, where sums over many points cannot hide an error.
#[test]
fn the_tail_of_one_cluster_is_right_to_a_millionth_of_the_peak() {
    let cluster: Vec<WeightedPoint> = (0..50)
        .map(|k| WeightedPoint::new(GroundPoint::new(f64::from(k % 7) * 3.1, f64::from(k % 11) * 2.3), 1.0))
        .collect();
    let grid = grid(-4000.0, -4000.0, 4000.0, 4000.0, 20.0);
    let smoother = Smoother::new(grid, Kernel::Gaussian, 500.0).unwrap();
    let fast = smoother.density(&cluster);
    let exact = density_on_grid(&cluster, &grid, Kernel::Gaussian, 500.0);
    assert_within(&fast, &exact, smoother.error_bound(&cluster));
    let peak = exact.iter().copied().fold(0.0, f64::max);
    let worst = fast
        .iter()
        .zip(&exact)
        .filter(|(_, exact)| **exact > 1e-6 * peak)
        .map(|(&fast, exact)| (f64::from(fast) / exact - 1.0).abs())
        .fold(0.0, f64::max);
    println!(
        "worst relative error over a millionth of the peak: {worst:.2e}; {:?}",
        smoother.error_bound(&cluster)
    );
    assert!(worst <= 1.1e-5, "{worst:e}");
}

fn assert_within(fast: &[f32], exact: &[f64], bound: ErrorBound) {
    for (&fast, &exact) in fast.iter().zip(exact) {
        let error = (f64::from(fast) - exact).abs();
        assert!(
            error <= bound.relative * exact + bound.absolute_per_km2,
            "fast {fast:e}, exact {exact:e}, bound {bound:?}"
        );
    }
}

/// Leaving out what is negligible must not be seen, near or far.
#[test]
fn many_places_agree_with_the_plain_sum() {
    let points: Vec<WeightedPoint> = (0..3000_u32)
        .map(|k| {
            let at = GroundPoint::new(f64::from(k * k % 10007), f64::from(k * 3571 % 9973));
            WeightedPoint::new(at, f64::from(k % 3))
        })
        .collect();
    let places: Vec<GroundPoint> =
        (0..40).map(|k| GroundPoint::new(f64::from(k) * 400.0, f64::from(k * k) * 10.0)).collect();
    for kernel in Kernel::ALL {
        for bandwidth_m in [3.0, 100.0, 4000.0] {
            let many = densities_at(&points, &places, kernel, bandwidth_m);
            for (&at, many) in places.iter().zip(many) {
                let plain = density_at(&points, at, kernel, bandwidth_m);
                assert_relative_eq!(many, plain, max_relative = 1e-11);
            }
        }
    }
}

#[test]
fn a_place_far_off_has_no_density_and_no_fault() {
    assert_eq!(density_at(&points(), GroundPoint::new(1e9, -1e9), Kernel::Gaussian, 80.0), 0.0);
    let far = grid(1e7, 1e7, 1.001e7, 1.001e7, 100.0);
    for kernel in Kernel::ALL {
        let settings = DensitySettings::plain(kernel, 80.0);
        for points in [points(), Vec::new()] {
            let surface = density(&points, &far, settings, None).unwrap();
            assert!(surface.values.iter().all(|&v| v == 0.0));
        }
    }
}

/// Single records all over a coarse cell, on a grid fine enough for the transform.
#[test]
fn compact_kernels_keep_their_bound() {
    let grid = grid(-1000.0, -1000.0, 1000.0, 1000.0, 4.0);
    let crowd = |at: GroundPoint| vec![WeightedPoint::new(at, 5e-4); 2000];
    for kernel in [Kernel::Quartic, Kernel::Epanechnikov, Kernel::Triangular, Kernel::Uniform] {
        let smoother = Smoother::new(grid, kernel, 250.0).unwrap();
        for k in 0..6 {
            let points = crowd(GroundPoint::new(f64::from(k) * 1.37, f64::from(k * k % 17) * 1.91));
            let one = [WeightedPoint::new(points[0].at, 1.0)];
            let exact = density_on_grid(&one, &grid, kernel, 250.0);
            let bound = smoother.error_bound(&points);
            assert_within(&smoother.density(&points), &exact, bound);
            assert!(bound.absolute_per_km2 < 0.015 * kernel.peak_per_m2(250.0) * 1e6);
        }
    }
}
