//! The coarse grid of a compact kernel: the same spreading and interpolation as for the
//! Gaussian, with a transform between them.

use std::f64::consts::PI;

use rayon::prelude::*;

use super::super::fft::Plane;
use super::super::{Extent, Grid, Kernel, M2_PER_KM2, WeightedPoint};
use super::axis::Axis;
use super::spline::Fourth;
use super::spread;
use super::transform::Transform;

/// Angle below which its sine divided by it is one to nine digits.
const SMALL: f64 = 1e-4;

/// Order of the spline. The waves that the coarse grid cuts off matter more than its aliases.
pub(super) const ORDER: usize = 4;

/// Coarse steps to the kernel's radius: the less smooth the kernel at its rim and tip, the
/// more, so that on many records all are as good as linear binning to fine cells is.
pub(super) fn steps_a_radius(kernel: Kernel) -> f64 {
    match kernel {
        Kernel::Epanechnikov | Kernel::Triangular => 80.0,
        Kernel::Uniform => 72.0,
        Kernel::Gaussian | Kernel::Quartic => 48.0,
    }
}

/// The coarse grid of a compact kernel that is wide against the cells.
pub(super) struct CompactGrid {
    /// Columns that receive points, and from whose middle cells are interpolated.
    pub x: Axis,
    /// Rows that do.
    pub y: Axis,
    /// Numbers of four bytes: their noise is far below the waves that are cut off.
    plane: Plane<f32>,
    steps_a_radius: f64,
    transform: Transform,
}

impl CompactGrid {
    /// `None` for the Gaussian.
    pub fn new(grid: &Grid, kernel: Kernel, bandwidth_m: f64) -> Option<Self> {
        let steps_a_radius = steps_a_radius(kernel);
        let step_m = kernel.radius_m(bandwidth_m)? / steps_a_radius;
        // Along both axes waves go up to π a step.
        let transform = Transform::new(kernel, steps_a_radius * PI * 1.4143)?;
        let (min, max) = (grid.centre(grid.rows - 1, 0), grid.centre(0, grid.columns - 1));
        let extent = Extent { min, max };
        let node_x = Axis::around(extent.min.x_m, extent.max.x_m, step_m);
        let node_y = Axis::around(-extent.max.y_m, -extent.min.y_m, step_m);
        // A point whose kernel ends at the outermost cell has its spline beyond that.
        let margin = steps_a_radius.ceil() as usize + ORDER;
        let plane = Plane::at_least(node_x.nodes + 2 * margin, node_y.nodes + 2 * margin);
        let (x, y) = (node_x.widened(margin, plane.columns), node_y.widened(margin, plane.rows));
        Some(Self { x, y, plane, steps_a_radius, transform })
    }

    /// Multiply-adds of the transforms, about.
    pub fn cost(&self) -> f64 {
        let cells = self.plane.columns as f64 * self.plane.rows as f64;
        10.0 * cells * cells.log2()
    }

    /// Bytes held at once, about: spline sums, their transform and the smoothed nodes.
    pub fn bytes(&self) -> f64 {
        16.0 * self.plane.columns as f64 * self.plane.rows as f64
    }

