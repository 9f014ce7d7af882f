//! Gaps as they were before passes were merged.

use std::collections::{HashMap, HashSet};

use super::closing::{Closing, On};
use super::gap::ROUND_OFF_M;
use super::gap_search::{Beside, CLOSE_BY_FACTOR, Search, Seen, entered_pixel, micrometres};
use super::lattice::{Lattice, Pixel};
use super::strand::Strands;
use super::strips::Strips;
use super::{MergedPass, NetworkError, NetworkSettings};
use crate::frame::Traced;
use crate::record::Line;

/// Joins what was within the snap distance as the lines are drawn and came to lie farther apart by
/// merging: a centre line rounds corners, and is the mean of passes that may lie away from an end.
///
/// `strands` are the merged ones. Looked at are ends of which one side took part in a merge; where
/// both sides hang together close by, nothing is added.
///
/// Cost: the search for gaps once more, and a walk along the merged lines for each gap at them.
///
/// # Errors
/// [`NetworkError::TooManyCrossings`].
pub(super) fn join_as_drawn(
    closing: &mut Closing,
    strands: &Strands,
    lattice: &Lattice,
    lines: &[Traced<Line>],
    merged: &[MergedPass],
    settings: &NetworkSettings,
) -> Result<(), NetworkError> {
    let drawn = Strands::from_lines(lattice, lines, settings.respect_levels, true);
    let strips = Strips::new(&drawn);
    let search = Search::new(&drawn, &strips, lattice, settings.snap_m);
    let moved: HashSet<u32> = merged.iter().flat_map(|m| [m.line, m.into]).collect();
    let on_drawn = On { strands: &drawn, lattice, travel: settings.travel };
    let mut gaps: Vec<Gap> =
        search.run()?.iter().flat_map(|seen| gaps_at(&on_drawn, &search, &moved, seen)).collect();
    gaps.sort_by_key(|g| (micrometres(g.gap_m), g.place, g.from.0, g.to.0));
    let on = On { strands, lattice, travel: settings.travel };
    let spots = Spots::of(strands, gaps.iter().flat_map(|g| [g.from.0, g.to.0]).collect());
    for gap in &gaps {
        let (Some(from), Some(to)) = (spots.find(gap.from), spots.find(gap.to)) else { continue };
        if gap.alike {
            let own = closing.joints.place(from.strand, from.along_m);
            let reach_m = CLOSE_BY_FACTOR * settings.snap_m;
            let near_m = [0.0, -reach_m, reach_m].map(|off_m| to.along_m + off_m);
            if near_m.into_iter().any(|along_m| closing.joints.is_joined(own, to.strand, along_m)) {
                continue;
            }
            let there = closing.joints.place(to.strand, to.along_m);
            closing.joints.unite(own, there);
        } else if lattice.ground(from.at).distance_m(lattice.ground(to.at)) <= settings.snap_m {
            continue; // near enough to have been found where it lies now
        }
        closing.close_as_drawn(&on, (from.strand, from.at), (to.strand, to.at));
    }
    Ok(())
}

/// A gap between two lines as drawn: each with the chainage of its place, in frame metres.
struct Gap {
    from: (u32, f64),
    to: (u32, f64),
    gap_m: f64,
    /// The end and the foot.
    place: (Pixel, Pixel),
    alike: bool,
}

/// What an end meets within the snap distance, where it or that was moved.
fn gaps_at(on: &On, search: &Search, moved: &HashSet<u32>, seen: &Seen) -> Vec<Gap> {
    let (end, strands) = (seen.end, on.strands);
    let line = on.line(end.strand);
    let meets_one = seen.near.iter().any(|b| b.touches && on.are_alike(b.strand, end.strand));
    let within = |b: &Beside| {
        b.touches || b.crossed || {
            b.gap_m <= search.snap_m() + ROUND_OFF_M && (!meets_one || search.end_near(end, b).is_some())
        }
    };
    let nearest = seen.near.iter().min_by_key(|b| (!b.touches, b.rank()));
    let counts = |b: &Beside| {
        let first = nearest.is_some_and(|n| n.strand == b.strand && n.segments == b.segments);
        within(b) && (first || on.are_alike(b.strand, end.strand))
    };
    let has_moved = |b: &Beside| moved.contains(&line) || moved.contains(&on.line(b.strand));
    let gap = |b: &Beside| Gap {
        from: (line, strands.vertex_chainage_m(end.strand, 0, end.vertex)),
        to: (on.line(b.strand), strands.chainage_m(b.strand, 0, b.nearest, b.foot)),
        gap_m: if b.touches { 0.0 } else { b.gap_m },
        place: (strands.vertices[end.vertex as usize], b.foot),
        alike: on.are_alike(b.strand, end.strand),
    };
    seen.near.iter().filter(|&b| counts(b) && has_moved(b)).map(gap).collect()
}

/// Where places of some lines came to lie.
struct Spots<'a> {
    strands: &'a Strands,
    /// The strands that carry each line, with its place among those that they carry.
    on: HashMap<u32, Vec<(usize, usize)>>,
}

/// A place on a strand.
struct Spot {
    strand: usize,
    at: Pixel,
    along_m: f64,
}

impl<'a> Spots<'a> {
    fn of(strands: &'a Strands, lines: HashSet<u32>) -> Self {
        let mut on: HashMap<u32, Vec<(usize, usize)>> = HashMap::new();
        for strand in 0..strands.len() {
            for (carried, line) in strands.lines_on(strand).iter().enumerate() {
                if lines.contains(line) {
                    on.entry(*line).or_default().push((strand, carried));
                }
            }
        }
        Self { strands, on }
    }

    /// Where a chainage of a line came to lie: on the segment that carries it, or the nearest to it.
    fn find(&self, (line, chainage_m): (u32, f64)) -> Option<Spot> {
        let mut best: Option<(f64, usize, u32, f64)> = None;
        for &(strand, carried) in self.on.get(&line)? {
            let range = self.strands.range(strand);
            for segment in range.start as u32..range.end as u32 - 1 {
                let [a_m, b_m] =
                    [segment, segment + 1].map(|v| self.strands.vertex_chainage_m(strand, carried, v));
                let off_m = (chainage_m - chainage_m.clamp(a_m.min(b_m), a_m.max(b_m))).abs();
                if best.is_none_or(|b| off_m < b.0) {
                    let share = if a_m == b_m { 0.0 } else { (chainage_m - a_m) / (b_m - a_m) };
                    best = Some((off_m, strand, segment, share.clamp(0.0, 1.0)));
                }
            }
        }
        let (_, strand, segment, share) = best?;
        let (a, b) = self.strands.segment(segment);
        let between = |a: i32, b: i32| (f64::from(a) + share * f64::from(b - a)).round() as i32;
        let at = entered_pixel(a, b, Pixel::new(between(a.x, b.x), between(a.y, b.y)));
        Some(Spot { strand, at, along_m: self.strands.chainage_m(strand, 0, segment, at) })
    }
}
