//! Lines from the cells of a drainage that are marked.

use super::drain::{Way, next};

/// A line of cells in the direction of their drainage.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Trace {
    /// Its cells, at least two.
    pub(super) cells: Vec<u32>,
    /// Whether no marked cell drains into its first cell.
    pub(super) begins: bool,
    /// Whether its last cell is a meeting, which begins another line.
    pub(super) meets: bool,
}

/// The marked cells as lines: every line runs from a head or a meeting to the next meeting or
/// the last marked cell, and a meeting is shared by the lines that end and begin there. Lines
/// come in the order of their first cells.
pub(super) fn traces(columns: usize, ways: &[Way], marked: &[bool]) -> Vec<Trace> {
    let cells: Vec<usize> = (0..ways.len()).filter(|&cell| marked[cell]).collect();
    let onward = |cell: usize| next(columns, cell, ways[cell]).filter(|&lower| marked[lower]);
    let mut inflows = vec![0u8; ways.len()];
    for lower in cells.iter().filter_map(|&cell| onward(cell)) {
        inflows[lower] += 1;
    }
    let trace = |start: usize| {
        let mut trace = Trace { cells: vec![start as u32], begins: inflows[start] == 0, meets: false };
        let mut cell = start;
        while let Some(lower) = onward(cell) {
            trace.cells.push(lower as u32);
            if inflows[lower] > 1 {
                trace.meets = true;
                break;
            }
            cell = lower;
        }
        trace
    };
    let starts = cells.iter().filter(|&&cell| inflows[cell] != 1);
    starts.map(|&start| trace(start)).filter(|trace| trace.cells.len() > 1).collect()
}
