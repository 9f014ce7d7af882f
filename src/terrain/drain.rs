//! Which way water leaves every cell: to the steepest of the eight neighbours (D8, O'Callaghan
//! & Mark 1984), over level ground to its nearest outlet, and out of closed hollows along their
//! bottom and over the lowest pass.
//!
//! Hollows are carved, not filled: every hollow's lowest pass to the outside comes from a least
//! spanning tree of the basins, and the flow from that pass to the bottom is turned round
//! (Cordonnier, Bovy & Braun 2019, "A versatile, linear complexity algorithm for flow routing in
//! topographies with depressions", Earth Surface Dynamics 7, 549–562). The line then follows the
//! bottom of the hollow, which a filled hollow would hide. No height is changed.

use std::collections::VecDeque;

use rayon::prelude::*;

use super::basin::{self, Basins, Pass};
use super::field::{Field, STEPS};

/// The way out of a cell: the number of a step, or one of the two below.
pub(super) type Way = u8;
/// The cell drains off the field.
pub(super) const OFF: Way = 8;
/// The cell has no height.
pub(super) const VOID: Way = 9;
/// The cell has no lower neighbour and is not at the rim; only while ways are being found.
const LEVEL: Way = 10;
/// The lowest place of a closed hollow; only while ways are being found.
const SINK: Way = 11;

/// Where water leaves a field.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Outlet {
    /// Over the rim, wherever it comes to it: the ground.
    Rim,
    /// At the lowest cell of every connected part: the ground upside down, whose hills then hang
    /// together over all their saddles.
    Lowest,
}

/// Where every cell of a field drains.
#[derive(Debug)]
pub(super) struct Drainage {
    /// The way out of every cell. Followed from any cell they end at one that is [`OFF`].
    pub(super) ways: Vec<Way>,
    /// The basins before the hollows were carved, and the passes between them.
    pub(super) basins: Basins,
}

/// The cell that a way leads to.
pub(super) fn next(columns: usize, cell: usize, way: Way) -> Option<usize> {
    let &(down, right) = STEPS.get(usize::from(way))?;
    Some(cell.wrapping_add_signed(down * columns as isize + right))
}

/// The drainage of a field. Along the way out of any cell the highest height is the least
/// that any way to an outlet has (with [`Outlet::Rim`], the level to which its hollow would
/// fill). Cost: linear in the cells but for a sort of the edges between basins.
pub(super) fn drain(field: &Field, outlet: Outlet) -> Drainage {
    let mut ways = steepest(field);
    let closed = cross_level_ground(field, &mut ways);
    let basins = basin::find(field, &ways);
    carve(field, &mut ways, closed, &basins.outlets(field, outlet));
    for &sink in &basins.sinks {
        let way = &mut ways[sink as usize];
        if *way == SINK {
            *way = OFF;
        }
    }
    Drainage { ways, basins }
}

/// The steepest way down from every cell. Ties go to the first step from east clockwise.
fn steepest(field: &Field) -> Vec<Way> {
    const DIAGONAL: f32 = std::f32::consts::FRAC_1_SQRT_2;
    const NEARNESS: [f32; 8] = [1.0, DIAGONAL, 1.0, DIAGONAL, 1.0, DIAGONAL, 1.0, DIAGONAL];
    let offsets = field.offsets();
    let mut ways = vec![VOID; field.values.len()];
    ways.par_chunks_mut(field.columns).enumerate().for_each(|(row, line)| {
        for (column, way) in line.iter_mut().enumerate() {
            let cell = row * field.columns + column;
            let height = field.values[cell];
            if height.is_nan() {
                continue;
            }
            let (mut best, mut fall) = (LEVEL, 0.0);
            if field.is_inner(cell) {
                for step in 0..8 {
                    let other = field.values[cell.wrapping_add_signed(offsets[step])];
                    let steep = (height - other) * NEARNESS[step];
                    if steep > fall {
                        (best, fall) = (step as Way, steep);
                    }
                }
            } else {
                for (step, other) in field.neighbours(cell) {
                    let steep = (height - field.values[other]) * NEARNESS[step];
                    if steep > fall {
                        (best, fall) = (step as Way, steep);
                    }
                }
            }
            *way = if best == LEVEL && field.is_rim(cell) { OFF } else { best };
        }
    });
    ways
}

/// Leads level ground to its nearest outlet, and what has none to one of its cells, its sink.
/// Gives back which cells lie on level ground that is closed.
fn cross_level_ground(field: &Field, ways: &mut [Way]) -> Vec<bool> {
    let level: Vec<usize> = (0..ways.len()).filter(|&cell| ways[cell] == LEVEL).collect();
    let same = |a: usize, b: usize| field.values[a] == field.values[b];
    let outlet = |ways: &[Way], cell: usize| {
        field.neighbours(cell).find(|&(_, other)| ways[other] <= OFF && same(cell, other))
    };
    let shores: Vec<(usize, Way)> =
        level.iter().filter_map(|&cell| outlet(ways, cell).map(|(step, _)| (cell, step as Way))).collect();
    let mut queue = VecDeque::new();
    for (cell, way) in shores {
        ways[cell] = way;
        queue.push_back(cell);
    }
    spread(field, &mut queue, |cell, way| {
        let open = ways[cell] == LEVEL;
        if open {
            ways[cell] = way;
        }
        open
    });
    let mut closed = vec![false; if level.is_empty() { 0 } else { ways.len() }];
    for cell in level {
        if ways[cell] == LEVEL {
            ways[cell] = SINK;
            closed[cell] = true;
            queue.push_back(cell);
            spread(field, &mut queue, |cell, way| {
                let open = ways[cell] == LEVEL;
                if open {
                    ways[cell] = way;
                    closed[cell] = true;
                }
                open
            });
        }
    }
    closed
}

/// Goes from the queued cells over cells of the same height, nearest first, and offers each
/// with the way back; those that `take` takes go on.
fn spread(field: &Field, queue: &mut VecDeque<usize>, mut take: impl FnMut(usize, Way) -> bool) {
    while let Some(cell) = queue.pop_front() {
        // Straight neighbours before diagonal ones, for the shorter way.
        for step in [0, 2, 4, 6, 1, 3, 5, 7] {
            let Some(other) = field.neighbour(cell, step) else { continue };
            if field.values[other] == field.values[cell] && take(other, back(step as Way)) {
                queue.push_back(other);
            }
        }
    }
}

/// The step back.
fn back(way: Way) -> Way {
    (way + 4) % 8
}

/// Turns the flow round between every basin's pass and its sink. Level ground at the bottom is
/// led to the cell where the turned flow leaves it.
fn carve(field: &Field, ways: &mut [Way], mut closed: Vec<bool>, outlets: &[Pass]) {
    let mut queue = VecDeque::new();
    for pass in outlets {
        let mut cell = pass.inside as usize;
        let mut out = pass.way(field.columns);
        loop {
            let down = std::mem::replace(&mut ways[cell], out);
            if closed.get(cell) == Some(&true) {
                closed[cell] = false;
                queue.push_back(cell);
                spread(field, &mut queue, |cell, way| {
                    let open = std::mem::replace(&mut closed[cell], false);
                    if open {
                        ways[cell] = way;
                    }
                    open
                });
                break;
            }
            let Some(lower) = next(field.columns, cell, down) else { break };
            out = back(down);
            cell = lower;
        }
    }
}
