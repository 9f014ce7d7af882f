//! What people have written into `notices.csv`, laid over the notices of a run: it is the record of
//! who was told, so nothing of it is lost when the table is written anew.

use std::collections::{HashMap, HashSet};

use yore::CodePage;

use crate::files::write::defused;
use crate::frame::{LonLat, distance_m};
use crate::report::NOTICE_COLUMNS;

/// The columns that are left for people to fill in.
const FILLED_IN: [&str; 3] = ["notified_on", "by", "method"];

/// The columns that come from the parcel layer and that people correct.
const OF_THE_LAYER: [&str; 2] = ["holder", "contact"];

/// Said of a row that a run no longer lists.
const NO_LONGER: &str = "no longer listed";

/// What a status that the next run finds out anew begins with.
const FOUND_ANEW: [&str; 2] = [NO_LONGER, "the layer now says"];

/// Places are written to a tenth of a metre, and spreadsheets may cut that, in metres.
const SAME_POINT_M: f64 = 1.0;

/// Entrances of one name this near are one, in metres: a line drawn anew crosses an edge elsewhere.
const SAME_ENTRANCE_M: f64 = 100.0;

/// Entrances this near are one whatever their names, in metres: a line may be given a name.
const SAME_PLACE_M: f64 = 20.0;

/// A table that was written by hand in part.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Told {
    /// Its heads: those of a run, then those that somebody added.
    pub header: Vec<String>,
    /// Its rows.
    pub rows: Vec<Vec<String>>,
    /// How many rows are filled in and were kept so.
    pub filled_in: usize,
    /// How many rows are kept although the run no longer lists them.
    pub no_longer: usize,
    /// How many rows say of the holder something else than the layer.
    pub differing: usize,
}

/// Lays what stands in an earlier table over the rows of a run. `edited` says that somebody changed
/// it since a run wrote it, so that every row of it may be theirs.
///
/// # Errors
/// What is wrong with a table whose rows cannot be told apart.
pub(super) fn told(old: Option<&[u8]>, edited: bool, new: Vec<Vec<String>>) -> Result<Told, String> {
    let old = old.map(Table::read).transpose()?.unwrap_or_default();
    let new: Vec<Vec<String>> =
        new.into_iter().map(|row| row.iter().map(|cell| defused(cell)).collect()).collect();
    let pairs = old.pairs(&new);
    let mut told = Told {
        header: NOTICE_COLUMNS.iter().map(ToString::to_string).chain(old.extra_heads()).collect(),
        rows: Vec::new(),
        filled_in: 0,
        no_longer: 0,
        differing: 0,
    };
    for (row, pair) in new.into_iter().zip(&pairs) {
        let row = match pair {
            Some(k) => old.laid_over(*k, row, &mut told),
            None => row.into_iter().chain(old.extra.iter().map(|_| String::new())).collect(),
        };
        told.rows.push(row);
    }
    let listed: HashSet<usize> = pairs.iter().flatten().copied().collect();
    for k in (0..old.rows.len()).filter(|k| !listed.contains(k)) {
        if edited || old.is_written_in(k) {
            told.no_longer += 1;
            let parts = std::iter::once(NO_LONGER.to_string()).chain(old.own_status(k));
            told.rows.push(old.as_it_was(k, &parts.collect::<Vec<_>>().join("; ")));
        }
    }
    Ok(told)
}

/// An earlier table.
#[derive(Default)]
struct Table {
    heads: Vec<String>,
    /// Where each column of a run is.
    columns: Vec<Option<usize>>,
    /// Columns that somebody added.
    extra: Vec<usize>,
    rows: Vec<Vec<String>>,
    /// Whether numbers may be written with a comma.
    comma: bool,
}

