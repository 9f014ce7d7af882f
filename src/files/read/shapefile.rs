//! Shapefile: shapes from `.shp`, attributes from `.dbf`, the system from `.prj`, the encoding
//! from `.cpg`. Without `.shx` the shapes are read one after the other. Heights and measures
//! are left out.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::Arc;

use geo_types::{Coord, Geometry, LineString, MultiLineString, MultiPoint, Point, Polygon};
use serde_json::Value;
use shapefile::record::polygon::GenericPolygon;
use shapefile::record::traits::HasXY;
use shapefile::{PolygonRing, Shape, ShapeReader};

use super::system::{Said, beside, to_lonlat};
use super::{FileError, Input, ReadAs, Request, Take};
use crate::files::{Properties, RawFeature, RawShape};
use crate::record::SourcePlace;

/// The length of the header of `.shp` and `.shx`.
const HEADER_BYTES: u64 = 100;

pub(super) fn read(
    request: &Request,
    input: &mut Input,
    take: Take,
    notes: &mut Vec<String>,
) -> Result<usize, FileError> {
    let damaged = |e: shapefile::Error| request.wrong(format!("is a damaged Shapefile: {e}"));
    let source = open(request, request.place)?;
    let index = beside(request.place, "shx").map(|shx| open(request, &shx)).transpose()?;
    let mut shapes = match index {
        Some(index) => ShapeReader::with_shx(source, index).map_err(damaged)?,
        None => ShapeReader::new(source).map_err(damaged)?,
    };
    let stored = Stored::count(request)?;
    let mut odd: Vec<String> = stored.oddities(shapes.header().file_length).collect();
    let mut rows = beside(request.place, "dbf").map(|dbf| Rows::open(request, input, &dbf)).transpose()?;
    if rows.is_none() && request.options.read_as != ReadAs::Areas {
        odd.push(
            "has no attribute table (.dbf) beside it, so that its features have no properties; copy it there"
                .into(),
        );
    }
    if let Some(prj) = beside(request.place, "prj") {
        input.hash_further(&whole(request, &prj)?);
    }
    let corner = shapes.header().bbox.min;
    let system = request.system(Said::Nothing, Some((corner.x, corner.y)))?;
    tell(request, odd, notes)?;
    let file: Arc<Path> = Arc::from(request.path);
    let (mut count, mut seen) = (0, 0);
    for (index, shape) in shapes.iter_shapes().enumerate() {
        let shape = shape.map_err(|e| {
            request.wrong(format!(
                "is a damaged Shapefile: shape {} cannot be read ({e}); copy it again",
                index + 1
            ))
        })?;
        seen += 1;
        let row = match &mut rows {
            None => Some(Properties::new()),
            Some(rows) => rows.next(request, index)?,
        };
        let Some(properties) = row else { continue };
        let source = SourcePlace { file: file.clone(), index: count, id: None };
        take(RawFeature { shape: to_lonlat(raw_shape(shape), &system), properties, source });
        count += 1;
    }
    tell(request, stored.misfit(seen, rows.map(|rows| rows.rows)), notes)?;
    Ok(count)
}

/// Refuses what may lose features or their properties where safety hangs on them; else notes it.
fn tell(
    request: &Request,
    odd: impl IntoIterator<Item = String>,
    notes: &mut Vec<String>,
) -> Result<(), FileError> {
    for what in odd {
        if request.options.strict {
            return Err(request.wrong(what));
        }
        notes.push(what);
    }
    Ok(())
}

/// What the files themselves hold, whatever their headers say.
struct Stored {
    bytes: u64,
    /// Shapes that stand one after the other to the end of the file, if they do.
    shapes: Option<usize>,
    /// Entries of the index, if there is one.
    index: Option<usize>,
}

impl Stored {
    fn count(request: &Request) -> Result<Self, FileError> {
        let bytes_of = |place: &Path| std::fs::metadata(place).map(|file| file.len());
        let bytes = bytes_of(request.place).map_err(|e| FileError::open(request.path, &e))?;
        let index = beside(request.place, "shx").and_then(|shx| bytes_of(&shx).ok());
        let index = index.and_then(|bytes| usize::try_from(bytes.saturating_sub(HEADER_BYTES) / 8).ok());
        Ok(Self { bytes, shapes: walked(&mut open(request, request.place)?, bytes), index })
    }

    /// What is wrong where shapes, index and table are not as many as were read.
    fn misfit(&self, seen: usize, rows: Option<usize>) -> Option<String> {
        let differs = [self.shapes, self.index, rows].into_iter().flatten().any(|count| count != seen);
        let listed = |n: Option<usize>| n.map_or_else(|| "no".to_string(), |n| n.to_string());
        differs.then(|| {
            format!(
                "holds {} shapes, {} entries in its index (.shx) and {} rows in its attribute table (.dbf), of \
                 which {seen} were read; the files do not belong together, export them again",
                listed(self.shapes),
                listed(self.index),
                listed(rows)
            )
        })
    }

