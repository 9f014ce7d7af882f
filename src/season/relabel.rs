//! Relabellings: other ways in which the blocks could have fallen to the two seasons.

use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use statrs::function::factorial::ln_binomial;

use super::Season;

/// Share by which equal values may differ whose sums were taken in another order.
const ROUNDING: f64 = 1e-12;

/// A random set of relabellings, closed under exchanging the seasons.
///
/// Blocks are numbered in order of time, whatever their season. A relabelling keeps the
/// number of blocks in each season. It is held as the blocks of one part, ascending: the
/// season with fewer blocks, or, where both have equally many, the part with block 0, which
/// then stands for two relabellings, one the other's mirror. So exchanging the seasons gives
/// the same parts: every difference changes its sign and every p stays.
#[derive(Clone, PartialEq, Debug)]
pub struct Relabellings {
    /// The drawn parts.
    parts: Vec<Vec<u32>>,
    /// The part that was observed.
    observed: Vec<u32>,
    /// Which season the observed part is.
    part_is: Season,
    /// Whether both seasons have equally many blocks.
    mirrored: bool,
    blocks: usize,
}

impl Relabellings {
    /// Draws relabellings of blocks with these seasons.
    ///
    /// `runs` is how many to draw besides the observed one. With equally many blocks in both
    /// seasons the mirror of the observed one counts among them, so an even number is raised
    /// by one. The same seed and stream give the same draw on any machine.
    pub fn draw(seasons: &[Season], runs: usize, seed: u64, stream: u64) -> Self {
        let of = |season: Season| -> Vec<u32> {
            (0u32..).zip(seasons).filter(|(_, s)| **s == season).map(|(i, _)| i).collect()
        };
        let (before, after) = (of(Season::Before), of(Season::After));
        let mirrored = before.len() == after.len();
        let before_is_part = if mirrored { before.first() == Some(&0) } else { before.len() < after.len() };
        let (observed, part_is) =
            if before_is_part { (before, Season::Before) } else { (after, Season::After) };
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        let mut deck: Vec<u32> = (0..seasons.len() as u32).collect();
        let draws = if mirrored { runs / 2 } else { runs };
        let parts = (0..draws)
            .map(|_| {
                let (dealt, rest) = deck.partial_shuffle(&mut rng, observed.len());
                let part: &[u32] = if mirrored && !dealt.contains(&0) { rest } else { dealt };
                let mut part = part.to_vec();
                part.sort_unstable();
                part
            })
            .collect();
        Self { parts, observed, part_is, mirrored, blocks: seasons.len() }
    }

    /// The drawn parts, without the observed one.
    pub fn parts(&self) -> &[Vec<u32>] {
        &self.parts
    }

    /// The observed part.
    pub fn observed(&self) -> &[u32] {
        &self.observed
    }

    /// Which season the part stands for.
    pub fn part_is(&self) -> Season {
        self.part_is
    }

    /// Whether every part stands for itself and its mirror.
    pub fn mirrored(&self) -> bool {
        self.mirrored
    }

    /// Number of relabellings besides the observed one.
    pub fn runs(&self) -> usize {
        if self.mirrored { 2 * self.parts.len() + 1 } else { self.parts.len() }
    }

    /// Blocks in the part and outside it.
    pub fn sizes(&self) -> (usize, usize) {
        (self.observed.len(), self.blocks - self.observed.len())
    }

    /// How many relabellings there are in all: the binomial coefficient, rounded.
    pub fn distinct(blocks_before: usize, blocks_after: usize) -> f64 {
        ln_binomial((blocks_before + blocks_after) as u64, blocks_before as u64).exp().round()
    }

    /// p of a statistic that does not care which season is which, upper tail:
    /// (b + 1)/(runs + 1), with b the relabellings that reach the observed value.
    ///
    /// `values` are those of [`parts`](Self::parts), in their order.
    pub fn p_upper(&self, observed: f64, values: &[f64]) -> f64 {
        let reached = values.iter().filter(|&&v| reaches(v, observed)).count();
        self.p_of(reached)
    }

    /// [`p_upper`](Self::p_upper) from the number of drawn parts that reach the value.
    pub fn p_of(&self, parts_reached: usize) -> f64 {
        // With mirrors both b + 1 and runs + 1 are twice these.
        (parts_reached + 1) as f64 / (self.parts.len() + 1) as f64
    }
}

/// Whether a relabelled value is at least the observed one. Equal values whose sums were
/// taken in another order differ in the last digits and must count as equal.
pub(super) fn reaches(value: f64, observed: f64) -> bool {
    value >= observed - ROUNDING * observed.abs()
}
