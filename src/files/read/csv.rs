//! CSV with a header line and two columns for the place: longitude and latitude, or easting
//! and northing in a system that the file, a `.prj` beside it, or its layer in the plan names.
//! Comma, semicolon or tab is told from the header, as is a decimal comma from the numbers;
//! lines may end in LF, CRLF or CR. Every other column becomes a text property.

mod locate;
mod number;
mod row;

use std::collections::HashMap;
use std::io::{BufReader, Read};
use std::path::Path;
use std::sync::Arc;

use geo_types::{Geometry, Point};
use serde_json::Value;

use super::system::{Said, to_lonlat};
use super::{FileError, Input, ReadAs, Request, Take};
use crate::files::{Properties, RawFeature, RawShape};
use crate::frame::System;
use crate::record::SourcePlace;

pub(super) use locate::locate;
use number::with_point;

/// Names of the two columns of a place, east first, in lower case.
const DEGREES: [(&[&str], &[&str]); 1] = [(
    &["lon", "longitude", "long", "lng", "x_lon", "decimallongitude"],
    &["lat", "latitude", "y_lat", "decimallatitude"],
)];
const METRES: [(&[&str], &[&str]); 2] = [
    (
        &["easting", "east", "e", "easting_m", "utm_e", "mga_e", "utm_easting"],
        &["northing", "north", "n", "northing_m", "utm_n", "mga_n", "utm_northing"],
    ),
    (&["x", "x_m", "point_x", "xcoord", "x_coord"], &["y", "y_m", "point_y", "ycoord", "y_coord"]),
];

pub(super) fn read(
    request: &Request,
    input: &mut Input,
    take: Take,
    notes: &mut Vec<String>,
) -> Result<usize, FileError> {
    let delimiter = delimiter_of(input.head());
    let text = BufReader::with_capacity(1 << 16, input.by_ref());
    let mut rows =
        csv::ReaderBuilder::new().delimiter(delimiter).flexible(true).trim(csv::Trim::All).from_reader(text);
    let header = rows.headers().map_err(|e| explain(request, &e))?;
    let mut columns = Columns::find(request, header, delimiter)?;
    columns.check_names(request, notes)?;
    let file: Arc<Path> = Arc::from(request.path);
    let mut row = csv::StringRecord::new();
    let (mut index, mut passed, mut aside) = (0, 0, Aside::default());
    while rows.read_record(&mut row).map_err(|e| explain(request, &e))? {
        if let Some(line) = columns.swallowed_line(&row) {
            let at = row.position().map_or(0, csv::Position::line);
            return Err(request.wrong(format!(
                "has a quote that is left open at line {at}: the cell goes on over \"{line}\"; close the quote, or \
                 take it out"
            )));
        }
        let source = SourcePlace { file: file.clone(), index, id: columns.id(&row) };
        index += 1;
        let odd = columns.odd(&row);
        let shape = match odd {
            Some(why) if request.options.strict => RawShape::Broken(why),
            Some(why) => {
                aside.note(&source, &why);
                continue;
            }
            None => columns.placed(request, &row)?,
        };
        take(RawFeature { shape, properties: columns.properties(&row), source });
        passed += 1;
    }
    notes.extend(aside.told());
    Ok(passed)
}

/// Rows that are set aside.
#[derive(Default)]
struct Aside {
    first: Option<String>,
    count: usize,
}

impl Aside {
    fn note(&mut self, source: &SourcePlace, why: &str) {
        self.count += 1;
        self.first.get_or_insert_with(|| format!("row {} {why}", source.index + 1));
    }

    fn told(self) -> Option<String> {
        let first = self.first?;
        Some(match self.count {
            1 => format!("{first}; it is set aside"),
            n => format!("{first}; it and {} more such rows are set aside", n - 1),
        })
    }
}

