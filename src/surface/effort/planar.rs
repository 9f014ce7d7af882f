//! The rate away from tracks: kernel sum over kernel integral of effort, in the plane.

use rayon::prelude::*;
use statrs::function::erf::erf;

use crate::frame::GroundPoint;
use crate::surface::WeightedPoint;

/// A straight stretch that was searched.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SearchedSegment {
    /// Where it begins.
    pub from: GroundPoint,
    /// Where it ends.
    pub to: GroundPoint,
    /// How often it was searched.
    pub passes: f64,
}

/// A planar rate.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PlanarRate {
    /// Sign per km searched.
    pub per_km: f64,
    /// Smoothed effort: km searched per km².
    pub effort_km_per_km2: f64,
}

/// Less smoothed effort than a single pass at this many σ gives is none: what is further
/// from every leg was not searched.
const SEARCHED_WITHIN: f64 = 3.0;

/// Sign per km searched at places in the plane, by a normal kernel of standard deviation
/// `sigma_m`: Σ w φ(x − x_i) / ∫ φ(x − v) e(v) dv, the integral along the legs in closed
/// form. On one straight track it is the rate along the line. `None` where nobody searched
/// within three σ.
///
/// For surveys that leave the tracks; on a network the rate along lines is the better one,
/// because the plane mixes tracks that lie side by side. Cost: places × (records + segments).
pub fn planar_rates(
    records: &[WeightedPoint],
    searched: &[SearchedSegment],
    places: &[GroundPoint],
    sigma_m: f64,
) -> Vec<Option<PlanarRate>> {
    places.par_iter().map(|&place| rate_at(records, searched, place, sigma_m)).collect()
}

fn rate_at(
    records: &[WeightedPoint],
    searched: &[SearchedSegment],
    place: GroundPoint,
    sigma_m: f64,
) -> Option<PlanarRate> {
    let peak = 1.0 / (std::f64::consts::TAU * sigma_m * sigma_m);
    let squares = |at: GroundPoint| (at.x_m - place.x_m).powi(2) + (at.y_m - place.y_m).powi(2);
    let sign: f64 = records
        .iter()
        .map(|record| record.weight * peak * (-0.5 * squares(record.at) / (sigma_m * sigma_m)).exp())
        .sum();
    let effort: f64 =
        searched.iter().map(|segment| segment.passes * line_integral(segment, place, sigma_m)).sum();
    let near = searched
        .iter()
        .any(|segment| segment.passes > 0.0 && distance_m(segment, place) <= SEARCHED_WITHIN * sigma_m);
    (near && effort > 0.0)
        .then(|| PlanarRate { per_km: 1000.0 * sign / effort, effort_km_per_km2: 1000.0 * effort })
}

/// ∫ of the planar normal density along a segment, per metre.
fn line_integral(segment: &SearchedSegment, place: GroundPoint, sigma_m: f64) -> f64 {
    let length_m = segment.from.distance_m(segment.to);
    if length_m == 0.0 {
        return 0.0;
    }
    let (along_m, across_m) = relative(segment, place, length_m);
    let scaled = |metres: f64| metres / (sigma_m * std::f64::consts::SQRT_2);
    let across = (-scaled(across_m).powi(2)).exp() / (sigma_m * std::f64::consts::TAU.sqrt());
    across * 0.5 * (erf(scaled(length_m - along_m)) + erf(scaled(along_m)))
}

/// A place in the coordinates of a segment: along it from its start, and across.
fn relative(segment: &SearchedSegment, place: GroundPoint, length_m: f64) -> (f64, f64) {
    let (ux, uy) =
        ((segment.to.x_m - segment.from.x_m) / length_m, (segment.to.y_m - segment.from.y_m) / length_m);
    let (dx, dy) = (place.x_m - segment.from.x_m, place.y_m - segment.from.y_m);
    (dx * ux + dy * uy, dx * uy - dy * ux)
}

