//! GeoPackage 1.3 (OGC 12-128r17): feature layers in WGS84 longitude and latitude. The file
//! holds no clock: what should say when a layer was last changed says the epoch, so that the
//! same layers give the same bytes.

use std::io::{self, Seek, Write};

use geo::BoundingRect;
use geo_types::{Coord, Geometry, LineString, Polygon, Rect};

use super::round_to;
use super::sqlite::{Cell, DatabaseWriter, Rows};

const WGS84: &str = "GEOGCS[\"WGS 84\",DATUM[\"WGS_1984\",SPHEROID[\"WGS 84\",6378137,298.257223563,AUTHORITY[\"EPSG\",\"7030\"]],AUTHORITY[\"EPSG\",\"6326\"]],PRIMEM[\"Greenwich\",0,AUTHORITY[\"EPSG\",\"8901\"]],UNIT[\"degree\",0.0174532925199433,AUTHORITY[\"EPSG\",\"9122\"]],AXIS[\"Latitude\",NORTH],AXIS[\"Longitude\",EAST],AUTHORITY[\"EPSG\",\"4326\"]]";

const SYSTEMS: &str = "CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT)";

const CONTENTS: &str = "CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER, CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id))";

const COLUMNS: &str = "CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL, CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT uk_gc_table_name UNIQUE (table_name), CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name), CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id))";

/// What a column of a layer holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ColumnKind {
    /// True or false.
    Boolean,
    /// Whole numbers.
    Integer,
    /// Numbers.
    Real,
    /// Text.
    Text,
}

impl ColumnKind {
    fn sql(self) -> &'static str {
        match self {
            ColumnKind::Boolean => "BOOLEAN",
            ColumnKind::Integer => "INTEGER",
            ColumnKind::Real => "REAL",
            ColumnKind::Text => "TEXT",
        }
    }
}

/// A value of a column.
#[derive(Clone, PartialEq, Debug)]
pub enum ColumnValue {
    /// None.
    Null,
    /// A whole number, or true (1) and false (0).
    Integer(i64),
    /// A number.
    Real(f64),
    /// A text.
    Text(String),
}

/// A GeoPackage being written, layer by layer.
pub struct GeoPackageWriter<W: Write + Seek> {
    database: DatabaseWriter<W>,
    layers: Vec<Layer>,
}

struct Layer {
    name: String,
    geometry_type: String,
    bounds: Option<Rect<f64>>,
}

