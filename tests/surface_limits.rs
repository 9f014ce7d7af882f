//! Work that is refused before it is begun.

use approx::assert_relative_eq;
use stakeline::frame::GroundPoint;
use stakeline::surface::{
    DensitySettings, Grid, Kernel, MOST_VALUES, SurfaceError, WeightedPoint, check_places, density,
};

#[test]
fn too_many_exact_values_are_refused_before_any_is_summed() {
    let many: Vec<WeightedPoint> = (0..400_000)
        .map(|k| WeightedPoint::new(GroundPoint::new(f64::from(k % 997), f64::from(k % 883)), 1.0))
        .collect();
    let places: Vec<GroundPoint> = many.iter().map(|p| p.at).collect();
    let plain = DensitySettings::plain(Kernel::Gaussian, 500.0);
    let error = check_places(&many, &places, plain, MOST_VALUES).unwrap_err();
    let SurfaceError::TooManyPlaces { values, fitting, .. } = error else { panic!("{error}") };
    // All records lie within reach of all places.
    assert_relative_eq!(values, 10.0 * 1.6e11, max_relative = 1e-9);
    assert_eq!(fitting, 25_000);
    assert!(error.to_string().contains("max_values in [surface]"), "{error}");
    assert_eq!(check_places(&many, &places, plain, 2e12), Ok(()));
    assert_eq!(check_places(&many, &places[..fitting], plain, MOST_VALUES), Ok(()));
    assert_eq!(
        check_places(&many, &places, DensitySettings::plain(Kernel::Quartic, 5.0), MOST_VALUES),
        Ok(())
    );
    // Beyond all records, every one is looked at.
    let beyond = vec![GroundPoint::new(1e6, 1e6); 50_000];
    assert!(check_places(&many, &beyond, plain, MOST_VALUES).is_err());
    // Adaptive bandwidths ask for the density at every record first.
    let adaptive = DensitySettings { adaptive: true, ..plain };
    let grid = Grid { west_m: 0.0, north_m: 1000.0, cell_m: 100.0, columns: 10, rows: 10 };
    let error = density(&many, &grid, adaptive, None).unwrap_err();
    assert!(matches!(error, SurfaceError::TooManyPilots { points: 400_000, .. }), "{error}");
}

/// Ten thousand records at one place, as a camera or rounded coordinates give them, make more pairs than
/// are looked at however short the distance: the rules that count pairs end all the same.
#[test]
fn thousands_of_records_at_one_place_end_every_rule() {
    use stakeline::surface::{Rule, choose_bandwidth};
    let (sender, ended) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let camera = WeightedPoint::new(GroundPoint::new(500_000.0, 6_000_000.0), 1.0);
        let mut points = vec![camera; 10_100];
        points.extend((0..200_u32).map(|k| {
            let share = |by: f64| (f64::from(k) * by).fract() * 5000.0;
            let at = GroundPoint::new(500_000.0 + share(0.618_034), 6_000_000.0 + share(0.754_878));
            WeightedPoint::new(at, 1.0)
        }));
        let found: Vec<_> =
            [Rule::Lscv, Rule::Diggle].map(|rule| choose_bandwidth(rule, &points, None).unwrap()).into();
        sender.send(found).unwrap();
    });
    let found = ended.recv_timeout(std::time::Duration::from_secs(180)).expect("a rule does not end");
    for bandwidth in found {
        assert!(bandwidth.bandwidth_m > 0.0 && bandwidth.bandwidth_m.is_finite(), "{bandwidth:?}");
    }
}
