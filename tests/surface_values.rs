//! Planar densities against values recomputed with independent libraries.
//!
//! Twenty invented points; reference values from spatstat.explore 3.0.6 (R 4.2.2) and
//! closed forms, recomputed with numpy 2.4.6 and scipy 1.17.1.

use approx::assert_relative_eq;
use stakeline::frame::GroundPoint;
use stakeline::surface::{
    EdgeRule, ErrorBound, Extent, Grid, Kernel, Rule, Smoother, Surface, WeightedPoint, choose_bandwidth,
    densities_at, density, density_at, density_on_grid, hot_areas,
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
    let window = Extent { min: GroundPoint::new(0.0, 0.0), max: GroundPoint::new(1000.0, 800.0) };
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
        let found = choose_bandwidth(rule, &points(), Some(window)).unwrap();
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
    let mut surface = density(&points(), &grid, Kernel::Gaussian, bandwidth_m).unwrap();
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
        let surface = density(&points, &grid, kernel, 80.0).unwrap();
        let exact = density_on_grid(&points, &grid, kernel, 80.0);
        assert_within(&surface.values, &exact, surface.error_bound);
        // The disc jumps at its rim, so sums over cells are coarse for it.
        let tolerance = if kernel == Kernel::Uniform { 1e-2 } else { 1e-3 };
        assert_relative_eq!(surface.integral, 20.0, max_relative = tolerance);
        assert_eq!(surface.sum_of_weights, 20.0);
        assert_eq!(surface.edge, EdgeRule::None);
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

#[test]
fn a_place_far_off_has_no_density_and_no_fault() {
    assert_eq!(density_at(&points(), GroundPoint::new(1e9, -1e9), Kernel::Gaussian, 80.0), 0.0);
    let far = grid(1e7, 1e7, 1.001e7, 1.001e7, 100.0);
    assert!(density(&points(), &far, Kernel::Gaussian, 80.0).unwrap().values.iter().all(|&v| v == 0.0));
    assert!(density(&[], &far, Kernel::Quartic, 80.0).unwrap().values.iter().all(|&v| v == 0.0));
}

/// Single records all over a coarse cell, on a grid fine enough for the transform.
#[test]
fn compact_kernels_keep_their_bound() {
    let grid = grid(-1000.0, -1000.0, 1000.0, 1000.0, 4.0);
    let crowd = |at: GroundPoint| vec![WeightedPoint::new(at, 1e-3); 1000];
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