/// Whether the first line of a file is the header of a table with a place, or of any table.
pub(super) fn looks_like_a_table(head: &[u8], any: bool) -> bool {
    let header = first_line(head);
    if header.contains(&0) || std::str::from_utf8(header).is_err() {
        return false;
    }
    let delimiter = delimiter_of(head);
    let text = String::from_utf8_lossy(header).to_lowercase();
    let names: Vec<&str> = text.split(char::from(delimiter)).map(|n| n.trim().trim_matches('"')).collect();
    let pair = DEGREES.iter().chain(&METRES).any(|(east, north)| {
        names.iter().any(|n| east.contains(n)) && names.iter().any(|n| north.contains(n))
    });
    names.len() > 1 && (any || pair)
}

/// The first line, whichever way lines end.
fn first_line(head: &[u8]) -> &[u8] {
    head.split(|&b| b == b'\n' || b == b'\r').next().unwrap_or(&[])
}

fn delimiter_of(head: &[u8]) -> u8 {
    let header = first_line(head);
    let count = |byte| header.iter().filter(|&&b| b == byte).count();
    [b',', b';', b'\t'].into_iter().max_by_key(|&byte| (count(byte), byte == b',')).unwrap_or(b',')
}

/// What the two columns of a place hold.
#[derive(Clone, Copy, PartialEq)]
enum Unit {
    Degrees,
    Metres,
    /// There are none, and none are needed.
    None,
}

struct Columns {
    names: Vec<String>,
    x: usize,
    y: usize,
    unit: Unit,
    id: Option<usize>,
    epsg: Option<usize>,
    /// The systems met so far, by what the column `epsg` says.
    systems: HashMap<String, System>,
    delimiter: u8,
    /// Whether numbers may be written with a comma: only where commas do not part columns.
    comma: bool,
}

impl Columns {
    fn find(request: &Request, header: &csv::StringRecord, delimiter: u8) -> Result<Self, FileError> {
        let names: Vec<String> = header.iter().map(str::to_string).collect();
        let place = |wanted: &[&str]| names.iter().position(|n| wanted.contains(&n.to_lowercase().as_str()));
        let pair = |(east, north): &(&[&str], &[&str])| place(east).zip(place(north));
        let (x, y, unit) = if let Some((x, y)) = DEGREES.iter().find_map(pair) {
            (x, y, Unit::Degrees)
        } else if let Some((x, y)) = METRES.iter().find_map(pair) {
            (x, y, Unit::Metres)
        } else if request.options.read_as == ReadAs::Rows {
            (names.len(), names.len(), Unit::None)
        } else {
            return Err(request.wrong(format!(
                "has no columns \"lon\" and \"lat\" (nor \"easting\" and \"northing\"); its header reads: {}{}",
                names.join(", "),
                likely(&names).unwrap_or_default()
            )));
        };
        // A table whose rows need no place may have columns x and y that mean something else.
        let unit = match unit {
            Unit::Metres if request.options.read_as == ReadAs::Rows && request.options.epsg.is_none() => {
                Unit::None
            }
            unit => unit,
        };
        let (id, epsg) = (place(&["id", "fid"]), place(&["epsg"]));
        let systems = HashMap::new();
        Ok(Self { x, y, unit, id, epsg, systems, delimiter, names, comma: delimiter != b',' })
    }

    /// The shape of a row in longitude and latitude, by the system of the row itself.
    fn placed(&mut self, request: &Request, row: &csv::StringRecord) -> Result<RawShape, FileError> {
        let shape = self.shape(row);
        if self.unit == Unit::None || !matches!(shape, RawShape::Shape(_)) {
            // Rows that need no place may have any text in those columns.
            let needed = request.options.read_as != ReadAs::Rows;
            return Ok(if needed { shape } else { RawShape::Null });
        }
        let said = self.epsg.and_then(|c| row.get(c)).unwrap_or("").trim();
        if let Some(system) = self.systems.get(said) {
            return Ok(to_lonlat(shape, system));
        }
        let system = self.system(request, row, said)?;
        let shape = to_lonlat(shape, &system);
        self.systems.insert(said.to_string(), system);
        Ok(shape)
    }

