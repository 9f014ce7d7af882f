//! Tables of an SQLite database, read row by row: the part of the file format (sqlite.org,
//! "Database File Format") that a GeoPackage needs. Rows of tables, with or without row numbers,
//! as SQLite gives them; no query, nothing written. Every number that comes from the file is
//! checked before it is used, and what is not understood about a table is refused, since a value
//! read wrongly is worse than none.

mod bytes;
mod pages;
mod schema;
mod words;

use std::path::{Path, PathBuf};

use bytes::{byte, damaged, slice, u16_at, u32_at, varint};
use pages::Pages;
use schema::{Affinity, Layout, layout_of};

/// SQLite holds no row of more values.
const MAX_COLUMNS: usize = 32_767;

/// No table of any size that fits a disk is deeper than this.
const MAX_DEPTH: usize = 24;

/// A value of a cell.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Cell {
    Null,
    Integer(i64),
    Real(f64),
    Text(String),
    Blob(Vec<u8>),
}

impl Cell {
    pub(super) fn text(&self) -> Option<&str> {
        if let Cell::Text(text) = self { Some(text) } else { None }
    }

    pub(super) fn integer(&self) -> Option<i64> {
        if let Cell::Integer(n) = self { Some(*n) } else { None }
    }
}

/// A table: its name, its columns, and where its rows begin.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Table {
    pub name: String,
    layout: Layout,
    root: u32,
}

impl Table {
    /// The names of the columns.
    pub(super) fn columns(&self) -> impl Iterator<Item = &str> {
        self.layout.columns.iter().map(|column| column.name.as_str())
    }

    /// The column that is another name of the row number, if there is one.
    pub(super) fn row_number(&self) -> Option<usize> {
        self.layout.row_number
    }

    /// A stored row in the order of the columns, with what SQLite adds to it: the row number, and
    /// the defaults of columns that were added after the row was written.
    fn row(&self, number: i64, stored: Vec<Cell>) -> Result<Vec<Cell>, String> {
        let layout = &self.layout;
        if stored.len() > layout.stored.len() {
            return Err(damaged(&format!(
                "a row of the table \"{}\" has more values than columns",
                self.name
            )));
        }
        let mut row = vec![Cell::Null; layout.columns.len()];
        let mut stored = stored.into_iter();
        for &at in &layout.stored {
            let (Some(column), Some(place)) = (layout.columns.get(at), row.get_mut(at)) else { continue };
            *place = match stored.next() {
                _ if layout.row_number == Some(at) => Cell::Integer(number),
                Some(Cell::Integer(n)) if column.affinity == Affinity::Real => Cell::Real(n as f64),
                Some(cell) => cell,
                None => column.default.clone().map_err(|default| {
                    format!(
                        "has rows from before the column \"{}\" was added, whose default ({default}) is not \
                         understood; export the layer to a new file",
                        column.name
                    )
                })?,
            };
        }
        Ok(row)
    }
}

/// An open database.
pub(super) struct Database {
    pages: Pages,
    usable: usize,
    encoding: TextEncoding,
    /// Tables by name, or why they are not read.
    tables: Vec<(String, Result<Table, String>)>,
}

/// What a walk through a table has used up.
#[derive(Default)]
struct Walked {
    pages: u32,
    rows: i64,
}

#[derive(Clone, Copy, PartialEq)]
enum TextEncoding {
    Utf8,
    Utf16Le,
    Utf16Be,
}

impl Database {
    /// Opens a database and reads its schema.
    ///
    /// # Errors
    /// In words: what is wrong with the file.
    pub(super) fn open(place: &Path) -> Result<Self, String> {
        let mut pages = Pages::open(place)?;
        let header = pages.page(1)?;
        let usable = pages.page_bytes.saturating_sub(usize::from(byte(&header, 20)?));
        if usable < 480 {
            return Err("reserves nearly all of its pages".into());
        }
        let encoding = match u32_at(&header, 56)? {
            2 => TextEncoding::Utf16Le,
            3 => TextEncoding::Utf16Be,
            _ => TextEncoding::Utf8,
        };
        let mut database = Self { pages, usable, encoding, tables: Vec::new() };
        database.read_schema()?;
        Ok(database)
    }

