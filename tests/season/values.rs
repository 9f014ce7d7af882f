//! Values from publications and general reference libraries.

use approx::assert_relative_eq;
use stakeline::frame::GroundPoint;
use stakeline::season::*;
use stakeline::surface::{Kernel, WeightedPoint, density_at};

/// Twenty places of a "case" and of a "control" season, in metres in a window of 1000 × 800.
const AFTER: [(f64, f64); 20] = [
    (120., 110.),
    (135., 140.),
    (150., 125.),
    (160., 160.),
    (180., 150.),
    (210., 205.),
    (240., 190.),
    (300., 260.),
    (420., 390.),
    (455., 410.),
    (470., 380.),
    (480., 430.),
    (500., 420.),
    (515., 445.),
    (560., 400.),
    (640., 520.),
    (720., 600.),
    (760., 240.),
    (810., 655.),
    (905., 700.),
];
const BEFORE: [(f64, f64); 20] = [
    (60., 700.),
    (140., 640.),
    (220., 90.),
    (310., 330.),
    (380., 560.),
    (430., 120.),
    (520., 300.),
    (610., 610.),
    (655., 200.),
    (700., 720.),
    (745., 640.),
    (780., 655.),
    (800., 690.),
    (830., 700.),
    (850., 640.),
    (870., 610.),
    (880., 720.),
    (910., 660.),
    (930., 690.),
    (300., 150.),
];
const H: f64 = 110.0;

fn points(places: &[(f64, f64)]) -> Vec<WeightedPoint> {
    places.iter().map(|&(x, y)| WeightedPoint::new(GroundPoint::new(x, y), 1.0)).collect()
}

fn outings(places: &[(f64, f64)], season: Season) -> impl Iterator<Item = Outing> {
    points(places).into_iter().map(move |p| Outing { season, day: None, sign: vec![p], searched: vec![] })
}

/// R 4.2.2 `poisson.test`: its two help-page examples, a made-up season and a season without
/// sign; recomputed with mpmath from the binomial. p by minimum likelihood.
#[test]
fn exact_rate_ratios_agree_with_poisson_test() {
    let cases = [
        ((11, 21), (800., 3011.), 1.9714880952381, 0.0796686330333295, (0.858426403391639, 4.27726594365407)),
        (
            (41, 15),
            (28010., 19017.),
            1.85575865762228,
            0.0408520262865018,
            (1.00568406268926, 3.60930031107791),
        ),
        ((18, 7), (42.5, 38.), 2.29915966386555, 0.0701376122412203, (0.916288526263438, 6.5126266742013)),
        ((0, 6), (20., 20.), 0.0, 0.03125, (0.0, 0.849311194297323)),
    ];
    for (counts, exposures, ratio, p, (low, high)) in cases {
        let found = exact_rate_ratio(counts, exposures).unwrap();
        assert_relative_eq!(found.ratio, ratio, max_relative = 1e-12);
        assert_relative_eq!(found.p, p, max_relative = 1e-9);
        assert_relative_eq!(found.interval.low, low, max_relative = 1e-9);
        assert_relative_eq!(found.interval.high, high, max_relative = 1e-9);
    }
    let season = exact_rate_ratio((18, 7), (42.5, 38.)).unwrap();
    assert_relative_eq!(season.p_central, 0.0813715465971909, max_relative = 1e-9);
    assert!(exact_rate_ratio((3, 0), (1., 1.)).unwrap().interval.high.is_infinite());
    assert!(exact_rate_ratio((0, 0), (1., 1.)).is_none());
    assert!(exact_rate_ratio((1, 1), (0., 1.)).is_none());
}

/// Minimum likelihood p by adding up every split's mass, over all small counts.
#[test]
fn minimum_likelihood_p_is_the_sum_over_all_splits_no_likelier() {
    for n in 1..=12u64 {
        for share in [0.07, 0.31, 0.5, 0.82] {
            let choose = |k: u64| (1..=k).fold(1.0, |c, i| c * (n - k + i) as f64 / i as f64);
            let mass =
                |k: u64| choose(k) * f64::powi(share, k as i32) * f64::powi(1.0 - share, (n - k) as i32);
            for x in 0..=n {
                let wanted: f64 = (0..=n).map(mass).filter(|m| *m <= mass(x) * (1.0 + 1e-7)).sum();
                let found = exact_rate_ratio((x, n - x), (share, 1.0 - share)).unwrap().p;
                assert_relative_eq!(found, wanted, max_relative = 1e-9);
            }
        }
    }
}

