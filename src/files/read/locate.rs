//! Where in a text a feature or one of its values stands, for messages that point at it.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use super::format::{self, Format};
use super::input::Input;
use super::{ReadAs, ReadOptions, Request, csv, geojson};
use crate::plan::pointed_at;

/// Bytes read before and after a place, more than is shown of a long line.
const ROUND_BYTES: u64 = 400;

/// Line, column and the line with a caret under feature `index` of a file, or under the value of
/// one of its properties. `None` where the file holds no text of features (or no such feature).
/// Costs a pass over the file up to there.
pub(crate) fn pointed_feature(place: &Path, index: usize, property: Option<&str>) -> Option<String> {
    let options = ReadOptions::from(ReadAs::Rows);
    let request = Request::new(place, place, &options);
    let mut input = Input::open(place, place).ok()?;
    let offset = match format::of(&request, input.head()).ok()? {
        Format::GeoJson => geojson::locate(&mut input, index, property),
        Format::Csv => csv::locate(&mut input, index, property),
        _ => None,
    }?;
    pointed_byte(place, offset).ok()
}

/// The same for a byte of the file, counted after a byte-order mark.
fn pointed_byte(place: &Path, offset: u64) -> io::Result<String> {
    let mut file = BufReader::with_capacity(1 << 18, File::open(place)?);
    let mark = if file.fill_buf()?.starts_with(&[0xef, 0xbb, 0xbf]) { 3 } else { 0 };
    file.consume(mark);
    let (mut line, mut start) = (1, 0);
    let mut last = 0;
    for (at, byte) in (1..).zip(file.by_ref().take(offset).bytes()) {
        let byte = byte?;
        match (last, byte) {
            (b'\r', b'\n') => start = at,
            (_, b'\n' | b'\r') => (line, start) = (line + 1, at),
            _ => {}
        }
        last = byte;
    }
    let from = start.max(offset.saturating_sub(ROUND_BYTES));
    file.seek(SeekFrom::Start(mark as u64 + from))?;
    let mut bytes = Vec::new();
    file.take(offset - from + ROUND_BYTES).read_to_end(&mut bytes)?;
    let text = bytes.split(|&b| b == b'\n' || b == b'\r').next().unwrap_or_default();
    let text = String::from_utf8_lossy(text).replace('\t', " ");
    let shown = pointed_at(&text, line, (offset - from) as usize + 1);
    Ok(format!(" (line {line} column {}){shown}", offset - start + 1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(name: &str, text: &str, index: usize, property: Option<&str>) -> Option<String> {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join(name);
        std::fs::write(&place, text).unwrap();
        pointed_feature(&place, index, property)
    }

    /// The character above the caret and what follows it.
    fn pointed(shown: &str) -> &str {
        let mut lines = shown.lines().skip(1);
        let (text, caret) = (lines.next().unwrap(), lines.next().unwrap());
        let at = text.char_indices().nth(caret.chars().count() - 1).unwrap().0;
        &text[at..]
    }

    #[test]
    fn a_cell_of_a_table_is_pointed_at() {
        let plain = "id,lon,lat,\"count\"\na,1,2,3\n\"b, or\",1,\"x\"\"y\",four\n";
        for (text, line) in [
            (plain.to_string(), 3),
            (format!("\u{feff}{plain}"), 3),
            (plain.replace('\n', "\r\n"), 3),
            (plain.replace('\n', "\r"), 3),
            (plain.replace("a,1,2,3", "\"a\n\",1,2,3"), 4),
        ] {
            let found = shown("a.csv", &text, 1, Some("count")).unwrap();
            assert!(found.starts_with(&format!(" (line {line} column 18)")), "{text:?}: {found}");
            assert_eq!(pointed(&found), "four", "{found}");
            let found = shown("a.csv", &text, 1, None).unwrap();
            assert!(pointed(&found).starts_with("\"x\"\"y\""), "{found}");
        }
        assert_eq!(shown("a.csv", plain, 2, None), None);
    }

    #[test]
    fn a_value_of_a_feature_is_pointed_at() {
        let feature = |n: &str| {
            format!(
                "{{\"type\":\"Feature\",\"properties\":{{\"count\": {n}}},\"geometry\":{{\"type\":\"Point\",\"coordinates\":[1,{n}]}}}}"
            )
        };
        let (a, b) = (feature("3"), feature("\"four\""));
        let collection = format!("{{\"type\":\"FeatureCollection\",\n\"features\":[{a},\n {b}]}}");
        for (text, line) in [(collection, 3), (format!("{a}\n{b}\n"), 2), (b.clone(), 1)] {
            let index = usize::from(line > 1);
            let found = shown("a.geojson", &text, index, Some("count")).unwrap();
            assert!(found.starts_with(&format!(" (line {line} column ")), "{found}");
            assert!(pointed(&found).starts_with("\"four\"}"), "{found}");
            let found = shown("a.geojson", &text, index, None).unwrap();
            assert!(pointed(&found).starts_with("[1,\"four\"]"), "{found}");
        }
        let far =
            format!("{{\"type\":\"FeatureCollection\",\"features\":[{}{b}]}}", format!("{a},").repeat(9000));
        let found = shown("a.geojson", &far, 9000, Some("count")).unwrap();
        assert!(found.starts_with(" (line 1 column ") && found.contains('…'), "{found}");
        assert!(pointed(&found).starts_with("\"four\"}"), "{found}");
    }
}
