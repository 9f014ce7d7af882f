//! What a `CREATE TABLE` statement says of the rows of a table: which columns are stored, in
//! which order, and what a row holds that was written before a column was added.

use super::Cell;
use super::words::{Word, words_of};

/// How values of a column are kept, by its type as written (sqlite.org, "Datatypes In SQLite",
/// section 3.1).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Affinity {
    Integer,
    Text,
    Blob,
    Real,
    Numeric,
}

/// A column.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Column {
    pub name: String,
    /// Its type as written.
    kind: String,
    pub affinity: Affinity,
    /// What a row without a value of its own has; the words of a default that cannot be told.
    pub default: Result<Cell, String>,
}

/// The columns of a table and how its rows are stored.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Layout {
    pub columns: Vec<Column>,
    /// The column that is another name of the row number, if there is one.
    pub row_number: Option<usize>,
    /// Which column each value of a stored row is of.
    pub stored: Vec<usize>,
    /// Whether the rows stand in an index by their key.
    pub without_rowid: bool,
}

/// Words that begin a constraint of a column and so end its type.
const CONSTRAINTS: [&str; 10] =
    ["CONSTRAINT", "PRIMARY", "NOT", "NULL", "UNIQUE", "CHECK", "DEFAULT", "COLLATE", "REFERENCES", "AS"];
/// Words that begin a constraint of the table.
const TABLE_CONSTRAINTS: [&str; 5] = ["CONSTRAINT", "PRIMARY", "UNIQUE", "CHECK", "FOREIGN"];

/// Reads a `CREATE TABLE` statement.
///
/// # Errors
/// In words: what about the table is not read.
pub(super) fn layout_of(sql: &str) -> Result<Layout, String> {
    let words = words_of(sql);
    let open = words.iter().position(|word| *word == Word::Sign('(')).ok_or("has a table without columns")?;
    let close = after_group(&words, open);
    let options = words.get(close..).unwrap_or_default();
    let without = |pair: &[Word]| matches!(pair, [a, b] if a.is("WITHOUT") && b.is("ROWID"));
    let mut layout = Layout { without_rowid: options.windows(2).any(without), ..Layout::default() };
    let (mut key, mut falling) = (Vec::new(), false);
    for part in split(words.get(open + 1..close.saturating_sub(1)).unwrap_or_default()) {
        let Some(first) = part.first() else { continue };
        if TABLE_CONSTRAINTS.iter().any(|word| first.is(word)) {
            key.extend(key_of(part));
            continue;
        }
        let name = first.name().ok_or("has a column without a name")?;
        let definition = Definition::of(part.get(1..).unwrap_or_default());
        if definition.is_virtual {
            return Err(format!(
                "has the column \"{name}\", which is computed when it is read (GENERATED … VIRTUAL) and not \
                 stored; make it STORED or a plain column, or export the layer to a new file"
            ));
        }
        if definition.primary_key {
            key.push(name.to_string());
            falling = definition.falling;
        }
        let affinity = affinity_of(&definition.kind);
        let default = default_of(definition.default, affinity);
        layout.columns.push(Column { name: name.to_string(), kind: definition.kind, affinity, default });
    }
    layout.set_order(&key, falling)?;
    Ok(layout)
}

impl Layout {
    /// Finds the row number's other name, and the order of the values in a stored row: as
    /// written, but where there is no row number the key first.
    fn set_order(&mut self, key: &[String], falling: bool) -> Result<(), String> {
        let mut first: Vec<usize> = Vec::new();
        for name in key {
            let at = self.columns.iter().position(|column| column.name.eq_ignore_ascii_case(name));
            let at =
                at.ok_or_else(|| format!("has a table with the key \"{name}\", which is no column of it"))?;
            if !first.contains(&at) {
                first.push(at);
            }
        }
        if self.without_rowid {
            let rest: Vec<usize> = (0..self.columns.len()).filter(|at| !first.contains(at)).collect();
            first.extend(rest);
            self.stored = first;
        } else {
            let is_integer =
                |at: &usize| self.columns.get(*at).is_some_and(|c| c.kind.eq_ignore_ascii_case("INTEGER"));
            self.row_number = match first.as_slice() {
                [only] if is_integer(only) && !falling => Some(*only),
                _ => None,
            };
            self.stored = (0..self.columns.len()).collect();
        }
        Ok(())
    }
}