/// Kernel estimates of both seasons divided by each other need no edge correction, which
/// would cancel. Closed form; recomputed with numpy.
#[test]
fn log_ratio_of_two_surfaces() {
    let at = [(150., 150.), (480., 420.), (850., 670.), (500., 100.), (100., 700.)];
    let expected =
        [1.66520782932406, 1.70627302442421, -1.26573634335075, -1.51861042373349, -7.64371229523386];
    let (after, before) = (points(&AFTER), points(&BEFORE));
    for ((x, y), wanted) in at.into_iter().zip(expected) {
        let density =
            |season: &[WeightedPoint]| density_at(season, GroundPoint::new(x, y), Kernel::Gaussian, H) / 20.0;
        assert_relative_eq!(log_ratio(density(&before), density(&after)), wanted, max_relative = 1e-12);
    }
    assert!(log_ratio(0.0, 0.0).is_nan());
    assert_eq!(log_ratio(0.0, 1.0), 20.0);
}

/// Hazelton & Davies (2009) with the pooled density as reference, uniform edge correction and
/// densities scaled to one on the window: closed form for a rectangle, recomputed with numpy
/// and scipy by quadrature. Upper tails.
#[test]
fn asymptotic_p_with_the_pooled_density() {
    let at = [(150., 150.), (480., 420.), (850., 670.), (500., 100.), (100., 700.)];
    let log_ratios =
        [1.65872699994341, 1.69979219504356, -1.2722171727314, -1.52509125311414, -7.65019312461451];
    let errors = [0.560540124646875, 0.517273723802653, 0.490579617743456, 1.1449176524966, 1.21308741688304];
    let upper =
        [0.00154240263815672, 0.000507997868206661, 0.995246926376637, 0.908578650643789, 0.999999999857184];
    let both = [
        0.00308480527631344,
        0.00101599573641332,
        0.00950614724672562,
        0.182842698712422,
        2.85632836601607e-10,
    ];
    // The window's mass of each corrected estimate, from the same source.
    let mass = (1.07336333113261 + 1.06642953915042) / 2.0;
    let inside = |x: f64, y: f64, h: f64| {
        let phi = |z: f64| 0.5 * statrs::function::erf::erfc(-z / std::f64::consts::SQRT_2);
        (phi((1000. - x) / h) - phi(-x / h)) * (phi((800. - y) / h) - phi(-y / h))
    };
    let pooled: Vec<_> = points(&AFTER).into_iter().chain(points(&BEFORE)).collect();
    for (i, (x, y)) in at.into_iter().enumerate() {
        let q = inside(x, y, H);
        let density = density_at(&pooled, GroundPoint::new(x, y), Kernel::Gaussian, H) / 40e6 / q / mass;
        let roughness =
            kernel_roughness(Kernel::Gaussian) * inside(x, y, H / std::f64::consts::SQRT_2) / (q * q);
        let test = asymptotic_test(log_ratios[i], density, (20., 20.), H, roughness);
        assert_relative_eq!(test.error, errors[i], max_relative = 1e-4);
        assert_relative_eq!(test.p_upper, upper[i], max_relative = 1e-3);
        assert_relative_eq!(test.p, both[i], max_relative = 3e-3);
    }
}

/// In the open plane the map's form of the test is that of the paper.
#[test]
fn the_asymptotic_map_is_the_published_test() {
    let (pooled, n) = (3.1e-6, (40.0, 25.0));
    let paper = asymptotic_test(0.7, pooled, n, 90.0, kernel_roughness(Kernel::Quartic));
    assert_relative_eq!(asymptotic_p(0.7, n, pooled, 90.0, Kernel::Quartic), paper.p, max_relative = 1e-12);
    assert!(asymptotic_p(f64::NAN, n, pooled, 90.0, Kernel::Gaussian).is_nan());
    assert!(asymptotic_p(0.7, (0.0, 1.0), pooled, 90.0, Kernel::Gaussian).is_nan());
}

