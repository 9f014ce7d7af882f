//! An SQLite database written once, from front to back: table b-trees of rows in ascending
//! order and small indexes, after the public description of the file format (sqlite.org,
//! "Database File Format"). The bytes depend on nothing but what is written.

use std::io::{self, Seek, SeekFrom, Write};

const PAGE: usize = 4096;
/// Children of an interior page. Each takes up to 15 bytes of the page and its pointer.
const CHILDREN: usize = 250;
/// The longest payload that stays whole on a leaf of a table.
const MOST_LOCAL: usize = PAGE - 35;
const LEAST_LOCAL: usize = (PAGE - 12) * 32 / 255 - 23;

const LEAF_TABLE: u8 = 13;
const INTERIOR_TABLE: u8 = 5;
const LEAF_INDEX: u8 = 10;

/// A value of a cell.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Cell<'c> {
    Null,
    Integer(i64),
    Real(f64),
    Text(&'c str),
    Blob(&'c [u8]),
}

/// A database being written.
pub(super) struct DatabaseWriter<W: Write + Seek> {
    out: W,
    pages: u32,
    schema: Vec<SchemaRow>,
}

struct SchemaRow {
    kind: &'static str,
    name: String,
    table: String,
    root: u32,
    sql: Option<String>,
}

impl<W: Write + Seek> DatabaseWriter<W> {
    pub(super) fn begin(mut out: W) -> io::Result<Self> {
        // Page 1 is written last, when the roots of all tables are known.
        out.write_all(&[0; PAGE])?;
        Ok(Self { out, pages: 1, schema: Vec::new() })
    }

    /// Writes a table through a closure that puts its rows.
    pub(super) fn table(
        &mut self,
        name: &str,
        sql: String,
        fill: impl FnOnce(&mut Rows<W>) -> io::Result<()>,
    ) -> io::Result<()> {
        let mut rows = Rows { database: self, leaf: Page::new(8), last: None, leaves: Vec::new() };
        fill(&mut rows)?;
        let leaves = rows.finish()?;
        let root = self.tree(leaves)?;
        self.schema.push(SchemaRow {
            kind: "table",
            name: name.into(),
            table: name.into(),
            root,
            sql: Some(sql),
        });
        Ok(())
    }

    /// Writes the index that SQLite keeps for a `PRIMARY KEY` or `UNIQUE` of a table: its keys,
    /// each with the number of its row. It has to fit one page.
    pub(super) fn automatic_index(
        &mut self,
        table: &str,
        number: usize,
        keys: &[(Vec<String>, i64)],
    ) -> io::Result<()> {
        let mut keys = keys.to_vec();
        keys.sort();
        let mut page = Page::new(8);
        for (key, row) in &keys {
            let mut cells: Vec<Cell> = key.iter().map(|text| Cell::Text(text)).collect();
            cells.push(Cell::Integer(*row));
            let payload = record(&cells);
            let mut cell = Vec::new();
            varint(&mut cell, payload.len() as u64);
            cell.extend_from_slice(&payload);
            if !page.fits(&cell) {
                return Err(io::Error::new(io::ErrorKind::Unsupported, "too many layers for one GeoPackage"));
            }
            page.cells.push(cell);
        }
        let root = self.put(&page.bytes(LEAF_INDEX, 0, None))?;
        let name = format!("sqlite_autoindex_{table}_{number}");
        self.schema.push(SchemaRow { kind: "index", name, table: table.into(), root, sql: None });
        Ok(())
    }

    /// Writes the schema and the header, and gives the file back.
    pub(super) fn finish(mut self, user_version: u32, application: &[u8; 4]) -> io::Result<W> {
        let schema = std::mem::take(&mut self.schema);
        let mut rows = Rows { database: &mut self, leaf: Page::new(8), last: None, leaves: Vec::new() };
        for (i, row) in schema.iter().enumerate() {
            let sql = row.sql.as_deref().map_or(Cell::Null, Cell::Text);
            let root = Cell::Integer(i64::from(row.root));
            rows.put(
                i as i64 + 1,
                &[Cell::Text(row.kind), Cell::Text(&row.name), Cell::Text(&row.table), root, sql],
            )?;
        }
        let leaves = rows.finish()?;
        let mut page = interior(&leaves, 112).bytes(INTERIOR_TABLE, 100, leaves.last().map(|leaf| leaf.0));
        page[..100].copy_from_slice(&header(self.pages, user_version, application));
        self.out.seek(SeekFrom::Start(0))?;
        self.out.write_all(&page)?;
        self.out.flush()?;
        Ok(self.out)
    }

    /// Appends a page and gives its number.
    fn put(&mut self, page: &[u8]) -> io::Result<u32> {
        self.out.write_all(page)?;
        self.pages += 1;
        Ok(self.pages)
    }

    /// Interior pages over leaves, up to one root, whose number is the answer.
    fn tree(&mut self, mut level: Vec<(u32, i64)>) -> io::Result<u32> {
        while level.len() > 1 {
            // Even groups, so that no page is left with a single child.
            let groups = level.len().div_ceil(CHILDREN);
            let mut above = Vec::with_capacity(groups);
            let mut rest = level.as_slice();
            for left in (1..=groups).rev() {
                let (group, further) = rest.split_at(rest.len().div_ceil(left));
                rest = further;
                if let Some(&(last, key)) = group.last() {
                    above.push((self.put(&interior(group, 12).bytes(INTERIOR_TABLE, 0, Some(last)))?, key));
                }
            }
            level = above;
        }
        Ok(level.first().map_or(0, |root| root.0))
    }
}

/// Rows of a table being written, in ascending order of their numbers.
pub(super) struct Rows<'d, W: Write + Seek> {
    database: &'d mut DatabaseWriter<W>,
    leaf: Page,
    last: Option<i64>,
    leaves: Vec<(u32, i64)>,
}