    /// The write-ahead log that is read with the file, if there is one.
    pub(super) fn log(place: &Path) -> Option<PathBuf> {
        Some(pages::beside(place, pages::LOG)).filter(|log| log.metadata().is_ok_and(|m| m.len() > 0))
    }

    /// A table by its name, without regard to case; nothing where there is none.
    ///
    /// # Errors
    /// In words: why it is not read.
    pub(super) fn table(&self, name: &str) -> Result<Option<Table>, String> {
        self.tables
            .iter()
            .find(|(own, _)| own.eq_ignore_ascii_case(name))
            .map(|(_, table)| table.clone())
            .transpose()
    }

    fn read_schema(&mut self) -> Result<(), String> {
        let mut tables = Vec::new();
        self.walk(1, 0, &mut Walked::default(), &mut |_, row| {
            if let [kind, name, _, root, sql, ..] = row.as_slice()
                && let (Some(kind), Some(name), Some(sql)) = (kind.text(), name.text(), sql.text())
            {
                let root = root.integer().and_then(|root| u32::try_from(root).ok()).filter(|root| *root > 0);
                let table = match (kind, root) {
                    ("table", Some(root)) => layout_of(sql)
                        .map(|layout| Table { name: name.to_string(), layout, root })
                        .map_err(|why| format!("{why} (table \"{name}\")")),
                    ("table", None) => Err(format!("has the table \"{name}\", whose rows lie elsewhere (a virtual table); export it to a new file")),
                    ("view", _) => Err(format!(
                        "has the view \"{name}\" ({}), which is a query and not read; name the table that it takes \
                         its rows from as layer, or export the view to a new file",
                        sql.split_whitespace().collect::<Vec<_>>().join(" ")
                    )),
                    _ => return Ok(()),
                };
                tables.push((name.to_string(), table));
            }
            Ok(())
        })?;
        self.tables = tables;
        Ok(())
    }

    /// Passes every row of a table on: its number and a cell for every column.
    ///
    /// # Errors
    /// In words: what is damaged or not understood, or what `take` says.
    pub(super) fn scan(
        &mut self,
        table: &Table,
        take: &mut dyn FnMut(i64, Vec<Cell>) -> Result<(), String>,
    ) -> Result<(), String> {
        self.walk(table.root, 0, &mut Walked::default(), &mut |number, stored| {
            take(number, table.row(number, stored)?)
        })
    }

    /// Passes the stored values of all rows below a page on. Rows without a number are counted.
    fn walk(
        &mut self,
        number: u32,
        depth: usize,
        walked: &mut Walked,
        take: &mut dyn FnMut(i64, Vec<Cell>) -> Result<(), String>,
    ) -> Result<(), String> {
        self.use_page(walked)?;
        if depth > MAX_DEPTH {
            return Err(damaged("its pages point in a circle"));
        }
        let page = self.pages.page(number)?;
        let start = if number == 1 { 100 } else { 0 };
        let kind = byte(&page, start)?;
        let cells = usize::from(u16_at(&page, start + 3)?);
        let pointers = start + if matches!(kind, 2 | 5) { 12 } else { 8 };
        if !matches!(kind, 2 | 5 | 10 | 13) {
            return Err(damaged("a page is of no known kind"));
        }
        for i in 0..cells {
            let mut at = usize::from(u16_at(&page, pointers + 2 * i)?);
            if matches!(kind, 2 | 5) {
                self.walk(u32_at(&page, at)?, depth + 1, walked, take)?;
                at += 4;
            }
            if kind != 5 {
                let (length, next) = varint(&page, at)?;
                walked.rows += 1;
                let (row, next) = if kind == 13 { varint(&page, next)? } else { (walked.rows, next) };
                let payload = self.payload(&page, next, length, kind == 13, walked)?;
                take(row, self.record(&payload)?)?;
            }
        }
        match kind {
            2 | 5 => self.walk(u32_at(&page, start + 8)?, depth + 1, walked, take),
            _ => Ok(()),
        }
    }