impl<W: Write + Seek> GeoPackageWriter<W> {
    /// Opens a file.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn begin(out: W) -> io::Result<Self> {
        Ok(Self { database: DatabaseWriter::begin(out)?, layers: Vec::new() })
    }

    /// Writes a layer. `geometry_type` is the name that the standard gives the type of all its
    /// geometries (`POINT`, `MULTIPOLYGON`), or `GEOMETRY`. `fill` puts the features.
    ///
    /// # Errors
    /// Those of the underlying writer and of `fill`.
    pub fn layer(
        &mut self,
        name: &str,
        geometry_type: &str,
        columns: &[(String, ColumnKind)],
        fill: impl FnOnce(&mut LayerWriter<W>) -> io::Result<()>,
    ) -> io::Result<()> {
        let own: String =
            columns.iter().map(|(name, kind)| format!(", {} {}", quoted(name), kind.sql())).collect();
        let sql = format!(
            "CREATE TABLE {} (\"fid\" INTEGER PRIMARY KEY NOT NULL, \"geom\" {geometry_type}{own})",
            quoted(name)
        );
        let mut bounds = None;
        self.database.table(name, sql, |rows| {
            let mut layer = LayerWriter { rows, count: 0, bounds: None };
            fill(&mut layer)?;
            bounds = layer.bounds;
            Ok(())
        })?;
        self.layers.push(Layer { name: name.into(), geometry_type: geometry_type.into(), bounds });
        Ok(())
    }

    /// Writes the tables that name the layers, and gives the file back.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn finish(self) -> io::Result<W> {
        let Self { mut database, layers } = self;
        describe_systems(&mut database)?;
        database.table("gpkg_contents", CONTENTS.into(), |rows| {
            for (row, layer) in (1..).zip(&layers) {
                let side = |pick: fn(&Rect<f64>) -> f64| {
                    layer.bounds.as_ref().map_or(Cell::Null, |b| Cell::Real(pick(b)))
                };
                rows.put(
                    row,
                    &[
                        Cell::Text(&layer.name),
                        Cell::Text("features"),
                        Cell::Text(&layer.name),
                        Cell::Text(""),
                        Cell::Text("1970-01-01T00:00:00.000Z"),
                        side(|b| b.min().x),
                        side(|b| b.min().y),
                        side(|b| b.max().x),
                        side(|b| b.max().y),
                        Cell::Integer(4326),
                    ],
                )?;
            }
            Ok(())
        })?;
        let names: Vec<(Vec<String>, i64)> = layers.iter().map(|l| vec![l.name.clone()]).zip(1..).collect();
        database.automatic_index("gpkg_contents", 1, &names)?;
        database.automatic_index("gpkg_contents", 2, &names)?;
        database.table("gpkg_geometry_columns", COLUMNS.into(), |rows| {
            for (row, layer) in (1..).zip(&layers) {
                let zero = Cell::Integer(0);
                let kind = Cell::Text(&layer.geometry_type);
                rows.put(
                    row,
                    &[Cell::Text(&layer.name), Cell::Text("geom"), kind, Cell::Integer(4326), zero, zero],
                )?;
            }
            Ok(())
        })?;
        let pairs: Vec<(Vec<String>, i64)> =
            layers.iter().map(|l| vec![l.name.clone(), "geom".into()]).zip(1..).collect();
        database.automatic_index("gpkg_geometry_columns", 1, &pairs)?;
        database.automatic_index("gpkg_geometry_columns", 2, &names)?;
        database.finish(10_300, b"GPKG")
    }
}

/// The two undefined systems that every GeoPackage has to name, and WGS84.
fn describe_systems<W: Write + Seek>(database: &mut DatabaseWriter<W>) -> io::Result<()> {
    database.table("gpkg_spatial_ref_sys", SYSTEMS.into(), |rows| {
        let undefined = Cell::Text("undefined");
        for (id, name) in [(-1, "Undefined Cartesian SRS"), (0, "Undefined geographic SRS")] {
            let row =
                [Cell::Text(name), Cell::Null, Cell::Text("NONE"), Cell::Integer(id), undefined, Cell::Null];
            rows.put(id, &row)?;
        }
        let epsg = [Cell::Text("EPSG"), Cell::Integer(4326), Cell::Text(WGS84), Cell::Null];
        rows.put(4326, &[&[Cell::Text("WGS 84 geodetic"), Cell::Null], epsg.as_slice()].concat())
    })
}

/// The features of one layer.
pub struct LayerWriter<'r, 'd, W: Write + Seek> {
    rows: &'r mut Rows<'d, W>,
    count: i64,
    bounds: Option<Rect<f64>>,
}

impl<W: Write + Seek> LayerWriter<'_, '_, W> {
    /// Puts a feature: its geometry in longitude and latitude degrees, rounded to 7 decimals,
    /// and a value for every column.
    ///
    /// # Errors
    /// Those of the underlying writer.
    pub fn put(&mut self, geometry: Option<&Geometry<f64>>, values: &[ColumnValue]) -> io::Result<()> {
        self.count += 1;
        let blob = geometry.map(|geometry| self.blob(geometry));
        let mut cells = vec![Cell::Null, blob.as_deref().map_or(Cell::Null, Cell::Blob)];
        cells.extend(values.iter().map(|value| match value {
            ColumnValue::Null => Cell::Null,
            ColumnValue::Integer(n) => Cell::Integer(*n),
            ColumnValue::Real(n) => Cell::Real(*n),
            ColumnValue::Text(text) => Cell::Text(text),
        }));
        self.rows.put(self.count, &cells)
    }