    /// Density in sign per km² at the nodes from which cells are interpolated. Ringing of
    /// the kernel's cut waves can make it slightly negative where there is nothing.
    ///
    /// The spline sums are convolved in a periodic box whose margin the kernel does not
    /// cross; the transform is divided by the spline's own, aliases weighed against each
    /// other so that the mean square error is least (Hockney & Eastwood 1988, section 8-3).
    pub fn smoothed(&self, points: &[WeightedPoint]) -> Vec<f32> {
        let sums = spread::onto::<Fourth, ORDER>(&self.x, &self.y, points);
        let mut transform = self.plane.forward(sums);
        let (columns, rows) = (self.plane.columns, self.plane.rows);
        let across: Vec<(f64, f64)> = (0..self.plane.lines()).map(|k| wave(k, columns)).collect();
        let down: Vec<(f64, f64)> = (0..rows).map(|k| wave(k, rows)).collect();
        let scale = M2_PER_KM2 / (self.x.step_m * self.x.step_m);
        let half = rows / 2 + 1;
        transform.par_chunks_mut(rows).zip(&across).for_each_init(
            || vec![0.0; half],
            |factors, (line, (theta_x, sharpen_x))| {
                for (factor, (theta_y, sharpen_y)) in factors.iter_mut().zip(&down) {
                    let z = (theta_x * theta_x + theta_y * theta_y).sqrt() * self.steps_a_radius;
                    *factor = (scale * sharpen_x * sharpen_y * self.transform.at(z)) as f32;
                }
                // The kernel is even: waves up and down share their factor.
                line.iter_mut().zip(&*factors).for_each(|(value, factor)| *value *= factor);
                let upward = line.iter_mut().skip(half).zip(factors[..half - 1].iter().rev());
                upward.for_each(|(value, factor)| *value *= factor);
            },
        );
        self.plane.inverse(transform)
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
        if half.abs() < SMALL { 1.0 } else { (half.sin() / half).powi(power) }
    };
    let aliases: f64 = (-3..=3).map(|l| spline(theta + 2.0 * PI * f64::from(l))).sum();
    (theta, spline(theta) / (aliases * aliases))
}

#[cfg(test)]
mod tests {
    use super::*;
    /// Against the sum over the aliases of a spline's transform, and its limits: nothing to undo at wave
    /// nought, and the mirror image beyond half the nodes.
    #[test]
    fn waves_undo_two_splines() {
        for nodes in [10, 24, 25] {
            assert_eq!(wave(0, nodes), (0.0, 1.0));
            for k in 1..nodes {
                let (theta, sharpen) = wave(k, nodes);
                let turn = 2.0 * PI / nodes as f64;
                let signed = if k <= nodes / 2 { k as f64 } else { k as f64 - nodes as f64 };
                assert!((theta - signed * turn).abs() < 1e-12, "{k} of {nodes}");
                // sin is the same but for its sign at all aliases.
                let over = |l: i32| (0.5 * theta + PI * f64::from(l)).powi(-8);
                let power = (0.5 * theta).sin().powi(8);
                let aliases: f64 = (-40..=40).map(over).sum();
                let expected = over(0) / (power * aliases * aliases);
                assert!((sharpen / expected - 1.0).abs() < 1e-5, "{k} of {nodes}: {sharpen} {expected}");
            }
        }
    }

    /// The grid holds a radius and the spline beyond the outermost cells on all sides; what it costs
    /// goes with its cells.
    #[test]
    fn a_compact_grid_reaches_a_radius_beyond_the_cells() {
        let grid = Grid { west_m: 0.0, north_m: 3000.0, cell_m: 10.0, columns: 500, rows: 300 };
        assert!(CompactGrid::new(&grid, Kernel::Gaussian, 100.0).is_none());
        for kernel in [Kernel::Quartic, Kernel::Epanechnikov, Kernel::Triangular, Kernel::Uniform] {
            let radius_m = kernel.radius_m(100.0).unwrap();
            let coarse = CompactGrid::new(&grid, kernel, 100.0).unwrap();
            let step_m = radius_m / steps_a_radius(kernel);
            for (axis, from_m, to_m) in [(&coarse.x, 5.0, 4995.0), (&coarse.y, -2995.0, -5.0)] {
                assert!((axis.step_m / step_m - 1.0).abs() < 1e-12);
                let last_m = axis.first_m + (axis.nodes - 1) as f64 * step_m;
                assert!(axis.first_m <= from_m - radius_m - 2.0 * step_m, "{kernel}");
                assert!(last_m >= to_m + radius_m + 2.0 * step_m, "{kernel}");
                // No image of a point within reach comes within reach at the other end.
                assert!(axis.nodes as f64 * step_m >= to_m - from_m + 2.0 * radius_m);
            }
            let cells = (coarse.x.nodes * coarse.y.nodes) as f64;
            assert_eq!((coarse.bytes(), coarse.cost()), (16.0 * cells, 10.0 * cells * cells.log2()));
        }
    }
}
