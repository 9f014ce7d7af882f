//! Effort on the network: who passed where, how often and on which days.

use jiff::civil::Date;

use crate::surface::along::{EdgePoint, Spread};

/// A stretch of one edge that a survey leg passed over.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Passage {
    /// The edge.
    pub edge: u32,
    /// Start of the stretch in metres along the edge.
    pub from_m: f64,
    /// End of the stretch in metres along the edge, beyond its start.
    pub to_m: f64,
    /// How often: the leg's passes.
    pub passes: f64,
    /// The leg's day.
    pub date: Option<Date>,
}

/// All effort, by edge.
#[derive(Clone, PartialEq, Debug)]
pub struct Effort {
    by_edge: Vec<Vec<Passage>>,
    levels: Vec<Spread>,
    level_starts: Vec<usize>,
}

/// What was searched of a stretch.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Tally {
    /// Metres searched, every pass counted.
    pub searched_m: f64,
    /// Number of different days with a date on which some of it was searched.
    pub days: usize,
    /// The last of them.
    pub last: Option<Date>,
}

impl Effort {
    /// Adds up passages over a network of `edges` edges. Passages of other edges, without
    /// length or with no pass are left out.
    pub fn new(edges: usize, passages: impl IntoIterator<Item = Passage>) -> Self {
        let mut by_edge: Vec<Vec<Passage>> = vec![Vec::new(); edges];
        for passage in passages {
            if passage.to_m > passage.from_m
                && passage.passes > 0.0
                && let Some(edge) = by_edge.get_mut(passage.edge as usize)
            {
                edge.push(passage);
            }
        }
        let (mut levels, mut level_starts) = (Vec::new(), vec![0]);
        for passages in &by_edge {
            levels.extend(even_out(passages));
            level_starts.push(levels.len());
        }
        Self { by_edge, levels, level_starts }
    }

    /// Stretches of even effort, that do not overlap: load per metre is the number of
    /// passes. By edge, ascending along it.
    pub fn levels(&self) -> &[Spread] {
        &self.levels
    }

    /// The same on one edge.
    pub fn levels_on(&self, edge: u32) -> &[Spread] {
        match (self.level_starts.get(edge as usize), self.level_starts.get(edge as usize + 1)) {
            (Some(&from), Some(&to)) => &self.levels[from..to],
            _ => &[],
        }
    }

    /// Metres searched, every pass counted.
    pub fn searched_m(&self) -> f64 {
        self.levels.iter().map(|level| level.per_m * (level.to_m - level.from_m)).sum()
    }

    /// Metres of line searched at least once.
    pub fn covered_m(&self) -> f64 {
        self.levels.iter().map(|level| level.to_m - level.from_m).sum()
    }

    /// Whether anybody passed a position, the ends of stretches included.
    pub fn covers(&self, at: EdgePoint) -> bool {
        self.levels_on(at.edge).iter().any(|level| level.from_m <= at.along_m && at.along_m <= level.to_m)
    }

    /// What was searched between two positions of an edge.
    pub fn between(&self, edge: u32, from_m: f64, to_m: f64) -> Tally {
        let overlap = |a: f64, b: f64| (b.min(to_m) - a.max(from_m)).max(0.0);
        let searched_m =
            self.levels_on(edge).iter().map(|level| level.per_m * overlap(level.from_m, level.to_m)).sum();
        let passages = self.by_edge.get(edge as usize).map_or(&[][..], Vec::as_slice);
        let mut days: Vec<Date> = passages
            .iter()
            .filter(|passage| overlap(passage.from_m, passage.to_m) > 0.0)
            .filter_map(|passage| passage.date)
            .collect();
        days.sort_unstable();
        days.dedup();
        Tally { searched_m, days: days.len(), last: days.last().copied() }
    }
}

/// Cuts passages of one edge at each other's ends and adds them up.
fn even_out(passages: &[Passage]) -> Vec<Spread> {
    let mut cuts: Vec<f64> = passages.iter().flat_map(|passage| [passage.from_m, passage.to_m]).collect();
    cuts.sort_unstable_by(f64::total_cmp);
    cuts.dedup();
    let mut levels: Vec<Spread> = Vec::new();
    for pair in cuts.windows(2) {
        let (from_m, to_m) = (pair[0], pair[1]);
        let per_m: f64 = passages
            .iter()
            .filter(|passage| passage.from_m <= from_m && to_m <= passage.to_m)
            .map(|passage| passage.passes)
            .sum();
        match levels.last_mut() {
            Some(last) if last.to_m == from_m && last.per_m == per_m => last.to_m = to_m,
            _ if per_m > 0.0 => levels.push(Spread { edge: passages[0].edge, from_m, to_m, per_m }),
            _ => {}
        }
    }
    levels
}

#[cfg(test)]
mod tests {
    use super::*;

    fn passage(edge: u32, from_m: f64, to_m: f64, passes: f64, day: i8) -> Passage {
        let date = (day > 0).then(|| jiff::civil::date(2026, 5, day));
        Passage { edge, from_m, to_m, passes, date }
    }

    #[test]
    fn passes_and_days_add_up() {
        let effort = Effort::new(
            3,
            [
                passage(1, 0.0, 100.0, 1.0, 3),
                passage(1, 40.0, 160.0, 2.0, 3),
                passage(1, 160.0, 200.0, 2.0, 9),
                passage(2, 10.0, 10.0, 1.0, 9),
                passage(7, 0.0, 10.0, 1.0, 9),
            ],
        );
        let levels: Vec<_> =
            effort.levels().iter().map(|level| (level.from_m, level.to_m, level.per_m)).collect();
        assert_eq!(levels, [(0.0, 40.0, 1.0), (40.0, 100.0, 3.0), (100.0, 200.0, 2.0)]);
        assert_eq!(effort.searched_m(), 420.0);
        assert_eq!(effort.covered_m(), 200.0);
        let tally = effort.between(1, 90.0, 170.0);
        assert_eq!(tally.searched_m, 10.0 * 3.0 + 70.0 * 2.0);
        assert_eq!((tally.days, tally.last), (2, Some(jiff::civil::date(2026, 5, 9))));
        assert_eq!(effort.between(0, 0.0, 100.0), Tally::default());
        assert!(effort.covers(EdgePoint { edge: 1, along_m: 0.0 }));
        assert!(!effort.covers(EdgePoint { edge: 1, along_m: 200.1 }));
    }
}
