//! Densities on a grid without the cost of one kernel a point and cell.
//!
//! Gaussian: every point is spread with a B-spline onto a coarse grid whose step is a
//! fraction of the bandwidth; the coarse grid is convolved along each axis with taps that
//! undo the smoothing by the spline twice; and the result is interpolated with the same
//! spline to the cell centres. Every number in the chain is positive, so the error is
//! relative, far into the tails ([`bound`]). The cost grows with the points and with the
//! cells, and not with the bandwidth in cells.
//!
//! Compact kernels take the same way with a transform between spreading and interpolation
//! where the points are many; where they are few, and for narrow kernels, every point is
//! added to the cells around it, exactly. The uniform kernel is always exact.
//!
//! The way is the particle-mesh idea (Hockney & Eastwood 1988; Essmann et al. 1995,
//! J. Chem. Phys. 103:8577) with the Gaussian's own separability in place of a transform.

mod axis;
mod bound;
mod coarse;
mod compact;
mod disc;
mod interpolate;
mod spline;
mod spread;
mod strips;
mod taps;
mod transform;
pub(super) mod window;

use super::{ErrorBound, Grid, Kernel, M2_PER_KM2, SurfaceError, WeightedPoint};

pub(super) use axis::Axis;
pub(super) use coarse::CoarseGrid;
use compact::CompactGrid;
pub(super) use spline::Eighth;
use spline::Fourth;
pub(super) use spread::onto as spread_onto;
pub(super) use window::Own;

/// Order of the B-spline: it spans this many coarse steps and has one degree less.
pub(super) const ORDER: usize = 8;
/// Coarse steps to a bandwidth. With order eight the error is below 1.1e-5 of the local
/// value out to 6.5 bandwidths from the nearest point.
pub(super) const STEPS_A_BANDWIDTH: f64 = 5.4;
/// Kernel values up to which a compact kernel is summed exactly, cell by cell: its other way
/// is only good to a share of a point's peak.
const CHEAP_VALUES: f64 = 1e8;
/// Bandwidths after which the Gaussian is cut: e^(−7.5²/2) is 6e-13 of its centre.
const REACH_BANDWIDTHS: f64 = 7.5;

/// A kernel and a bandwidth made ready for one grid, to smooth any number of point sets.
pub struct Smoother {
    grid: Grid,
    kernel: Kernel,
    bandwidth_m: f64,
    wide: Wide,
}

/// The way for many points and wide kernels.
enum Wide {
    /// Spread, convolve, interpolate.
    Coarse(CoarseGrid),
    /// Spread, transform, interpolate.
    Compact(Box<CompactGrid>),
    /// Add chords of discs.
    Disc,
}

impl Smoother {
    /// Plans the smoothing.
    ///
    /// # Errors
    /// [`SurfaceError::Bandwidth`] if the bandwidth is not a positive number.
    pub fn new(grid: Grid, kernel: Kernel, bandwidth_m: f64) -> Result<Self, SurfaceError> {
        if !(bandwidth_m.is_finite() && bandwidth_m > 0.0) {
            return Err(SurfaceError::Bandwidth { bandwidth_m });
        }
        let wide = match kernel {
            Kernel::Gaussian => Wide::Coarse(CoarseGrid::new(&grid, bandwidth_m)),
            Kernel::Uniform => Wide::Disc,
            _ => CompactGrid::new(&grid, kernel, bandwidth_m)
                .map_or(Wide::Disc, |coarse| Wide::Compact(Box::new(coarse))),
        };
        Ok(Self { grid, kernel, bandwidth_m, wide })
    }

    /// Density in sign per km² at every cell centre, row by row from the north-west.
    ///
    /// Points off the grid count as far as their kernel reaches. The same points in the
    /// same order give the same bytes, whatever the number of threads.
    ///
    /// Memory besides the result: the coarse grid, some megabytes, and a line of cells for
    /// every row of the coarse grid; where points are few or the kernel is narrow, 72 bytes
    /// a point.
    pub fn density(&self, points: &[WeightedPoint]) -> Vec<f32> {
        let mut values = vec![0.0_f32; self.grid.cells()];
        if self.is_narrow(points.len()) {
            let own = |&point: &WeightedPoint| Own { point, bandwidth_m: self.bandwidth_m };
            window::add(&points.iter().map(own).collect::<Vec<_>>(), &self.grid, self.kernel, &mut values);
            return values;
        }
        match &self.wide {
            Wide::Coarse(coarse) => {
                let nodes = coarse.convolved(&coarse.spread(points));
                interpolate::to_cells::<Eighth, ORDER>(
                    (&coarse.node_x, &coarse.node_y),
                    &nodes,
                    &self.grid,
                    &mut values,
                );
            }
            Wide::Compact(coarse) => {
                let nodes = coarse.smoothed(points);
                let axes = (&coarse.x, &coarse.y);
                interpolate::to_cells::<Fourth, { compact::ORDER }>(axes, &nodes, &self.grid, &mut values);
            }
            Wide::Disc => disc::add(points, &self.grid, self.bandwidth_m, &mut values),
        }
        values
    }

    /// What the error of [`Smoother::density`] never exceeds for these points.
    pub fn error_bound(&self, points: &[WeightedPoint]) -> ErrorBound {
        let sum_of_weights: f64 = points.iter().map(|p| p.weight).sum();
        let peak_per_km2 = sum_of_weights * self.kernel.peak_per_m2(self.bandwidth_m) * M2_PER_KM2;
        match &self.wide {
            _ if self.is_narrow(points.len()) => window::error_bound(self.kernel, peak_per_km2),
            Wide::Coarse(coarse) => bound::of_coarse(coarse.steps_a_bandwidth(), peak_per_km2),
            Wide::Compact(_) => bound::of_compact(self.kernel, peak_per_km2),
            // A running sum along a row keeps what it has lost to rounding.
            Wide::Disc => ErrorBound {
                absolute_per_km2: points.len() as f64 * f64::EPSILON * peak_per_km2,
                ..window::error_bound(self.kernel, peak_per_km2)
            },
        }
    }

    /// Whether so many points are best added to the cells around them, one by one.
    fn is_narrow(&self, points: usize) -> bool {
        let reach_m = self.kernel.radius_m(self.bandwidth_m).unwrap_or(REACH_BANDWIDTHS * self.bandwidth_m);
        let values = points as f64 * 4.0 * (reach_m / self.grid.cell_m).powi(2);
        match &self.wide {
            Wide::Coarse(coarse) => values < coarse.cost(),
            Wide::Compact(coarse) => {
                values < coarse.cost().max(CHEAP_VALUES) || coarse.bytes() > self.allowed_bytes(points)
            }
            Wide::Disc => false,
        }
    }

    /// Bytes that may be held besides the points: as many again as the grid has, and 100 a
    /// point.
    fn allowed_bytes(&self, points: usize) -> f64 {
        4.0 * self.grid.cells() as f64 + 100.0 * points as f64
    }

    /// The grid it was planned for.
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// The kernel it smooths with.
    pub fn kernel(&self) -> Kernel {
        self.kernel
    }

    /// The bandwidth it smooths with, in metres.
    pub fn bandwidth_m(&self) -> f64 {
        self.bandwidth_m
    }
}
