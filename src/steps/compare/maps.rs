//! The rasters of a comparison, on the job's grid.

use rayon::prelude::*;

use crate::files::OutputSet;
use crate::season::{CellTests, Compares, Lattice, Outings, Season, asymptotic_p, log_ratio, present_per_m2};
use crate::steps::written::Cells;
use crate::steps::{Desk, StepError};
use crate::surface::{Grid, Smoother, SurfaceError, WeightedPoint};

/// A square metre in square kilometres.
const KM2_PER_M2: f64 = 1e-6;

/// What every cell says.
pub(super) struct Maps {
    grid: Grid,
    /// Natural log of after over before; NaN where nothing is to be compared.
    change: Vec<f32>,
    asymptotic: Vec<f32>,
}

/// Surfaces of both seasons on the grid, cell by cell held against each other.
pub(super) fn maps(outings: &Outings, lattice: &Lattice, grid: &Grid) -> Result<Maps, SurfaceError> {
    let smoother = Smoother::new(*grid, lattice.kernel, lattice.bandwidth_m)?;
    let per_m2 = |points: Vec<WeightedPoint>| -> Vec<f64> {
        smoother.density(&points).into_iter().map(|v| f64::from(v) * KM2_PER_M2).collect()
    };
    let sign = |season| per_m2(outings.of(season).flat_map(|o| o.sign.clone()).collect());
    let searched = |season| per_m2(outings.of(season).flat_map(|o| o.searched.clone()).collect());
    let (before, after) = (sign(Season::Before), sign(Season::After));
    let effort =
        (lattice.compares == Compares::Rate).then(|| (searched(Season::Before), searched(Season::After)));
    let counts = (outings.sign_count(Season::Before), outings.sign_count(Season::After));
    let least = present_per_m2(lattice.bandwidth_m);
    // A pattern's exposure is the season's own sign, everywhere alike.
    let exposure = |cell: usize| effort.as_ref().map_or(counts, |(one, two)| (one[cell], two[cell]));
    let searched = |cell: usize| effort.as_ref().is_none_or(|(one, two)| one[cell].min(two[cell]) >= least);
    let values: Vec<(f32, f32)> = (0..grid.cells())
        .into_par_iter()
        .map(|cell| {
            let (f1, f2) = (before[cell], after[cell]);
            if f1 + f2 < least || !searched(cell) {
                return (f32::NAN, f32::NAN);
            }
            let (e1, e2) = exposure(cell);
            let change = log_ratio(f1 / e1, f2 / e2);
            let pooled = (f1 + f2) / (e1 + e2);
            let p = asymptotic_p(change, (e1, e2), pooled, lattice.bandwidth_m, lattice.kernel);
            (change as f32, p as f32)
        })
        .collect();
    let (change, asymptotic) = values.into_iter().unzip();
    Ok(Maps { grid: *grid, change, asymptotic })
}

impl Maps {
    /// Writes the three rasters. Without local tests the one of p holds no data.
    pub fn write(
        &self,
        desk: &Desk,
        lattice: &Lattice,
        cells: Option<&CellTests>,
        set: &mut OutputSet,
    ) -> Result<(), StepError> {
        let p: Vec<f32> = match cells {
            None => vec![f32::NAN; self.grid.cells()],
            Some(cells) => (0..self.grid.cells())
                .map(|i| {
                    let here = self.change[i].is_nan();
                    if here { f32::NAN } else { interpolated(&self.grid, i, &lattice.grid, &cells.p) as f32 }
                })
                .collect(),
        };
        let change = match lattice.compares {
            Compares::Pattern => "change of pattern, natural log of after over before",
            Compares::Rate => "change of sign per km searched, natural log of after over before",
        };
        self.write_one(desk, "change.tif", &self.change, change, set)?;
        self.write_one(
            desk,
            "change-p.tif",
            &p,
            "two-sided p of the change, blocks of outings dealt anew",
            set,
        )?;
        let asymptotic = "two-sided p of the change as if records were independent, claims nothing";
        self.write_one(desk, "change-p-asymptotic.tif", &self.asymptotic, asymptotic, set)
    }

    fn write_one(
        &self,
        desk: &Desk,
        name: &str,
        values: &[f32],
        description: &str,
        set: &mut OutputSet,
    ) -> Result<(), StepError> {
        let cells = Cells { grid: &self.grid, values, epsg: desk.job.frame.epsg() };
        cells.write(name, description, "1", set)
    }
}

/// A value of the lattice at the centre of a cell of the grid: bilinear between the four
/// lattice cells around it, of those that hold one; NaN if none does.
fn interpolated(grid: &Grid, cell: usize, lattice: &Grid, values: &[f64]) -> f64 {
    let at = grid.centre(cell / grid.columns, cell % grid.columns);
    let column = (at.x_m - lattice.west_m) / lattice.cell_m - 0.5;
    let row = (lattice.north_m - at.y_m) / lattice.cell_m - 0.5;
    let (mut sum, mut weights) = (0.0, 0.0);
    for (r, across) in around(row, lattice.rows) {
        for (c, along) in around(column, lattice.columns) {
            let value = values[r * lattice.columns + c];
            if !value.is_nan() {
                sum += across * along * value;
                weights += across * along;
            }
        }
    }
    if weights > 0.0 { sum / weights } else { f64::NAN }
}

/// The two cells around a position, in cells, with their weights; those off the lattice are
/// left out.
fn around(position: f64, count: usize) -> impl Iterator<Item = (usize, f64)> {
    let first = position.floor();
    let share = position - first;
    [(first, 1.0 - share), (first + 1.0, share)]
        .into_iter()
        .filter(move |(cell, _)| *cell >= 0.0 && *cell < count as f64)
        .map(|(cell, weight)| (cell as usize, weight))
}