impl<W: Write + Seek> Rows<'_, W> {
    pub(super) fn put(&mut self, row: i64, cells: &[Cell]) -> io::Result<()> {
        let payload = record(cells);
        let mut cell = Vec::with_capacity(payload.len().min(MOST_LOCAL) + 24);
        varint(&mut cell, payload.len() as u64);
        varint(&mut cell, row as u64);
        if payload.len() <= MOST_LOCAL {
            cell.extend_from_slice(&payload);
        } else {
            let fitting = LEAST_LOCAL + (payload.len() - LEAST_LOCAL) % (PAGE - 4);
            let local = if fitting <= MOST_LOCAL { fitting } else { LEAST_LOCAL };
            let (here, there) = payload.split_at(local);
            cell.extend_from_slice(here);
            cell.extend_from_slice(&(self.database.pages + 1).to_be_bytes());
            self.spill(there)?;
        }
        if !self.leaf.fits(&cell) {
            self.turn_leaf()?;
        }
        self.leaf.cells.push(cell);
        self.last = Some(row);
        Ok(())
    }

    /// Writes what does not fit a leaf to a chain of pages.
    fn spill(&mut self, rest: &[u8]) -> io::Result<()> {
        let parts = rest.chunks(PAGE - 4);
        let count = parts.len();
        for (i, part) in parts.enumerate() {
            let next = if i + 1 < count { self.database.pages + 2 } else { 0 };
            let mut page = vec![0; PAGE];
            page[..4].copy_from_slice(&next.to_be_bytes());
            page[4..4 + part.len()].copy_from_slice(part);
            self.database.put(&page)?;
        }
        Ok(())
    }

    fn turn_leaf(&mut self) -> io::Result<()> {
        let full = std::mem::replace(&mut self.leaf, Page::new(8));
        let number = self.database.put(&full.bytes(LEAF_TABLE, 0, None))?;
        self.leaves.push((number, self.last.unwrap_or(0)));
        Ok(())
    }

    fn finish(mut self) -> io::Result<Vec<(u32, i64)>> {
        if !self.leaf.cells.is_empty() || self.leaves.is_empty() {
            self.turn_leaf()?;
        }
        Ok(self.leaves)
    }
}

/// A page in the making.
struct Page {
    cells: Vec<Vec<u8>>,
    head: usize,
}

impl Page {
    fn new(head: usize) -> Self {
        Self { cells: Vec::new(), head }
    }

    fn fits(&self, cell: &[u8]) -> bool {
        let used: usize = self.cells.iter().map(|c| c.len() + 2).sum();
        self.head + used + cell.len() + 2 <= PAGE
    }

