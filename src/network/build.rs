//! The whole chain from lines to a network.

use rayon::prelude::*;

use super::closing::find_gaps;
use super::drawn::join_as_drawn;
use super::edges::{Cut, make_edges};
use super::gap::Gaps;
use super::joined::mark_unjoined;
use super::lattice::{Extent, Lattice};
use super::level::separate_levels;
use super::merge::merged_strands;
use super::net::Network;
use super::node::describe_nodes;
use super::report::Report;
use super::snap_round::node;
use super::strand::{Strands, way_length_m};
use super::strips::Strips;
use super::{MergedPass, NearMissKind, NetworkError, NetworkSettings};
use crate::frame::{Placed, Traced};
use crate::record::{Gate, Line};

/// Most vertices in one network; leaves room for crossings in 32-bit numbers.
const VERTEX_LIMIT: usize = 1 << 30;

/// No receiver logs a track twice within less than this, so a smaller merge distance merges
/// nothing; in metres.
const LEAST_MERGE_M: f64 = 0.5;

impl Network {
    /// Builds the network of lines.
    ///
    /// Repeated passes of one track are merged; vertices are rounded to the lattice; line ends within the snap distance of another
    /// line are connected to it; everything is noded by snap rounding; lines on different
    /// levels are parted; coincident pieces become one edge; ends that overshoot are cut;
    /// nodes are described. What is called closed is looked up in the finished network. Guarantees:
    ///
    /// 1. Edges meet only at nodes, save for lines on different levels.
    /// 2. Noding the edges again gives the same edges.
    /// 3. Every point of an edge lies within √2/2 lattice steps of the line it carries, merged
    ///    passes aside.
    /// 4. The order and direction of lines change neither nodes nor edges as sets; the same
    ///    input gives the same bytes for any number of threads.
    /// 5. What near misses call closed is joined there.
    ///
    /// Cost: n log n for n segments, plus the pairs of segments whose boxes overlap.
    ///
    /// # Errors
    /// [`NetworkError`]: a setting out of range, no line of any length, lines too far apart
    /// for the lattice, or so many overlapping lines that noding would not end.
    pub fn build(
        lines: &[Traced<Line>],
        gates: &[Placed<Gate>],
        settings: &NetworkSettings,
    ) -> Result<Network, NetworkError> {
        settings.check()?;
        let first = lines.first().ok_or(NetworkError::NoLine)?;
        let vertices = lines.iter().map(|l| l.ground.len()).sum();
        if vertices > VERTEX_LIMIT {
            return Err(NetworkError::TooManyVertices { vertices, limit: VERTEX_LIMIT });
        }
        let extent = lines.par_iter().map(|l| Extent::of(&l.ground)).reduce(|| Extent::NONE, Extent::with);
        let lattice = Lattice::covering(settings.lattice_step_m(), extent)?;
        let closes_gaps = settings.snap_m > 0.0;
        let (mut strands, merged) = if settings.merge_m < LEAST_MERGE_M {
            (Strands::from_lines(&lattice, lines, settings.respect_levels, closes_gaps), Vec::new())
        } else {
            merged_strands(&lattice, lines, settings.respect_levels, settings.merge_m, closes_gaps)?
        };
        if strands.len() == 0 {
            return Err(NetworkError::NoLength {
                step_m: lattice.step_m(),
                first: first.what.source.clone(),
            });
        }
        let mut strips = Strips::new(&strands);
        let gaps = if closes_gaps {
            gaps_of(&strands, &strips, &lattice, (lines, &merged), settings)?
        } else {
            Gaps::default()
        };
        gaps.connect(&mut strands, &mut strips, &lattice);
        strands.places = Vec::new();
        let mut noded = node(&strands, strips)?;
        let parted = separate_levels(&mut noded, &strands);
        let vanished = strands.vanished.clone();
        let mut made = make_edges(noded, strands, &lattice, &gaps.overshoots, settings.snap_m);
        let near_miss_ends = gaps.ends.clone();
        let near_misses = settle(gaps, &made.cut, &lattice);
        let report = Report {
            lines: lines.len(),
            vanished,
            merged,
            crossings: made.crossings + parted.len(),
            parted: parted.into_iter().map(|p| lattice.ground(p)).collect(),
            cut_m: made.cut_m,
            lattice_step_m: lattice.step_m(),
            unjoined: 0,
        };
        let line_lengths_m = lines.par_iter().map(|l| way_length_m(&l.ground)).collect();
        let pixels = std::mem::take(&mut made.nodes);
        let places = pixels.iter().map(|&p| lattice.ground(p)).collect();
        let mut network = Network::assemble(places, made, line_lengths_m, near_misses, report, *settings);
        mark_unjoined(&mut network, lines);
        describe_nodes(&mut network, gates, &pixels, &near_miss_ends);
        Ok(network)
    }
}

/// What is to be done at line ends; where passes were merged, also for what they moved.
fn gaps_of(
    strands: &Strands,
    strips: &Strips,
    lattice: &Lattice,
    (lines, merged): (&[Traced<Line>], &[MergedPass]),
    settings: &NetworkSettings,
) -> Result<Gaps, NetworkError> {
    let mut closing = find_gaps(strands, strips, lattice, settings)?;
    if !merged.is_empty() {
        join_as_drawn(&mut closing, strands, lattice, lines, merged, settings)?;
    }
    Ok(closing.into_gaps())
}

/// The near misses as they ended: overshoots that were cut say by how much, and where the line ends
/// now; those that were not are too long or too short a line to cut, or are joined at their end, and
/// are no near miss.
fn settle(gaps: Gaps, cut: &[Cut], lattice: &Lattice) -> Vec<super::NearMiss> {
    let mut near_misses = gaps.near_misses;
    for c in cut {
        near_misses[c.near_miss].closed = true;
        near_misses[c.near_miss].gap_m = c.tail_m;
        near_misses[c.near_miss].foot = lattice.ground(c.at);
    }
    near_misses.retain(|n| n.kind == NearMissKind::Gap || n.closed);
    near_misses
}
