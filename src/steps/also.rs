//! The layers of a run once more, in further formats: one file with all of them.

use std::collections::BTreeSet;
use std::io;

use geo_types::Geometry;
use serde_json::Value;

use super::StepError;
use crate::files::write::{ColumnKind, ColumnValue, GeoPackageWriter, KmlWriter};
use crate::files::{OutputSet, Properties, RawFeature, RawShape, ReadAs, read_features};
use crate::plan::{AlsoFormat, Plan};
use crate::siting::cautions;

/// Writes every GeoJSON layer of a set again in the formats that the plan asks for:
/// `layers.gpkg` with a table a layer, `layers.kml` with a folder a layer.
///
/// # Errors
/// [`StepError::Output`]; [`StepError::Files`] if a layer just written cannot be read.
pub fn also(plan: &Plan, set: &mut OutputSet) -> Result<(), StepError> {
    let layers: Vec<String> = set.names().filter(|n| n.ends_with(".geojson")).map(str::to_string).collect();
    let wanted: BTreeSet<AlsoFormat> = plan.also.iter().copied().collect();
    for format in wanted {
        let folder = set.staging().to_path_buf();
        let read = |name: &str, take: &mut dyn FnMut(RawFeature)| {
            let path = folder.join(name);
            read_features(&path, &path, ReadAs::Points, take).map(|_| ()).map_err(io::Error::other)
        };
        match format {
            AlsoFormat::Gpkg => set.write("layers.gpkg", |out| geopackage(out, &layers, &read))?,
            AlsoFormat::Kml => set.write("layers.kml", |out| kml(out, &layers, &read, plan))?,
        }
    }
    Ok(())
}

/// The layers that send somebody to a station.
const SENDING: [&str; 4] = ["sites.geojson", "round.geojson", "checks.geojson", "candidates.geojson"];

/// Reads a layer by its name.
type Read<'r> = &'r dyn Fn(&str, &mut dyn FnMut(RawFeature)) -> io::Result<()>;

/// The name of a layer: that of its file without folder marks and ending.
fn layer_name(file: &str) -> String {
    file.trim_end_matches(".geojson").replace(['/', '\\'], "-")
}

fn kml(out: impl io::Write, layers: &[String], read: Read, plan: &Plan) -> io::Result<()> {
    // Where any layer sends somebody out, the file says first what those layers say.
    let sends = layers.iter().any(|layer| SENDING.contains(&layer.as_str()));
    let said = cautions(!plan.keep_out.is_empty(), plan.place.area.is_some(), &plan.safety);
    let mut kml = KmlWriter::begin(out, "stakeline", sends.then(|| said.join("\n")).as_deref())?;
    for layer in layers {
        kml.folder(&layer_name(layer))?;
        let mut written = Ok(());
        read(layer, &mut |raw| {
            if written.is_ok() {
                let geometry = if let RawShape::Shape(geometry) = &raw.shape { Some(geometry) } else { None };
                written = kml.feature(&title(&raw), geometry, &raw.properties);
            }
        })?;
        written?;
    }
    kml.finish().map(|_| ())
}

/// What a feature is called on a map.
fn title(raw: &RawFeature) -> String {
    let own = ["name", "site_id", "station_id", "node_id", "edge_id"];
    let named = own.iter().find_map(|key| raw.properties.get(key)?.as_str());
    named.or(raw.source.id.as_deref()).unwrap_or("").to_string()
}

fn geopackage(out: impl io::Write + io::Seek, layers: &[String], read: Read) -> io::Result<()> {
    let mut package = GeoPackageWriter::begin(out)?;
    for layer in layers {
        let mut seen = Seen::default();
        read(layer, &mut |raw| seen.take(&raw))?;
        let columns = seen.columns();
        package.layer(&layer_name(layer), seen.geometry_type(), &columns, |rows| {
            let mut written = Ok(());
            read(layer, &mut |raw| {
                if written.is_ok() {
                    let geometry =
                        if let RawShape::Shape(geometry) = &raw.shape { Some(geometry) } else { None };
                    written = rows.put(geometry, &seen.values(&raw));
                }
            })?;
            written
        })?;
    }
    package.finish().map(|_| ())
}

