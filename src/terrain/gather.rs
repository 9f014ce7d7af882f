//! How many cells drain through each cell.

use rayon::prelude::*;

use super::drain::{VOID, Way, next};
use super::field::Field;

/// Cells that drain through every cell, itself included; 0 where there is no height. One pass:
/// each cell is handed on when all that drain into it have been.
pub(super) fn cells_above(field: &Field, ways: &[Way]) -> Vec<u32> {
    const DONE: u8 = u8::MAX;
    let mut waiting = inflows(field, ways);
    let mut count: Vec<u32> = ways.par_iter().map(|&way| u32::from(way != VOID)).collect();
    for start in 0..ways.len() {
        let mut cell = start;
        while waiting[cell] == 0 {
            waiting[cell] = DONE;
            let Some(lower) = next(field.columns, cell, ways[cell]) else { break };
            count[lower] += count[cell];
            waiting[lower] -= 1;
            cell = lower;
        }
    }
    count
}

/// How many neighbours drain into every cell.
fn inflows(field: &Field, ways: &[Way]) -> Vec<u8> {
    let offsets = field.offsets();
    let mut counts = vec![0; ways.len()];
    counts.par_chunks_mut(field.columns).enumerate().for_each(|(row, line)| {
        for (column, count) in line.iter_mut().enumerate() {
            let cell = row * field.columns + column;
            // The neighbour at a step drains here when its way is the step back.
            let comes = |step: usize, other: usize| u8::from(usize::from(ways[other]) == (step + 4) % 8);
            *count = if field.is_inner(cell) {
                (0..8).map(|step| comes(step, cell.wrapping_add_signed(offsets[step]))).sum()
            } else {
                field.neighbours(cell).map(|(step, other)| comes(step, other)).sum()
            };
        }
    });
    counts
}
