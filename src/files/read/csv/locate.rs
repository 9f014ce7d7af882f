//! Where in the text a cell of a table begins.

use std::io::{BufReader, Read};

use super::number::with_point;
use super::{DEGREES, METRES, delimiter_of};
use crate::files::read::Input;

/// A cell as it stands in the text, with its first byte after a byte-order mark.
struct Cell {
    start: u64,
    bytes: Vec<u8>,
}

impl Cell {
    fn text(&self) -> String {
        let text = String::from_utf8_lossy(&self.bytes).trim().to_string();
        let inner = text.strip_prefix('"').and_then(|text| text.strip_suffix('"'));
        inner.map_or(text.clone(), |inner| inner.replace("\"\"", "\""))
    }
}

/// The byte, after a byte-order mark, at which a cell of row `index` below the header begins:
/// that of the column `property`, else the first of its place that holds no number.
pub(in crate::files::read) fn locate(input: &mut Input, index: usize, property: Option<&str>) -> Option<u64> {
    let delimiter = delimiter_of(input.head());
    let mut rows = Rows { bytes: BufReader::with_capacity(1 << 18, input).bytes(), delimiter, at: 0 };
    let names: Vec<String> = rows.next_row(true)?.iter().map(Cell::text).collect();
    let place = |wanted: &[&str]| names.iter().position(|n| wanted.contains(&n.to_lowercase().as_str()));
    let columns = match property {
        Some(name) => [names.iter().position(|column| column == name)?; 2],
        None => {
            let pair = |(east, north): &(&[&str], &[&str])| place(east).zip(place(north));
            DEGREES.iter().chain(&METRES).find_map(pair)?.into()
        }
    };
    for _ in 0..index {
        rows.next_row(false)?;
    }
    let cells = rows.next_row(true)?;
    let holds_number = |column: &&usize| {
        let text = cells.get(**column).map(Cell::text).unwrap_or_default();
        text.parse::<f64>().is_ok() || with_point(&text).is_some()
    };
    let column = columns.iter().find(|column| !holds_number(column)).unwrap_or(&columns[0]);
    cells.get(*column).or(cells.last()).map(|cell| cell.start)
}

/// A table cut into rows and cells as RFC 4180 has them, whichever way lines end.
struct Rows<B> {
    bytes: B,
    delimiter: u8,
    at: u64,
}

impl<B: Iterator<Item = std::io::Result<u8>>> Rows<B> {
    /// The next row that is not empty, cut into its cells only where they are to be kept.
    fn next_row(&mut self, keep: bool) -> Option<Vec<Cell>> {
        let (mut cells, mut seen, mut quoted, mut begins) = (vec![self.cell()], false, false, true);
        while let Some(Ok(byte)) = self.bytes.next() {
            self.at += 1;
            let first = std::mem::take(&mut begins);
            match byte {
                b'"' if first || quoted => quoted = !quoted,
                // The second of two quotes within a cell opens it again.
                b'"' if cells.last().is_some_and(|cell| cell.bytes.last() == Some(&b'"')) => quoted = true,
                b'\n' | b'\r' if !quoted && seen => return Some(cells),
                b'\n' | b'\r' if !quoted => {
                    (cells, begins) = (vec![self.cell()], true);
                    continue;
                }
                _ if byte == self.delimiter && !quoted => {
                    (seen, begins) = (true, true);
                    if keep {
                        cells.push(self.cell());
                    }
                    continue;
                }
                _ => {}
            }
            seen = true;
            if let Some(cell) = cells.last_mut() {
                cell.bytes.push(byte);
            }
        }
        seen.then_some(cells)
    }

    fn cell(&self) -> Cell {
        Cell { start: self.at, bytes: Vec::new() }
    }
}
