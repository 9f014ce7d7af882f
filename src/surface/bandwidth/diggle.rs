//! The mean-square-error rule for a clustered process.

use std::f64::consts::PI;

use crate::frame::GroundPoint;

use super::super::edge::SetCovariance;
use super::super::neighbours::Neighbours;
use super::lscv::pairs_within;
use super::near::Near;
use super::search::Optimum;

/// Most pairs that are looked at: at first, and where the optimum lies at the end of the range
/// that so many allow. More points than that get a shorter range.
const MOST_PAIRS: [f64; 3] = [6e7, 2.4e8, 1e9];
/// The range is not made shorter than this share of a quarter of the window's shorter side. Where even
/// so near to each other there are too many pairs, many records lie at one place: there the error falls
/// without end as the bandwidth does.
const SHORTEST: f64 = 1e-3;
/// Most pairs that are kept one by one; beyond, they are counted in rings.
const MOST_KEPT: usize = 3000;
/// Rings in which pairs are counted.
const RINGS: usize = 4096;
/// Bandwidths tried when pairs are counted in rings.
const TRIED: usize = 512;

/// Pairs of points at one distance.
#[derive(Clone, Copy)]
struct Pairs {
    distance_m: f64,
    /// Their share of Ripley's K, in m².
    k_m2: f64,
}

/// The bandwidth that minimises the mean square error of the intensity of a stationary Cox
/// process (Diggle 1985; Berman & Diggle 1989, J. R. Stat. Soc. B 51:81–92):
///
/// M(s) = (1/λ − 2K(2s)) / π(2s)² + ∫ overlap(t, 2s) dK(t) / (π(2s)²)²,
///
/// with Ripley's K by translation correction in the window and the area in which two discs
/// of radius 2s at distance t overlap. The result is a standard deviation s: a disc
/// has half its radius. M jumps down at every distance of a pair, so its minimum mostly
/// sits on one of them. The range goes up to a sixteenth of the window's shorter side, or
/// shorter where that would take too many pairs. `None` if the window has no area.
pub(super) fn optimum(places: &[GroundPoint], window: &SetCovariance) -> Option<Optimum> {
    let area_m2 = window.area_m2();
    if area_m2 <= 0.0 {
        return None;
    }
    let sorted = Neighbours::new(places, 0.0);
    let widest_m = window.shorter_side_m() / 4.0;
    let mut found = None;
    for most_pairs in MOST_PAIRS {
        let mut reach_m = widest_m;
        while pairs_within(&sorted, reach_m) > most_pairs && reach_m > SHORTEST * widest_m {
            reach_m /= 1.2;
        }
        let optimum = if reach_m > SHORTEST * widest_m {
            within(&sorted, reach_m, window)
        } else {
            Optimum { at: reach_m / 4.0, at_edge: true }
        };
        found = Some(optimum);
        if !optimum.at_edge || reach_m == widest_m {
            break;
        }
    }
    found
}

/// The optimum among bandwidths up to a quarter of the distance within which pairs are looked
/// at: overlaps reach to twice the radius of the discs.
fn within(sorted: &Neighbours, reach_m: f64, window: &SetCovariance) -> Optimum {
    let (area_m2, n) = (window.area_m2(), sorted.in_order().len() as f64);
    let pairs = pairs(sorted, reach_m, window);
    let error = |s: f64| mean_square_error(&pairs, s, area_m2 / n);
    let longest_m = reach_m / 4.0;
    let tried: Vec<f64> = if pairs.len() <= MOST_KEPT {
        pairs.iter().map(|p| p.distance_m / 2.0).filter(|&s| s > 0.0 && s <= longest_m).collect()
    } else {
        (1..=TRIED).map(|k| longest_m * k as f64 / TRIED as f64).collect()
    };
    let best =
        tried.into_iter().map(|s| (error(s), s)).min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let at = best.map_or(longest_m, |(_, s)| s);
    Optimum { at, at_edge: at > 0.98 * longest_m }
}

fn mean_square_error(pairs: &[Pairs], s: f64, area_a_point_m2: f64) -> f64 {
    let radius_m = 2.0 * s;
    let disc_m2 = PI * radius_m * radius_m;
    let (mut k_m2, mut overlaps) = (0.0, 0.0);
    for p in pairs.iter().take_while(|p| p.distance_m < 2.0 * radius_m) {
        if p.distance_m <= radius_m {
            k_m2 += p.k_m2;
        }
        overlaps += p.k_m2 * overlap_m2(p.distance_m, radius_m);
    }
    (area_a_point_m2 - 2.0 * k_m2) / disc_m2 + overlaps / (disc_m2 * disc_m2)
}

