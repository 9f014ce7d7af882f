//! GeoPackage (OGC 12-128): the rows of one feature layer. Heights and measures are left out,
//! curves refused by name. Of several layers the one that the plan names is read, or the only
//! one of the kind wanted.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::sync::Arc;

use serde_json::Value;
use sha2::{Digest, Sha256};

use super::sqlite::{Cell, Database, Table};
use super::system::{Said, to_lonlat};
use super::{FileError, Input, ReadAs, Request, Take, wkb};
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

pub(super) fn read(
    request: &Request,
    input: &mut Input,
    take: Take,
    notes: &mut Vec<String>,
) -> Result<usize, FileError> {
    let wrong = |why: String| request.wrong(why);
    if let Some(log) = Database::log(request.place) {
        input.hash_further(&hash_of(&log).map_err(|e| FileError::open(&log, &e))?);
    }
    let mut database = Database::open(request.place).map_err(wrong)?;
    let layers = layers_of(&mut database).map_err(wrong)?;
    let layer = choose(request, &layers, notes)?;
    let table = database.table(&layer.name).map_err(wrong)?.ok_or_else(|| {
        request.wrong(format!("names the layer \"{}\" and has no table for it", layer.name))
    })?;
    if !table.columns().any(|column| column.eq_ignore_ascii_case(&layer.geometry_column)) {
        return Err(request.wrong(format!(
            "names \"{}\" as the shapes of its layer \"{}\", which has no such column",
            layer.geometry_column, layer.name
        )));
    }
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

/// The bytes of a file hashed into 32.
fn hash_of(place: &Path) -> std::io::Result<Vec<u8>> {
    let mut file = BufReader::with_capacity(1 << 18, File::open(place)?);
    let mut hash = Sha256::new();
    loop {
        let bytes = file.fill_buf()?;
        if bytes.is_empty() {
            return Ok(hash.finalize().to_vec());
        }
        hash.update(bytes);
        let read = bytes.len();
        file.consume(read);
    }
}

/// Every row of a small table, as text and numbers by column name.
fn rows_of(database: &mut Database, name: &str) -> Result<Vec<Vec<(String, Cell)>>, String> {
    let Some(table) = database.table(name)? else {
        return Err(format!("is an SQLite database and no GeoPackage: it has no table {name}"));
    };
    let mut rows = Vec::new();
    database.scan(&table, &mut |_, cells| {
        let named = table.columns().map(str::to_lowercase).zip(cells);
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
        ReadAs::Areas => layer.geometry_type.ends_with("POLYGON"),
        ReadAs::All => false,
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
            "holds {} layers ({}){}; write layer = \"NAME\" in its layer of the plan, or export the one that is \
             meant to a file of its own",
            layers.len(),
            names(),
            if request.options.strict { ", and none of them may be passed over unsaid" } else { "" }
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
    for (i, (column, cell)) in table.columns().zip(cells).enumerate() {
        if column.eq_ignore_ascii_case(&layer.geometry_column) {
            shape = shape_of(&cell);
        } else if Some(i) != table.row_number() {
            let value = match cell {
                Cell::Integer(n) => Value::from(n),
                // JSON has no number for it, and null would say that there is none.
                Cell::Real(n) if !n.is_finite() => Value::from(n.to_string()),
                Cell::Real(n) => Value::from(n),
                Cell::Text(text) => Value::from(text),
                Cell::Null | Cell::Blob(_) => continue,
            };
            properties.insert(column.to_string(), value);
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

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;
    use crate::files::{ReadOptions, read_features};

    fn golden(name: &str) -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/sqlite").join(name)
    }

    fn read_layer(path: &Path, layer: &str) -> Result<Vec<RawFeature>, String> {
        let options = ReadOptions { layer: Some(layer.into()), ..ReadAs::Points.into() };
        let mut features = Vec::new();
        match read_features(path, path, options, &mut |raw| features.push(raw)) {
            Ok(_) => Ok(features),
            Err(why) => Err(why.to_string()),
        }
    }

    /// What SQLite itself reads: golden/sqlite/make_golden.py.
    fn assert_as_sqlite_reads(file: &str, path: &Path, layer: &str) {
        let text = std::fs::read_to_string(golden("golden.json")).unwrap();
        let all: Value = serde_json::from_str(&text).unwrap();
        let wanted = all[file][layer].as_array().unwrap();
        let features = read_layer(path, layer).unwrap();
        assert_eq!(features.len(), wanted.len(), "{layer}");
        for (feature, wanted) in features.iter().zip(wanted) {
            assert_eq!(&Value::Object(feature.properties.to_map()), wanted, "{layer}");
            assert!(matches!(feature.shape, RawShape::Shape(_)));
        }
    }

    #[test]
    fn added_columns_stored_columns_and_rows_without_numbers_are_read_as_sqlite_reads_them() {
        for layer in ["altered", "keyed", "stored, one"] {
            assert_as_sqlite_reads("tables.gpkg", &golden("tables.gpkg"), layer);
        }
    }

    #[test]
    fn what_is_not_understood_of_a_table_is_refused() {
        for (layer, wanted) in [
            ("computed", "column \"tag\", which is computed"),
            ("recent", "view \"recent\" (CREATE VIEW recent AS SELECT * FROM altered)"),
            ("timed", "column \"seen\" was added, whose default (CURRENT_TIMESTAMP)"),
        ] {
            let why = read_layer(&golden("tables.gpkg"), layer).unwrap_err();
            assert!(why.contains(wanted) && why.contains("export"), "{why}");
        }
    }

    /// Another program has it open: the log counts up to its last whole commit.
    #[test]
    fn a_write_ahead_log_is_read_up_to_its_last_commit() {
        assert_as_sqlite_reads("open.gpkg", &golden("open.gpkg"), "dwellings");
        let folder = tempfile::tempdir().unwrap();
        let (path, log) = (folder.path().join("open.gpkg"), folder.path().join("open.gpkg-wal"));
        std::fs::copy(golden("open.gpkg"), &path).unwrap();
        let whole = std::fs::read(golden("open.gpkg-wal")).unwrap();
        let limits = |log_bytes: &[u8]| -> Vec<f64> {
            std::fs::write(&log, log_bytes).unwrap();
            let features = read_layer(&path, "dwellings").unwrap();
            features.iter().filter_map(|f| f.properties["distance_m"].as_f64()).collect()
        };
        let frame = 24 + 512;
        // Before any commit, after the first, and with its checksum broken.
        assert_eq!(limits(&whole[..32]), [100.0; 12]);
        let first = limits(&whole[..32 + 2 * frame]);
        assert!(first.contains(&1500.0) && first.len() == 12, "{first:?}");
        let mut broken = whole.clone();
        broken[32 + 24 + 100] ^= 1;
        assert_eq!(limits(&broken), [100.0; 12]);
        std::fs::write(folder.path().join("open.gpkg-journal"), b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7rest")
            .unwrap();
        assert!(read_layer(&path, "dwellings").unwrap_err().contains("broken off"));
    }
}
