//! Laws that every surface obeys, whatever the points.

use proptest::prelude::*;
use stakeline::frame::GroundPoint;
use stakeline::surface::{
    DensitySettings, EdgeRule, Extent, Grid, Kernel, Rule, Smoother, WeightedPoint, Window, choose_bandwidth,
    choose_grid, density, density_on_grid, hot_areas,
};

fn some_points() -> impl Strategy<Value = Vec<WeightedPoint>> {
    let point = (0.0..5000.0, 0.0..3000.0, 0.0..3.0_f64);
    prop::collection::vec(point, 3..60).prop_map(|points| {
        points.into_iter().map(|(x, y, w)| WeightedPoint::new(GroundPoint::new(x, y), w)).collect()
    })
}

fn some_kernel() -> impl Strategy<Value = Kernel> {
    prop::sample::select(Kernel::ALL.to_vec())
}

fn plain(points: &[WeightedPoint], grid: &Grid, kernel: Kernel, bandwidth_m: f64) -> Vec<f32> {
    density(points, grid, DensitySettings::plain(kernel, bandwidth_m), None).unwrap().values
}

fn grid_for(points: &[WeightedPoint], bandwidth_m: f64, cell_m: f64) -> Grid {
    choose_grid(Extent::of(points.iter().map(|p| p.at)).unwrap(), bandwidth_m, Some(cell_m)).unwrap()
}

fn moved(points: &[WeightedPoint], to: impl Fn(GroundPoint) -> GroundPoint) -> Vec<WeightedPoint> {
    points.iter().map(|p| WeightedPoint::new(to(p.at), p.weight)).collect()
}

