//! Blocks: groups of outings that are dealt to the seasons together.

use std::fmt;

use jiff::civil::Date;

use super::{Outings, Season};

/// How much time one block holds.
///
/// A permutation test is right only if what it shuffles is independent. Records of one
/// outing are not, and hot spots that last over several outings tie those together too;
/// the longer the block, the less is left between blocks, and the fewer blocks there are.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum BlockSize {
    /// A single record. Shown for comparison; it never carries a claim of its own accord.
    Record,
    /// An outing.
    Outing,
    /// All outings that began on one local day.
    Day,
    /// Seven days, counted from the first outing of the season.
    Week,
    /// A month, counted from the first outing of the season.
    Month,
}

impl BlockSize {
    /// From the finest to the coarsest.
    pub const ALL: [BlockSize; 5] =
        [BlockSize::Record, BlockSize::Outing, BlockSize::Day, BlockSize::Week, BlockSize::Month];

    /// The word used in files and flags.
    pub fn word(self) -> &'static str {
        match self {
            BlockSize::Record => "record",
            BlockSize::Outing => "outing",
            BlockSize::Day => "day",
            BlockSize::Week => "week",
            BlockSize::Month => "month",
        }
    }

    /// Reads a word without regard to case. `None` if the word is not known.
    pub fn from_word(word: &str) -> Option<BlockSize> {
        let word = word.trim().to_lowercase();
        BlockSize::ALL.into_iter().find(|size| size.word() == word.trim_end_matches('s'))
    }

    /// Its nominal length in days; nothing for records and outings.
    pub(super) fn days(self) -> f64 {
        match self {
            BlockSize::Record | BlockSize::Outing => 0.0,
            BlockSize::Day => 1.0,
            BlockSize::Week => 7.0,
            BlockSize::Month => 30.4,
        }
    }
}

impl fmt::Display for BlockSize {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// Outings grouped into blocks: each block the positions of its outings in
/// [`Outings::list`], blocks in order of time.
#[derive(Clone, PartialEq, Debug)]
pub struct Blocks {
    /// Positions of the outings of each block.
    pub outings: Vec<Vec<usize>>,
    /// The season of each block.
    pub seasons: Vec<Season>,
}

impl Blocks {
    /// Groups outings into blocks of an outing or coarser.
    ///
    /// # Errors
    /// The number of outings without a day, where the block size needs one.
    pub fn of(outings: &Outings, size: BlockSize) -> Result<Self, usize> {
        let list = outings.list();
        let undated = list.iter().filter(|o| o.day.is_none()).count();
        if size >= BlockSize::Day && undated > 0 {
            return Err(undated);
        }
        let first = |season| outings.of(season).filter_map(|o| o.day).min();
        let (before, after) = (first(Season::Before), first(Season::After));
        let mut blocks = Self { outings: Vec::new(), seasons: Vec::new() };
        // Where the newest block of each season stands, and which period it is.
        let mut open: [Option<(usize, i64)>; 2] = [None, None];
        for (position, outing) in list.iter().enumerate() {
            let start = if outing.season == Season::Before { before } else { after };
            let period = match (outing.day, start) {
                (Some(day), Some(start)) if size >= BlockSize::Day => period_of(size, start, day),
                _ => position as i64,
            };
            let open = &mut open[usize::from(outing.season == Season::After)];
            match *open {
                Some((block, at)) if at == period => blocks.outings[block].push(position),
                _ => {
                    *open = Some((blocks.outings.len(), period));
                    blocks.outings.push(vec![position]);
                    blocks.seasons.push(outing.season);
                }
            }
        }
        Ok(blocks)
    }

    /// How many blocks a season has.
    pub fn count(&self, season: Season) -> usize {
        self.seasons.iter().filter(|&&s| s == season).count()
    }
}

/// Which period after the season's first day a day falls in.
fn period_of(size: BlockSize, start: Date, day: Date) -> i64 {
    match size {
        BlockSize::Week => days_between(start, day).div_euclid(7),
        BlockSize::Month => {
            let months = i64::from(day.year() - start.year()) * 12 + i64::from(day.month() - start.month());
            months - i64::from(day.day() < start.day())
        }
        _ => days_between(start, day),
    }
}

/// Whole days from one day to another.
pub(super) fn days_between(from: Date, to: Date) -> i64 {
    to.duration_since(from).as_hours() / 24
}