impl Table {
    fn read(bytes: &[u8]) -> Result<Self, String> {
        let text = decoded(bytes);
        let first = text.lines().next().unwrap_or_default();
        let count = |mark: char| first.matches(mark).count();
        let delimiter = [',', ';', '\t'].into_iter().max_by_key(|&m| (count(m), m == ',')).unwrap_or(',');
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter as u8)
            .flexible(true)
            .has_headers(false)
            .from_reader(text.as_bytes());
        let rows: Result<Vec<Vec<String>>, csv::Error> =
            reader.records().map(|row| Ok(row?.iter().map(str::to_string).collect())).collect();
        let mut rows = rows.map_err(|e| e.to_string())?;
        rows.retain(|row| row.iter().any(|cell| !cell.trim().is_empty()));
        if rows.is_empty() {
            return Ok(Self::default());
        }
        let mut heads = rows.remove(0);
        let widest = rows.iter().map(Vec::len).max().unwrap_or(0);
        heads.resize(heads.len().max(widest), String::new());
        let place = |name: &str| heads.iter().position(|head| head.trim().eq_ignore_ascii_case(name));
        let columns: Vec<Option<usize>> = NOTICE_COLUMNS.iter().map(|name| place(name)).collect();
        if let Some(lost) = ["kind", "name"].into_iter().find(|name| place(name).is_none()) {
            return Err(format!("has no column \"{lost}\", by which its rows are told apart"));
        }
        let extra = (0..heads.len()).filter(|k| !columns.contains(&Some(*k))).collect();
        Ok(Self { heads, columns, extra, rows, comma: delimiter != ',' })
    }

    fn extra_heads(&self) -> Vec<String> {
        self.extra.iter().filter_map(|k| self.heads.get(*k).cloned()).collect()
    }

    /// A cell as it was written, empty where there is none.
    fn cell(&self, row: usize, name: &str) -> &str {
        let column = NOTICE_COLUMNS.iter().position(|n| *n == name).and_then(|k| *self.columns.get(k)?);
        self.at(row, column)
    }

    fn at(&self, row: usize, column: Option<usize>) -> &str {
        column.and_then(|k| self.rows.get(row)?.get(k)).map_or("", String::as_str)
    }

    /// Whether somebody wrote into a row: into the columns for it, a column or a status of their own.
    fn is_written_in(&self, row: usize) -> bool {
        self.is_filled_in(row)
            || self.own_status(row).next().is_some()
            || self.cell(row, "status").contains(NO_LONGER)
    }

    fn is_filled_in(&self, row: usize) -> bool {
        let written = |cell: &str| !cell.trim().is_empty();
        FILLED_IN.iter().any(|name| written(self.cell(row, name)))
            || self.extra.iter().any(|k| written(self.at(row, Some(*k))))
    }

    /// The parts of a status that no run finds out anew.
    fn own_status(&self, row: usize) -> impl Iterator<Item = String> {
        let parts = self.cell(row, "status").split("; ").map(str::trim);
        let own = |part: &&str| !part.is_empty() && !FOUND_ANEW.iter().any(|found| part.starts_with(found));
        parts.filter(own).map(str::to_string).collect::<Vec<_>>().into_iter()
    }

    fn place(&self, row: usize) -> Option<LonLat> {
        let number = |name: &str| {
            let text = self.cell(row, name).trim();
            if self.comma { text.replace(',', ".") } else { text.to_string() }.parse().ok()
        };
        LonLat::new(number("lon")?, number("lat")?).ok()
    }

    /// A row that the run no longer lists.
    fn as_it_was(&self, row: usize, status: &str) -> Vec<String> {
        let ours = NOTICE_COLUMNS.iter().map(|name| match *name {
            "status" => status.to_string(),
            name => self.cell(row, name).to_string(),
        });
        ours.chain(self.extra.iter().map(|k| self.at(row, Some(*k)).to_string())).collect()
    }

    /// A row of the run with what somebody wrote into the same row of this table.
    fn laid_over(&self, row: usize, mut new: Vec<String>, told: &mut Told) -> Vec<String> {
        let mut status: Vec<String> = Vec::new();
        for (name, cell) in NOTICE_COLUMNS.iter().zip(new.iter_mut()) {
            let old = self.cell(row, name);
            if FILLED_IN.contains(name) {
                *cell = old.to_string();
            } else if OF_THE_LAYER.contains(name) && !old.trim().is_empty() && old.trim() != cell.trim() {
                if !cell.is_empty() {
                    status.push(format!("the layer now says {name}: {cell}"));
                }
                *cell = old.to_string();
            }
        }
        told.differing += usize::from(!status.is_empty());
        told.filled_in += usize::from(self.is_filled_in(row));
        status.extend(self.own_status(row));
        if let Some(then) = self.nearer_now(row, &new).filter(|then| !status.contains(then)) {
            status.push(then);
        }
        if let Some(cell) = new.last_mut() {
            *cell = status.join("; ");
        }
        new.extend(self.extra.iter().map(|k| self.at(row, Some(*k)).to_string()));
        new
    }

    /// Somebody told of one station does not know of another, nor that one has come nearer.
    fn nearer_now(&self, row: usize, new: &[String]) -> Option<String> {
        let (then, away) = (self.cell(row, "nearest_station"), self.cell(row, "distance_m"));
        let now = |name: &str| new.get(NOTICE_COLUMNS.iter().position(|n| *n == name)?);
        let metres = |text: &str| text.trim().parse::<f64>().ok();
        let nearer = metres(now("distance_m")?)? < metres(away)?;
        let another = now("nearest_station")? != then;
        let told = !self.cell(row, "notified_on").trim().is_empty() && !then.is_empty();
        (told && (another || nearer)).then(|| format!("filled in when the nearest was {then} at {away} m"))
    }

    /// The row of this table that is the same as each of the run's, each taken once: the surest
    /// likeness first.
    fn pairs(&self, new: &[Vec<String>]) -> Vec<Option<usize>> {
        let wanted: Vec<Wanted> = new.iter().map(|row| Wanted::of(row)).collect();
        let mut pairs = vec![None; new.len()];
        let mut taken = vec![false; self.rows.len()];
        for likeness in [Likeness::All, Likeness::Holder, Likeness::Name, Likeness::Place] {
            let mut found: Vec<(f64, usize, usize)> = Vec::new();
            for (i, (wanted, _)) in
                wanted.iter().zip(&pairs).enumerate().filter(|(_, (_, pair))| pair.is_none())
            {
                let free = taken.iter().enumerate().filter(|(_, taken)| !**taken).map(|(k, _)| k);
                found.extend(free.filter_map(|k| Some((self.unlikeness(wanted, k, likeness)?, i, k))));
            }
            if likeness == Likeness::Name {
                found = only_ones(found);
            }
            found.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
            for (_, i, k) in found {
                if let (Some(pair @ None), Some(free @ false)) = (pairs.get_mut(i), taken.get_mut(k)) {
                    (*pair, *free) = (Some(k), true);
                }
            }
        }
        pairs
    }

    /// How far apart two rows are that are alike in one way, in metres; `None` where they are not.
    fn unlikeness(&self, wanted: &Wanted, row: usize, likeness: Likeness) -> Option<f64> {
        let same = |name: &str, cell: &str| self.cell(row, name).trim() == cell.trim();
        if !same("kind", wanted.kind) {
            return None;
        }
        let apart_m = wanted.at.zip(self.place(row)).map(|(a, b)| distance_m(a, b));
        let entrance = wanted.kind == "entrance";
        match likeness {
            _ if likeness != Likeness::Place && !same("name", wanted.name) => None,
            Likeness::All if entrance || same("holder", wanted.holder) => {
                apart_m.filter(|m| *m <= SAME_POINT_M)
            }
            Likeness::All => None,
            Likeness::Holder => {
                (!entrance && same("holder", wanted.holder)).then_some(apart_m.unwrap_or(f64::MAX))
            }
            Likeness::Name if entrance => apart_m.filter(|m| *m <= SAME_ENTRANCE_M),
            Likeness::Name => Some(0.0),
            Likeness::Place => apart_m.filter(|m| entrance && *m <= SAME_PLACE_M),
        }
    }
}

