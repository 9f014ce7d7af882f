//! Where sign per km searched changed along lines: the cells of the plane's tests are pieces
//! of line here.

use super::cells::{LEVEL, test_cells};
use super::global::Deal;
use super::moments::Moments;
use super::{BlockSize, Compares, Direction, Lattice, Outings, Relabellings, Season, log_ratio};
use crate::surface::{Grid, Kernel};

/// Stream of the seeded generator.
const STREAM_PIECES: u64 = 18;

/// What every outing found and searched, at the middle of every piece of line.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct LineOutings {
    /// Smoothed sign per m of line: outings in the order of [`Outings::list`], each a value a
    /// piece.
    pub sign: Vec<Vec<f64>>,
    /// Smoothed passes, likewise.
    pub effort: Vec<Vec<f64>>,
    /// Whether each piece was passed before, and after.
    pub searched: Vec<[bool; 2]>,
    /// The least sign per m, all outings together, that counts as sign near.
    pub present_per_m: f64,
}

/// What changed on one piece of line.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct PieceChange {
    /// Sign per km searched before; `None` where nobody searched.
    pub before_per_km: Option<f64>,
    /// The same after.
    pub after_per_km: Option<f64>,
    /// Natural log of after over before; `None` unless both seasons searched and there is sign
    /// near. Within ±20.
    pub log_ratio: Option<f64>,
    /// Two-sided p of the piece by itself; `None` where it was not tested.
    pub p: Option<f64>,
    /// Family-wise p: how often any piece differs as much.
    pub p_family: Option<f64>,
    /// p adjusted by Benjamini & Hochberg over the tested pieces.
    pub p_fdr: Option<f64>,
}

impl PieceChange {
    /// The change that is claimed, family-wise at 0.05, if any.
    pub fn claimed(&self) -> Option<Direction> {
        let up = self.log_ratio? > 0.0;
        (self.p_family? <= LEVEL).then_some(if up { Direction::Increase } else { Direction::Decrease })
    }

    /// Whether it survives the false discovery rate at 0.05.
    pub fn survives_fdr(&self) -> Option<bool> {
        self.p_fdr.map(|p| p <= LEVEL)
    }
}

/// Holds sign per km searched of two seasons against each other, piece by piece, by the same
/// dealing of blocks of outings as in the plane: the null hypothesis is that the blocks could
/// as well have fallen to the other season. A piece that a season did not search is not
/// tested.
///
/// `size` is the block size of the headline; without one the rates are given and nothing is
/// tested. Cost: relabellings × blocks in the smaller season × tested pieces.
pub fn compare_pieces(
    outings: &Outings,
    lines: &LineOutings,
    size: Option<BlockSize>,
    runs: usize,
    seed: u64,
) -> Vec<PieceChange> {
    let mut changes: Vec<PieceChange> = (0..lines.searched.len()).map(|i| rates(outings, lines, i)).collect();
    let places: Vec<usize> = (0..changes.len()).filter(|&i| changes[i].log_ratio.is_some()).collect();
    let deal = size.filter(|size| *size != BlockSize::Record).and_then(|size| Deal::new(outings, size).ok());
    let Some((deal, blocks)) = deal.as_ref().and_then(|deal| Some((deal, deal.blocks.as_ref()?))) else {
        return changes;
    };
    if places.is_empty() {
        return changes;
    }
    let count: Vec<f64> = outings.list().iter().map(|outing| outing.sign_count()).collect();
    let moments = Moments::of_blocks(&row_of_cells(lines), blocks, &count, &places);
    let relabellings = Relabellings::draw(&deal.seasons, runs, seed, STREAM_PIECES);
    let tests = test_cells(&moments, &relabellings, &places, changes.len());
    for &place in &places {
        let change = &mut changes[place];
        change.p = Some(tests.p[place]);
        change.p_family = Some(tests.p_family[place]);
        change.p_fdr = Some(tests.p_fdr[place]);
    }
    changes
}

/// The pieces as a lattice of one row. Where its cells lie means nothing.
fn row_of_cells(lines: &LineOutings) -> Lattice {
    Lattice {
        grid: Grid { west_m: 0.0, north_m: 0.0, cell_m: 1.0, columns: lines.searched.len(), rows: 1 },
        compares: Compares::Rate,
        kernel: Kernel::Gaussian,
        bandwidth_m: 1.0,
        sign: lines.sign.clone(),
        effort: Some(lines.effort.clone()),
    }
}