/// Area common to two discs of equal radius.
fn overlap_m2(distance_m: f64, radius_m: f64) -> f64 {
    let half = (0.5 * distance_m / radius_m).min(1.0);
    2.0 * radius_m * radius_m * (half.acos() - half * (1.0 - half * half).sqrt())
}

/// Pairs in order of their distance: one by one if they are few, else in rings.
fn pairs(sorted: &Neighbours, reach_m: f64, window: &SetCovariance) -> Vec<Pairs> {
    let (area_m2, n) = (window.area_m2(), sorted.in_order().len() as f64);
    let share = 2.0 * area_m2 * area_m2 / (n * (n - 1.0));
    if pairs_within(sorted, reach_m) < 2.0 * MOST_KEPT as f64 {
        return one_by_one(sorted, reach_m, |dx, dy| share / window.common_m2(dx, dy));
    }
    let places: Vec<GroundPoint> = sorted.in_order().iter().map(|(at, _)| *at).collect();
    let near = Near::new(&places, reach_m);
    let weights = match window.sides_of_box_m() {
        Some([width_m, height_m]) => {
            near.weighed(RINGS, move |dx, dy| share / ((width_m - dx.abs()) * (height_m - dy.abs())))
        }
        None => near.weighed(RINGS, |dx, dy| share / window.common_m2(dx, dy)),
    };
    let middle = |ring: usize| (ring as f64 + 0.5) * reach_m / RINGS as f64;
    let ring = |(ring, k_m2): (usize, f64)| Pairs { distance_m: middle(ring), k_m2 };
    weights.into_iter().enumerate().map(ring).collect()
}