/// ∫K² of the kernels scaled to a standard deviation of one, from the constants of the
/// kernels of radius one (Wand & Jones 1995, recomputed with mpmath).
#[test]
fn roughness_of_the_kernels() {
    let unit_radius = [
        (Kernel::Gaussian, 0.0795774715459477, 1.0),
        (Kernel::Quartic, 0.572957795130823, 0.125),
        (Kernel::Epanechnikov, 0.424413181578388, 1.0 / 6.0),
        (Kernel::Triangular, 0.477464829275686, 0.15),
        (Kernel::Uniform, std::f64::consts::FRAC_1_PI, 0.25),
    ];
    for (kernel, roughness, variance) in unit_radius {
        assert_relative_eq!(kernel_roughness(kernel), roughness * variance, max_relative = 1e-12);
    }
}

/// ∫(f − g)² over the plane: closed form, recomputed with numpy.
#[test]
fn integrated_squared_difference() {
    let (after, before) = (points(&AFTER), points(&BEFORE));
    let found = squared_difference_per_m2(&after, &before, H);
    assert!((found - 1.70896091651033e-06).abs() < 1e-15, "{found}");
    assert_eq!(squared_difference_per_m2(&after, &after, H), 0.0);
}

/// The same on the comparison's lattice, and its p with plain records dealt anew: 0.00464 by
/// 400,000 relabellings in numpy; ±0.002 is three Monte Carlo errors at 9,999.
#[test]
fn the_comparison_gives_the_same_statistic_and_p() {
    let both = Outings::new(outings(&BEFORE, Season::Before).chain(outings(&AFTER, Season::After))).unwrap();
    let lattice = Lattice::new(&both, Kernel::Gaussian, H, 10.0).unwrap();
    assert_eq!(lattice.compares, Compares::Pattern);
    let test = test_size(&both, &lattice, BlockSize::Outing, 9999, 1, false);
    assert!((test.statistic - 1.70896091651033e-06).abs() < 1e-15, "{}", test.statistic);
    assert!((plain_p(&both, &lattice, 9999) - 0.00464).abs() < 0.002);
}

/// p of the plain statistic, which the library reports but does not test.
pub fn plain_p(outings: &Outings, lattice: &Lattice, runs: usize) -> f64 {
    let seasons: Vec<Season> = outings.list().iter().map(|o| o.season).collect();
    let relabellings = Relabellings::draw(&seasons, runs, 1, 0);
    let plain = |part: &[u32]| {
        let (mut one, mut two) = (vec![], vec![]);
        for (i, outing) in (0u32..).zip(outings.list()) {
            if part.contains(&i) { one.extend(outing.sign.clone()) } else { two.extend(outing.sign.clone()) }
        }
        squared_difference_per_m2(&one, &two, lattice.bandwidth_m)
    };
    let values: Vec<f64> = relabellings.parts().iter().map(|part| plain(part)).collect();
    relabellings.p_upper(plain(relabellings.observed()), &values)
}

/// The data set `city` of Davison & Hinkley (1997): ratio 1.520 (published, from memory,
/// reproduced from the data); errors and intervals by R's boot 1.3-28.1, recomputed with
/// numpy at 400,000 replicates (error 0.2215, percentile 1.2511 to 2.1075, accelerated 1.2517
/// to 2.1107).
#[test]
fn bootstrap_of_a_ratio() {
    let u = [138., 93., 61., 179., 48., 37., 29., 23., 30., 2.];
    let x = [143., 104., 69., 260., 75., 63., 50., 48., 111., 50.];
    let units: Vec<Unit> = x.into_iter().zip(u).map(|(sign, km)| Unit { sign, km }).collect();
    let found = ratio_bootstrap(&units, 20_000, 1).unwrap();
    assert_relative_eq!(found.ratio, 1.5203125, max_relative = 1e-12);
    assert_relative_eq!(found.jackknife_error, 0.194790993587909, max_relative = 1e-9);
    assert_relative_eq!(found.linear_error, 0.180243539994675, max_relative = 1e-9);
    assert_relative_eq!(found.bootstrap_error, 0.2215, max_relative = 0.05);
    assert_relative_eq!(found.percentile.low, 1.2511, max_relative = 0.02);
    assert_relative_eq!(found.percentile.high, 2.1075, max_relative = 0.05);
    assert_relative_eq!(found.bca.low, 1.2517, max_relative = 0.02);
    assert_relative_eq!(found.bca.high, 2.1107, max_relative = 0.05);
}