    /// Where the header of the shapes, which counts in words of two bytes, goes against the file.
    fn oddities(&self, header_words: i32) -> impl Iterator<Item = String> {
        let said = i64::from(header_words) * 2;
        let differs = i64::try_from(self.bytes).is_ok_and(|bytes| bytes != said);
        differs.then(|| {
            format!("says in its header that it is {said} bytes long, and is {}: shapes are lost; export it again", self.bytes)
        }).into_iter()
    }
}

/// The number of shapes that follow each other from the header to the end of the file; nothing
/// where there are gaps between them.
fn walked(shapes: &mut BufReader<File>, bytes: u64) -> Option<usize> {
    let (mut at, mut count) = (HEADER_BYTES, 0);
    shapes.seek(SeekFrom::Start(at)).ok()?;
    while at < bytes {
        let mut header = [0; 8];
        shapes.read_exact(&mut header).ok()?;
        let [_, _, _, _, a, b, c, d] = header;
        let content = u64::from(u32::from_be_bytes([a, b, c, d])) * 2;
        shapes.seek_relative(i64::try_from(content).ok()?).ok()?;
        at = at.checked_add(8 + content)?;
        count += 1;
    }
    (at == bytes).then_some(count)
}

fn open(request: &Request, place: &Path) -> Result<BufReader<File>, FileError> {
    File::open(place).map(BufReader::new).map_err(|e| FileError::open(request.path, &e))
}

fn whole(request: &Request, place: &Path) -> Result<Vec<u8>, FileError> {
    std::fs::read(place).map_err(|e| FileError::open(request.path, &e))
}

/// The attribute table, row by row in step with the shapes.
struct Rows {
    table: dbase::Reader<BufReader<File>>,
    names: Vec<String>,
    /// Which rows are marked as deleted; the table's reader passes them over.
    deleted: Vec<bool>,
    /// How many rows there are, deleted ones too.
    rows: usize,
}

impl Rows {
    fn open(request: &Request, input: &mut Input, dbf: &Path) -> Result<Self, FileError> {
        let broken = |e: dbase::Error| request.wrong(format!("has a damaged attribute table (.dbf): {e}"));
        let source = open(request, dbf)?;
        let builder = dbase::ReaderBuilder::new();
        let table = match encoding(request)? {
            Encoding::Utf8 => builder.with_encoding(dbase::encoding::UnicodeLossy).build(source),
            Encoding::Western => builder.with_encoding(yore::code_pages::CP1252).build(source),
            Encoding::FromTable => builder.build(source),
        };
        let table = table.map_err(broken)?;
        let names = table.fields().iter().map(|field| field.name().to_string()).collect();
        let (hash, deleted) =
            flags_of(&mut open(request, dbf)?).map_err(|e| FileError::open(request.path, &e))?;
        input.hash_further(&hash);
        Ok(Self { table, names, rows: deleted.len(), deleted })
    }

    /// The attributes of the shape at `index`; `None` where its row is deleted.
    fn next(&mut self, request: &Request, index: usize) -> Result<Option<Properties>, FileError> {
        if self.deleted.get(index).copied().unwrap_or(false) {
            return Ok(None);
        }
        let Some(row) = self.table.iter_records().next() else {
            return Err(request.wrong(format!(
                "has an attribute table (.dbf) of {index} rows and more shapes than that; the files do not belong together"
            )));
        };
        let mut row = row.map_err(|e| {
            request.wrong(format!("has a damaged attribute table (.dbf), row {}: {e}", index + 1))
        })?;
        let cells = self.names.iter().filter_map(|name| Some((name.clone(), value(row.remove(name)?)?)));
        Ok(Some(cells.collect()))
    }
}

/// The bytes of a table hashed into 32, and its marks of deletion.
fn flags_of(table: &mut BufReader<File>) -> std::io::Result<(Vec<u8>, Vec<bool>)> {
    use sha2::{Digest, Sha256};
    let mut bytes = Vec::new();
    table.seek(SeekFrom::Start(0))?;
    table.read_to_end(&mut bytes)?;
    let number = |at: usize, n: usize| {
        bytes.get(at..at + n).unwrap_or(&[]).iter().rev().fold(0_usize, |sum, &b| sum << 8 | usize::from(b))
    };
    let (rows, start, wide) = (number(4, 4), number(8, 2), number(10, 2).max(1));
    let fits = bytes.len().saturating_sub(start) / wide + 1;
    let deleted = (0..rows.min(fits)).map(|i| bytes.get(start + i * wide) == Some(&b'*')).collect();
    Ok((Sha256::digest(&bytes).to_vec(), deleted))
}