fn distance_m(segment: &SearchedSegment, place: GroundPoint) -> f64 {
    let length_m = segment.from.distance_m(segment.to);
    if length_m == 0.0 {
        return segment.from.distance_m(place);
    }
    let (along_m, _) = relative(segment, place, length_m);
    place.distance_m(segment.from.lerp(segment.to, (along_m / length_m).clamp(0.0, 1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One pass over every line makes the rate the density per km of line of Rakshit, Davies,
    /// Moradi, McSwiggan, Nair, Mateu & Baddeley (2019), k₂(u − x)/c(u) with their uniform
    /// correction, and effort their c; with c of the record's place for that of the other it is
    /// their Jones–Diggle form, k₂(u − x)/c(x). T of three arms, recomputed with mpmath by
    /// quadrature.
    #[test]
    fn one_pass_everywhere_gives_the_density_by_convolution() {
        let p = GroundPoint::new;
        let arms = [p(-1000.0, 0.0), p(1000.0, 0.0), p(0.0, -1000.0)];
        let searched = arms.map(|to| SearchedSegment { from: p(0.0, 0.0), to, passes: 1.0 });
        let record = [WeightedPoint { at: p(-150.0, 0.0), weight: 1.0 }];
        let places =
            [(-150., 0.), (-50., 0.), (0., 0.), (0., -50.), (0., -300.), (300., 0.)].map(|(x, y)| p(x, y));
        let per_m = [
            0.00343227459590789,
            0.00167889668365076,
            0.000863450637772612,
            0.000726186962826959,
            1.42490473621245e-05,
            1.58954498582015e-07,
        ];
        let lines = [
            0.00463701078234379,
            0.00574974943783582,
            0.00598413420602149,
            0.00627918937876942,
            0.00402835597413812,
            0.00401158204606891,
        ];
        let jones_diggle = [
            0.00343227459590789,
            0.00208177977497092,
            0.00111429641621288,
            0.000983363135868981,
            1.23787150302847e-05,
            1.3751510241932e-07,
        ];
        let found: Vec<_> = planar_rates(&record, &searched, &places, 100.0).into_iter().flatten().collect();
        assert_eq!(found.len(), places.len());
        let at_record = found[0].effort_km_per_km2;
        for (index, rate) in found.iter().enumerate() {
            let (uniform, line) = (rate.per_km / 1000.0, rate.effort_km_per_km2);
            assert!((uniform / per_m[index] - 1.0).abs() < 1e-12, "{rate:?}");
            assert!((line / 1000.0 / lines[index] - 1.0).abs() < 1e-12, "{rate:?}");
            let corrected = uniform * line / at_record;
            assert!((corrected / jones_diggle[index] - 1.0).abs() < 1e-12, "{rate:?} {corrected}");
        }
    }

    /// One straight track walked four times; recomputed with mpmath by quadrature. The
    /// ratio is the same in the plane as along the line.
    #[test]
    fn the_rate_on_a_straight_track() {
        let at = |x_m: f64| GroundPoint::new(x_m, 0.0);
        let records = [1000.0, 1100.0, 1300.0, 2500.0].map(|x| WeightedPoint { at: at(x), weight: 1.0 });
        let searched = [(0.0, 1700.0), (1700.0, 5000.0)].map(|(a, b)| SearchedSegment {
            from: at(a),
            to: at(b),
            passes: 4.0,
        });
        let places = [1000.0, 1200.0, 2500.0, 3500.0].map(at);
        let expected = [0.961428931412044, 1.026233183611339, 0.39894630960261157, 0.00013383022589692672];
        for (found, expected) in planar_rates(&records, &searched, &places, 250.0).iter().zip(expected) {
            let found = found.unwrap().per_km;
            assert!((found - expected).abs() < 1e-10 * (1.0 + expected), "{found} {expected}");
        }
    }

    #[test]
    fn far_from_every_leg_there_is_no_rate() {
        let searched = [SearchedSegment {
            from: GroundPoint::new(0.0, 0.0),
            to: GroundPoint::new(100.0, 0.0),
            passes: 1.0,
        }];
        let found = planar_rates(
            &[],
            &searched,
            &[GroundPoint::new(50.0, 200.0), GroundPoint::new(50.0, 700.0)],
            100.0,
        );
        assert_eq!(found[0].unwrap().per_km, 0.0);
        assert_eq!(found[1], None);
    }

    /// Against the midpoint rule along segments in any direction, from places beside them and beyond
    /// their ends; a segment without length is none.
    #[test]
    fn integrals_along_slanting_segments() {
        let p = GroundPoint::new;
        let sigma_m = 80.0;
        for (to_x, to_y) in [(300.0, 400.0), (-120.0, 50.0), (0.0, -70.0), (1000.0, 0.0)] {
            let segment =
                SearchedSegment { from: p(10.0, 20.0), to: p(10.0 + to_x, 20.0 + to_y), passes: 1.0 };
            let length_m = f64::hypot(to_x, to_y);
            for place in [p(10.0, 20.0), p(100.0, 90.0), p(-150.0, 60.0), p(200.0, -130.0)] {
                let steps = 20_000;
                let at = |k: i32| segment.from.lerp(segment.to, (f64::from(k) + 0.5) / f64::from(steps));
                let density = |at: GroundPoint| {
                    (-0.5 * (at.distance_m(place) / sigma_m).powi(2)).exp()
                        / (std::f64::consts::TAU * sigma_m * sigma_m)
                };
                let sum = (0..steps).map(at).map(density).sum::<f64>() * length_m / f64::from(steps);
                let found = line_integral(&segment, place, sigma_m);
                assert!((found - sum).abs() < 1e-6 * sum, "{found} {sum}");
            }
        }
        let point = SearchedSegment { from: p(3.0, 4.0), to: p(3.0, 4.0), passes: 9.0 };
        assert_eq!((line_integral(&point, p(0.0, 0.0), 10.0), distance_m(&point, p(0.0, 0.0))), (0.0, 5.0));
    }

    /// Three deviations from a segment are searched and more are not, beside it, beyond its ends and
    /// however often the rest was passed; a segment that nobody passed is none.
    #[test]
    fn a_rate_asks_for_a_leg_within_three_deviations() {
        let p = GroundPoint::new;
        let segment = |passes| SearchedSegment { from: p(100.0, 50.0), to: p(400.0, 450.0), passes };
        let records = [WeightedPoint { at: p(250.0, 250.0), weight: 1.0 }];
        // Along is (3, 4)/5, across (−4, 3)/5.
        for (place, near) in [
            (p(250.0 - 4.0 * 5.99, 250.0 + 3.0 * 5.99), true),
            (p(250.0 - 4.0 * 6.01, 250.0 + 3.0 * 6.01), false),
            (p(250.0 + 4.0 * 5.99, 250.0 - 3.0 * 5.99), true),
            (p(100.0 - 3.0 * 5.99, 50.0 - 4.0 * 5.99), true),
            (p(100.0 - 3.0 * 6.01, 50.0 - 4.0 * 6.01), false),
            (p(400.0 + 3.0 * 5.99, 450.0 + 4.0 * 5.99), true),
            (p(400.0 + 3.0 * 6.01, 450.0 + 4.0 * 6.01), false),
        ] {
            let found = planar_rates(&records, &[segment(1e6), segment(0.0)], &[place], 10.0);
            assert_eq!(found[0].is_some(), near, "{place:?}");
            assert_eq!(planar_rates(&records, &[segment(0.0)], &[place], 10.0), [None]);
        }
        // A leg nearby that was not passed does not bring one from farther off near.
        let far = SearchedSegment { from: p(0.0, 40.0), to: p(500.0, 40.0), passes: 1.0 };
        let beside = SearchedSegment { from: p(0.0, 0.0), to: p(500.0, 0.0), passes: 0.0 };
        assert_eq!(planar_rates(&records, &[far, beside], &[p(250.0, 0.0)], 10.0), [None]);
        // Two passes halve the rate and double the effort; two records double it.
        let place = [p(260.0, 240.0)];
        let rate = |records: &[WeightedPoint], passes| {
            planar_rates(records, &[segment(passes)], &place, 40.0)[0].unwrap()
        };
        let (one, two) = (rate(&records, 1.0), rate(&records, 2.0));
        assert!((one.per_km / two.per_km - 2.0).abs() < 1e-12);
        assert!((two.effort_km_per_km2 / one.effort_km_per_km2 - 2.0).abs() < 1e-12);
        let double = rate(&[WeightedPoint { weight: 2.0, ..records[0] }], 1.0);
        assert!((double.per_km / one.per_km - 2.0).abs() < 1e-12);
    }
}