/// What a first look at a layer has seen: its properties with their kinds, its geometries.
#[derive(Default)]
struct Seen {
    kinds: Vec<(String, ColumnKind)>,
    types: BTreeSet<&'static str>,
}

impl Seen {
    fn take(&mut self, raw: &RawFeature) {
        if let RawShape::Shape(geometry) = &raw.shape {
            self.types.insert(type_name(geometry));
        }
        for (key, value) in raw.properties.iter() {
            let Some(kind) = kind_of(value) else { continue };
            match self.kinds.iter_mut().find(|(known, _)| known == key) {
                Some((_, known)) => *known = wider(*known, kind),
                None => self.kinds.push((key.to_string(), kind)),
            }
        }
    }

    fn geometry_type(&self) -> &'static str {
        match self.types.len() {
            1 => self.types.first().copied().unwrap_or("GEOMETRY"),
            _ => "GEOMETRY",
        }
    }

    /// The columns: the feature's id, then its properties under names that no other column has.
    fn columns(&self) -> Vec<(String, ColumnKind)> {
        let mut taken: BTreeSet<String> = ["fid", "geom", "id"].map(String::from).into();
        let mut columns = vec![("id".to_string(), ColumnKind::Text)];
        for (key, kind) in &self.kinds {
            let mut name = key.clone();
            while !taken.insert(name.to_lowercase()) {
                name.push('_');
            }
            columns.push((name, *kind));
        }
        columns
    }

    fn values(&self, raw: &RawFeature) -> Vec<ColumnValue> {
        let id = raw.source.id.as_deref().map_or(ColumnValue::Null, |id| ColumnValue::Text(id.into()));
        let own = self.kinds.iter().map(|(key, kind)| value_of(&raw.properties, key, *kind));
        std::iter::once(id).chain(own).collect()
    }
}

fn kind_of(value: &Value) -> Option<ColumnKind> {
    match value {
        Value::Null => None,
        Value::Bool(_) => Some(ColumnKind::Boolean),
        Value::Number(n) if n.is_i64() => Some(ColumnKind::Integer),
        Value::Number(_) => Some(ColumnKind::Real),
        _ => Some(ColumnKind::Text),
    }
}

/// The kind of a column that holds values of both kinds.
fn wider(a: ColumnKind, b: ColumnKind) -> ColumnKind {
    use ColumnKind::{Integer, Real, Text};
    match (a, b) {
        (a, b) if a == b => a,
        (Integer, Real) | (Real, Integer) => Real,
        _ => Text,
    }
}

fn value_of(properties: &Properties, key: &str, kind: ColumnKind) -> ColumnValue {
    let Some(value) = properties.get(key).filter(|value| !value.is_null()) else { return ColumnValue::Null };
    let text = || match value {
        Value::String(text) => text.clone(),
        other => other.to_string(),
    };
    let typed = match kind {
        ColumnKind::Boolean => value.as_bool().map(|set| ColumnValue::Integer(set.into())),
        ColumnKind::Integer => value.as_i64().map(ColumnValue::Integer),
        ColumnKind::Real => value.as_f64().map(ColumnValue::Real),
        ColumnKind::Text => None,
    };
    typed.unwrap_or_else(|| ColumnValue::Text(text()))
}

fn type_name(geometry: &Geometry<f64>) -> &'static str {
    match geometry {
        Geometry::Point(_) => "POINT",
        Geometry::Line(_) | Geometry::LineString(_) => "LINESTRING",
        Geometry::Polygon(_) | Geometry::Rect(_) | Geometry::Triangle(_) => "POLYGON",
        Geometry::MultiPoint(_) => "MULTIPOINT",
        Geometry::MultiLineString(_) => "MULTILINESTRING",
        Geometry::MultiPolygon(_) => "MULTIPOLYGON",
        Geometry::GeometryCollection(_) => "GEOMETRYCOLLECTION",
    }
}