/// R 4.2.2 `glm` with a Poisson family, recomputed with mpmath.
#[test]
fn control_impact_as_if_independent() {
    let part = |sign: f64, km: f64| Unit { sign, km };
    let before = [[part(40., 50.), part(38., 48.)]];
    let after = [[part(15., 52.), part(34., 50.)]];
    let found = control_impact(&before, &after, 1).unwrap();
    assert_relative_eq!(found.log_ratio, -0.868002336534528, max_relative = 1e-12);
    assert_relative_eq!(found.error_if_independent, 0.383919549966179, max_relative = 1e-12);
    assert_relative_eq!(found.z_if_independent, -2.26089642129512, max_relative = 1e-6);
    assert!(found.interval.is_none());
}

/// `scipy.stats.bootstrap`, BCa, outings resampled within seasons: script, data and versions in
/// `tests/golden/season`. Its acceleration is by jackknife, and 99,999 replicates against 9,999
/// leave a percent of Monte Carlo noise.
#[test]
fn control_impact_interval_over_outings() {
    let golden: serde_json::Value =
        serde_json::from_str(include_str!("../golden/season/control_impact.json")).unwrap();
    let season = |name: &str| -> Vec<SplitUnit> {
        let row = |row: &serde_json::Value| -> SplitUnit {
            let at = |i: usize| row[i].as_f64().unwrap();
            [Unit { sign: at(0), km: at(1) }, Unit { sign: at(2), km: at(3) }]
        };
        golden[name].as_array().unwrap().iter().map(row).collect()
    };
    let found = control_impact(&season("before"), &season("after"), 3).unwrap();
    assert_relative_eq!(found.log_ratio, golden["log_ratio"].as_f64().unwrap(), max_relative = 1e-12);
    let interval = found.interval.unwrap();
    for (end, i) in [(interval.low, 0), (interval.high, 1)] {
        assert_relative_eq!(end, golden["interval_95"][i].as_f64().unwrap(), max_relative = 0.025);
    }
}

/// Six plots on five days: the index by Engeman & Allen (2000), its variance as crossed
/// random effects (form from memory of Engeman 2005), both in exact rational arithmetic.
#[test]
fn passive_index_of_plots_and_days() {
    let table = [
        [0., 1., 0., 2., 0.],
        [1., 1., 2., 3., 1.],
        [0., 0., 0., 1., 0.],
        [2., 1., 3., 4., 2.],
        [0., 0., 1., 0., 0.],
        [1., 0., 1., 2., 1.],
    ];
    let counts: Vec<Vec<Option<f64>>> =
        table.iter().map(|plot| plot.iter().copied().map(Some).collect()).collect();
    let found = passive_index(&counts).unwrap();
    assert_relative_eq!(found.index, 1.0, max_relative = 1e-12);
    assert_relative_eq!(found.variance.unwrap(), 0.19, max_relative = 1e-12);
    assert_eq!((found.plots, found.days), (6, 5));
    let mut holes = counts;
    // Two readings lost: the mean of the daily means over readable plots.
    (holes[0][1], holes[4][3]) = (None, None);
    let found = passive_index(&holes).unwrap();
    assert_relative_eq!(found.index, 1.06, max_relative = 1e-12);
    assert!(found.variance.is_none());
    assert!(passive_index(&[]).is_none());
    assert!(passive_index(&[vec![None]]).is_none());
}

/// Counts of 2, 0, 4 and 2 over four equal outings: mean 2, squares 0 + 4 + 4 + 0 over it,
/// over three degrees of freedom.
#[test]
fn dispersion_by_hand() {
    let units = [2., 0., 4., 2.].map(|sign| Unit { sign, km: 3. });
    assert_relative_eq!(dispersion_index(&units).unwrap(), 4.0 / 3.0, max_relative = 1e-12);
    assert!(dispersion_index(&units[..1]).is_none());
}