/// The position after the group in brackets that opens at one.
fn after_group(words: &[Word], open: usize) -> usize {
    let mut depth = 0_usize;
    for (at, word) in words.iter().enumerate().skip(open) {
        match word {
            Word::Sign('(') => depth += 1,
            Word::Sign(')') => depth = depth.saturating_sub(1),
            _ => {}
        }
        if depth == 0 {
            return at + 1;
        }
    }
    words.len() + 1
}

/// The parts between commas outside brackets.
fn split(words: &[Word]) -> Vec<&[Word]> {
    let mut depth = 0_usize;
    words
        .split(|word| {
            match word {
                Word::Sign('(') => depth += 1,
                Word::Sign(')') => depth = depth.saturating_sub(1),
                _ => {}
            }
            depth == 0 && *word == Word::Sign(',')
        })
        .collect()
}

/// The columns of the key in constraints of a table.
fn key_of(constraints: &[Word]) -> Vec<String> {
    let mut at = 0;
    while let Some(word) = constraints.get(at) {
        if word.is("PRIMARY") {
            let open = at + 2;
            let end = after_group(constraints, open).saturating_sub(1);
            let columns = split(constraints.get(open + 1..end).unwrap_or_default());
            return columns.iter().filter_map(|part| Some(part.first()?.name()?.to_string())).collect();
        }
        at = if *word == Word::Sign('(') { after_group(constraints, at) } else { at + 1 };
    }
    Vec::new()
}

/// What follows the name of a column.
#[derive(Default)]
struct Definition<'w> {
    kind: String,
    primary_key: bool,
    /// Whether the key runs downwards, which makes it no row number.
    falling: bool,
    is_virtual: bool,
    default: Option<&'w [Word]>,
}

impl<'w> Definition<'w> {
    fn of(words: &'w [Word]) -> Self {
        let ends = |at: usize, word: &Word| {
            CONSTRAINTS.iter().any(|constraint| word.is(constraint))
                || word.is("GENERATED") && words.get(at + 1).is_some_and(|next| next.is("ALWAYS"))
        };
        let end = words.iter().enumerate().position(|(at, word)| ends(at, word)).unwrap_or(words.len());
        let kind = words.get(..end).unwrap_or_default().iter().filter_map(Word::name);
        let mut found = Self { kind: kind.collect::<Vec<_>>().join(" "), ..Self::default() };
        let mut at = end;
        while let Some(word) = words.get(at) {
            let next = words.get(at + 1);
            match word {
                Word::Sign('(') => {
                    at = after_group(words, at);
                    continue;
                }
                word if word.is("PRIMARY") => {
                    found.primary_key = true;
                    found.falling = words.get(at + 2).is_some_and(|order| order.is("DESC"));
                }
                word if word.is("DEFAULT") => {
                    let end = match next {
                        Some(Word::Sign('(')) => after_group(words, at + 1),
                        Some(Word::Sign(_)) => at + 3,
                        _ => at + 2,
                    };
                    found.default = words.get(at + 1..end.min(words.len()));
                    at = end;
                    continue;
                }
                word if word.is("AS") && next == Some(&Word::Sign('(')) => {
                    let after = after_group(words, at + 1);
                    found.is_virtual = !words.get(after).is_some_and(|word| word.is("STORED"));
                }
                _ => {}
            }
            at += 1;
        }
        found
    }
}

fn affinity_of(kind: &str) -> Affinity {
    let kind = kind.to_uppercase();
    let holds = |parts: &[&str]| parts.iter().any(|part| kind.contains(part));
    match () {
        () if holds(&["INT"]) => Affinity::Integer,
        () if holds(&["CHAR", "CLOB", "TEXT"]) => Affinity::Text,
        () if kind.is_empty() || holds(&["BLOB"]) => Affinity::Blob,
        () if holds(&["REAL", "FLOA", "DOUB"]) => Affinity::Real,
        () => Affinity::Numeric,
    }
}

