//! The share of a kernel's mass inside a window, exactly.

use std::f64::consts::PI;

use crate::frame::GroundPoint;

use super::super::Kernel;
use super::Window;
use super::window::{relative, turn};

/// A side nearer than this share of the bandwidth runs through the place itself.
const AT_THE_PLACE: f64 = 1e-7;

/// Bandwidths beyond which a Gaussian has no mass (1e-16).
const GAUSSIAN_END: f64 = 8.6;
/// Nodes and weights of the Gauss–Legendre rule of order eight on −1..1 (Abramowitz &
/// Stegun 1964, table 25.4); the rule is symmetric.
const RULE: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_3),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_5),
    (0.960_289_856_497_536_3, 0.101_228_536_290_376_26),
];

impl Window {
    /// Share of a kernel's mass about a place that lies inside the window, 0 to 1.
    ///
    /// With F(r) the mass within r, the mass inside is 1/2π ∮ F(r) dφ around the window's
    /// edge. On a side at signed distance d from the place, dφ = d dt/(d² + t²), and
    /// F(r)/r² is smooth, so a few Gauss nodes a bandwidth give it to about 1e-12; where a
    /// side is beyond the kernel's end, F is one and the integral is an angle. Holes come
    /// out by themselves, as their sides run the other way. A place on the edge is right.
    ///
    /// Cost: one test a side, and an integral for those within the kernel's reach.
    pub fn mass(&self, at: GroundPoint, kernel: Kernel, bandwidth_m: f64) -> f64 {
        let reach_m = kernel.radius_m(bandwidth_m).unwrap_or(GAUSSIAN_END * bandwidth_m);
        let (mut turns, mut angles, mut lacking, mut on_edge) = (0, 0.0, 0.0, false);
        for &(a, b) in self.sides() {
            let (a, b) = (relative(a, at), relative(b, at));
            turns += turn(a, b);
            let (ux, uy) = (b.0 - a.0, b.1 - a.1);
            let length_m = ux.hypot(uy);
            let (cross, dot) = (a.0 * b.1 - a.1 * b.0, a.0 * b.0 + a.1 * b.1);
            on_edge |= cross == 0.0 && dot <= 0.0;
            let d = cross / length_m;
            if d.abs() >= reach_m {
                continue;
            }
            let from = (a.0 * ux + a.1 * uy) / length_m;
            let end = (reach_m * reach_m - d * d).sqrt();
            let (from, to) = (from.max(-end), (from + length_m).min(end));
            if from < to && d != 0.0 {
                let angle = (to / d).atan() - (from / d).atan();
                lacking += d * integral(kernel, bandwidth_m, d, from, to) - angle;
            }
        }
        if on_edge {
            // The winding number means nothing here; the angle of a side through the place
            // is none.
            let angle = |&(a, b): &(GroundPoint, GroundPoint)| {
                let (a, b) = (relative(a, at), relative(b, at));
                let (cross, dot) = (a.0 * b.1 - a.1 * b.0, a.0 * b.0 + a.1 * b.1);
                if cross == 0.0 { 0.0 } else { cross.atan2(dot) }
            };
            angles = self.sides().iter().map(angle).sum::<f64>();
        }
        let whole = if on_edge { angles / (2.0 * PI) } else { f64::from(turns) };
        (whole + lacking / (2.0 * PI)).clamp(0.0, 1.0)
    }
}

