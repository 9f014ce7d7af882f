//! CSV with a header line and columns for longitude and latitude. Comma, semicolon or tab
//! is told from the header. Every other column becomes a text property.

use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::sync::Arc;

use geo_types::{Geometry, Point};
use serde_json::Value;

use super::{FileError, Input, ReadAs};
use crate::files::{Properties, RawFeature, RawShape};
use crate::record::SourcePlace;

const LON_NAMES: [&str; 5] = ["lon", "longitude", "long", "lng", "x_lon"];
const LAT_NAMES: [&str; 3] = ["lat", "latitude", "y_lat"];

pub(super) fn read(
    path: &Path,
    input: &mut Input,
    read_as: ReadAs,
    take: &mut dyn FnMut(RawFeature),
) -> Result<usize, FileError> {
    let delimiter = delimiter_of(input.head());
    let text = BufReader::with_capacity(1 << 16, input.by_ref());
    let mut rows =
        csv::ReaderBuilder::new().delimiter(delimiter).flexible(true).trim(csv::Trim::All).from_reader(text);
    let columns = Columns::find(path, rows.headers().map_err(|e| explain(path, &e))?, read_as)?;
    let file: Arc<Path> = Arc::from(path);
    let mut row = csv::StringRecord::new();
    let mut index = 0;
    while rows.read_record(&mut row).map_err(|e| explain(path, &e))? {
        let source = SourcePlace { file: file.clone(), index, id: columns.id(&row) };
        take(RawFeature { shape: columns.shape(&row), properties: columns.properties(&row), source });
        index += 1;
    }
    Ok(index)
}

fn delimiter_of(head: &[u8]) -> u8 {
    let mut header = Vec::new();
    // Reading from a slice cannot fail.
    let _ = BufReader::new(head).read_until(b'\n', &mut header);
    let count = |byte| header.iter().filter(|&&b| b == byte).count();
    [b',', b';', b'\t'].into_iter().max_by_key(|&byte| (count(byte), byte == b',')).unwrap_or(b',')
}

struct Columns {
    names: Vec<String>,
    lon: usize,
    lat: usize,
    id: Option<usize>,
}

impl Columns {
    fn find(path: &Path, header: &csv::StringRecord, read_as: ReadAs) -> Result<Self, FileError> {
        let names: Vec<String> = header.iter().map(str::to_string).collect();
        let place = |wanted: &[&str]| names.iter().position(|n| wanted.contains(&n.to_lowercase().as_str()));
        match (place(&LON_NAMES), place(&LAT_NAMES)) {
            (Some(lon), Some(lat)) => {
                let id = place(&["id", "fid"]);
                Ok(Self { names, lon, lat, id })
            }
            _ if read_as == ReadAs::Rows => {
                let none = names.len();
                Ok(Self { id: place(&["id", "fid"]), names, lon: none, lat: none })
            }
            _ => Err(FileError::format(
                path,
                format!("has no columns \"lon\" and \"lat\"; its header reads: {}", names.join(", ")),
            )),
        }
    }

    fn id(&self, row: &csv::StringRecord) -> Option<Arc<str>> {
        row.get(self.id?).filter(|id| !id.is_empty()).map(Arc::from)
    }

    fn shape(&self, row: &csv::StringRecord) -> RawShape {
        let text = |column| row.get(column).unwrap_or("");
        let (lon, lat) = (text(self.lon), text(self.lat));
        if lon.is_empty() && lat.is_empty() {
            return RawShape::Null;
        }
        match (lon.parse::<f64>(), lat.parse::<f64>()) {
            (Ok(lon), Ok(lat)) => RawShape::Shape(Geometry::Point(Point::new(lon, lat))),
            _ => RawShape::Broken(format!("has the coordinates \"{lon}\", \"{lat}\", which are no numbers")),
        }
    }

    fn properties(&self, row: &csv::StringRecord) -> Properties {
        self.names
            .iter()
            .zip(row)
            .enumerate()
            .filter(|(i, (_, text))| *i != self.lon && *i != self.lat && !text.is_empty())
            .map(|(_, (name, text))| (name.clone(), Value::from(text)))
            .collect()
    }
}

fn explain(path: &Path, error: &csv::Error) -> FileError {
    let line = error.position().map(|p| format!(" at line {}", p.line())).unwrap_or_default();
    match error.kind() {
        csv::ErrorKind::Utf8 { .. } => FileError::encoding(path, format!("bytes that are not valid{line}")),
        csv::ErrorKind::Io(e) => FileError::open(path, e),
        _ => FileError::format(path, format!("is not valid CSV{line}: {error}")),
    }
}
