//! Tables of an SQLite database, read row by row: the part of the file format (sqlite.org,
//! "Database File Format") that a GeoPackage needs. Table b-trees only, no index, no query,
//! nothing written. Every number that comes from the file is checked before it is used.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

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
    pub columns: Vec<String>,
    /// The column that is another name of the row number, if there is one.
    pub row_number: Option<usize>,
    root: u32,
}

/// An open database.
pub(super) struct Database {
    file: File,
    page_bytes: usize,
    usable: usize,
    pages: u32,
    encoding: TextEncoding,
    tables: Vec<Table>,
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
        let mut file = File::open(place).map_err(|e| e.to_string())?;
        let mut header = [0; 100];
        file.read_exact(&mut header).map_err(|_| "is cut short".to_string())?;
        let page_bytes = match u16::from_be_bytes([header[16], header[17]]) {
            1 => 65536,
            n if n.is_power_of_two() && n >= 512 => usize::from(n),
            n => return Err(format!("has pages of {n} bytes, which SQLite does not know")),
        };
        let length = file.metadata().map_err(|e| e.to_string())?.len();
        let pages =
            u32::try_from(length / page_bytes as u64).map_err(|_| "has too many pages".to_string())?;
        let usable = page_bytes.saturating_sub(usize::from(header[20]));
        if usable < 480 {
            return Err("reserves nearly all of its pages".into());
        }
        let encoding = match u32::from_be_bytes([header[56], header[57], header[58], header[59]]) {
            2 => TextEncoding::Utf16Le,
            3 => TextEncoding::Utf16Be,
            _ => TextEncoding::Utf8,
        };
        let wal = place.with_file_name(format!(
            "{}-wal",
            place.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
        ));
        if wal.metadata().is_ok_and(|m| m.len() > 0) {
            return Err(
                "is open in another program (a -wal file lies beside it); close it there first".into()
            );
        }
        let mut database = Self { file, page_bytes, usable, pages, encoding, tables: Vec::new() };
        database.read_schema()?;
        Ok(database)
    }

    /// A table by its name, without regard to case.
    pub(super) fn table(&self, name: &str) -> Option<Table> {
        self.tables.iter().find(|t| t.name.eq_ignore_ascii_case(name)).cloned()
    }

    fn read_schema(&mut self) -> Result<(), String> {
        let mut tables = Vec::new();
        let schema = Table { name: "sqlite_schema".into(), columns: Vec::new(), row_number: None, root: 1 };
        self.scan(&schema, &mut |_, row| {
            if let [kind, name, _, root, sql, ..] = row.as_slice()
                && kind.text() == Some("table")
                && let (Some(name), Some(root), Some(sql)) = (name.text(), root.integer(), sql.text())
                && let Ok(root) = u32::try_from(root)
                && root > 0
            {
                let (columns, row_number) = columns_of(sql);
                tables.push(Table { name: name.to_string(), columns, row_number, root });
            }
            Ok(())
        })?;
        self.tables = tables;
        Ok(())
    }

    /// Passes every row of a table on: its row number and its cells, which may be fewer than
    /// the columns.
    ///
    /// # Errors
    /// In words: what is damaged, or what `take` says.
    pub(super) fn scan(
        &mut self,
        table: &Table,
        take: &mut dyn FnMut(i64, Vec<Cell>) -> Result<(), String>,
    ) -> Result<(), String> {
        let mut seen = 0;
        self.scan_page(table.root, 0, &mut seen, take)
    }

    fn scan_page(
        &mut self,
        number: u32,
        depth: usize,
        seen: &mut u32,
        take: &mut dyn FnMut(i64, Vec<Cell>) -> Result<(), String>,
    ) -> Result<(), String> {
        *seen += 1;
        if depth > MAX_DEPTH || *seen > self.pages {
            return Err(damaged("its pages point in a circle"));
        }
        let page = self.page(number)?;
        let start = if number == 1 { 100 } else { 0 };
        let kind = byte(&page, start)?;
        let cells = usize::from(u16_at(&page, start + 3)?);
        let pointers = start + if kind == 5 { 12 } else { 8 };
        match kind {
            5 => {
                for i in 0..cells {
                    let at = usize::from(u16_at(&page, pointers + 2 * i)?);
                    self.scan_page(u32_at(&page, at)?, depth + 1, seen, take)?;
                }
                self.scan_page(u32_at(&page, start + 8)?, depth + 1, seen, take)
            }
            13 => {
                for i in 0..cells {
                    let at = usize::from(u16_at(&page, pointers + 2 * i)?);
                    let (row, payload) = self.payload(&page, at)?;
                    take(row, self.record(&payload)?)?;
                }
                Ok(())
            }
            2 | 10 => Err("keeps its rows in an index (WITHOUT ROWID), which is not read".into()),
            _ => Err(damaged("a page is of no known kind")),
        }
    }

    fn page(&mut self, number: u32) -> Result<Vec<u8>, String> {
        if number == 0 || number > self.pages {
            return Err(damaged(&format!("page {number} lies outside the file; it looks cut short")));
        }
        let mut page = vec![0; self.page_bytes];
        let at = u64::from(number - 1) * self.page_bytes as u64;
        self.file.seek(SeekFrom::Start(at)).map_err(|e| e.to_string())?;
        self.file.read_exact(&mut page).map_err(|e| e.to_string())?;
        Ok(page)
    }

    /// Row number and payload of a cell, with what spills over to further pages.
    fn payload(&mut self, page: &[u8], at: usize) -> Result<(i64, Vec<u8>), String> {
        let (length, at) = varint(page, at)?;
        let (row, at) = varint(page, at)?;
        let length = usize::try_from(length).map_err(|_| damaged("a row has a negative length"))?;
        if length as u64 > u64::from(self.pages) * self.page_bytes as u64 {
            return Err(damaged("a row is longer than the file"));
        }
        let most = self.usable - 35;
        if length <= most {
            return Ok((row, slice(page, at, length)?.to_vec()));
        }
        let least = (self.usable - 12) * 32 / 255 - 23;
        let fitting = least + (length - least) % (self.usable - 4);
        let local = if fitting <= most { fitting } else { least };
        let mut payload = slice(page, at, local)?.to_vec();
        let mut next = u32_at(page, at + local)?;
        while payload.len() < length {
            let further = self.page(next)?;
            let part = (length - payload.len()).min(self.usable - 4);
            payload.extend_from_slice(slice(&further, 4, part)?);
            next = u32_at(&further, 0)?;
        }
        Ok((row, payload))
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

fn damaged(what: &str) -> String {
    format!("is a damaged database: {what}; copy it again")
}

fn slice(bytes: &[u8], at: usize, length: usize) -> Result<&[u8], String> {
    at.checked_add(length).and_then(|end| bytes.get(at..end)).ok_or_else(|| damaged("a page is cut short"))
}

fn byte(bytes: &[u8], at: usize) -> Result<u8, String> {
    bytes.get(at).copied().ok_or_else(|| damaged("a page is cut short"))
}

fn u16_at(bytes: &[u8], at: usize) -> Result<u16, String> {
    Ok(u16::from_be_bytes([byte(bytes, at)?, byte(bytes, at + 1)?]))
}

fn u32_at(bytes: &[u8], at: usize) -> Result<u32, String> {
    Ok(u32::from(u16_at(bytes, at)?) << 16 | u32::from(u16_at(bytes, at + 2)?))
}

/// A variable-length integer and the position after it.
fn varint(bytes: &[u8], at: usize) -> Result<(i64, usize), String> {
    let mut value = 0_i64;
    for i in 0..9 {
        let b = byte(bytes, at + i)?;
        if i == 8 {
            return Ok((value << 8 | i64::from(b), at + 9));
        }
        value = value << 7 | i64::from(b & 0x7f);
        if b & 0x80 == 0 {
            return Ok((value, at + i + 1));
        }
    }
    Err(damaged("a number is cut short"))
}

/// The names of the columns in a `CREATE TABLE` statement, and which of them is the row number.
fn columns_of(sql: &str) -> (Vec<String>, Option<usize>) {
    let mut columns = Vec::new();
    let mut row_number = None;
    for part in parts_of(sql) {
        let part = part.trim_start();
        let (name, rest) = name_of(part);
        let word = part.split(|c: char| c.is_whitespace() || c == '(').next().unwrap_or("").to_uppercase();
        if ["CONSTRAINT", "PRIMARY", "UNIQUE", "CHECK", "FOREIGN"].contains(&word.as_str()) || name.is_empty()
        {
            continue;
        }
        let rest = rest.to_uppercase();
        let kind = rest.split_whitespace().next().unwrap_or("");
        if kind == "INTEGER" && rest.contains("PRIMARY KEY") {
            row_number = Some(columns.len());
        }
        columns.push(name);
    }
    (columns, row_number)
}

/// The definitions between the outermost brackets, parted at commas; comments left out.
fn parts_of(sql: &str) -> Vec<String> {
    let mut parts = vec![String::new()];
    let (mut depth, mut quote) = (0_usize, None);
    let mut chars = sql.chars().peekable();
    while let Some(c) = chars.next() {
        match (quote, c) {
            (Some(end), c) if c == end => quote = None,
            (Some(_), _) => {}
            (None, '"' | '\'' | '`') => quote = Some(c),
            (None, '[') => quote = Some(']'),
            (None, '-') if chars.peek() == Some(&'-') => {
                while chars.next_if(|&c| c != '\n').is_some() {}
                continue;
            }
            (None, '(') => {
                depth += 1;
                if depth == 1 {
                    continue;
                }
            }
            (None, ')') => depth = depth.saturating_sub(1),
            (None, ',') if depth == 1 => {
                parts.push(String::new());
                continue;
            }
            _ => {}
        }
        if depth > 0
            && let Some(part) = parts.last_mut()
        {
            part.push(c);
        }
    }
    parts
}

/// The name at the start of a column definition, without its quotes, and what follows.
fn name_of(part: &str) -> (String, &str) {
    let quoted = |end: char| {
        let body = part.get(1..).unwrap_or("");
        let stop = body.find(end).unwrap_or(body.len());
        (body[..stop].to_string(), body.get(stop + 1..).unwrap_or(""))
    };
    match part.chars().next() {
        Some(quote @ ('"' | '`' | '\'')) => quoted(quote),
        Some('[') => quoted(']'),
        _ => {
            let stop = part.find(char::is_whitespace).unwrap_or(part.len());
            (part[..stop].to_string(), &part[stop..])
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_found_in_statements_of_all_styles() {
        let sql = "CREATE TABLE \"a, b\" ( \"fid\" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, -- the key, it is\n \
                   [geo m] POINT, name TEXT(30) DEFAULT 'x, (y', `d` REAL CHECK (d > 0, 1), CONSTRAINT u UNIQUE (name, d))";
        let (columns, row_number) = columns_of(sql);
        assert_eq!(columns, ["fid", "geo m", "name", "d"]);
        assert_eq!(row_number, Some(0));
    }

    #[test]
    fn varints_are_those_of_the_format() {
        assert_eq!(varint(&[0x7f], 0), Ok((127, 1)));
        assert_eq!(varint(&[0x81, 0x00], 0), Ok((128, 2)));
        assert_eq!(varint(&[0xff; 9], 0), Ok((-1, 9)));
        assert!(varint(&[0x81], 0).is_err());
    }
}
