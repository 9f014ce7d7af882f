//! The coarse grid of a compact kernel: the same spreading and interpolation as for the
//! Gaussian, with a transform between them.

use std::f64::consts::PI;

use rayon::prelude::*;

use super::super::fft::Plane;
use super::super::{Extent, Grid, Kernel, M2_PER_KM2, WeightedPoint};
use super::ORDER;
use super::axis::Axis;
use super::spread;
use super::transform::Transform;

/// Coarse steps to the kernel's radius.
pub(super) const STEPS_A_RADIUS: f64 = 40.0;

/// The coarse grid of a compact kernel that is wide against the cells.
pub(super) struct CompactGrid {
    spread_x: Axis,
    spread_y: Axis,
    /// Columns from which cells are interpolated.
    pub node_x: Axis,
    /// Rows from which cells are interpolated.
    pub node_y: Axis,
    plane: Plane,
    transform: Transform,
    /// Nodes by which the receiving axes reach beyond those that are interpolated.
    margin: usize,
}

impl CompactGrid {
    /// `None` for the Gaussian.
    pub fn new(grid: &Grid, kernel: Kernel, bandwidth_m: f64) -> Option<Self> {
        let step_m = kernel.radius_m(bandwidth_m)? / STEPS_A_RADIUS;
        // Along both axes waves go up to π a step.
        let transform = Transform::new(kernel, STEPS_A_RADIUS * PI * 1.4143)?;
        let (min, max) = (grid.centre(grid.rows - 1, 0), grid.centre(0, grid.columns - 1));
        let extent = Extent { min, max };
        let node_x = Axis::around(extent.min.x_m, extent.max.x_m, step_m);
        let node_y = Axis::around(-extent.max.y_m, -extent.min.y_m, step_m);
        // A point whose kernel ends at the outermost cell has its spline beyond that.
        let margin = STEPS_A_RADIUS.ceil() as usize + ORDER;
        let plane = Plane::at_least(node_x.nodes + 2 * margin, node_y.nodes + 2 * margin);
        Some(Self {
            spread_x: node_x.widened(margin, plane.columns),
            spread_y: node_y.widened(margin, plane.rows),
            node_x,
            node_y,
            plane,
            transform,
            margin,
        })
    }

    /// Multiply-adds of the transforms, about.
    pub fn cost(&self) -> f64 {
        let cells = self.plane.columns as f64 * self.plane.rows as f64;
        10.0 * cells * cells.log2()
    }

    /// Density in sign per km² at the nodes from which cells are interpolated. Ringing of
    /// the kernel's cut waves can make it slightly negative where there is nothing.
    ///
    /// The spline sums are convolved in a periodic box whose margin the kernel does not
    /// cross; the transform is divided by the spline's own, aliases weighed against each
    /// other so that the mean square error is least (Hockney & Eastwood 1988, section 8-3).
    pub fn smoothed(&self, points: &[WeightedPoint]) -> Vec<f64> {
        let sums = spread::onto(&self.spread_x, &self.spread_y, points);
        let mut transform = self.plane.forward(&sums);
        drop(sums);
        let (columns, rows) = (self.plane.columns, self.plane.rows);
        let across: Vec<(f64, f64)> = (0..self.plane.lines()).map(|k| wave(k, columns)).collect();
        let down: Vec<(f64, f64)> = (0..rows).map(|k| wave(k, rows)).collect();
        let scale = M2_PER_KM2 / (self.node_x.step_m * self.node_x.step_m);
        transform.par_chunks_mut(rows).zip(&across).for_each(|(line, (theta_x, sharpen_x))| {
            for (value, (theta_y, sharpen_y)) in line.iter_mut().zip(&down) {
                let z = theta_x.hypot(*theta_y) * STEPS_A_RADIUS;
                *value *= scale * sharpen_x * sharpen_y * self.transform.at(z);
            }
        });
        let all = self.plane.inverse(transform);
        let inner = |row: usize| &all[(row + self.margin) * columns + self.margin..][..self.node_x.nodes];
        (0..self.node_y.nodes).flat_map(inner).copied().collect()
    }
}

/// Wave number in radians a step of position `k` of `nodes`, and the factor that undoes two
/// splines there: U / (Σ U of all aliases)², U = (sin(θ/2)/(θ/2))^2m.
fn wave(k: usize, nodes: usize) -> (f64, f64) {
    let signed = if 2 * k > nodes { k as f64 - nodes as f64 } else { k as f64 };
    let theta = 2.0 * PI * signed / nodes as f64;
    let power = 2 * ORDER as i32;
    let spline = |theta: f64| {
        let half = 0.5 * theta;
        if half.abs() < 1e-4 { 1.0 } else { (half.sin() / half).powi(power) }
    };
    let aliases: f64 = (-3..=3).map(|l| spline(theta + 2.0 * PI * f64::from(l))).sum();
    (theta, spline(theta) / (aliases * aliases))
}
