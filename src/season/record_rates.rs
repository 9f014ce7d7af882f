//! Rates compared record by record: shown beside the other block sizes, never claimed from.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rayon::prelude::*;

use super::lattice::Lattice;
use super::points::PointSums;
use super::relabel::reaches;
use super::{Outings, Season};
use crate::surface::{Grid, WeightedPoint};

/// Single records between two seasons whose searched kilometres differ from place to place.
///
/// A record has no effort of its own that could be dealt anew with it. But if the rate did not
/// change, and records were independent, a record found at x fell to one season or the other
/// in the proportion in which both searched there: π(x) = e_part/(e_part + e_rest), with e the
/// smoothed kilometres. So each record is given a season anew with that chance. The statistic
/// is ∫D²/∫V with D = F_part − π F, F the sum of kernels, which is the difference that
/// outings are compared by, and V = (1 − π)² ΣK²_part + π² ΣK²_rest.
pub(super) struct RecordRates {
    points: PointSums,
    /// Share of the part in the searched kilometres, cell by cell; nothing where none searched.
    share: Vec<f64>,
    /// The same where each record lies.
    share_at_record: Vec<f64>,
    /// Records that the part holds.
    observed: Vec<u32>,
    totals: Vec<f64>,
}

impl RecordRates {
    /// Prepares the records of a comparison of rates. `None` where the lattice knows no effort.
    ///
    /// The part is the season of the first record in order of time, so that exchanging the
    /// names of the seasons changes nothing.
    pub fn new(outings: &Outings, lattice: &Lattice) -> Option<Self> {
        let effort = lattice.effort.as_ref()?;
        let records: Vec<WeightedPoint> = outings.sign().copied().collect();
        let seasons = outings.list().iter().flat_map(|o| o.sign.iter().map(|_| o.season));
        let part = seasons.clone().next()?;
        let observed = (0u32..).zip(seasons).filter(|(_, s)| *s == part).map(|(i, _)| i).collect();
        let share = share_of(part, outings, effort);
        let share_at_record = records.iter().map(|p| nearest(&lattice.grid, p, &share)).collect();
        let points = PointSums::new(&records, &lattice.grid, lattice.bandwidth_m);
        let all: Vec<u32> = (0..records.len() as u32).collect();
        let totals = points.sums_over(&all);
        Some(Self { points, share, share_at_record, observed, totals })
    }

    /// The studentised statistic as observed.
    pub fn observed(&self) -> f64 {
        self.statistic(&self.observed)
    }

    /// p of the observed statistic, upper tail, (b + 1)/(runs + 1).
    pub fn p(&self, runs: usize, seed: u64, stream: u64) -> f64 {
        let observed = self.observed();
        let reached = (0..runs as u64)
            .into_par_iter()
            .filter(|run| {
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                rng.set_stream(stream << 32 | run);
                let dealt: Vec<u32> = (0u32..)
                    .zip(&self.share_at_record)
                    .filter(|(_, share)| rng.random::<f64>() < **share)
                    .map(|(i, _)| i)
                    .collect();
                reaches(self.statistic(&dealt), observed)
            })
            .count();
        (reached + 1) as f64 / (runs + 1) as f64
    }

    fn statistic(&self, part: &[u32]) -> f64 {
        let cells = self.share.len();
        let sums = self.points.sums_over(part);
        let (mut squares, mut variances) = (0.0, 0.0);
        for (cell, &share) in self.share.iter().enumerate() {
            let (all, all_squares) = (self.totals[cell], self.totals[2 * cells + cell]);
            let (own, own_squares) = (sums[cell], sums[2 * cells + cell]);
            squares += (own - share * all).powi(2);
            variances +=
                (1.0 - share).powi(2) * own_squares + share * share * (all_squares - own_squares).max(0.0);
        }
        if variances > 0.0 { squares / variances } else { 0.0 }
    }
}

/// The share of one season in the searched kilometres, cell by cell; one half where nobody
/// searched, which is where no record of a searched leg lies.
fn share_of(part: Season, outings: &Outings, effort: &[Vec<f64>]) -> Vec<f64> {
    let cells = effort.first().map_or(0, Vec::len);
    let (mut own, mut all) = (vec![0.0; cells], vec![0.0; cells]);
    for (outing, surface) in outings.list().iter().zip(effort) {
        all.iter_mut().zip(surface).for_each(|(a, e)| *a += e);
        if outing.season == part {
            own.iter_mut().zip(surface).for_each(|(o, e)| *o += e);
        }
    }
    own.iter().zip(all).map(|(own, all)| if all > 0.0 { own / all } else { 0.5 }).collect()
}

/// The value of the lattice cell that holds a record.
fn nearest(grid: &Grid, record: &WeightedPoint, values: &[f64]) -> f64 {
    let cell = |metres: f64, count: usize| ((metres / grid.cell_m).max(0.0) as usize).min(count - 1);
    let row = cell(grid.north_m - record.at.y_m, grid.rows);
    let column = cell(record.at.x_m - grid.west_m, grid.columns);
    values[row * grid.columns + column]
}
