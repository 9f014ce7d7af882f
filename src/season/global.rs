//! The global test at one block size.

use rayon::prelude::*;

use super::gram::Gram;
use super::lattice::{Compares, Lattice};
use super::moments::Moments;
use super::points::PointSums;
use super::record_rates::RecordRates;
use super::{BlockSize, Blocks, Outings, Relabellings, Season};
use crate::surface::Kernel;

/// Fewest blocks in each season for a block size to be usable: with fewer, dependence
/// between neighbouring blocks cannot be told from chance.
pub const MIN_BLOCKS: usize = 10;

/// Fewest distinct relabellings for a block size to be usable.
pub const MIN_DISTINCT: f64 = 1000.0;

/// Stream of the seeded generator; the same at every size, so that equal blocks give equal p.
const STREAM: u64 = 15;

/// The global test at one block size.
///
/// Null hypothesis: the labels "before" and "after" of the blocks are exchangeable. Statistic:
/// the integrated squared difference studentised within each relabelling; upper tail.
#[derive(Clone, PartialEq, Debug)]
pub struct SizeTest {
    /// The block size.
    pub size: BlockSize,
    /// Blocks in the first season; 0 where blocks of this size cannot be formed.
    pub blocks_before: usize,
    /// Blocks in the second season; 0 where blocks of this size cannot be formed.
    pub blocks_after: usize,
    /// Integrated squared difference in m⁻²; the same at every block size.
    pub statistic: f64,
    /// The same over its own variance between blocks; `None` with fewer than two blocks.
    pub studentised: Option<f64>,
    /// p by relabelling, `None` where the size cannot be used.
    pub p: Option<f64>,
    /// Why there is no p.
    pub reason: Option<String>,
}

impl SizeTest {
    /// Blocks in both seasons.
    pub fn blocks(&self) -> usize {
        self.blocks_before + self.blocks_after
    }
}

/// A way to get the statistic of any part of the blocks.
enum Sums {
    /// From inner products of block surfaces; patterns.
    Gram(Gram),
    /// From sums cell by cell; rates, and single records.
    Moments(Box<Moments>),
}

impl Sums {
    /// (plain in m⁻², studentised) between a part and the rest.
    fn statistic(&self, part: &[u32]) -> (f64, f64) {
        match self {
            Sums::Gram(gram) => {
                let s = gram.statistic(part);
                (s.plain_per_m2, s.studentised)
            }
            Sums::Moments(moments) => {
                let c = moments.contrast(part);
                (c.plain_per_m2, c.studentised)
            }
        }
    }
}

/// Blocks of one size with their seasons, ready to be dealt anew.
pub(super) struct Deal {
    pub seasons: Vec<Season>,
    /// Groups of outings; `None` for single records.
    pub blocks: Option<Blocks>,
}

impl Deal {
    /// Forms the blocks of a size.
    ///
    /// # Errors
    /// A reason for people, where they cannot be formed.
    pub fn new(outings: &Outings, size: BlockSize) -> Result<Self, String> {
        if size == BlockSize::Record {
            let each = outings.list().iter().flat_map(|o| o.sign.iter().map(|_| o.season));
            return Ok(Self { seasons: each.collect(), blocks: None });
        }
        let blocks = Blocks::of(outings, size).map_err(|undated| {
            format!("{undated} outings have no date, so no {size} blocks can be formed")
        })?;
        Ok(Self { seasons: blocks.seasons.clone(), blocks: Some(blocks) })
    }

    pub fn count(&self, season: Season) -> usize {
        self.seasons.iter().filter(|&&s| s == season).count()
    }

    /// Why the size is too coarse for the data, if it is.
    pub fn too_few(&self) -> Option<String> {
        let (before, after) = (self.count(Season::Before), self.count(Season::After));
        if before.min(after) < MIN_BLOCKS {
            return Some(format!(
                "blocks: {before} before and {after} after; at least {MIN_BLOCKS} in each season are needed"
            ));
        }
        let distinct = Relabellings::distinct(before, after);
        (distinct < MIN_DISTINCT)
            .then(|| format!("only {distinct} relabellings exist; {MIN_DISTINCT} are needed"))
    }

