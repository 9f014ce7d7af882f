//! GeoPackage (OGC 12-128): the rows of one feature layer. Heights and measures are left out,
//! curves refused by name. Of several layers the one that the plan names is read, or the only
//! one of the kind wanted.

use std::path::Path;
use std::sync::Arc;

use serde_json::Value;

use super::sqlite::{Cell, Database, Table};
use super::system::{Said, to_lonlat};
use super::{FileError, ReadAs, Request, Take, wkb};
use crate::files::{Properties, RawFeature, RawShape};
use crate::frame::System;
use crate::record::SourcePlace;

/// A feature layer as the file's tables describe it.
struct Layer {
    name: String,
    geometry_column: String,
    geometry_type: String,
    srs_id: i64,
}

pub(super) fn read(request: &Request, take: Take, notes: &mut Vec<String>) -> Result<usize, FileError> {
    let wrong = |why: String| request.wrong(why);
    let mut database = Database::open(request.place).map_err(wrong)?;
    let layers = layers_of(&mut database).map_err(wrong)?;
    let layer = choose(request, &layers, notes)?;
    let table = database.table(&layer.name).ok_or_else(|| {
        request.wrong(format!("names the layer \"{}\" and has no table for it", layer.name))
    })?;
    let system = system_of(request, &mut database, layer)?;
    let file: Arc<Path> = Arc::from(request.path);
    let mut count = 0;
    let scanned = database.scan(&table, &mut |row, cells| {
        let (shape, properties) = feature_of(&table, layer, cells);
        let id = Some(Arc::from(row.to_string()));
        let source = SourcePlace { file: file.clone(), index: count, id };
        take(RawFeature { shape: to_lonlat(shape, &system), properties, source });
        count += 1;
        Ok(())
    });
    scanned.map_err(wrong)?;
    Ok(count)
}

/// Every row of a small table, as text and numbers by column name.
fn rows_of(database: &mut Database, name: &str) -> Result<Vec<Vec<(String, Cell)>>, String> {
    let Some(table) = database.table(name) else {
        return Err(format!("is an SQLite database and no GeoPackage: it has no table {name}"));
    };
    let mut rows = Vec::new();
    database.scan(&table, &mut |row, cells| {
        let named = table.columns.iter().cloned().zip(cells).enumerate().map(|(i, (column, cell))| {
            let cell = if Some(i) == table.row_number { Cell::Integer(row) } else { cell };
            (column.to_lowercase(), cell)
        });
        rows.push(named.collect());
        Ok(())
    })?;
    Ok(rows)
}

fn field<'r>(row: &'r [(String, Cell)], name: &str) -> Option<&'r Cell> {
    row.iter().find(|(column, _)| column == name).map(|(_, cell)| cell)
}

fn layers_of(database: &mut Database) -> Result<Vec<Layer>, String> {
    let rows = rows_of(database, "gpkg_geometry_columns")?;
    let text = |row: &[(String, Cell)], name| field(row, name).and_then(Cell::text).map(str::to_string);
    let layer = |row: &Vec<(String, Cell)>| {
        Some(Layer {
            name: text(row, "table_name")?,
            geometry_column: text(row, "column_name")?,
            geometry_type: text(row, "geometry_type_name").unwrap_or_default().to_uppercase(),
            srs_id: field(row, "srs_id").and_then(Cell::integer).unwrap_or(0),
        })
    };
    Ok(rows.iter().filter_map(layer).collect())
}

fn choose<'l>(
    request: &Request,
    layers: &'l [Layer],
    notes: &mut Vec<String>,
) -> Result<&'l Layer, FileError> {
    let names = || layers.iter().map(|l| l.name.as_str()).collect::<Vec<_>>().join(", ");
    if let Some(wanted) = &request.options.layer {
        return layers
            .iter()
            .find(|l| l.name.eq_ignore_ascii_case(wanted))
            .ok_or_else(|| request.wrong(format!("has no layer \"{wanted}\"; it has: {}", names())));
    }
    let fits = |layer: &&Layer| match request.options.read_as {
        ReadAs::Points | ReadAs::Rows => layer.geometry_type.ends_with("POINT"),
        ReadAs::Lines => layer.geometry_type.ends_with("LINESTRING"),
    };
    let fitting: Vec<&Layer> = layers.iter().filter(fits).collect();
    match (layers, fitting.as_slice()) {
        ([], _) => Err(request.wrong("has no feature layer")),
        ([only], _) => Ok(only),
        (_, [only]) => {
            notes.push(format!(
                "holds {} layers; \"{}\" is read, the only one of its kind",
                layers.len(),
                only.name
            ));
            Ok(only)
        }
        _ => Err(request.wrong(format!(
            "holds {} layers ({}); write layer = \"NAME\" in its layer of the plan",
            layers.len(),
            names()
        ))),
    }
}

fn system_of(request: &Request, database: &mut Database, layer: &Layer) -> Result<System, FileError> {
    let rows = rows_of(database, "gpkg_spatial_ref_sys").map_err(|why| request.wrong(why))?;
    let row = rows.iter().find(|row| field(row, "srs_id").and_then(Cell::integer) == Some(layer.srs_id));
    let organization = row.and_then(|row| field(row, "organization")?.text()).unwrap_or("").to_uppercase();
    let code = row.and_then(|row| field(row, "organization_coordsys_id")?.integer());
    let wkt = row.and_then(|row| field(row, "definition")?.text());
    let said = match (organization.as_str(), code.and_then(|code| u32::try_from(code).ok()), wkt) {
        _ if layer.srs_id == 0 || layer.srs_id == -1 => Said::Nothing,
        ("EPSG", Some(epsg), _) => Said::System(request.known(System::from_epsg(epsg))?),
        (_, _, Some(wkt)) => Said::System(request.known(System::from_wkt(wkt))?),
        _ => Said::Nothing,
    };
    request.system(said, None)
}

fn feature_of(table: &Table, layer: &Layer, cells: Vec<Cell>) -> (RawShape, Properties) {
    let mut shape = RawShape::Null;
    let mut properties = Properties::new();
    for (i, (column, cell)) in table.columns.iter().zip(cells).enumerate() {
        if column.eq_ignore_ascii_case(&layer.geometry_column) {
            shape = shape_of(&cell);
        } else if Some(i) != table.row_number {
            let value = match cell {
                Cell::Integer(n) => Value::from(n),
                Cell::Real(n) => Value::from(n),
                Cell::Text(text) => Value::from(text),
                Cell::Null | Cell::Blob(_) => continue,
            };
            properties.insert(column.clone(), value);
        }
    }
    (shape, properties)
}

/// The shape in a geometry blob: a header with flags and envelope, then well-known binary.
fn shape_of(cell: &Cell) -> RawShape {
    let blob = match cell {
        Cell::Blob(blob) => blob,
        Cell::Null => return RawShape::Null,
        _ => return RawShape::Broken("has a geometry that is no blob".into()),
    };
    let (Some(b"GP"), Some(&flags)) = (blob.get(..2), blob.get(3)) else {
        return RawShape::Broken("has a geometry without the mark of a GeoPackage".into());
    };
    if flags & 0x20 != 0 {
        return RawShape::Broken("has a geometry of an extended type, which is not read".into());
    }
    if flags & 0x10 != 0 {
        return RawShape::Null;
    }
    let envelope = match flags >> 1 & 7 {
        0 => 0,
        1 => 32,
        2 | 3 => 48,
        4 => 64,
        _ => return RawShape::Broken("has a geometry with an envelope of no known kind".into()),
    };
    wkb::shape(blob.get(8 + envelope..).unwrap_or(&[]))
}
