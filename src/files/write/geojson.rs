//! GeoJSON (RFC 7946): WGS84 longitude and latitude with 7 decimals (about 1 cm), outer
//! rings counter-clockwise, features streamed.

use std::io::{self, Write};

use geo::orient::{Direction, Orient};
use geo_types::{Coord, Geometry, LineString, MultiPolygon, Polygon};
use serde_json::{Map, Value};

use super::Provenance;

/// Decimals of a written coordinate.
const DECIMALS: usize = 7;

/// Writes one feature collection, feature by feature.
///
/// Further foreign members (cautions, say) go in with [`GeoJsonWriter::begin_with`].
pub struct GeoJsonWriter<W: Write> {
    out: W,
    count: usize,
}

impl<W: Write> GeoJsonWriter<W> {
    /// Opens a collection that carries the foreign member `stakeline`.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn begin(out: W, provenance: &Provenance) -> io::Result<Self> {
        Self::begin_with(out, provenance, &[])
    }

    /// As [`GeoJsonWriter::begin`], with further foreign members ahead of the features.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn begin_with(mut out: W, provenance: &Provenance, members: &[(&str, Value)]) -> io::Result<Self> {
        write!(out, "{{\"type\":\"FeatureCollection\",\n\"stakeline\":{}", provenance.to_json())?;
        for (name, value) in members {
            write!(out, ",\n{}:{value}", Value::from(*name))?;
        }
        write!(out, ",\n\"features\":[")?;
        Ok(Self { out, count: 0 })
    }

    /// Writes one feature. The geometry is in longitude and latitude degrees.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn feature(
        &mut self,
        id: &str,
        geometry: Option<&Geometry<f64>>,
        properties: &Map<String, Value>,
    ) -> io::Result<()> {
        let comma = if self.count == 0 { "" } else { "," };
        write!(self.out, "{comma}\n{{\"type\":\"Feature\",\"id\":{},\"geometry\":", Value::from(id))?;
        match geometry {
            Some(geometry) => write_geometry(&mut self.out, geometry)?,
            None => self.out.write_all(b"null")?,
        }
        self.out.write_all(b",\"properties\":")?;
        serde_json::to_writer(&mut self.out, properties)?;
        self.out.write_all(b"}")?;
        self.count += 1;
        Ok(())
    }

    /// Closes the collection and says how many features it holds.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn finish(mut self) -> io::Result<usize> {
        self.out.write_all(b"\n]}\n")?;
        Ok(self.count)
    }
}

/// A number rounded to some decimals, for properties that people read.
pub fn round_to(value: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    let rounded = (value * scale).round() / scale;
    if rounded.is_finite() { rounded + 0.0 } else { value }
}

/// Polygons with outer rings counter-clockwise and holes clockwise, as RFC 7946 wants.
pub fn oriented(polygons: &MultiPolygon<f64>) -> MultiPolygon<f64> {
    polygons.orient(Direction::Default)
}

fn write_geometry(out: &mut impl Write, geometry: &Geometry<f64>) -> io::Result<()> {
    match geometry {
        Geometry::Point(p) => {
            open(out, "Point")?;
            write_position(out, p.0)?;
        }
        Geometry::MultiPoint(points) => {
            open(out, "MultiPoint")?;
            write_list(out, &points.0, |out, p| write_position(out, p.0))?;
        }
        Geometry::Line(line) => return write_geometry(out, &Geometry::LineString((*line).into())),
        Geometry::LineString(line) => {
            open(out, "LineString")?;
            write_line(out, line)?;
        }
        Geometry::MultiLineString(lines) => {
            open(out, "MultiLineString")?;
            write_list(out, &lines.0, write_line)?;
        }
        Geometry::Polygon(polygon) => {
            open(out, "Polygon")?;
            write_polygon(out, &polygon.orient(Direction::Default))?;
        }
        Geometry::MultiPolygon(polygons) => {
            open(out, "MultiPolygon")?;
            write_list(out, &oriented(polygons).0, write_polygon)?;
        }
        Geometry::Rect(rect) => return write_geometry(out, &Geometry::Polygon(rect.to_polygon())),
        Geometry::Triangle(triangle) => {
            return write_geometry(out, &Geometry::Polygon(triangle.to_polygon()));
        }
        Geometry::GeometryCollection(parts) => {
            out.write_all(b"{\"type\":\"GeometryCollection\",\"geometries\":")?;
            write_list(out, &parts.0, write_geometry)?;
        }
    }
    out.write_all(b"}")
}

