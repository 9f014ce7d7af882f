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
//! added to the cells around it, exactly: the uniform kernel by chords, as it is the same
//! all over its disc.
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
/// Kernel values, or chords, up to which a compact kernel is summed exactly: its other way is
/// only good to a share of a point's peak.
const CHEAP_VALUES: f64 = 1e8;
/// Multiply-adds that take as long as a chord: a root, and two additions at places of memory
/// that lie apart.
const CHORD_COST: f64 = 10.0;
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
        let wide = match CompactGrid::new(&grid, kernel, bandwidth_m) {
            Some(coarse) => Wide::Compact(Box::new(coarse)),
            None => Wide::Coarse(CoarseGrid::new(&grid, bandwidth_m)),
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
        if self.is_narrow(points.len()) { self.exactly(points) } else { self.coarsely(points) }
    }

    fn exactly(&self, points: &[WeightedPoint]) -> Vec<f32> {
        let mut values = vec![0.0_f32; self.grid.cells()];
        if self.kernel == Kernel::Uniform {
            disc::add(points, &self.grid, self.bandwidth_m, &mut values);
        } else {
            let own = |&point: &WeightedPoint| Own { point, bandwidth_m: self.bandwidth_m };
            window::add(&points.iter().map(own).collect::<Vec<_>>(), &self.grid, self.kernel, &mut values);
        }
        values
    }

    fn coarsely(&self, points: &[WeightedPoint]) -> Vec<f32> {
        let mut values = vec![0.0_f32; self.grid.cells()];
        match &self.wide {
            Wide::Coarse(coarse) => {
                let nodes = coarse.convolved(&coarse.spread(points));
                let axes = (&coarse.node_x, &coarse.node_y);
                interpolate::to_cells::<Eighth, ORDER>(axes, &nodes, &self.grid, &mut values);
            }
            Wide::Compact(coarse) => {
                let nodes = coarse.smoothed(points);
                let axes = (&coarse.x, &coarse.y);
                interpolate::to_cells::<Fourth, { compact::ORDER }>(axes, &nodes, &self.grid, &mut values);
            }
        }
        values
    }

    /// What the error of [`Smoother::density`] never exceeds for these points.
    pub fn error_bound(&self, points: &[WeightedPoint]) -> ErrorBound {
        let sum_of_weights: f64 = points.iter().map(|p| p.weight).sum();
        let peak_per_km2 = sum_of_weights * self.kernel.peak_per_m2(self.bandwidth_m) * M2_PER_KM2;
        if self.is_narrow(points.len()) {
            return match self.kernel {
                Kernel::Uniform => disc::error_bound(points.len(), peak_per_km2),
                kernel => window::error_bound(kernel, peak_per_km2),
            };
        }
        match &self.wide {
            Wide::Coarse(coarse) => bound::of_coarse(coarse.steps_a_bandwidth(), peak_per_km2),
            Wide::Compact(_) => bound::of_compact(self.kernel, peak_per_km2),
        }
    }

    /// Whether so many points are best added to the cells around them, one by one.
    fn is_narrow(&self, points: usize) -> bool {
        let reach_m = self.kernel.radius_m(self.bandwidth_m).unwrap_or(REACH_BANDWIDTHS * self.bandwidth_m);
        let across = 2.0 * reach_m / self.grid.cell_m;
        let (values, value_cost) = match self.kernel {
            Kernel::Uniform => (points as f64 * across, CHORD_COST),
            _ => (points as f64 * across * across, 1.0),
        };
        match &self.wide {
            Wide::Coarse(coarse) => values < coarse.cost(),
            Wide::Compact(coarse) => {
                values < CHEAP_VALUES
                    || values * value_cost < coarse.cost()
                    || coarse.bytes() > self.allowed_bytes(points)
            }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::GroundPoint;
    use std::f64::consts::{PI, SQRT_2};

    const GRID: Grid = Grid { west_m: 0.0, north_m: 4000.0, cell_m: 10.0, columns: 400, rows: 400 };

    /// Points that fill the grid evenly and follow no lattice (multiples of √2 and π).
    fn scattered(count: u32) -> Vec<WeightedPoint> {
        let share = |k: u32, by: f64| (f64::from(k) * by).fract() * 4000.0;
        (0..count)
            .map(|k| WeightedPoint::new(GroundPoint::new(share(k, SQRT_2), share(k, PI)), 1.0))
            .collect()
    }

    #[test]
    fn every_record_alone_keeps_the_bound_of_the_coarse_way() {
        for kernel in [Kernel::Quartic, Kernel::Epanechnikov, Kernel::Triangular, Kernel::Uniform] {
            let smoother = Smoother::new(GRID, kernel, 300.0).unwrap();
            let bound = bound::of_compact(kernel, kernel.peak_per_m2(300.0) * M2_PER_KM2);
            for point in scattered(12) {
                let errors = smoother.coarsely(&[point]).into_iter().zip(smoother.exactly(&[point]));
                for (coarse, exact) in errors.map(|(c, e)| (f64::from(c), f64::from(e))) {
                    let error = (coarse - exact).abs();
                    assert!(error <= bound.relative * exact + bound.absolute_per_km2, "{kernel}: {error}");
                }
            }
        }
    }

    /// A disc is softened at its rim and nowhere else, and over many records that averages out.
    #[test]
    fn discs_are_softened_at_their_rims_alone() {
        let (bandwidth_m, radius_m) = (300.0, 600.0);
        let smoother = Smoother::new(GRID, Kernel::Uniform, bandwidth_m).unwrap();
        let peak_per_km2 = Kernel::Uniform.peak_per_m2(bandwidth_m) * M2_PER_KM2;
        for point in scattered(12) {
            let errors = smoother.coarsely(&[point]).into_iter().zip(smoother.exactly(&[point]));
            for (cell, (coarse, exact)) in errors.enumerate() {
                let centre = GRID.centre(cell / GRID.columns, cell % GRID.columns);
                let off_rim_m = (centre.distance_m(point.at) - radius_m).abs();
                let error = f64::from((coarse - exact).abs()) / peak_per_km2;
                assert!(off_rim_m < 0.1 * radius_m || error < 0.05, "{error} at {off_rim_m} m from the rim");
            }
        }
        let many = scattered(40_000);
        let errors = smoother.coarsely(&many).into_iter().zip(smoother.exactly(&many));
        let greatest = errors.map(|(c, e)| (f64::from(c) / f64::from(e) - 1.0).abs()).fold(0.0, f64::max);
        assert!(greatest < 0.03, "{greatest}");
    }

    #[test]
    fn discs_are_drawn_exactly_while_that_is_cheap() {
        let smoother = Smoother::new(GRID, Kernel::Uniform, 300.0).unwrap();
        // A hundred and twenty chords a point.
        assert!(smoother.is_narrow(800_000));
        assert!(!smoother.is_narrow(900_000));
    }

    /// Points that reach few cells are added one by one, until that takes more multiply-adds than the
    /// convolution of the coarse grid.
    #[test]
    fn narrow_gaussians_are_added_one_by_one() {
        let smoother = Smoother::new(GRID, Kernel::Gaussian, 20.0).unwrap();
        let Wide::Coarse(coarse) = &smoother.wide else { panic!("a coarse grid") };
        // Thirty cells across, to 7.5 bandwidths on either side.
        let most = (coarse.cost() / 900.0) as usize;
        assert!(most > 100 && smoother.is_narrow(most) && !smoother.is_narrow(most + 1), "{most}");
        // A compact kernel is summed exactly up to 10⁸ values, and where the coarse grid would take
        // more memory than may be held.
        for (kernel, held) in [(Kernel::Quartic, true), (Kernel::Triangular, false)] {
            let smoother = Smoother::new(GRID, kernel, 1500.0).unwrap();
            let Wide::Compact(coarse) = &smoother.wide else { panic!("a compact grid") };
            let across = 2.0 * kernel.radius_m(1500.0).unwrap() / 10.0;
            let cheap = (1e8 / (across * across)) as usize;
            let short = (coarse.bytes() - 4.0 * 160_000.0) / 100.0;
            assert_eq!(short <= 0.0, held);
            let most = if held { cheap } else { short.ceil() as usize - 1 };
            assert!(most >= cheap && coarse.cost() < 1e8, "{kernel}");
            assert!(smoother.is_narrow(most) && !smoother.is_narrow(most + 1), "{kernel}: {most}");
        }
        assert_eq!(smoother.allowed_bytes(7), 4.0 * 160_000.0 + 700.0);
        assert_eq!((smoother.kernel(), smoother.bandwidth_m()), (Kernel::Gaussian, 20.0));
    }

    /// Weights count in full, and the coarse way is that of the exact one, also for points off the grid.
    #[test]
    fn the_coarse_gaussian_is_the_exact_one() {
        let points: Vec<WeightedPoint> = scattered(300)
            .into_iter()
            .zip(0..)
            .map(|(p, k)| {
                let at = GroundPoint::new(1.2 * p.at.x_m - 400.0, 1.2 * p.at.y_m - 400.0);
                WeightedPoint::new(at, f64::from(1 + k % 5))
            })
            .collect();
        let smoother = Smoother::new(GRID, Kernel::Gaussian, 90.0).unwrap();
        let bound =
            bound::of_coarse(5.4, points.iter().map(|p| p.weight).sum::<f64>() * 1e6 / (2.0 * PI * 8100.0));
        assert!(bound.relative < 1.1e-5);
        for (coarse, exact) in smoother.coarsely(&points).into_iter().zip(smoother.exactly(&points)) {
            let (coarse, exact) = (f64::from(coarse), f64::from(exact));
            // Rounding of the exact way to four bytes comes on top.
            assert!((coarse - exact).abs() <= (bound.relative + 1e-7) * exact + 2.0 * bound.absolute_per_km2);
        }
    }

    /// Bounds go with the sum of the weights: of narrow Gaussians what is cut of their peaks, of wide
    /// ones that of the coarse way.
    #[test]
    fn bounds_go_with_the_peaks_of_all_points() {
        let points: Vec<WeightedPoint> =
            (1..=3).map(|k| WeightedPoint::new(GroundPoint::new(2000.0, 2000.0), f64::from(k))).collect();
        let narrow = Smoother::new(GRID, Kernel::Gaussian, 20.0).unwrap();
        // Six times 10⁶/(2π 20²) at the peak.
        let peak_per_km2 = 6e6 / (2.0 * PI * 400.0);
        let cut = narrow.error_bound(&points).absolute_per_km2 / peak_per_km2;
        assert!((cut / (-0.5 * 7.5_f64 * 7.5).exp() - 1.0).abs() < 1e-9, "{cut}");
        let wide = Smoother::new(GRID, Kernel::Gaussian, 900.0).unwrap();
        let expected = bound::of_coarse(5.4, 6e6 / (2.0 * PI * 810_000.0));
        let found = wide.error_bound(&points);
        assert!((found.absolute_per_km2 / expected.absolute_per_km2 - 1.0).abs() < 1e-9);
        assert_eq!(found.relative, expected.relative);
    }
}