    /// Header, envelope and well-known binary.
    fn blob(&mut self, geometry: &Geometry<f64>) -> Vec<u8> {
        use geo::MapCoords;
        let geometry = geometry.map_coords(|c| Coord { x: round_to(c.x, 7), y: round_to(c.y, 7) });
        let bounds = geometry.bounding_rect();
        if let Some(new) = bounds {
            let all = self.bounds.unwrap_or(new);
            let pick = |f: fn(f64, f64) -> f64, a: Coord<f64>, b: Coord<f64>| Coord {
                x: f(a.x, b.x),
                y: f(a.y, b.y),
            };
            self.bounds =
                Some(Rect::new(pick(f64::min, all.min(), new.min()), pick(f64::max, all.max(), new.max())));
        }
        let is_point = matches!(geometry, Geometry::Point(_));
        let envelope = bounds.filter(|_| !is_point);
        let flags = 1 | if envelope.is_some() { 2 } else { 0 } | if bounds.is_none() { 0x10 } else { 0 };
        let mut out = vec![b'G', b'P', 0, flags];
        out.extend_from_slice(&4326_i32.to_le_bytes());
        if let Some(b) = envelope {
            for side in [b.min().x, b.max().x, b.min().y, b.max().y] {
                out.extend_from_slice(&side.to_le_bytes());
            }
        }
        put_geometry(&mut out, &geometry);
        out
    }
}

fn put_head(out: &mut Vec<u8>, kind: u32, count: Option<usize>) {
    out.push(1);
    out.extend_from_slice(&kind.to_le_bytes());
    if let Some(count) = count {
        out.extend_from_slice(&(count as u32).to_le_bytes());
    }
}

fn put_coord(out: &mut Vec<u8>, c: Coord<f64>) {
    out.extend_from_slice(&c.x.to_le_bytes());
    out.extend_from_slice(&c.y.to_le_bytes());
}

fn put_line(out: &mut Vec<u8>, line: &LineString<f64>) {
    out.extend_from_slice(&(line.0.len() as u32).to_le_bytes());
    line.0.iter().for_each(|&c| put_coord(out, c));
}

fn put_polygon(out: &mut Vec<u8>, polygon: &Polygon<f64>) {
    put_head(out, 3, Some(1 + polygon.interiors().len()));
    put_line(out, polygon.exterior());
    polygon.interiors().iter().for_each(|hole| put_line(out, hole));
}

fn put_geometry(out: &mut Vec<u8>, geometry: &Geometry<f64>) {
    match geometry {
        Geometry::Point(p) => {
            put_head(out, 1, None);
            put_coord(out, p.0);
        }
        Geometry::Line(line) => put_geometry(out, &Geometry::LineString((*line).into())),
        Geometry::LineString(line) => {
            put_head(out, 2, None);
            put_line(out, line);
        }
        Geometry::Polygon(polygon) => put_polygon(out, polygon),
        Geometry::MultiPoint(points) => {
            put_head(out, 4, Some(points.0.len()));
            points.0.iter().for_each(|&p| put_geometry(out, &Geometry::Point(p)));
        }
        Geometry::MultiLineString(lines) => {
            put_head(out, 5, Some(lines.0.len()));
            for line in &lines.0 {
                put_head(out, 2, None);
                put_line(out, line);
            }
        }
        Geometry::MultiPolygon(polygons) => {
            put_head(out, 6, Some(polygons.0.len()));
            polygons.0.iter().for_each(|polygon| put_polygon(out, polygon));
        }
        Geometry::GeometryCollection(parts) => {
            put_head(out, 7, Some(parts.0.len()));
            parts.0.iter().for_each(|part| put_geometry(out, part));
        }
        Geometry::Rect(rect) => put_polygon(out, &rect.to_polygon()),
        Geometry::Triangle(triangle) => put_polygon(out, &triangle.to_polygon()),
    }
}

fn quoted(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}