enum Encoding {
    Utf8,
    Western,
    FromTable,
}

/// What the `.cpg` file says.
fn encoding(request: &Request) -> Result<Encoding, FileError> {
    let Some(cpg) = beside(request.place, "cpg") else { return Ok(Encoding::FromTable) };
    let text = String::from_utf8_lossy(&whole(request, &cpg)?).trim().to_uppercase();
    Ok(match text.as_str() {
        "UTF-8" | "UTF8" | "65001" => Encoding::Utf8,
        "1252" | "CP1252" | "WINDOWS-1252" | "ISO-8859-1" | "ISO 8859-1" | "88591" | "ANSI 1252" => {
            Encoding::Western
        }
        _ => Encoding::FromTable,
    })
}

fn value(cell: dbase::FieldValue) -> Option<Value> {
    use dbase::FieldValue as Cell;
    let number =
        |n: f64| if n.fract() == 0.0 && n.abs() < 9e15 { Value::from(n as i64) } else { Value::from(n) };
    let day = |d: dbase::Date| format!("{:04}-{:02}-{:02}", d.year(), d.month(), d.day());
    match cell {
        Cell::Character(text) => text.map(Value::from),
        Cell::Memo(text) => Some(Value::from(text)),
        Cell::Numeric(n) => n.map(number),
        Cell::Float(n) => n.map(|n| number(f64::from(n))),
        Cell::Double(n) | Cell::Currency(n) => Some(number(n)),
        Cell::Integer(n) => Some(Value::from(n)),
        Cell::Logical(set) => set.map(Value::from),
        Cell::Date(date) => date.map(|d| Value::from(day(d))),
        Cell::DateTime(at) => {
            let (date, time) = (at.date(), at.time());
            let (hour, minute, second) = (time.hours(), time.minutes(), time.seconds());
            Some(Value::from(format!("{}T{hour:02}:{minute:02}:{second:02}", day(date))))
        }
    }
}

fn raw_shape(shape: Shape) -> RawShape {
    let built = match &shape {
        Shape::NullShape => return RawShape::Null,
        Shape::Point(p) => Ok(point(p)),
        Shape::PointM(p) => Ok(point(p)),
        Shape::PointZ(p) => Ok(point(p)),
        Shape::Multipoint(points) => Ok(many(points.points())),
        Shape::MultipointM(points) => Ok(many(points.points())),
        Shape::MultipointZ(points) => Ok(many(points.points())),
        Shape::Polyline(line) => lines(line.parts()),
        Shape::PolylineM(line) => lines(line.parts()),
        Shape::PolylineZ(line) => lines(line.parts()),
        Shape::Polygon(polygon) => polygons(polygon),
        Shape::PolygonM(polygon) => polygons(polygon),
        Shape::PolygonZ(polygon) => polygons(polygon),
        Shape::Multipatch(_) => {
            Err("is a multipatch (a surface in space), where points, lines or polygons are read".into())
        }
    };
    built.map_or_else(RawShape::Broken, RawShape::Shape)
}

fn at(point: &impl HasXY) -> Coord<f64> {
    Coord { x: point.x(), y: point.y() }
}

fn point(point: &impl HasXY) -> Geometry<f64> {
    Geometry::Point(Point(at(point)))
}

fn many(points: &[impl HasXY]) -> Geometry<f64> {
    Geometry::MultiPoint(MultiPoint(points.iter().map(|p| Point(at(p))).collect()))
}

fn ring(points: &[impl HasXY]) -> LineString<f64> {
    LineString(points.iter().map(at).collect())
}

fn lines<P: HasXY>(parts: &[Vec<P>]) -> Result<Geometry<f64>, String> {
    let mut lines: Vec<LineString<f64>> = parts.iter().filter(|p| p.len() > 1).map(|p| ring(p)).collect();
    match lines.len() {
        0 => Err("is a line without two points".into()),
        1 => Ok(Geometry::LineString(lines.remove(0))),
        _ => Ok(Geometry::MultiLineString(MultiLineString(lines))),
    }
}