/// The pairs of which each row is in no other: by its name alone a parcel is known only where no
/// other has it. Pairs that lie apart are told by how far.
fn only_ones(found: Vec<(f64, usize, usize)>) -> Vec<(f64, usize, usize)> {
    let (mut of_new, mut of_old) = (HashMap::new(), HashMap::new());
    for (_, i, k) in &found {
        *of_new.entry(*i).or_insert(0) += 1;
        *of_old.entry(*k).or_insert(0) += 1;
    }
    let alone = |(apart_m, i, k): &(f64, usize, usize)| {
        *apart_m > 0.0 || of_new.get(i) == Some(&1) && of_old.get(k) == Some(&1)
    };
    found.into_iter().filter(alone).collect()
}

/// In what two rows are alike.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Likeness {
    /// Kind, name and place.
    All,
    /// A parcel's name and holder; its place is that nearest to a station, which may be another.
    Holder,
    /// Name; an entrance's place too, nearly.
    Name,
    /// An entrance's place.
    Place,
}

/// What a row of the run is known by.
struct Wanted<'r> {
    kind: &'r str,
    name: &'r str,
    holder: &'r str,
    at: Option<LonLat>,
}

impl<'r> Wanted<'r> {
    fn of(row: &'r [String]) -> Self {
        let cell = |name: &str| {
            let column = NOTICE_COLUMNS.iter().position(|n| *n == name);
            column.and_then(|k| row.get(k)).map_or("", String::as_str)
        };
        let at = cell("lon").parse().ok().zip(cell("lat").parse().ok());
        Self {
            kind: cell("kind"),
            name: cell("name"),
            holder: cell("holder"),
            at: at.and_then(|(lon, lat)| LonLat::new(lon, lat).ok()),
        }
    }
}