fn open(out: &mut impl Write, kind: &str) -> io::Result<()> {
    write!(out, "{{\"type\":\"{kind}\",\"coordinates\":")
}

fn write_list<W: Write, T>(
    out: &mut W,
    items: &[T],
    each: impl Fn(&mut W, &T) -> io::Result<()>,
) -> io::Result<()> {
    out.write_all(b"[")?;
    for (i, item) in items.iter().enumerate() {
        if i > 0 {
            out.write_all(b",")?;
        }
        each(out, item)?;
    }
    out.write_all(b"]")
}

fn write_line<W: Write>(out: &mut W, line: &LineString<f64>) -> io::Result<()> {
    write_list(out, &line.0, |out, c| write_position(out, *c))
}

fn write_polygon<W: Write>(out: &mut W, polygon: &Polygon<f64>) -> io::Result<()> {
    out.write_all(b"[")?;
    write_line(out, polygon.exterior())?;
    for hole in polygon.interiors() {
        out.write_all(b",")?;
        write_line(out, hole)?;
    }
    out.write_all(b"]")
}

/// Steps of the last decimal in a degree.
const STEPS: f64 = 1e7;

fn write_position(out: &mut impl Write, c: Coord<f64>) -> io::Result<()> {
    // A number of up to 22 bytes twice, brackets and a comma.
    let mut text = [0; 64];
    let mut end = put(&mut text, 0, b"[");
    for (value, after) in [(c.x, b","), (c.y, b"]")] {
        end = match put_decimal(&mut text, end, value) {
            Some(end) => put(&mut text, end, after),
            None => {
                // Adding zero turns minus zero into zero.
                let (x, y) = (round_to(c.x, DECIMALS as i32) + 0.0, round_to(c.y, DECIMALS as i32) + 0.0);
                return write!(out, "[{x:.DECIMALS$},{y:.DECIMALS$}]");
            }
        };
    }
    out.write_all(text.get(..end).unwrap_or(&[]))
}

/// Puts bytes at a place and gives the place after them.
fn put(text: &mut [u8; 64], at: usize, bytes: &[u8]) -> usize {
    let end = at + bytes.len();
    if let Some(room) = text.get_mut(at..end) {
        room.copy_from_slice(bytes);
    }
    end
}

/// A number with seven decimals, by whole numbers, which is several times faster than the
/// general way and gives the same digits; `None` for one outside what a coordinate can be.
fn put_decimal(text: &mut [u8; 64], at: usize, value: f64) -> Option<usize> {
    let scaled = (value * STEPS).round();
    if scaled.abs() > 1e15 || scaled.is_nan() {
        return None;
    }
    let steps = scaled.abs() as u64;
    let (mut whole, mut part) = (steps / 10_000_000, steps % 10_000_000);
    let mut digits = [b'0'; 24];
    let mut first = digits.len();
    for _ in 0..DECIMALS {
        first -= 1;
        digits[first] = b'0' + (part % 10) as u8;
        part /= 10;
    }
    first -= 1;
    digits[first] = b'.';
    loop {
        first -= 1;
        digits[first] = b'0' + (whole % 10) as u8;
        whole /= 10;
        if whole == 0 {
            break;
        }
    }
    let at = if scaled < 0.0 { put(text, at, b"-") } else { at };
    Some(put(text, at, &digits[first..]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_are_written_as_the_general_way_writes_them() {
        let mut written = Vec::new();
        for i in 0..20_000_i32 {
            let x = f64::from(i).sin() * 10_f64.powi(i % 12 - 6);
            let y = f64::from(i * 7919 % 3_600_000) / 1e4 - 180.0;
            written.clear();
            write_position(&mut written, Coord { x, y }).unwrap();
            let (x, y) = (round_to(x, 7), round_to(y, 7));
            assert_eq!(String::from_utf8_lossy(&written), format!("[{x:.7},{y:.7}]"));
        }
        for (value, wanted) in [(-0.0, "0.0000000"), (-1e-9, "0.0000000"), (1e300, "1"), (f64::NAN, "NaN")] {
            written.clear();
            write_position(&mut written, Coord { x: value, y: 0.0 }).unwrap();
            assert!(written.starts_with(format!("[{wanted}").as_bytes()), "{value}");
        }
    }
}