/// Outer rings with the holes that lie in them. A hole in no outer ring counts as one: files
/// with rings turned the wrong way are common.
fn polygons<P: HasXY>(polygon: &GenericPolygon<P>) -> Result<Geometry<f64>, String> {
    use geo::Contains;
    let (mut outer, mut holes) = (Vec::new(), Vec::new());
    for part in polygon.rings() {
        let ring = ring(part.points());
        if ring.0.len() < 4 {
            return Err(format!("has a ring of {} position(s), where four are needed", ring.0.len()));
        }
        match part {
            PolygonRing::Outer(_) => outer.push(Polygon::new(ring, Vec::new())),
            PolygonRing::Inner(_) => holes.push(ring),
        }
    }
    for hole in holes {
        let corner = hole.0.first().copied().map(Point);
        let around = match outer.len() {
            1 => Some(0),
            _ => outer.iter().position(|p| corner.is_some_and(|corner| p.contains(&corner))),
        };
        match around.and_then(|i| outer.get_mut(i)) {
            Some(polygon) => polygon.interiors_push(hole),
            None => outer.push(Polygon::new(hole, Vec::new())),
        }
    }
    match outer.len() {
        0 => Err("is a polygon without a ring".into()),
        1 => Ok(Geometry::Polygon(outer.remove(0))),
        _ => Ok(Geometry::MultiPolygon(outer.into())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::{ReadOptions, ReadReport, read_features};

    /// The header of a file of points that holds so many words.
    fn header(words: u32) -> Vec<u8> {
        let mut bytes = vec![0; 100];
        bytes[..4].copy_from_slice(&9994_u32.to_be_bytes());
        bytes[24..28].copy_from_slice(&words.to_be_bytes());
        bytes[28..32].copy_from_slice(&1000_u32.to_le_bytes());
        bytes[32..36].copy_from_slice(&1_u32.to_le_bytes());
        bytes
    }

    fn shp(count: u32) -> Vec<u8> {
        let mut bytes = header(50 + 14 * count);
        for k in 0..count {
            bytes.extend([k + 1, 10].iter().flat_map(|n| n.to_be_bytes()));
            bytes.extend(1_u32.to_le_bytes());
            bytes.extend([148.0 + f64::from(k) * 0.1, -35.0].iter().flat_map(|x| x.to_le_bytes()));
        }
        bytes
    }

    fn shx(count: u32) -> Vec<u8> {
        let mut bytes = header(50 + 4 * count);
        bytes.extend((0..count).flat_map(|k| [50 + 14 * k, 10]).flat_map(u32::to_be_bytes));
        bytes
    }

    /// A table of one column of numbers.
    fn dbf(count: u32) -> Vec<u8> {
        let mut bytes = vec![3, 126, 1, 1];
        bytes.extend(count.to_le_bytes());
        bytes.extend([65, 0, 6, 0]);
        bytes.resize(32, 0);
        bytes.extend(b"DISTANCE_M\0N");
        bytes.resize(48, 0);
        bytes.extend([5, 0]);
        bytes.resize(64, 0);
        bytes.push(13);
        (0..count).for_each(|_| bytes.extend(b"  200."));
        bytes.push(26);
        bytes
    }

    fn read(files: &[(&str, Vec<u8>)], strict: bool) -> Result<(Vec<RawFeature>, ReadReport), String> {
        let folder = tempfile::tempdir().unwrap();
        for (ending, bytes) in files {
            std::fs::write(folder.path().join(format!("a.{ending}")), bytes).unwrap();
        }
        let path = folder.path().join("a.shp");
        let options = ReadOptions { strict, epsg: Some(4326), ..ReadAs::All.into() };
        let mut features = Vec::new();
        let report = read_features(&path, Path::new("a.shp"), options, &mut |raw| features.push(raw));
        report.map(|report| (features, report)).map_err(|e| e.to_string())
    }

    #[test]
    fn the_files_of_a_set_are_held_against_each_other() {
        let (features, report) = read(&[("shp", shp(5)), ("shx", shx(5)), ("dbf", dbf(5))], true).unwrap();
        assert_eq!((features.len(), report.notes.len()), (5, 0), "{:?}", report.notes);
        assert_eq!(features[4].properties["DISTANCE_M"], 200);
        assert_eq!(read(&[("shp", shp(5)), ("dbf", dbf(5))], true).unwrap().0.len(), 5);

        let mut short = shp(5);
        short[24..28].copy_from_slice(&(50 + 14 * 2_u32).to_be_bytes());
        let mut long = shp(5);
        long[24..28].copy_from_slice(&(50 + 14 * 7_u32).to_be_bytes());
        for (files, wanted) in [
            (vec![("shp", short), ("shx", shx(5)), ("dbf", dbf(5))], "156 bytes long, and is 240"),
            (vec![("shp", long), ("shx", shx(5)), ("dbf", dbf(5))], "is 240"),
            (vec![("shp", shp(5)), ("shx", shx(5))], "no attribute table"),
            (vec![("shp", shp(5)), ("shx", shx(3)), ("dbf", dbf(5))], "3 entries in its index"),
            (vec![("shp", shp(5)), ("shx", shx(5)), ("dbf", dbf(6))], "6 rows in its attribute table"),
        ] {
            let why = read(&files, true).map(|(features, _)| features.len()).unwrap_err();
            assert!(why.contains(wanted), "{why}");
            if let Ok((_, report)) = read(&files, false) {
                assert!(report.notes.iter().any(|note| note.contains(wanted)), "{:?}", report.notes);
            }
        }
    }
}
