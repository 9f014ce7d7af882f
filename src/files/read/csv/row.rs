//! What is odd about a row: cells too many or too few, a quote left open, numbers that can be
//! meant in two ways.

use super::{Columns, Unit, number};
use crate::files::read::{FileError, Request};

impl Columns {
    /// Refuses a header that names a column twice where safety hangs on it; otherwise says so, for
    /// the last of them is read.
    pub(super) fn check_names(&self, request: &Request, notes: &mut Vec<String>) -> Result<(), FileError> {
        for (at, name) in self.names.iter().enumerate().filter(|(_, name)| !name.is_empty()) {
            if self.names.iter().take(at).any(|other| other.eq_ignore_ascii_case(name)) {
                let what = format!("has two columns \"{name}\"");
                if request.options.strict {
                    return Err(
                        request.wrong(format!("{what}; give one of them another name, or take it out"))
                    );
                }
                notes.push(format!("{what}; the last is read"));
            }
        }
        Ok(())
    }

    /// Why a row cannot be understood as it stands.
    pub(super) fn odd(&self, row: &csv::StringRecord) -> Option<String> {
        let said = |cells: usize| {
            format!(
                "has {cells} cells, where the header has {}; quote a text that holds \"{}\"",
                self.names.len(),
                char::from(self.delimiter)
            )
        };
        // Spreadsheets leave delimiters behind the last column, in the header or in rows.
        let named = self.names.iter().rposition(|name| !name.is_empty()).map_or(0, |at| at + 1);
        let filled =
            row.iter().enumerate().filter(|(_, cell)| !cell.is_empty()).last().map_or(0, |(at, _)| at + 1);
        if filled > self.names.len() || row.len() < named && filled > 0 {
            return Some(said(row.len()));
        }
        let written_with_comma = |at: usize| row.get(at).is_some_and(|text| text.contains(','));
        if self.comma && self.unit != Unit::None && (written_with_comma(self.x) || written_with_comma(self.y))
        {
            let open =
                |(at, text): &(usize, &str)| *at != self.x && *at != self.y && number::may_be_thousands(text);
            let (at, text) = row.iter().enumerate().find(open)?;
            return Some(format!(
                "has the {} \"{text}\" beside decimal commas, which may be a fraction or thousands; write it with \
                 a comma, or without the point",
                self.names.get(at).map_or("", String::as_str)
            ));
        }
        None
    }

    /// A line of the file that a cell has taken in, because a quote before it is not closed.
    pub(super) fn swallowed_line<'r>(&self, row: &'r csv::StringRecord) -> Option<&'r str> {
        let like_a_row = |line: &&str| {
            let cells: Vec<&str> = line.split(char::from(self.delimiter)).map(str::trim).collect();
            let numbers = |at: usize| {
                let cell = cells.get(at).map(|cell| cell.trim_matches('"')).unwrap_or_default();
                cell.parse::<f64>().is_ok() || number::with_point(cell).is_some()
            };
            cells.len() >= self.names.len().max(2)
                && (self.unit == Unit::None || numbers(self.x) && numbers(self.y))
        };
        row.iter()
            .filter(|cell| cell.contains(['\n', '\r']))
            .find_map(|cell| cell.split(['\n', '\r']).skip(1).find(like_a_row))
    }
}
