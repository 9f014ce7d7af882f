//! Planar densities against values recomputed with independent libraries.
//!
//! Twenty invented points; reference values from spatstat.explore 3.0.6 (R 4.2.2) and
//! closed forms, recomputed with numpy 2.4.6 and scipy 1.17.1.

use approx::assert_relative_eq;
use stakeline::frame::GroundPoint;
use stakeline::surface::{
    EdgeRule, ErrorBound, Grid, Kernel, Rule, Smoother, Surface, WeightedPoint, bandwidth_m, densities_at,
    density, density_at, density_on_grid, hot_areas,
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
fn scott_bandwidth() {
    // spatstat.explore bw.scott.iso.
    assert_relative_eq!(bandwidth_m(Rule::Scott, &points()).unwrap(), 128.187660505357, max_relative = 1e-9);
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
        let tolerance = if kernel == Kernel::Uniform { 1e-2 } else { 1e-5 };
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
    assert_within(&fast, &exact, smoother.error_bound(50.0));
    let peak = exact.iter().copied().fold(0.0, f64::max);
    let worst = fast
        .iter()
        .zip(&exact)
        .filter(|(_, exact)| **exact > 1e-6 * peak)
        .map(|(&fast, exact)| (f64::from(fast) / exact - 1.0).abs())
        .fold(0.0, f64::max);
    println!(
        "worst relative error over a millionth of the peak: {worst:.2e}; {:?}",
        smoother.error_bound(50.0)
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
