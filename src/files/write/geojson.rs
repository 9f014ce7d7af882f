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

fn write_position(out: &mut impl Write, c: Coord<f64>) -> io::Result<()> {
    // Adding zero turns minus zero into zero.
    let (x, y) = (round_to(c.x, DECIMALS as i32) + 0.0, round_to(c.y, DECIMALS as i32) + 0.0);
    write!(out, "[{x:.DECIMALS$},{y:.DECIMALS$}]")
}