    /// The system that a row says, or that of the file.
    fn system(&self, request: &Request, row: &csv::StringRecord, code: &str) -> Result<System, FileError> {
        let digits = code.get(..5).filter(|start| start.eq_ignore_ascii_case("epsg:")).and(code.get(5..));
        let said = match (digits.unwrap_or(code).trim().parse::<u32>(), self.unit) {
            (Ok(epsg), _) => Said::System(request.known(System::from_epsg(epsg))?),
            (Err(_), _) if !code.is_empty() => {
                let line = row.position().map_or(0, csv::Position::line);
                return Err(request.wrong(format!(
                    "has the epsg \"{code}\" at line {line}, where a code such as 28355 is wanted"
                )));
            }
            (Err(_), Unit::Degrees) => Said::MeansWgs84,
            (Err(_), _) => Said::Nothing,
        };
        let sample = self.number(row, self.x).zip(self.number(row, self.y));
        let system = request.system(said, sample)?;
        match sample {
            Some((x, y)) if self.unit == Unit::Degrees && system.to_lonlat_deg(x, y).is_err() => {
                Err(request.wrong(format!("has degrees in its columns, and {} is in metres", system.name())))
            }
            _ => Ok(system),
        }
    }

    /// A coordinate. In degrees a comma can only be that of a fraction.
    fn number(&self, row: &csv::StringRecord, column: usize) -> Option<f64> {
        let text = row.get(column)?;
        text.parse().ok().or_else(|| {
            if self.unit == Unit::Degrees { with_point(text)?.parse().ok() } else { number::understood(text) }
        })
    }

    fn id(&self, row: &csv::StringRecord) -> Option<Arc<str>> {
        row.get(self.id?).filter(|id| !id.is_empty()).map(Arc::from)
    }

    fn shape(&self, row: &csv::StringRecord) -> RawShape {
        let text = |column| row.get(column).unwrap_or("");
        let (x, y) = (text(self.x), text(self.y));
        if self.unit == Unit::None || x.is_empty() && y.is_empty() {
            return RawShape::Null;
        }
        match (self.number(row, self.x), self.number(row, self.y)) {
            (Some(x), Some(y)) => RawShape::Shape(Geometry::Point(Point::new(x, y))),
            _ => {
                let hint = if x.contains('\n') || y.contains('\n') { "; is a quote left open?" } else { "" };
                RawShape::Broken(format!("has the coordinates {x:?}, {y:?}, which are no numbers{hint}"))
            }
        }
    }

    fn properties(&self, row: &csv::StringRecord) -> Properties {
        let is_place = |i| self.unit != Unit::None && (i == self.x || i == self.y);
        self.names
            .iter()
            .zip(row)
            .enumerate()
            .filter(|(i, (_, text))| !is_place(*i) && !text.is_empty())
            .map(|(_, (name, text))| {
                let number = if self.comma { number::spelt_with_point(text) } else { None };
                (name.clone(), number.map_or_else(|| Value::from(text), Value::from))
            })
            .collect()
    }
}

/// The column that is one letter off a name looked for, as a question.
fn likely(names: &[String]) -> Option<String> {
    let known = DEGREES.iter().chain(&METRES).flat_map(|(east, north)| east.iter().chain(*north));
    let known = || known.clone().filter(|known| known.len() > 2);
    names.iter().find_map(|name| {
        let meant = known().find(|known| strsim::osa_distance(&name.to_lowercase(), known) == 1)?;
        Some(format!("; is \"{name}\" meant to be \"{meant}\"?"))
    })
}

