//! The polygons of hot areas: valid for any values on a small grid.
#![no_main]

use geo::Validation;
use stakeline::surface::{DensitySettings, ErrorBound, Grid, Kernel, Surface, hot_areas};
use stakeline_fuzz::Numbers;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let mut numbers = Numbers(bytes);
    let (columns, rows) = (1 + usize::from(numbers.byte() % 9), 1 + usize::from(numbers.byte() % 9));
    let grid = Grid { west_m: 300.0, north_m: 900.0, cell_m: 10.0, columns, rows };
    let values = (0..columns * rows)
        .map(|_| match numbers.byte() {
            255 => f32::NAN,
            // Few levels, so that cells of one value meet at corners and along edges.
            b => f32::from(b % 5) * if b > 200 { 1e-30 } else { 1.0 },
        })
        .collect();
    let surface = Surface {
        grid,
        values,
        settings: DensitySettings::plain(Kernel::Gaussian, 100.0),
        spread: None,
        sum_of_weights: 1.0,
        outside: 0,
        integral: 1.0,
        peak_per_km2: 4.0,
        error_bound: ErrorBound { relative: 0.0, absolute_per_km2: 0.0 },
    };
    for area in hot_areas(&surface, &[1.0, 50.0, 75.0, 95.0, 99.9]).expect("lawful shares") {
        assert!(area.polygons.is_valid(), "{:?}", area.polygons.check_validation());
    }
});