fn one_by_one(sorted: &Neighbours, reach_m: f64, weight: impl Fn(f64, f64) -> f64) -> Vec<Pairs> {
    let mut kept = Vec::new();
    for &(at, index) in sorted.in_order() {
        for &(other, _) in sorted.runs(at, reach_m).flatten().filter(|(_, j)| *j > index) {
            let (dx, dy) = (other.x_m - at.x_m, other.y_m - at.y_m);
            let distance_m = (dx * dx + dy * dy).sqrt();
            if distance_m <= reach_m {
                kept.push(Pairs { distance_m, k_m2: weight(dx, dy) });
            }
        }
    }
    kept.sort_by(|a, b| a.distance_m.total_cmp(&b.distance_m));
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::surface::Extent;

    const SIDE_M: f64 = 4000.0;

    fn window() -> SetCovariance {
        SetCovariance::of_box(Extent {
            min: GroundPoint::new(0.0, 0.0),
            max: GroundPoint::new(SIDE_M, SIDE_M),
        })
    }

    /// Places that fill the box evenly and follow no lattice.
    fn scattered(count: u32) -> Vec<GroundPoint> {
        let share = |k: u32, by: f64| (f64::from(k) * by).fract() * SIDE_M;
        (0..count).map(|k| GroundPoint::new(share(k, std::f64::consts::SQRT_2), share(k, PI))).collect()
    }

    /// Rings hold the pairs that lie in them, at their middles.
    #[test]
    fn rings_hold_what_pairs_one_by_one_do() {
        let places = scattered(1500);
        let (sorted, window, reach_m) = (Neighbours::new(&places, 0.0), window(), SIDE_M / 4.0);
        let counted = pairs(&sorted, reach_m, &window);
        assert_eq!(counted.len(), RINGS, "so many pairs are counted in rings");
        let share = 2.0 * window.area_m2().powi(2) / (1500.0 * 1499.0);
        let single = one_by_one(&sorted, reach_m, |dx, dy| share / window.common_m2(dx, dy));
        let mut wanted = vec![0.0; RINGS];
        for pair in &single {
            let ring = (pair.distance_m / reach_m * RINGS as f64) as usize;
            wanted[ring.min(RINGS - 1)] += pair.k_m2;
        }
        for (ring, (found, wanted)) in counted.iter().zip(wanted).enumerate() {
            assert!((found.distance_m - (ring as f64 + 0.5) * reach_m / 4096.0).abs() < 1e-9);
            assert!((found.k_m2 - wanted).abs() <= 1e-6 * (1.0 + wanted), "{ring}: {} {wanted}", found.k_m2);
        }
    }

    /// Two tight clusters far apart have their best bandwidth inside the range; places without a
    /// pair in reach have none better than the widest.
    #[test]
    fn an_optimum_at_the_end_of_the_range_says_so() {
        let window = window();
        let cluster =
            |at: f64| (0..40).map(move |k| (at + f64::from(k * 7 % 40), at + f64::from(k * 11 % 40)));
        let clusters: Vec<_> =
            cluster(700.0).chain(cluster(3000.0)).map(|(x, y)| GroundPoint::new(x, y)).collect();
        let found = optimum(&clusters, &window).unwrap();
        assert!(!found.at_edge && found.at < 60.0, "{found:?}");
        let alone = [GroundPoint::new(500.0, 500.0), GroundPoint::new(3500.0, 3500.0)];
        let found = optimum(&alone, &window).unwrap();
        assert!(found.at_edge && found.at == SIDE_M / 16.0, "{found:?}");
    }

    /// Common area: that of a disc at no distance, none at two radii; at one radius two segments,
    /// (2π/3 − √3/2) r².
    #[test]
    fn overlaps_of_discs_by_hand() {
        for (distance_m, share) in [
            (0.0, PI),
            (1.0, 2.0 * PI / 3.0 - 0.75_f64.sqrt()),
            (2_f64.sqrt(), PI / 2.0 - 1.0),
            (2.0, 0.0),
            (5.0, 0.0),
        ] {
            assert!((overlap_m2(30.0 * distance_m, 30.0) - 900.0 * share).abs() < 1e-10, "{distance_m}");
        }
    }

    /// The error from its formula over every pair of the places, and the best among half distances.
    #[test]
    fn the_optimum_is_the_best_of_all_half_distances() {
        let (places, window) = (scattered(60), window());
        let (n, area_m2) = (60.0, SIDE_M * SIDE_M);
        let mut all = Vec::new();
        for (i, a) in places.iter().enumerate() {
            for b in &places[..i] {
                let common = (SIDE_M - (a.x_m - b.x_m).abs()) * (SIDE_M - (a.y_m - b.y_m).abs());
                all.push((a.distance_m(*b), 2.0 * area_m2 * area_m2 / (n * (n - 1.0) * common)));
            }
        }
        let error = |s: f64| {
            let (r, disc) = (2.0 * s, PI * 4.0 * s * s);
            let k: f64 = all.iter().filter(|(d, _)| *d <= r).map(|(_, w)| w).sum();
            let overlap = |d: f64| {
                let u = d / (2.0 * r);
                if u < 1.0 { 2.0 * r * r * (u.acos() - u * (1.0 - u * u).sqrt()) } else { 0.0 }
            };
            let sum: f64 = all.iter().map(|(d, w)| w * overlap(*d)).sum();
            (area_m2 / n - 2.0 * k) / disc + sum / (disc * disc)
        };
        let sorted = Neighbours::new(&places, 0.0);
        let kept = pairs(&sorted, SIDE_M / 4.0, &window);
        for s in [37.0, 90.0, 140.0, 249.0] {
            let found = mean_square_error(&kept, s, area_m2 / n);
            assert!((found / error(s) - 1.0).abs() < 1e-9, "{s}: {found} {}", error(s));
        }
        let longest_m = SIDE_M / 16.0;
        let candidates = all.iter().map(|(d, _)| d / 2.0).filter(|s| *s <= longest_m);
        let best = candidates.min_by(|a, b| error(*a).total_cmp(&error(*b))).unwrap();
        let found = optimum(&places, &window).unwrap();
        assert!((found.at / best - 1.0).abs() < 1e-12, "{found:?} {best}");
        assert_eq!(found.at_edge, best > 0.98 * longest_m);
    }

    /// In a window that is no box, too, rings hold what pairs one by one do.
    #[test]
    fn rings_in_a_window_that_is_no_box() {
        use geo_types::{MultiPolygon, polygon};
        let ground = MultiPolygon(vec![polygon![(x: 0., y: 0.), (x: SIDE_M, y: 0.), (x: SIDE_M, y: SIDE_M)]]);
        let ground = super::super::super::edge::Window::new(&ground).unwrap();
        let window = SetCovariance::of(&ground);
        let places: Vec<GroundPoint> =
            scattered(3000).into_iter().filter(|&at| ground.contains(at)).collect();
        let n = places.len() as f64;
        let (sorted, reach_m) = (Neighbours::new(&places, 0.0), SIDE_M / 8.0);
        let counted = pairs(&sorted, reach_m, &window);
        assert_eq!(counted.len(), RINGS, "so many pairs are counted in rings");
        let share = 2.0 * window.area_m2().powi(2) / (n * (n - 1.0));
        let single = one_by_one(&sorted, reach_m, |dx, dy| share / window.common_m2(dx, dy));
        let sum = |of: &[Pairs]| of.iter().map(|p| p.k_m2).sum::<f64>();
        // A pair just at the reach may count or not.
        assert!((sum(&counted) / sum(&single) - 1.0).abs() < 1e-4, "{} {}", sum(&counted), sum(&single));
    }
}
