//! A smooth map from one plane to another as a product of Chebyshev polynomials, small
//! enough to ship inside a page.
//!
//! A page knows no projection; it turns longitude and latitude into the job's grid, and
//! back, with two of these. They are exact to well under a millimetre over the width of a
//! projected zone, because projections are analytic and Chebyshev series of analytic
//! functions converge geometrically (Trefethen 2013, Approximation Theory and
//! Approximation Practice, chapter 8).

use std::f64::consts::PI;

use serde_json::{Value, json};

/// Polynomials along each axis.
const TERMS: usize = 10;

/// A map of a box in one plane into another plane.
#[derive(Clone, PartialEq, Debug)]
pub struct Patch {
    /// West, south, east, north of the box, in the units of the plane it maps from.
    pub span: [f64; 4],
    /// Coefficients of the two results, `TERMS` by `TERMS`, the first axis outermost.
    terms: [Vec<f64>; 2],
}

impl Patch {
    /// Fits a map by interpolation in the Chebyshev points of the box. `None` where the map
    /// gives no value somewhere in it.
    pub fn fit(span: [f64; 4], map: impl Fn(f64, f64) -> Option<(f64, f64)>) -> Option<Self> {
        let nodes: Vec<f64> = (0..TERMS).map(|k| (PI * (k as f64 + 0.5) / TERMS as f64).cos()).collect();
        let [west, south, east, north] = span;
        let at = |t: f64, low: f64, high: f64| low + (t + 1.0) / 2.0 * (high - low);
        let mut samples = Vec::with_capacity(TERMS * TERMS);
        for &u in &nodes {
            for &v in &nodes {
                samples.push(map(at(u, west, east), at(v, south, north))?);
            }
        }
        let x: Vec<f64> = samples.iter().map(|s| s.0).collect();
        let y: Vec<f64> = samples.iter().map(|s| s.1).collect();
        Some(Self { span, terms: [coefficients(&x, &nodes), coefficients(&y, &nodes)] })
    }

    /// The map at a place of the box.
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let [west, south, east, north] = self.span;
        let u = polynomials(2.0 * (x - west) / (east - west) - 1.0);
        let v = polynomials(2.0 * (y - south) / (north - south) - 1.0);
        let sum =
            |terms: &[f64]| terms.chunks_exact(TERMS).zip(u).map(|(row, tu)| tu * dot(row, &v)).sum::<f64>();
        (sum(&self.terms[0]), sum(&self.terms[1]))
    }

    /// The map along one level of its second axis, summed once so that many places of it cost
    /// little each.
    pub fn level(&self, y: f64) -> Level {
        let [west, south, east, north] = self.span;
        let v = polynomials(2.0 * (y - south) / (north - south) - 1.0);
        let along = |terms: &[f64]| {
            let mut sums = [0.0; TERMS];
            sums.iter_mut().zip(terms.chunks_exact(TERMS)).for_each(|(sum, row)| *sum = dot(row, &v));
            sums
        };
        Level { west, east, terms: [along(&self.terms[0]), along(&self.terms[1])] }
    }

    /// As the page reads it.
    pub fn to_json(&self) -> Value {
        json!({ "span": self.span, "terms": TERMS, "x": self.terms[0], "y": self.terms[1] })
    }
}

/// One level of a [`Patch`].
#[derive(Clone, PartialEq, Debug)]
pub struct Level {
    west: f64,
    east: f64,
    terms: [[f64; TERMS]; 2],
}

impl Level {
    /// The map at a place of the level.
    pub fn at(&self, x: f64) -> (f64, f64) {
        let u = polynomials(2.0 * (x - self.west) / (self.east - self.west) - 1.0);
        (dot(&u, &self.terms[0]), dot(&u, &self.terms[1]))
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn polynomials(t: f64) -> [f64; TERMS] {
    let mut of = [1.0; TERMS];
    of[1] = t;
    for k in 2..TERMS {
        of[k] = 2.0 * t * of[k - 1] - of[k - 2];
    }
    of
}

/// The discrete Chebyshev transform of samples at the product of the nodes.
fn coefficients(samples: &[f64], nodes: &[f64]) -> Vec<f64> {
    let basis: Vec<[f64; TERMS]> = nodes.iter().map(|&t| polynomials(t)).collect();
    let scale = |k: usize| if k == 0 { 1.0 } else { 2.0 } / TERMS as f64;
    let mut out = vec![0.0; TERMS * TERMS];
    for i in 0..TERMS {
        for j in 0..TERMS {
            let sum: f64 =
                samples.iter().enumerate().map(|(s, f)| f * basis[s / TERMS][i] * basis[s % TERMS][j]).sum();
            out[i * TERMS + j] = scale(i) * scale(j) * sum;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Frame, GroundPoint, LonLat};

    /// Furthest that the patch is from the projection over a box, in metres.
    fn worst_m(epsg: u32, span: [f64; 4]) -> f64 {
        let frame = Frame::from_epsg(epsg).unwrap();
        let exact = |lon, lat| {
            let p = frame.to_ground(LonLat::new(lon, lat).unwrap()).unwrap();
            (p.x_m, p.y_m)
        };
        let patch = Patch::fit(span, |lon, lat| Some(exact(lon, lat))).unwrap();
        let mut worst: f64 = 0.0;
        for i in 0..=40 {
            for j in 0..=40 {
                let lon = span[0] + (span[2] - span[0]) * f64::from(i) / 40.0;
                let lat = span[1] + (span[3] - span[1]) * f64::from(j) / 40.0;
                let (a, b) = (exact(lon, lat), patch.at(lon, lat));
                worst = worst.max((a.0 - b.0).hypot(a.1 - b.1));
            }
        }
        worst
    }

    #[test]
    fn a_patch_is_the_projection_to_a_tenth_of_a_millimetre() {
        // Two degrees of a UTM zone, of a conformal conic and of the New Zealand grid.
        assert!(worst_m(32755, [146.0, -38.0, 148.0, -36.0]) < 1e-4);
        assert!(worst_m(3111, [145.0, -38.5, 147.0, -36.5]) < 1e-4);
        assert!(worst_m(2193, [170.0, -44.0, 172.0, -42.0]) < 1e-4);
    }

    #[test]
    fn the_way_back_is_as_good() {
        let frame = Frame::from_epsg(32755).unwrap();
        let back = |x, y| frame.to_lonlat(GroundPoint::new(x, y)).ok().map(|p| (p.lon_deg(), p.lat_deg()));
        let patch = Patch::fit([600_000.0, 5_600_000.0, 700_000.0, 5_700_000.0], back).unwrap();
        let (exact, fitted) = (back(612_345.6, 5_678_901.2).unwrap(), patch.at(612_345.6, 5_678_901.2));
        assert!((exact.0 - fitted.0).abs() < 1e-9 && (exact.1 - fitted.1).abs() < 1e-9);
    }
}
