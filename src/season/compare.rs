//! The whole comparison: every block size, the headline, the cells, the areas of change.

use super::area::{ChangeArea, change_areas};
use super::cells::{CellTests, LEVEL, test_cells};
use super::dependence::{Dependence, at_block_edges};
use super::global::{Deal, SizeTest, test_size};
use super::lattice::{Compares, Lattice};
use super::{BlockSize, Outings, Relabellings, SeasonError};
use crate::surface::Kernel;

/// Streams of the seeded generator beyond those of the block sizes.
const STREAM_CELLS: u64 = 16;
const STREAM_DEPENDENCE: u64 = 17;

/// How to compare.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Settings {
    /// The kernel of every surface.
    pub kernel: Kernel,
    /// The bandwidth of every surface in metres, the same for both seasons.
    pub bandwidth_m: f64,
    /// Cell of the output grid in metres; the lattice is its whole multiple or part.
    pub cell_m: f64,
    /// Relabellings besides the observed one.
    pub runs: usize,
    /// Seed of all randomness.
    pub seed: u64,
    /// Block size of the headline and the cells, where the user fixes it.
    pub block: Option<BlockSize>,
}

impl Settings {
    /// Relabellings unless told otherwise.
    pub const RUNS: usize = 4999;
}

/// What the comparison may say.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Verdict {
    /// The seasons differ by more than chance between outings explains.
    Change,
    /// They do not: which is not the same as no change.
    NoChangeShown,
    /// There are not enough independent outings to tell.
    NotEnough,
}

impl Verdict {
    /// The words used in files.
    pub fn words(self) -> &'static str {
        match self {
            Verdict::Change => "change",
            Verdict::NoChangeShown => "no change shown",
            Verdict::NotEnough => "not enough independent outings to tell",
        }
    }
}

/// The one answer.
#[derive(Clone, PartialEq, Debug)]
pub struct Headline {
    /// Block size it rests on, if any was usable.
    pub block: Option<BlockSize>,
    /// Its p; `None` where there is no answer.
    pub p: Option<f64>,
    /// The answer.
    pub verdict: Verdict,
    /// Why there is no answer.
    pub reason: Option<String>,
    /// The test at the edges of that block.
    pub dependence: Option<Dependence>,
}

/// All that was found.
#[derive(Clone, PartialEq, Debug)]
pub struct Comparison {
    /// Patterns or rates.
    pub compares: Compares,
    /// The lattice with every outing's surface.
    pub lattice: Lattice,
    /// The global test at every block size, finest first.
    pub sizes: Vec<SizeTest>,
    /// The answer.
    pub headline: Headline,
    /// The local tests, where the headline has an answer.
    pub cells: Option<CellTests>,
    /// Areas of change, claimed family-wise: none unless the headline claims a change.
    pub areas: Vec<ChangeArea>,
    /// Areas that the local test alone would have claimed, where the headline does not.
    pub areas_withheld: usize,
    /// What the reader must know about the test.
    pub warnings: Vec<String>,
}

/// Compares two seasons.
///
/// The headline is the coarsest usable block size, unless `settings.block` fixes it. Where
/// outings depend on each other beyond that block, or none is usable, there is no p and no
/// claim, neither global nor local. Areas of change are claimed only where the headline
/// claims a change ([`Headline::claims`]).
///
/// Same input, settings and seed give the same result for any number of threads.
///
/// # Errors
/// As [`Lattice::new`].
pub fn compare(outings: &Outings, settings: &Settings) -> Result<Comparison, SeasonError> {
    let lattice = Lattice::new(outings, settings.kernel, settings.bandwidth_m, settings.cell_m)?;
    let Settings { runs, seed, block, .. } = *settings;
    let sizes = every_size(outings, &lattice, settings);
    let headline = headline(outings, &lattice, &sizes, settings);
    let cells =
        headline.p.and(headline.block).and_then(|size| local_tests(outings, &lattice, size, runs, seed));
    let mut warnings = cells.as_ref().map_or_else(Vec::new, few_runs);
    if headline.p.is_some() && cells.is_none() {
        warnings.push("no cell can be tested at this block size, so no area of change can be claimed".into());
    }
    warnings.extend(block.and_then(|fixed| finer_than_the_rule(fixed, &sizes, &headline)));
    let found = cells.as_ref().map_or_else(Vec::new, |cells| change_areas(cells, &lattice.grid));
    let (areas, areas_withheld) = headline.claims(found);
    Ok(Comparison {
        compares: lattice.compares,
        lattice,
        sizes,
        headline,
        cells,
        areas,
        areas_withheld,
        warnings,
    })
}

impl Headline {
    /// Whether the seasons as a whole changed, without which no part of them is claimed to have.
    pub fn claims_change(&self) -> bool {
        self.verdict == Verdict::Change
    }

    /// The areas that may be claimed, and how many are withheld.
    ///
    /// The whole is tested first and its parts only if it changed: of seasons in which
    /// nothing changed, those that see any claim at all, of the whole or of an area, are then
    /// no more than the level of the first test (a gatekeeping procedure: Dmitrienko &
    /// Tamhane 2007, doi:10.1002/pst.291). Two tests at 5 % side by side would claim
    /// something in 8 % of them.
    pub fn claims(&self, areas: Vec<ChangeArea>) -> (Vec<ChangeArea>, usize) {
        if self.claims_change() { (areas, 0) } else { (Vec::new(), areas.len()) }
    }
}