fn explain(request: &Request, error: &csv::Error) -> FileError {
    let line = error.position().map(|p| p.line());
    let at = line.map(|line| format!(" at line {line}")).unwrap_or_default();
    match error.kind() {
        csv::ErrorKind::Utf8 { .. } => {
            FileError::encoding(request.path, format!("bytes that are not valid{at}"))
        }
        csv::ErrorKind::Io(e) => FileError::open(request.path, e),
        _ => request.wrong(format!("is not valid CSV{at}: {error}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::{ReadOptions, ReadReport, read_features};

    fn read(text: &str, strict: bool) -> Result<(Vec<RawFeature>, ReadReport), String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        std::fs::write(&path, text).unwrap();
        let options = ReadOptions { strict, ..ReadAs::Points.into() };
        let mut features = Vec::new();
        let report = read_features(&path, Path::new("a.csv"), options, &mut |raw| features.push(raw));
        report.map(|report| (features, report)).map_err(|e| e.to_string())
    }

    fn place(feature: &RawFeature) -> (f64, f64) {
        match &feature.shape {
            RawShape::Shape(Geometry::Point(p)) => (p.x(), p.y()),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn every_row_lies_in_the_system_that_it_says() {
        let text = "easting,northing,epsg\n661027.41,5992431.51,28355\n122798.17,5986206.35,EPSG:28356\n\
                    148.8,-36.2,4326\n";
        let (features, _) = read(text, true).unwrap();
        for feature in &features {
            let (lon, lat) = place(feature);
            assert!((lon - 148.8).abs() < 0.02 && (lat + 36.2).abs() < 0.02, "{lon} {lat}");
        }
        let why = read("lon,lat,epsg\n148.8,-36.2,4326\n148.8,-36.2,MGA\n", true).unwrap_err();
        assert!(why.contains("epsg \"MGA\" at line 3"), "{why}");
        assert!(read("x,y,epsg\n661027.41,5992431.51,28355\n661027.41,5992431.51,\n", true).is_err());
    }

    #[test]
    fn rows_of_another_length_spoil_a_keep_out_and_are_counted_elsewhere() {
        let text = "lon,lat,name,distance_m,\n148.1,-35.1,house, 5,200\n148.2,-35.2,shed,300,\n148.3,-35.3\n";
        let (features, _) = read(text, true).unwrap();
        assert_eq!(features.len(), 3);
        assert!(matches!(&features[2].shape, RawShape::Broken(why) if why.contains("has 2 cells")));
        let long = read("lon,lat,name,distance_m\n148.1,-35.1,house, 5,200\n", true).unwrap().0;
        assert!(
            matches!(&long[0].shape, RawShape::Broken(why) if why.contains("5 cells, where the header has 4"))
        );
        let (features, report) = read(text, false).unwrap();
        assert_eq!((features.len(), features[1].source.index), (2, 1));
        assert!(
            report.notes[0].contains("row 3") && report.notes[0].contains("set aside"),
            "{:?}",
            report.notes
        );
    }

    #[test]
    fn a_quote_left_open_is_told_and_a_text_of_two_lines_is_read() {
        for rows in ["148.1,-35.1,\"b\n148.2,-35.2,c\n", "148.1,-35.1,\"b\n148.2,-35.2,\"c\n148.3,-35.3,d\n"]
        {
            for strict in [true, false] {
                let why = read(&format!("lon,lat,name\n{rows}"), strict).unwrap_err();
                assert!(why.contains("left open at line 2") && why.contains("148.2,-35.2"), "{why}");
            }
        }
        let two = "lon,lat,name\n148.1,-35.1,\"gate, and\nfence, both, old\"\n";
        assert_eq!(read(two, true).unwrap().0[0].properties["name"], "gate, and\nfence, both, old");
    }

    #[test]
    fn a_number_that_may_be_thousands_is_not_taken_for_a_fraction() {
        let (features, _) =
            read("lon\tlat\tdistance_m\n148.1\t-35.1\t1,200\n148.1\t-35.1\t1.200,5\n", true).unwrap();
        assert_eq!(features[0].properties["distance_m"], "1,200");
        assert_eq!(features[1].properties["distance_m"], "1200.5");
        let (features, _) =
            read("lon;lat;distance_m\n148,125;-35,5;1.200\n148,125;-35,5;1,2\n", true).unwrap();
        assert!(matches!(&features[0].shape, RawShape::Broken(why) if why.contains("distance_m \"1.200\"")));
        assert_eq!(
            (place(&features[1]), &features[1].properties["distance_m"]),
            ((148.125, -35.5), &Value::from("1.2"))
        );
    }

    #[test]
    fn a_column_named_twice_is_refused_where_safety_hangs_on_it() {
        let text = "lon,lat,distance_m,Distance_M\n148.1,-35.1,200,1500\n";
        assert!(read(text, true).unwrap_err().contains("two columns"));
        assert!(read(text, false).unwrap().1.notes[0].contains("two columns"));
    }
}
