//! KML 2.2 (OGC 07-147r2): a folder a layer, a Placemark a feature, properties as
//! `ExtendedData`. Coordinates have 7 decimals.

use std::io::{self, Write};

use geo_types::{Coord, Geometry, LineString, Polygon};
use quick_xml::escape::escape;
use serde_json::Value;

use super::round_to;
use crate::files::Properties;

/// A KML document being written, folder by folder.
pub struct KmlWriter<W: Write> {
    out: W,
    open: bool,
}

impl<W: Write> KmlWriter<W> {
    /// Opens a document, with what is to be read before anything in it.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn begin(mut out: W, name: &str, description: Option<&str>) -> io::Result<Self> {
        let name = escape(name);
        writeln!(out, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>")?;
        writeln!(out, "<kml xmlns=\"http://www.opengis.net/kml/2.2\">\n<Document><name>{name}</name>")?;
        if let Some(text) = description {
            writeln!(out, "<description>{}</description>", printable(text))?;
        }
        Ok(Self { out, open: false })
    }

    /// Opens a folder; the one before is closed.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn folder(&mut self, name: &str) -> io::Result<()> {
        self.close_folder()?;
        self.open = true;
        writeln!(self.out, "<Folder><name>{}</name>", escape(name))
    }

    fn close_folder(&mut self) -> io::Result<()> {
        if std::mem::take(&mut self.open) { writeln!(self.out, "</Folder>") } else { Ok(()) }
    }

    /// Writes a feature. The geometry is in longitude and latitude degrees.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn feature(
        &mut self,
        name: &str,
        geometry: Option<&Geometry<f64>>,
        properties: &Properties,
    ) -> io::Result<()> {
        write!(self.out, "<Placemark><name>{}</name>", printable(name))?;
        if !properties.is_empty() {
            write!(self.out, "<ExtendedData>")?;
            for (key, value) in properties.iter().filter(|(_, value)| !value.is_null()) {
                let text = match value {
                    Value::String(text) => text.clone(),
                    other => other.to_string(),
                };
                write!(
                    self.out,
                    "<Data name=\"{}\"><value>{}</value></Data>",
                    printable(key),
                    printable(&text)
                )?;
            }
            write!(self.out, "</ExtendedData>")?;
        }
        if let Some(geometry) = geometry {
            put_geometry(&mut self.out, geometry)?;
        }
        writeln!(self.out, "</Placemark>")
    }

    /// Closes the document and gives the writer back.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn finish(mut self) -> io::Result<W> {
        self.close_folder()?;
        writeln!(self.out, "</Document>\n</kml>")?;
        Ok(self.out)
    }
}

/// Text without the control characters that XML cannot hold, escaped.
fn printable(text: &str) -> String {
    let kept: String = text.chars().filter(|&c| c >= ' ' || matches!(c, '\t' | '\n' | '\r')).collect();
    escape(kept.as_str()).into_owned()
}

fn put_geometry(out: &mut impl Write, geometry: &Geometry<f64>) -> io::Result<()> {
    match geometry {
        Geometry::Point(p) => {
            write!(out, "<Point>")?;
            put_coordinates(out, &[p.0])?;
            write!(out, "</Point>")
        }
        Geometry::Line(line) => put_line(out, &(*line).into()),
        Geometry::LineString(line) => put_line(out, line),
        Geometry::Polygon(polygon) => put_polygon(out, polygon),
        Geometry::Rect(rect) => put_polygon(out, &rect.to_polygon()),
        Geometry::Triangle(triangle) => put_polygon(out, &triangle.to_polygon()),
        Geometry::MultiPoint(points) => put_many(out, &points.0, |out, &p| put_geometry(out, &p.into())),
        Geometry::MultiLineString(lines) => put_many(out, &lines.0, put_line),
        Geometry::MultiPolygon(polygons) => put_many(out, &polygons.0, put_polygon),
        Geometry::GeometryCollection(parts) => put_many(out, &parts.0, put_geometry),
    }
}

fn put_many<W: Write, T>(
    out: &mut W,
    parts: &[T],
    each: impl Fn(&mut W, &T) -> io::Result<()>,
) -> io::Result<()> {
    write!(out, "<MultiGeometry>")?;
    for part in parts {
        each(out, part)?;
    }
    write!(out, "</MultiGeometry>")
}

fn put_line(out: &mut impl Write, line: &LineString<f64>) -> io::Result<()> {
    write!(out, "<LineString>")?;
    put_coordinates(out, &line.0)?;
    write!(out, "</LineString>")
}

fn put_polygon(out: &mut impl Write, polygon: &Polygon<f64>) -> io::Result<()> {
    write!(out, "<Polygon>")?;
    let rings = std::iter::once(("outerBoundaryIs", polygon.exterior()))
        .chain(polygon.interiors().iter().map(|hole| ("innerBoundaryIs", hole)));
    for (side, ring) in rings {
        write!(out, "<{side}><LinearRing>")?;
        put_coordinates(out, &ring.0)?;
        write!(out, "</LinearRing></{side}>")?;
    }
    write!(out, "</Polygon>")
}

fn put_coordinates(out: &mut impl Write, coords: &[Coord<f64>]) -> io::Result<()> {
    write!(out, "<coordinates>")?;
    for (i, c) in coords.iter().enumerate() {
        let between = if i > 0 { " " } else { "" };
        write!(out, "{between}{:.7},{:.7}", round_to(c.x, 7), round_to(c.y, 7))?;
    }
    write!(out, "</coordinates>")
}