/// Both seasons' rates on a piece, and their log ratio.
fn rates(outings: &Outings, lines: &LineOutings, piece: usize) -> PieceChange {
    let sum = |values: &[Vec<f64>], season: Season| -> f64 {
        let of = outings.list().iter().zip(values).filter(|(outing, _)| outing.season == season);
        of.map(|(_, values)| values[piece]).sum()
    };
    let [before, after] =
        [Season::Before, Season::After].map(|season| (sum(&lines.sign, season), sum(&lines.effort, season)));
    let [searched_before, searched_after] = lines.searched[piece];
    let per_km = |(sign, effort): (f64, f64), searched: bool| {
        (searched && effort > 0.0).then(|| 1000.0 * sign / effort)
    };
    let (before_per_km, after_per_km) = (per_km(before, searched_before), per_km(after, searched_after));
    let near = before.0 + after.0 >= lines.present_per_m;
    let log_ratio = match (before_per_km, after_per_km) {
        (Some(before), Some(after)) if near => Some(log_ratio(before, after)).filter(|ratio| !ratio.is_nan()),
        _ => None,
    };
    PieceChange { before_per_km, after_per_km, log_ratio, ..PieceChange::default() }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;
    use crate::frame::GroundPoint;
    use crate::season::Outing;
    use crate::surface::WeightedPoint;

    /// Twelve outings a season over three pieces: the first as before, the second with sign
    /// only after, the third not searched before.
    fn scene() -> (Outings, LineOutings) {
        let mut list = Vec::new();
        let mut lines = LineOutings {
            searched: vec![[true, true], [true, true], [false, true]],
            present_per_m: 1e-6,
            ..LineOutings::default()
        };
        for day in 0..24_u8 {
            let season = if day < 12 { Season::Before } else { Season::After };
            let start = if day < 12 { date(2026, 3, 1) } else { date(2026, 6, 1) };
            let at = |x_m: f64| WeightedPoint::new(GroundPoint::new(x_m, 0.0), 1.0);
            let wobble = 1.0 + 0.3 * f64::from((day * 7) % 5);
            list.push(Outing {
                season,
                day: Some(start.saturating_add(jiff::Span::new().days(i64::from(day % 12)))),
                sign: vec![at(f64::from(day))],
                searched: vec![at(0.0)],
            });
            let grown = if day < 12 { 0.02 } else { 1.0 };
            lines.sign.push(vec![1e-3 * wobble, 1e-3 * wobble * grown, 1e-3]);
            lines.effort.push(vec![1.0, 1.0, if day < 12 { 0.001 } else { 1.0 }]);
        }
        (Outings::new(list).unwrap(), lines)
    }

    #[test]
    fn a_change_is_claimed_where_it_is_and_nowhere_else() {
        let (outings, lines) = scene();
        let found = compare_pieces(&outings, &lines, Some(BlockSize::Outing), 999, 1);
        assert_eq!(found[0].claimed(), None);
        assert!(found[0].log_ratio.unwrap().abs() < 0.2 && found[0].p.unwrap() > 0.2, "{:?}", found[0]);
        assert_eq!(found[1].claimed(), Some(Direction::Increase));
        assert!((found[1].log_ratio.unwrap() - 50f64.ln()).abs() < 0.2, "{:?}", found[1]);
        assert_eq!(found[1].survives_fdr(), Some(true));
        // Nobody searched it before: no rate, no ratio, no p.
        assert_eq!((found[2].before_per_km, found[2].log_ratio, found[2].p), (None, None, None));
        assert!(found[2].after_per_km.is_some());
    }

    #[test]
    fn exchanging_the_seasons_turns_signs_and_keeps_every_p() {
        let (outings, lines) = scene();
        let turned = outings.list().iter().map(|outing| Outing {
            season: if outing.season == Season::Before { Season::After } else { Season::Before },
            ..outing.clone()
        });
        let turned = Outings::new(turned).unwrap();
        let searched = lines.searched.iter().map(|[before, after]| [*after, *before]).collect();
        let back = compare_pieces(
            &turned,
            &LineOutings { searched, ..lines.clone() },
            Some(BlockSize::Outing),
            999,
            1,
        );
        let there = compare_pieces(&outings, &lines, Some(BlockSize::Outing), 999, 1);
        for (one, other) in there.iter().zip(&back) {
            assert_eq!(one.log_ratio.map(|ratio| -ratio), other.log_ratio);
            assert_eq!((one.p, one.p_family, one.p_fdr), (other.p, other.p_family, other.p_fdr));
        }
    }

    #[test]
    fn without_a_block_size_nothing_is_tested() {
        let (outings, lines) = scene();
        let found = compare_pieces(&outings, &lines, None, 999, 1);
        assert!(found.iter().all(|piece| piece.p.is_none()) && found[1].log_ratio.is_some());
    }
}