    /// The sums cell by cell, over some cells of the lattice.
    ///
    /// # Errors
    /// A reason for people.
    pub fn moments(&self, outings: &Outings, lattice: &Lattice, places: &[usize]) -> Result<Moments, String> {
        if let Some(blocks) = &self.blocks {
            let sign: Vec<f64> = outings.list().iter().map(|o| o.sign_count()).collect();
            return Ok(Moments::of_blocks(lattice, blocks, &sign, places));
        }
        if lattice.compares == Compares::Rate {
            return Err(
                "a single record has no effort of its own, so no cell can be tested record by record".into(),
            );
        }
        gaussian_for_records(lattice)?;
        let records: Vec<_> = outings.sign().copied().collect();
        Ok(Moments::of_records(lattice, PointSums::new(&records, &lattice.grid, lattice.bandwidth_m), places))
    }

    /// What the global test needs.
    fn sums(&self, outings: &Outings, lattice: &Lattice) -> Result<Sums, String> {
        match (&self.blocks, lattice.compares) {
            (Some(blocks), Compares::Pattern) => {
                let sum = |block: &Vec<usize>| {
                    let mut sum = vec![0.0; lattice.grid.cells()];
                    block
                        .iter()
                        .for_each(|&i| sum.iter_mut().zip(&lattice.sign[i]).for_each(|(s, v)| *s += v));
                    sum
                };
                let surfaces: Vec<Vec<f64>> = blocks.outings.iter().map(sum).collect();
                let sign =
                    blocks.outings.iter().map(|b| b.iter().map(|&i| outings.list()[i].sign_count()).sum());
                Ok(Sums::Gram(Gram::of(&surfaces, sign.collect(), lattice.grid.cell_area_m2())))
            }
            _ => {
                let everywhere: Vec<usize> = (0..lattice.grid.cells()).collect();
                self.moments(outings, lattice, &everywhere).map(|moments| Sums::Moments(Box::new(moments)))
            }
        }
    }
}

/// The global test at one block size, with `runs` relabellings. `forced` gives a p even where
/// the size is not usable, as long as there are two blocks in each season.
pub fn test_size(
    outings: &Outings,
    lattice: &Lattice,
    size: BlockSize,
    runs: usize,
    seed: u64,
    forced: bool,
) -> SizeTest {
    let mut test = SizeTest {
        size,
        blocks_before: 0,
        blocks_after: 0,
        statistic: super::ratio::plain_statistic(outings, lattice),
        studentised: None,
        p: None,
        reason: None,
    };
    let deal = match Deal::new(outings, size) {
        Ok(deal) => deal,
        Err(reason) => return SizeTest { reason: Some(reason), ..test },
    };
    (test.blocks_before, test.blocks_after) = (deal.count(Season::Before), deal.count(Season::After));
    if test.blocks_before.min(test.blocks_after) < 2 {
        let reason = deal.too_few();
        return SizeTest { reason, ..test };
    }
    if deal.blocks.is_none() && lattice.compares == Compares::Rate {
        return of_records_by_effort(test, outings, lattice, (runs, seed, forced), deal.too_few());
    }
    let sums = match deal.sums(outings, lattice) {
        Ok(sums) => sums,
        Err(reason) => return SizeTest { reason: Some(reason), ..test },
    };
    let relabellings = Relabellings::draw(&deal.seasons, runs, seed, STREAM);
    let (_, observed) = sums.statistic(relabellings.observed());
    test.studentised = Some(observed);
    test.reason = deal.too_few();
    if test.reason.is_none() || forced {
        let values: Vec<f64> = relabellings.parts().par_iter().map(|part| sums.statistic(part).1).collect();
        test.p = Some(relabellings.p_upper(observed, &values));
    }
    test
}

/// The test of single records where their effort is known.
fn of_records_by_effort(
    mut test: SizeTest,
    outings: &Outings,
    lattice: &Lattice,
    (runs, seed, forced): (usize, u64, bool),
    too_few: Option<String>,
) -> SizeTest {
    if let Err(reason) = gaussian_for_records(lattice) {
        return SizeTest { reason: Some(reason), ..test };
    }
    let Some(rates) = RecordRates::new(outings, lattice) else { return test };
    test.studentised = Some(rates.observed());
    test.p = (too_few.is_none() || forced).then(|| rates.p(runs, seed, STREAM));
    test.reason = too_few;
    test
}

/// The sums over single records are made for one kernel.
fn gaussian_for_records(lattice: &Lattice) -> Result<(), String> {
    match lattice.kernel {
        Kernel::Gaussian => Ok(()),
        other => Err(format!("single records are compared with the gaussian kernel only, not {other}")),
    }
}