/// Largest difference as a share of the largest value.
fn difference(a: &[f32], b: &[f32]) -> f64 {
    let peak = a.iter().copied().fold(f32::MIN_POSITIVE, f32::max);
    a.iter().zip(b).map(|(a, b)| f64::from((a - b).abs() / peak)).fold(0.0, f64::max)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(50))]

    #[test]
    fn fast_is_within_its_bound_of_exact(
        points in some_points(), kernel in some_kernel(), bandwidth_m in 60.0..900.0_f64, cell_m in 30.0..90.0_f64,
        copies in 1_usize..300,
    ) {
        let grid = grid_for(&points, bandwidth_m, cell_m);
        // Many light copies of every point take the way for many points.
        let many: Vec<WeightedPoint> = points
            .iter()
            .flat_map(|p| vec![WeightedPoint::new(p.at, p.weight / copies as f64); copies])
            .collect();
        let smoother = Smoother::new(grid, kernel, bandwidth_m).unwrap();
        let bound = smoother.error_bound(&many);
        let exact = density_on_grid(&points, &grid, kernel, bandwidth_m);
        for (&fast, &exact) in smoother.density(&many).iter().zip(&exact) {
            let error = (f64::from(fast) - exact).abs();
            // Equal sums in another order.
            let order = 1e-12 * exact;
            prop_assert!(error <= bound.relative * exact + bound.absolute_per_km2 + order, "{fast} {exact} {bound:?}");
        }
    }

    #[test]
    fn integral_is_the_sum_of_weights(points in some_points(), bandwidth_m in 200.0..900.0_f64) {
        let extent = Extent::of(points.iter().map(|p| p.at)).unwrap();
        // Seven bandwidths around the points hold all but 1e-11 of a Gaussian.
        let grow = |p: GroundPoint, by: f64| GroundPoint::new(p.x_m + by, p.y_m + by);
        let all = Extent { min: grow(extent.min, -4.0 * bandwidth_m), max: grow(extent.max, 4.0 * bandwidth_m) };
        let grid = choose_grid(all, bandwidth_m, Some(bandwidth_m / 4.0)).unwrap();
        let settings = DensitySettings::plain(Kernel::Gaussian, bandwidth_m);
        let surface = density(&points, &grid, settings, None).unwrap();
        let sum: f64 = points.iter().map(|p| p.weight).sum();
        prop_assert!((surface.integral - sum).abs() <= 1e-6 * sum, "{} for {sum}", surface.integral);
    }

    #[test]
    fn moving_turning_and_scaling_the_points_does_the_same_to_the_surface(
        points in some_points(), kernel in some_kernel(), bandwidth_m in 150.0..900.0_f64,
    ) {
        let grid = Grid { west_m: -1000.0, north_m: 4000.0, cell_m: 50.0, columns: 140, rows: 100 };
        let values = plain(&points, &grid, kernel, bandwidth_m);
        // The disc jumps: a cell centre at its rim may fall either way.
        prop_assume!(kernel != Kernel::Uniform);
        // By whole cells.
        let east = moved(&points, |p| GroundPoint::new(p.x_m + 50.0 * 12_345.0, p.y_m - 50.0 * 678.0));
        let east_grid = Grid { west_m: grid.west_m + 50.0 * 12_345.0, north_m: grid.north_m - 50.0 * 678.0, ..grid };
        prop_assert!(difference(&values, &plain(&east, &east_grid, kernel, bandwidth_m)) < 1e-6);
        // A quarter turn to the left: x, y become −y, x.
        let turned = moved(&points, |p| GroundPoint::new(-p.y_m, p.x_m));
        let turned_grid = Grid { west_m: -4000.0, north_m: 6000.0, cell_m: 50.0, columns: 100, rows: 140 };
        let turned = plain(&turned, &turned_grid, kernel, bandwidth_m);
        let back: Vec<f32> =
            (0..values.len()).map(|k| turned[(139 - k % 140) * 100 + k / 140]).collect();
        prop_assert!(difference(&values, &back) < 1e-6);
        // Twice as wide, a quarter as dense.
        let twice = moved(&points, |p| GroundPoint::new(2.0 * p.x_m, 2.0 * p.y_m));
        let twice_grid = Grid { west_m: -2000.0, north_m: 8000.0, cell_m: 100.0, ..grid };
        let twice: Vec<f32> =
            plain(&twice, &twice_grid, kernel, 2.0 * bandwidth_m).into_iter().map(|v| 4.0 * v).collect();
        prop_assert!(difference(&values, &twice) < 1e-6);
    }

    #[test]
    fn jones_diggle_keeps_the_mass_in_any_window(points in some_points(), dent in 0.1..0.9_f64) {
        let ring = [(0., 0.), (5000., 0.), (5000. - 4000. * dent, 1500.), (5000., 3000.), (0., 3000.)];
        let hole = [(500., 500.), (500., 900.), (900., 700.)];
        let line = |c: &[(f64, f64)]| geo_types::LineString::from(c.to_vec());
        let polygon = geo_types::Polygon::new(line(&ring), vec![line(&hole)]);
        let window = Window::new(&geo_types::MultiPolygon(vec![polygon])).unwrap();
        let grid = Grid { west_m: 0.0, north_m: 3000.0, cell_m: 20.0, columns: 250, rows: 150 };
        let settings = DensitySettings { edge: EdgeRule::JonesDiggle, ..DensitySettings::plain(Kernel::Gaussian, 300.0) };
        let surface = density(&points, &grid, settings, Some(&window)).unwrap();
        let inside: Vec<&WeightedPoint> = points.iter().filter(|p| window.contains(p.at)).collect();
        let sum: f64 = inside.iter().map(|p| p.weight).sum();
        prop_assert_eq!(surface.outside, points.len() - inside.len());
        prop_assert!((surface.sum_of_weights - sum).abs() < 1e-9);
        // Cells cut by the edge count whole or not at all: their error is the tolerance.
        prop_assert!((surface.integral - sum).abs() <= 0.02 * sum + 1e-9, "{} for {sum}", surface.integral);
    }

    #[test]
    fn rules_scale_with_the_points_and_do_not_ask_where_they_lie(points in some_points()) {
        for rule in Rule::ALL {
            let Ok(found) = choose_bandwidth(rule, &points, None) else { continue };
            prop_assert!(found.bandwidth_m.is_finite() && found.bandwidth_m > 0.0);
            let other = moved(&points, |p| GroundPoint::new(4.0 * p.x_m + 1024.0, 4.0 * p.y_m - 4096.0));
            let other = choose_bandwidth(rule, &other, None).unwrap();
            let share = other.bandwidth_m / found.bandwidth_m / 4.0;
            // Two minima of nearly one depth may change places.
            if rule != Rule::Lscv && rule != Rule::Diggle {
                prop_assert!((share - 1.0).abs() < 1e-4, "{}: {share}", rule.word());
            }
        }
    }

    #[test]
    fn hot_areas_hold_their_share_and_lie_in_each_other(points in some_points(), bandwidth_m in 200.0..600.0_f64) {
        prop_assume!(points.iter().any(|p| p.weight > 0.1));
        let grid = grid_for(&points, bandwidth_m, bandwidth_m / 8.0);
        let surface = density(&points, &grid, DensitySettings::plain(Kernel::Gaussian, bandwidth_m), None).unwrap();
        let areas = hot_areas(&surface, &[50.0, 75.0, 95.0]).unwrap();
        for area in &areas {
            let held: f64 =
                surface.values.iter().map(|&v| f64::from(v)).filter(|&v| v >= area.density_per_km2).sum();
            let held = held * grid.cell_area_m2() / 1e6 / surface.integral * 100.0;
            prop_assert!(held >= area.mass_percent - 1e-6 && held < area.mass_percent + 2.0, "{held}");
            use geo::{Area, Validation};
            let cells_m2 = area.cells as f64 * grid.cell_area_m2();
            let share = area.polygons.unsigned_area() / cells_m2;
            prop_assert!((share - 1.0).abs() < 0.1, "polygons {share} of the cells");
            prop_assert!(area.polygons.is_valid());
        }
        prop_assert!(areas.windows(2).all(|w| w[0].density_per_km2 >= w[1].density_per_km2));
    }
}
