//! The surface of every outing on one common lattice.

use rayon::prelude::*;

use crate::frame::GroundPoint;
use crate::surface::{Grid, Kernel, WeightedPoint, density_on_grid};

use super::{Outings, Season, SeasonError};

/// A square metre in square kilometres.
const KM2_PER_M2: f64 = 1e-6;

/// How far beyond sign and searched ground the lattice reaches, in bandwidths: the integral
/// of a squared difference of Gaussian surfaces beyond it is under 1e-9 of the whole.
const MARGIN: f64 = 4.5;

/// Lattice cells to a bandwidth, at least. Sums over a lattice of half a bandwidth already
/// give the integral of a product of two Gaussian surfaces to 1e-16 (the trapezoid rule's
/// error is 2 exp(−π²σ²/h²)); a third keeps interpolated values within 2 %.
const CELLS_PER_BANDWIDTH: f64 = 3.0;

/// Most numbers that the surfaces may hold, about one gigabyte.
const MAX_VALUES: f64 = 1.3e8;

/// Most cells of the lattice.
const MAX_CELLS: f64 = 4e6;

/// A surface counts as present where it is at least what one record (or one kilometre
/// searched) gives at this many bandwidths.
const PRESENT_WITHIN: f64 = 3.0;

/// Least density of sign (or searched kilometres) per m² that counts as present: that of one
/// record (or kilometre) three bandwidths away.
pub fn present_per_m2(bandwidth_m: f64) -> f64 {
    Kernel::Gaussian.density_per_m2((PRESENT_WITHIN * bandwidth_m).powi(2), bandwidth_m)
}

/// What was compared.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Compares {
    /// Where sign lay, each season scaled to one: effort is not known.
    Pattern,
    /// Sign per kilometre searched.
    Rate,
}

impl Compares {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Compares::Pattern => "pattern",
            Compares::Rate => "rate",
        }
    }
}

/// The surfaces of all outings on one lattice: sign per m², and in a comparison of rates
/// kilometres searched per m².
#[derive(Clone, PartialEq, Debug)]
pub struct Lattice {
    /// The lattice; its cells are whole multiples or whole parts of the output grid's.
    pub grid: Grid,
    /// What the comparison is of.
    pub compares: Compares,
    /// The kernel of the surfaces.
    pub kernel: Kernel,
    /// The bandwidth of the surfaces in metres.
    pub bandwidth_m: f64,
    pub(super) sign: Vec<Vec<f64>>,
    pub(super) effort: Option<Vec<Vec<f64>>>,
}

impl Lattice {
    /// Surfaces of all outings, with a kernel and a bandwidth in metres that both seasons
    /// share. Rates are compared where both seasons say what was searched, else patterns.
    ///
    /// `cell_m` is the cell of the output grid. Cost: one multiply-add a point and cell
    /// (Gaussian), memory 8 bytes an outing and cell.
    ///
    /// # Errors
    /// [`SeasonError::Bandwidth`], [`SeasonError::TooLarge`].
    pub fn new(
        outings: &Outings,
        kernel: Kernel,
        bandwidth_m: f64,
        cell_m: f64,
    ) -> Result<Self, SeasonError> {
        if !(bandwidth_m.is_finite() && bandwidth_m > 0.0) {
            return Err(SeasonError::Bandwidth(bandwidth_m));
        }
        let compares = if outings.effort_known() { Compares::Rate } else { Compares::Pattern };
        let grid = covering(outings, compares, bandwidth_m, cell_m)?;
        let smooth = |points: &[WeightedPoint]| -> Vec<f64> {
            let per_km2 = density_on_grid(points, &grid, kernel, bandwidth_m);
            per_km2.into_iter().map(|v| v * KM2_PER_M2).collect()
        };
        let sign = outings.list().par_iter().map(|o| smooth(&o.sign)).collect();
        let effort = (compares == Compares::Rate)
            .then(|| outings.list().par_iter().map(|o| smooth(&o.searched)).collect());
        Ok(Self { grid, compares, kernel, bandwidth_m, sign, effort })
    }

    /// Which cells are compared: those with sign of either season near, and in a comparison
    /// of rates those that both seasons searched. The others are no-data.
    pub fn tested(&self, outings: &Outings) -> Vec<bool> {
        let least = present_per_m2(self.bandwidth_m);
        let season = |season| move |i: &usize| outings.list()[*i].season == season;
        let sum = |surfaces: &[Vec<f64>], which: &dyn Fn(&usize) -> bool| {
            let mut sum = vec![0.0; self.grid.cells()];
            for i in (0..surfaces.len()).filter(which) {
                sum.iter_mut().zip(&surfaces[i]).for_each(|(s, v)| *s += v);
            }
            sum
        };
        let mut tested: Vec<bool> = sum(&self.sign, &|_| true).iter().map(|&v| v >= least).collect();
        for one in [Season::Before, Season::After] {
            if let Some(effort) = &self.effort {
                let searched = sum(effort, &season(one));
                tested.iter_mut().zip(searched).for_each(|(t, v)| *t &= v >= least);
            }
        }
        tested
    }
}

/// The lattice over sign (and searched ground) and its margin.
fn covering(
    outings: &Outings,
    compares: Compares,
    bandwidth_m: f64,
    cell_m: f64,
) -> Result<Grid, SeasonError> {
    let fine = bandwidth_m / CELLS_PER_BANDWIDTH;
    let lattice_m =
        if fine >= cell_m { cell_m * (fine / cell_m).floor() } else { cell_m / (cell_m / fine).ceil() };
    let (mut min, mut max) = (GroundPoint::new(f64::MAX, f64::MAX), GroundPoint::new(f64::MIN, f64::MIN));
    for outing in outings.list() {
        let searched: &[WeightedPoint] = if compares == Compares::Rate { &outing.searched } else { &[] };
        for p in outing.sign.iter().chain(searched) {
            min = GroundPoint::new(min.x_m.min(p.at.x_m), min.y_m.min(p.at.y_m));
            max = GroundPoint::new(max.x_m.max(p.at.x_m), max.y_m.max(p.at.y_m));
        }
    }
    let margin_m = MARGIN * bandwidth_m;
    let south_west = GroundPoint::new(min.x_m - margin_m, min.y_m - margin_m);
    let north_east = GroundPoint::new(max.x_m + margin_m, max.y_m + margin_m);
    // Counted before a grid is made, whose number of cells might not fit an integer.
    let cells = ((max.x_m - min.x_m + 2.0 * margin_m) / lattice_m + 1.0)
        * ((max.y_m - min.y_m + 2.0 * margin_m) / lattice_m + 1.0);
    let surfaces = if compares == Compares::Rate { 2.0 } else { 1.0 };
    let count = outings.list().len();
    if !(cells <= MAX_CELLS && cells * surfaces * count as f64 <= MAX_VALUES) {
        return Err(SeasonError::TooLarge { cells, outings: count });
    }
    Ok(Grid::covering(south_west, north_east, lattice_m))
}