/// The global test at every block size, finest first. Where a size makes the same blocks as
/// the one before it, as days do where nobody went out twice, its test is the same.
fn every_size(outings: &Outings, lattice: &Lattice, settings: &Settings) -> Vec<SizeTest> {
    let Settings { runs, seed, block, .. } = *settings;
    let mut tests: Vec<SizeTest> = Vec::new();
    let mut last = None;
    for size in BlockSize::ALL {
        let blocks = Deal::new(outings, size).ok().and_then(|deal| deal.blocks);
        let known = tests.last().filter(|test| {
            blocks.is_some() && blocks == last && block != Some(size) && block != Some(test.size)
        });
        let test = match known {
            Some(test) => SizeTest { size, ..test.clone() },
            None => test_size(outings, lattice, size, runs, seed, block == Some(size)),
        };
        tests.push(test);
        last = blocks;
    }
    tests
}

/// The tests cell by cell at one block size; `None` where blocks of that size cannot be
/// formed or no cell is left to test.
pub fn local_tests(
    outings: &Outings,
    lattice: &Lattice,
    size: BlockSize,
    runs: usize,
    seed: u64,
) -> Option<CellTests> {
    let deal = Deal::new(outings, size).ok()?;
    let tested = lattice.tested(outings);
    let places: Vec<usize> = (0..tested.len()).filter(|&i| tested[i]).collect();
    if places.is_empty() {
        return None;
    }
    let moments = deal.moments(outings, lattice, &places).ok()?;
    let relabellings = Relabellings::draw(&deal.seasons, runs, seed, STREAM_CELLS);
    Some(test_cells(&moments, &relabellings, &places, tested.len()))
}

/// Says so where the user fixed a block size that the rule would not have taken.
pub(super) fn finer_than_the_rule(
    fixed: BlockSize,
    sizes: &[SizeTest],
    headline: &Headline,
) -> Option<String> {
    let rule = usable(sizes).last().map(|test| test.size);
    if headline.dependence.is_some_and(|found| found.beyond_block) || rule.is_none_or(|rule| fixed < rule) {
        return Some(format!(
            "blocks of one {fixed} are finer than the rule allows: sign depends on sign beyond them, and that can pass for change"
        ));
    }
    let own = sizes.iter().find(|test| test.size == fixed)?.reason.as_ref()?;
    Some(format!("blocks of one {fixed} are too few by the rule: {own}"))
}

/// Block sizes that may carry a headline: records never do.
fn usable(sizes: &[SizeTest]) -> impl Iterator<Item = &SizeTest> {
    sizes.iter().filter(|test| test.size != BlockSize::Record && test.reason.is_none() && test.p.is_some())
}

/// The answer, from the global tests at some block sizes, finest first.
pub fn headline(outings: &Outings, lattice: &Lattice, sizes: &[SizeTest], settings: &Settings) -> Headline {
    let none = |block, reason, dependence| Headline {
        block,
        p: None,
        verdict: Verdict::NotEnough,
        reason: Some(reason),
        dependence,
    };
    let fixed = settings.block.and_then(|size| sizes.iter().find(|test| test.size == size));
    let Some(test) = fixed.or_else(|| usable(sizes).last()) else {
        return none(
            None,
            "no block size from outing to month has enough blocks in both seasons".into(),
            None,
        );
    };
    let Some(p) = test.p else {
        return none(Some(test.size), test.reason.clone().unwrap_or_default(), None);
    };
    let blocks = Deal::new(outings, test.size).ok().and_then(|deal| deal.blocks);
    let dependence = blocks.and_then(|blocks| {
        at_block_edges(outings, lattice, &blocks, test.size, settings.seed, STREAM_DEPENDENCE)
    });
    if settings.block.is_none() {
        match dependence {
            None => {
                let reason = "outings have no dates, so their dependence on each other cannot be tested";
                return none(Some(test.size), reason.into(), None);
            }
            Some(found) if found.beyond_block => {
                let reason = format!(
                    "sign after the edge of a {} lies where it lay before it (p = {}): outings depend on each other beyond it",
                    test.size, found.p
                );
                return none(Some(test.size), reason, dependence);
            }
            Some(_) => {}
        }
    }
    let verdict = if p <= LEVEL { Verdict::Change } else { Verdict::NoChangeShown };
    Headline { block: Some(test.size), p: Some(p), verdict, reason: None, dependence }
}

/// Says so where the runs are too few for the local claims to mean much.
pub(super) fn few_runs(cells: &CellTests) -> Vec<String> {
    let mut warnings = Vec::new();
    let least = 2.0 / (cells.runs as f64 + 1.0);
    let needed = (cells.tested as f64 * least / LEVEL).ceil();
    if cells.claim_above.is_infinite() {
        warnings.push(format!("{} runs are too few for any area of change to be claimed", cells.runs));
    }
    if least > LEVEL {
        warnings.push(format!(
            "{} runs are too few for any cell to survive the false discovery rate",
            cells.runs
        ));
    } else if needed > 1.0 {
        warnings.push(format!(
            "with {} runs a cell survives the false discovery rate only together with at least {} others",
            cells.runs,
            needed - 1.0
        ));
    }
    warnings
}