/// The value of a default that is a constant, as a column of this kind keeps it.
fn default_of(words: Option<&[Word]>, affinity: Affinity) -> Result<Cell, String> {
    let Some(words) = words else { return Ok(Cell::Null) };
    let unread = || words.iter().filter_map(Word::name).collect::<Vec<_>>().join(" ");
    constant(words).and_then(|value| affinity.keep(value)).ok_or_else(unread)
}

fn constant(words: &[Word]) -> Option<Cell> {
    match words {
        [Word::Sign('('), inner @ .., Word::Sign(')')] => constant(inner),
        [Word::Sign('+'), rest @ ..] => constant(rest).filter(|value| !matches!(value, Cell::Text(_))),
        [Word::Sign('-'), Word::Plain(number)] => number_of(&format!("-{number}")),
        [Word::Text(text) | Word::Quoted(text)] => Some(Cell::Text(text.clone())),
        [Word::Blob(digits)] => {
            let pairs = digits.as_bytes().as_chunks::<2>();
            let byte = |pair: &[u8; 2]| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok();
            pairs
                .0
                .iter()
                .map(byte)
                .collect::<Option<Vec<u8>>>()
                .filter(|_| pairs.1.is_empty())
                .map(Cell::Blob)
        }
        [Word::Plain(word)] if word.starts_with(|c: char| c.is_ascii_digit() || c == '.') => number_of(word),
        [Word::Plain(word)] => match word.to_uppercase().as_str() {
            "NULL" => Some(Cell::Null),
            "TRUE" => Some(Cell::Integer(1)),
            "FALSE" => Some(Cell::Integer(0)),
            "CURRENT_TIME" | "CURRENT_DATE" | "CURRENT_TIMESTAMP" => None,
            // A bare word is taken for a text.
            _ => Some(Cell::Text(word.clone())),
        },
        _ => None,
    }
}

fn number_of(text: &str) -> Option<Cell> {
    if let Ok(whole) = text.parse::<i64>() {
        return Some(Cell::Integer(whole));
    }
    if let Some(digits) = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        return u64::from_str_radix(digits, 16).ok().map(|bits| Cell::Integer(bits.cast_signed()));
    }
    let number = text.parse::<f64>().ok()?;
    number.is_finite().then_some(Cell::Real(number))
}

impl Affinity {
    /// A value as a column of this kind keeps it; nothing where that needs more than this reader
    /// knows (how a number is spelt out as a text).
    pub(super) fn keep(self, value: Cell) -> Option<Cell> {
        Some(match (self, value) {
            (Affinity::Text, Cell::Integer(n)) => Cell::Text(n.to_string()),
            (Affinity::Text, Cell::Real(_)) => return None,
            (Affinity::Integer | Affinity::Numeric | Affinity::Real, Cell::Text(text)) => {
                match number_of(text.trim()).filter(|_| !text.contains(['x', 'X'])) {
                    Some(number) => self.keep(number)?,
                    None => Cell::Text(text),
                }
            }
            (Affinity::Real, Cell::Integer(n)) => Cell::Real(n as f64),
            (Affinity::Integer | Affinity::Numeric, Cell::Real(x)) if x.fract() == 0.0 && x.abs() < EXACT => {
                Cell::Integer(x as i64)
            }
            (_, value) => value,
        })
    }
}

/// Whole numbers below 2^53 are the same as floating point numbers.
const EXACT: f64 = 9_007_199_254_740_992.0;

#[cfg(test)]
mod tests {
    use super::*;

    fn names(layout: &Layout) -> Vec<&str> {
        layout.columns.iter().map(|c| c.name.as_str()).collect()
    }

