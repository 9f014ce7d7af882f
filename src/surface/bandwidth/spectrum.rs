//! Sums over all pairs of points, from the power spectrum of their spline sums.

use std::f64::consts::PI;

use rayon::prelude::*;

use super::super::fast::{Axis, Eighth, ORDER, spread_onto};
use super::super::fft::Plane;
use super::super::{Extent, WeightedPoint};
use crate::frame::GroundPoint;

/// Angle below which a series of two terms is exact to the last digit.
const SMALL: f64 = 1e-4;

/// The power spectrum of points, each of weight one, in a periodic box wide enough that
/// points and their images do not meet.
///
/// For a function g of the offset between two points with transform ĝ, the sum over all
/// ordered pairs, the pairs of a point with itself included, is Σ |F(k)|² ĝ(k) / area.
/// The spline's own smoothing is divided out; aliases leave a relative error of about
/// (kH/2π)⁸ at wave number k with step H.
pub(super) struct Spectrum {
    plane: Plane<f64>,
    step_m: f64,
    power: Vec<f64>,
}

impl Spectrum {
    /// Cells that a spectrum with this step and this margin would have.
    pub fn cells(extent: Extent, step_m: f64, margin_m: f64) -> f64 {
        let along = |length_m: f64| (length_m + margin_m) / step_m + (2 * ORDER) as f64;
        along(extent.max.x_m - extent.min.x_m) * along(extent.max.y_m - extent.min.y_m)
    }

    /// Spectrum of points in `extent`, on nodes `step_m` apart. Functions of the offset
    /// must have died out at `margin_m`. Cost: the points, and a transform of the cells.
    pub fn new(places: &[GroundPoint], extent: Extent, step_m: f64, margin_m: f64) -> Self {
        let nodes = |length_m: f64| ((length_m + margin_m) / step_m).ceil() as usize + 2 * ORDER;
        let plane =
            Plane::at_least(nodes(extent.max.x_m - extent.min.x_m), nodes(extent.max.y_m - extent.min.y_m));
        let axis = |from_m: f64, nodes: usize| Axis::new(from_m - ORDER as f64 * step_m, step_m, nodes);
        // Rows run southward.
        let (x, y) = (axis(extent.min.x_m, plane.columns), axis(-extent.max.y_m, plane.rows));
        let points: Vec<WeightedPoint> = places.iter().map(|&at| WeightedPoint::new(at, 1.0)).collect();
        let sums = spread_onto::<Eighth, ORDER>(&x, &y, &points);
        drop(points);
        let transform = plane.forward(sums);
        let sharpen = |k: usize, nodes: usize| smoothing(wave(k, nodes)).powi(-(ORDER as i32));
        let down: Vec<f64> = (0..plane.rows).map(|k| sharpen(k, plane.rows)).collect();
        let power = transform
            .par_chunks(plane.rows)
            .enumerate()
            .flat_map_iter(|(line, values)| {
                let across = sharpen(line, plane.columns);
                // Waves along the row stand for themselves and their mirror image.
                let twice = if line == 0 || 2 * line == plane.columns { 1.0 } else { 2.0 };
                let down = &down;
                values.iter().zip(down).map(move |(v, down)| twice * v.norm_sqr() * (across * down).powi(2))
            })
            .collect();
        Self { plane, step_m, power }
    }

    /// Σ |F(k)|² f(k_x) g(k_y) over all waves, over the area of the box: a sum over pairs
    /// for functions whose transform separates.
    pub fn sum(&self, f: impl Fn(f64) -> f64 + Sync, g: impl Fn(f64) -> f64 + Sync) -> f64 {
        let (columns, rows) = (self.plane.columns, self.plane.rows);
        let down: Vec<f64> = (0..rows).map(|k| g(wave(k, rows) / self.step_m)).collect();
        let lines: Vec<f64> = self
            .power
            .par_chunks(rows)
            .enumerate()
            .map(|(line, power)| {
                let sum: f64 = power.iter().zip(&down).map(|(p, g)| p * g).sum();
                sum * f(wave(line, columns) / self.step_m)
            })
            .collect();
        lines.iter().sum::<f64>() / (columns as f64 * rows as f64 * self.step_m * self.step_m)
    }
}

/// Wave number in radians a step of position `k` of `nodes` in a transform, in −π..=π.
fn wave(k: usize, nodes: usize) -> f64 {
    let signed = if 2 * k > nodes { k as f64 - nodes as f64 } else { k as f64 };
    2.0 * PI * signed / nodes as f64
}

/// sin(θ/2)/(θ/2).
fn smoothing(theta: f64) -> f64 {
    let half = 0.5 * theta;
    if half.abs() < SMALL { 1.0 - half * half / 6.0 } else { half.sin() / half }
}