    /// The page: header at `start`, pointers after it, cells from the end.
    fn bytes(&self, kind: u8, start: usize, right: Option<u32>) -> Vec<u8> {
        let mut page = vec![0; PAGE];
        let mut end = PAGE;
        let pointers = start + if right.is_some() { 12 } else { 8 };
        for (i, cell) in self.cells.iter().enumerate() {
            end -= cell.len();
            page[end..end + cell.len()].copy_from_slice(cell);
            page[pointers + 2 * i..pointers + 2 * i + 2].copy_from_slice(&(end as u16).to_be_bytes());
        }
        page[start] = kind;
        page[start + 3..start + 5].copy_from_slice(&(self.cells.len() as u16).to_be_bytes());
        page[start + 5..start + 7].copy_from_slice(&(end as u16).to_be_bytes());
        if let Some(right) = right {
            page[start + 8..start + 12].copy_from_slice(&right.to_be_bytes());
        }
        page
    }
}

/// The interior page over some children; the last of them is its right pointer.
fn interior(children: &[(u32, i64)], head: usize) -> Page {
    let mut page = Page::new(head);
    for (number, key) in children.iter().take(children.len().saturating_sub(1)) {
        let mut cell = number.to_be_bytes().to_vec();
        varint(&mut cell, *key as u64);
        page.cells.push(cell);
    }
    page
}

/// The first hundred bytes of a database.
fn header(pages: u32, user_version: u32, application: &[u8; 4]) -> [u8; 100] {
    let mut header = [0; 100];
    let mut put = |at: usize, bytes: &[u8]| header[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, b"SQLite format 3\0");
    put(16, &(PAGE as u16).to_be_bytes());
    put(18, &[1, 1, 0, 64, 32, 32]);
    put(24, &1_u32.to_be_bytes()); // change counter
    put(28, &pages.to_be_bytes());
    put(40, &1_u32.to_be_bytes()); // schema cookie
    put(44, &4_u32.to_be_bytes()); // schema format
    put(56, &1_u32.to_be_bytes()); // UTF-8
    put(60, &user_version.to_be_bytes());
    put(68, application);
    put(92, &1_u32.to_be_bytes()); // the change counter for which the next is valid
    put(96, &3_040_000_u32.to_be_bytes());
    header
}

/// A row: the kinds of its cells, then their values.
fn record(cells: &[Cell]) -> Vec<u8> {
    let (mut kinds, mut values) = (Vec::new(), Vec::new());
    for cell in cells {
        match *cell {
            Cell::Null => kinds.push(0),
            Cell::Integer(n) => {
                let (kind, length) = match n {
                    -0x80..=0x7f => (1, 1),
                    -0x8000..=0x7fff => (2, 2),
                    -0x80_0000..=0x7f_ffff => (3, 3),
                    -0x8000_0000..=0x7fff_ffff => (4, 4),
                    -0x8000_0000_0000..=0x7fff_ffff_ffff => (5, 6),
                    _ => (6, 8),
                };
                kinds.push(kind);
                values.extend_from_slice(&n.to_be_bytes()[8 - length..]);
            }
            Cell::Real(n) => {
                kinds.push(7);
                values.extend_from_slice(&n.to_be_bytes());
            }
            Cell::Text(text) => {
                varint(&mut kinds, text.len() as u64 * 2 + 13);
                values.extend_from_slice(text.as_bytes());
            }
            Cell::Blob(bytes) => {
                varint(&mut kinds, bytes.len() as u64 * 2 + 12);
                values.extend_from_slice(bytes);
            }
        }
    }
    // The header's length counts itself: one byte up to 126 kinds' bytes, two beyond.
    let own = if kinds.len() < 127 { 1 } else { 2 };
    let mut record = Vec::with_capacity(own + kinds.len() + values.len());
    varint(&mut record, (own + kinds.len()) as u64);
    record.extend_from_slice(&kinds);
    record.extend_from_slice(&values);
    record
}

/// A variable-length integer: seven bits a byte, high bits first, eight in the ninth.
fn varint(out: &mut Vec<u8>, value: u64) {
    if value >> 56 != 0 {
        out.extend((0..8).map(|i| (value >> (57 - 7 * i)) as u8 | 0x80));
        out.push(value as u8);
        return;
    }
    let bytes = (64 - value.leading_zeros()).max(1).div_ceil(7);
    for i in (0..bytes).rev() {
        let more = if i > 0 { 0x80 } else { 0 };
        out.push((value >> (7 * i)) as u8 & 0x7f | more);
    }
}