/// ∫ F(r)/r² dt over part of a side at distance `d`, r² = d² + t².
fn integral(kernel: Kernel, bandwidth_m: f64, d: f64, from: f64, to: f64) -> f64 {
    // The cone's F/r² has a kink where the side passes closest.
    if from < 0.0 && to > 0.0 {
        return integral(kernel, bandwidth_m, d, from, 0.0) + integral(kernel, bandwidth_m, d, 0.0, to);
    }
    let panels = ((to - from) / bandwidth_m).ceil().max(1.0);
    let half = 0.5 * (to - from) / panels;
    let value = |t: f64| {
        let r = d.hypot(t);
        if r < AT_THE_PLACE * bandwidth_m {
            PI * kernel.peak_per_m2(bandwidth_m)
        } else {
            kernel.mass_within(r, bandwidth_m) / (r * r)
        }
    };
    (0..panels as usize)
        .map(|k| from + (2 * k + 1) as f64 * half)
        .map(|middle| {
            RULE.iter().map(|(t, w)| w * (value(middle - half * t) + value(middle + half * t))).sum::<f64>()
        })
        .sum::<f64>()
        * half
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo_types::{LineString, MultiPolygon, Polygon, polygon};
    use statrs::function::erf::erf;

    /// The normal distribution's share below z.
    fn below(z: f64) -> f64 {
        0.5 * (1.0 + erf(z / 2_f64.sqrt()))
    }

    fn boxed(west: f64, south: f64, east: f64, north: f64) -> Window {
        Window::new(&MultiPolygon(vec![polygon![
            (x: west, y: south), (x: east, y: south), (x: east, y: north), (x: west, y: north)
        ]]))
        .unwrap()
    }

    /// In a box the Gaussian's mass is a product of two, also of places on its sides, at its corners
    /// and off it.
    #[test]
    fn the_gaussian_in_a_box_is_a_product() {
        let (h, window) = (130.0, boxed(0.0, 0.0, 900.0, 400.0));
        for (x, y) in [
            (450.0, 200.0),
            (0.0, 0.0),
            (900.0, 0.0),
            (900.0, 400.0),
            (0.0, 123.0),
            (450.0, 0.0),
            (899.0, 399.9),
            (1e-9, 200.0),
            (37.0, 391.0),
        ] {
            let along = below((900.0 - x) / h) - below(-x / h);
            let across = below((400.0 - y) / h) - below(-y / h);
            let found = window.mass(GroundPoint::new(x, y), Kernel::Gaussian, h);
            assert!((found - along * across).abs() < 1e-11, "{x}, {y}: {found} {}", along * across);
        }
    }

    /// In the half-plane a disc of radius R at distance d from the edge lacks the segment
    /// (acos u − u √(1 − u²))/π, u = d/R; on the edge every kernel has half its mass, at a right
    /// corner a quarter, at one of 45° an eighth.
    #[test]
    fn beside_a_straight_edge_and_at_corners() {
        let far = boxed(-1e4, 0.0, 1e4, 1e4);
        for share in [0.0_f64, 0.1, 0.5, 0.9, 1.0, 3.0] {
            let u = share.min(1.0);
            let lacking = (u.acos() - u * (1.0 - u * u).sqrt()) / PI;
            let found = far.mass(GroundPoint::new(12.0, 200.0 * share), Kernel::Uniform, 100.0);
            assert!((found - (1.0 - lacking)).abs() < 1e-9, "{share}: {found}");
        }
        let wedge = Window::new(&MultiPolygon(vec![polygon![
            (x: 0., y: 0.), (x: 9e3, y: 0.), (x: 9e3, y: 9e3)
        ]]))
        .unwrap();
        for kernel in Kernel::ALL {
            for (window, (x, y), expected) in [
                (&far, (0.0, 0.0), 0.5),
                (&far, (-1e4, 1e4), 0.25),
                (&far, (0.0, 5e3), 1.0),
                (&wedge, (0.0, 0.0), 0.125),
                (&wedge, (4e3, 4e3), 0.5),
            ] {
                let found = window.mass(GroundPoint::new(x, y), kernel, 100.0);
                assert!((found - expected).abs() < 1e-9, "{kernel} {x}, {y}: {found}");
            }
        }
    }

    /// Against a sum of the density over a fine raster of a window with a hole and a second part.
    #[test]
    fn masses_are_sums_of_the_density_inside() {
        let ring = |of: &[(f64, f64)]| LineString::from(of.to_vec());
        let outer = ring(&[(0.0, 0.0), (300.0, 20.0), (260.0, 240.0), (120.0, 120.0), (10.0, 280.0)]);
        let hole = ring(&[(180.0, 60.0), (240.0, 70.0), (220.0, 130.0)]);
        let part = ring(&[(310.0, 150.0), (400.0, 150.0), (400.0, 260.0)]);
        let window =
            Window::new(&MultiPolygon(vec![Polygon::new(outer, vec![hole]), Polygon::new(part, vec![])]))
                .unwrap();
        let cell_m = 0.5;
        let grid = crate::surface::Grid { west_m: 0.0, north_m: 300.0, cell_m, columns: 800, rows: 600 };
        let inside = window.cells_inside(&grid);
        for kernel in Kernel::ALL {
            for (x, y, h) in
                [(50.0, 60.0, 30.0), (175.0, 60.0, 45.0), (350.0, 165.0, 60.0), (250.0, 200.0, 20.0)]
            {
                let at = GroundPoint::new(x, y);
                let cells = (0..grid.cells()).filter(|&cell| inside[cell]);
                let density = |cell: usize| {
                    let centre = grid.centre(cell / grid.columns, cell % grid.columns);
                    kernel.density_per_m2(centre.distance_m(at).powi(2), h)
                };
                let sum = cells.map(density).sum::<f64>() * cell_m * cell_m;
                let found = window.mass(at, kernel, h);
                assert!((found - sum).abs() < 1.5e-3, "{kernel} {x}, {y}: {found} {sum}");
            }
        }
    }
}