    #[test]
    fn columns_are_found_in_statements_of_all_styles() {
        let sql = "CREATE TABLE \"a, b\" ( \"fid\" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, -- the key, it is\n \
                   [geo m] POINT, name TEXT(30) DEFAULT 'x, (y', /* , z ( */ `d\"e` REAL CHECK (d > 0, 1), \
                   \"say \"\"x\"\"\" TEXT, CONSTRAINT u UNIQUE (name, d), CHECK (d IN (1, 2)))";
        let layout = layout_of(sql).unwrap();
        assert_eq!(names(&layout), ["fid", "geo m", "name", "d\"e", "say \"x\""]);
        assert_eq!(layout.row_number, Some(0));
        assert_eq!(layout.columns[2].default, Ok(Cell::Text("x, (y".into())));
        assert!(layout_of("CREATE TABLE t (a INT, b AS (a + 1), c INT)").unwrap_err().contains("\"b\""));
        let stored = "CREATE TABLE t (a INT, b INT GENERATED ALWAYS AS (a, (1)) STORED NOT NULL, c INT)";
        assert_eq!(names(&layout_of(stored).unwrap()), ["a", "b", "c"]);
    }

    #[test]
    fn the_row_number_has_another_name_only_where_sqlite_gives_it_one() {
        let row_number =
            |columns: &str| layout_of(&format!("CREATE TABLE t ({columns})")).unwrap().row_number;
        assert_eq!(row_number("a INT PRIMARY KEY, b"), None);
        assert_eq!(row_number("b, a integer primary key"), Some(1));
        assert_eq!(row_number("a INTEGER PRIMARY KEY DESC, b"), None);
        assert_eq!(row_number("a INTEGER, b, PRIMARY KEY (a DESC)"), Some(0));
        assert_eq!(row_number("a INTEGER, b, CHECK (a > 0) PRIMARY KEY (a, b)"), None);
        assert_eq!(
            row_number("a INTEGER NOT NULL, b, CONSTRAINT k PRIMARY KEY(\"A\" AUTOINCREMENT)"),
            Some(0)
        );
        let keyed =
            layout_of("CREATE TABLE t (g, a TEXT, b INT, PRIMARY KEY (b, a, b)) STRICT, WITHOUT ROWID");
        let keyed = keyed.unwrap();
        assert_eq!((keyed.stored, keyed.row_number), (vec![2, 1, 0], None));
    }

    #[test]
    fn constants_are_kept_as_their_column_keeps_them() {
        let default = |column: &str| {
            layout_of(&format!("CREATE TABLE t (a {column})")).unwrap().columns[0].default.clone()
        };
        let text = |text: &str| Ok(Cell::Text(text.into()));
        assert_eq!(default("REAL DEFAULT 1500"), Ok(Cell::Real(1500.0)));
        assert_eq!(default("DOUBLE DEFAULT -2.5e1 NOT NULL"), Ok(Cell::Real(-25.0)));
        assert_eq!(default("MEDIUMINT DEFAULT '7'"), Ok(Cell::Integer(7)));
        assert_eq!(default("NUMERIC DEFAULT +3.0"), Ok(Cell::Integer(3)));
        assert_eq!(default("TEXT DEFAULT 5"), text("5"));
        assert_eq!(default("TEXT DEFAULT 'it''s, (so)' CHECK (a != ',')"), text("it's, (so)"));
        assert_eq!(default("TEXT DEFAULT \"old\""), text("old"));
        assert_eq!(default("BOOLEAN DEFAULT TRUE"), Ok(Cell::Integer(1)));
        assert_eq!(default("BLOB DEFAULT x'00fF'"), Ok(Cell::Blob(vec![0, 255])));
        assert_eq!(default("TEXT DEFAULT NULL"), Ok(Cell::Null));
        assert_eq!(default("INTEGER DEFAULT ((-0x10))"), Err("0x10".into()));
        assert_eq!(default("INTEGER DEFAULT (0x10)"), Ok(Cell::Integer(16)));
        assert_eq!(default("TEXT DEFAULT CURRENT_TIMESTAMP"), Err("CURRENT_TIMESTAMP".into()));
        assert!(default("REAL DEFAULT (abs(-3))").is_err());
        assert!(default("TEXT DEFAULT 5.0").is_err());
    }
}