/// The text of a table that a spreadsheet may have written anew: in UTF-8, in UTF-16 with its mark,
/// or else in the Windows code page of western Europe.
fn decoded(bytes: &[u8]) -> String {
    let units = |of: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes.chunks_exact(2).skip(1).map(|two| of([two[0], two[1]])).collect();
        String::from_utf16_lossy(&units)
    };
    match bytes {
        [0xff, 0xfe, ..] => return units(u16::from_le_bytes),
        [0xfe, 0xff, ..] => return units(u16::from_be_bytes),
        _ => {}
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => text.trim_start_matches('\u{feff}').to_string(),
        Err(_) => yore::code_pages::CP1252.decode_lossy(bytes).into_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::write::write_csv_as_it_is;

    fn parcel(name: &str, holder: &str, nearest: &str, metres: &str) -> Vec<String> {
        let cells =
            ["parcel", name, "148.85", "-39.23", nearest, metres, holder, "", "", "", "", "", "", "", ""];
        cells.map(String::from).to_vec()
    }

    fn entrance(name: &str, lon: &str) -> Vec<String> {
        let cells = ["entrance", name, lon, "-39.20", "S1", "400", "", "", "", "", "", "", "", "", ""];
        cells.map(String::from).to_vec()
    }

    /// The cells of a row that people fill in, and its status.
    fn by_hand(row: &[String]) -> [&str; 4] {
        [&row[8], &row[9], &row[10], &row[14]]
    }

    fn text(told: &Told) -> String {
        let mut out = Vec::new();
        write_csv_as_it_is(&mut out, &told.header, &told.rows).unwrap();
        String::from_utf8(out).unwrap()
    }

    /// The table of these rows, with something replaced by what somebody wrote.
    fn edited(rows: Vec<Vec<String>>, replace: &[(&str, &str)]) -> String {
        let mut all = text(&told(None, false, rows).unwrap());
        for (from, to) in replace {
            assert!(all.contains(from), "{from} not in {all}");
            all = all.replacen(from, to, 1);
        }
        all
    }

    #[test]
    fn what_was_filled_in_survives_row_by_row_and_again() {
        let rows = || {
            vec![parcel("N6", "A", "S1", "166"), parcel("N5", "B", "S1", "173"), entrance("a track", "148.9")]
        };
        let table = edited(rows(), &[("173,B,,,,,", "173,B,0400,2026-05-01,\"Kim, by phone\",=call,")]);
        // The order differs, a station has moved, a further parcel is listed.
        let later = || {
            vec![
                parcel("N5", "B", "S1", "205"),
                parcel("N7", "C", "S2", "210"),
                parcel("N6", "A", "S1", "166"),
                entrance("a track", "148.9"),
            ]
        };
        let once = told(Some(table.as_bytes()), true, later()).unwrap();
        assert_eq!((once.filled_in, once.no_longer, once.differing), (1, 0, 0));
        assert_eq!(once.rows[0][5..8], ["205", "B", "0400"]);
        assert_eq!(by_hand(&once.rows[0]), ["2026-05-01", "Kim, by phone", "=call", ""]);
        let twice = told(Some(text(&once).as_bytes()), false, later()).unwrap();
        assert_eq!(text(&twice), text(&once));
    }

    #[test]
    fn a_row_that_is_no_longer_listed_is_kept_and_marked() {
        let rows = vec![parcel("N6", "A", "S1", "166"), parcel("N5", "B", "S1", "173")];
        let table = edited(rows, &[("173,B,,,,,", "173,B,,2026-05-01,Kim,phone,")]);
        for edited in [true, false] {
            let told = told(Some(table.as_bytes()), edited, vec![parcel("N7", "C", "S1", "50")]).unwrap();
            let kept: Vec<&str> = told.rows.iter().map(|row| row[1].as_str()).collect();
            // What nobody has touched since a run wrote it goes with the run.
            assert_eq!(kept, if edited { vec!["N7", "N6", "N5"] } else { vec!["N7", "N5"] });
            let last = told.rows.last().unwrap();
            assert_eq!(by_hand(last), ["2026-05-01", "Kim", "phone", "no longer listed"]);
        }
        // Listed once more, it is an ordinary row again.
        let gone = told(Some(table.as_bytes()), true, Vec::new()).unwrap();
        let back = told(Some(text(&gone).as_bytes()), false, vec![parcel("N5", "B", "S1", "173")]).unwrap();
        assert_eq!(by_hand(&back.rows[0]), ["2026-05-01", "Kim", "phone", ""]);
    }

    #[test]
    fn columns_and_rows_of_ones_own_survive() {
        let table = "\u{feff}Kind;Name;lon;lat;nearest_station;distance_m;holder;contact;notified_on;by;method;Remark\r\n\
            parcel;N6;148,85;-39,23;S1;166;A;;1/5/2026;Kim;phone;dog at the gate\r\n\
            neighbour;Over the road;;;;;Lee;0400;;;;told by hand;and a cell beyond\r\n";
        let told = told(Some(table.as_bytes()), true, vec![parcel("N6", "A", "S1", "166")]).unwrap();
        assert_eq!(told.header[15..], ["Remark", ""]);
        assert_eq!(by_hand(&told.rows[0]), ["1/5/2026", "Kim", "phone", ""]);
        assert_eq!(told.rows[0][15..], ["dog at the gate", ""]);
        assert_eq!(told.rows[1][6..8], ["Lee", "0400"]);
        assert_eq!(told.rows[1][14..], ["no longer listed", "told by hand", "and a cell beyond"]);
    }

    #[test]
    fn a_holder_that_somebody_corrected_stays_and_the_layer_is_quoted() {
        let table = edited(vec![parcel("N6", "A", "S1", "166")], &[("166,A,,", "166,A. Dunn,0400,")]);
        let told = told(Some(table.as_bytes()), true, vec![parcel("N6", "B", "S1", "166")]).unwrap();
        assert_eq!(told.rows[0][6..8], ["A. Dunn", "0400"]);
        assert_eq!((told.rows[0][14].as_str(), told.differing), ("the layer now says holder: B", 1));
    }

    #[test]
    fn who_was_told_of_another_station_is_said() {
        let table = edited(vec![parcel("N6", "A", "S1", "800")], &[("800,A,,,", "800,A,,2026-05-01,")]);
        let told_of = |nearest, metres| {
            told(Some(table.as_bytes()), true, vec![parcel("N6", "A", nearest, metres)]).unwrap().rows[0][14]
                .clone()
        };
        assert_eq!(told_of("S1", "900"), "");
        assert_eq!(told_of("S1", "200"), "filled in when the nearest was S1 at 800 m");
        assert_eq!(told_of("S2", "900"), "filled in when the nearest was S1 at 800 m");
    }

    #[test]
    fn parcels_of_one_name_are_not_taken_for_each_other() {
        let rows = || vec![parcel("Lot 1", "A", "S1", "100"), parcel("Lot 1", "B", "S1", "100")];
        let table = edited(rows(), &[("100,B,,,,,", "100,B,,2026-05-01,Kim,phone,")]);
        let same = told(Some(table.as_bytes()), true, rows()).unwrap();
        assert_eq!((same.rows[0][9].as_str(), same.rows[1][9].as_str()), ("", "Kim"));
        let sold = vec![parcel("Lot 1", "C", "S1", "100"), parcel("Lot 1", "D", "S1", "100")];
        let sold = told(Some(table.as_bytes()), true, sold).unwrap();
        assert_eq!((sold.filled_in, sold.no_longer), (0, 2));
    }

    #[test]
    fn entrances_of_one_name_are_known_by_their_places() {
        let table = edited(
            vec![entrance("a track", "148.90"), entrance("a track", "148.95")],
            &[("148.95,-39.20,S1,400,,,,,,", "148.95,-39.20,S1,400,,,2026-05-01,Kim,sign,")],
        );
        // Drawn anew a little aside, and one of them has been given a name.
        let later = vec![entrance("a track", "148.9002"), entrance("Creek Track", "148.95001")];
        let told = told(Some(table.as_bytes()), true, later).unwrap();
        assert_eq!((told.rows[0][9].as_str(), told.rows[1][9].as_str(), told.no_longer), ("", "Kim", 0));
    }

    #[test]
    fn a_table_in_another_encoding_is_read_and_one_without_names_is_refused() {
        let wide = "kind,name,by\nparcel,N6,Zoë\n".encode_utf16().flat_map(u16::to_le_bytes);
        let wide: Vec<u8> = [0xff, 0xfe].into_iter().chain(wide).collect();
        let western = b"kind,name,by\nparcel,N6,Zo\xeb\n";
        for bytes in [wide.as_slice(), western] {
            let told = told(Some(bytes), true, vec![parcel("N6", "A", "S1", "166")]).unwrap();
            assert_eq!(told.rows[0][9], "Zoë");
        }
        assert!(told(Some(b"parcel;N6;Kim"), true, Vec::new()).unwrap_err().contains("kind"));
        assert_eq!(told(Some(b""), true, Vec::new()).unwrap().rows.len(), 0);
    }
}