    /// No page belongs to a table twice.
    fn use_page(&self, walked: &mut Walked) -> Result<(), String> {
        walked.pages += 1;
        if walked.pages > self.pages.count {
            return Err(damaged("its pages point in a circle"));
        }
        Ok(())
    }

    /// The payload of a cell that begins at a place, with what spills over to further pages.
    fn payload(
        &mut self,
        page: &[u8],
        at: usize,
        length: i64,
        in_table: bool,
        walked: &mut Walked,
    ) -> Result<Vec<u8>, String> {
        let length = usize::try_from(length).map_err(|_| damaged("a row has a negative length"))?;
        if length as u64 > u64::from(self.pages.count) * self.pages.page_bytes as u64 {
            return Err(damaged("a row is longer than the file"));
        }
        let most = if in_table { self.usable - 35 } else { (self.usable - 12) * 64 / 255 - 23 };
        if length <= most {
            return Ok(slice(page, at, length)?.to_vec());
        }
        let least = (self.usable - 12) * 32 / 255 - 23;
        let fitting = least + (length - least) % (self.usable - 4);
        let local = if fitting <= most { fitting } else { least };
        let mut payload = slice(page, at, local)?.to_vec();
        let mut next = u32_at(page, at + local)?;
        while payload.len() < length {
            self.use_page(walked)?;
            let further = self.pages.page(next)?;
            let part = (length - payload.len()).min(self.usable - 4);
            payload.extend_from_slice(slice(&further, 4, part)?);
            next = u32_at(&further, 0)?;
        }
        Ok(payload)
    }

    fn record(&self, payload: &[u8]) -> Result<Vec<Cell>, String> {
        let (header, mut at) = varint(payload, 0)?;
        let header = usize::try_from(header).map_err(|_| damaged("a row has no header"))?;
        let mut body = header;
        let mut cells = Vec::new();
        while at < header {
            let (kind, next) = varint(payload, at)?;
            at = next;
            let (cell, length) = self.cell(payload, body, kind)?;
            if cells.len() >= MAX_COLUMNS {
                return Err(damaged("a row has more values than SQLite allows"));
            }
            cells.push(cell);
            body += length;
        }
        Ok(cells)
    }

    fn cell(&self, payload: &[u8], at: usize, kind: i64) -> Result<(Cell, usize), String> {
        let integer = |length: usize| -> Result<(Cell, usize), String> {
            let bytes = slice(payload, at, length)?;
            let first = bytes.first().map_or(0, |&b| i64::from(b as i8));
            let value = bytes.iter().skip(1).fold(first, |sum, &b| sum << 8 | i64::from(b));
            Ok((Cell::Integer(value), length))
        };
        match kind {
            0 => Ok((Cell::Null, 0)),
            1..=4 => integer(kind as usize),
            5 => integer(6),
            6 => integer(8),
            7 => {
                let bytes: [u8; 8] =
                    slice(payload, at, 8)?.try_into().map_err(|_| damaged("a number is cut short"))?;
                Ok((Cell::Real(f64::from_be_bytes(bytes)), 8))
            }
            8 => Ok((Cell::Integer(0), 0)),
            9 => Ok((Cell::Integer(1), 0)),
            n if n >= 12 => {
                let length = ((n - 12) / 2) as usize;
                let bytes = slice(payload, at, length)?;
                let cell = if n % 2 == 0 { Cell::Blob(bytes.to_vec()) } else { Cell::Text(self.text(bytes)) };
                Ok((cell, length))
            }
            _ => Err(damaged("a value is of no known kind")),
        }
    }

    fn text(&self, bytes: &[u8]) -> String {
        let wide = |make: fn([u8; 2]) -> u16| {
            let units: Vec<u16> = bytes.as_chunks().0.iter().map(|&pair| make(pair)).collect();
            String::from_utf16_lossy(&units)
        };
        match self.encoding {
            TextEncoding::Utf8 => String::from_utf8_lossy(bytes).into_owned(),
            TextEncoding::Utf16Le => wide(u16::from_le_bytes),
            TextEncoding::Utf16Be => wide(u16::from_be_bytes),
        }
    }
}
