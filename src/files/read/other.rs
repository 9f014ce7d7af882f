//! Any other vector format, through the GDAL library of the system (cargo feature `gdal`).
//! Systems are converted by our own rules, as for every other format.

use std::path::Path;
use std::sync::Arc;

use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};
use gdal::vector::{Feature, FieldValue, Layer, LayerAccess};
use gdal::{Dataset, DatasetOptions, GdalOpenFlags};
use geo::MapCoords;
use geo_types::Coord;
use serde_json::Value;

use super::system::{Said, to_lonlat};
use super::{FileError, ReadAs, Request, Take, wkb};
use crate::files::{Properties, RawFeature, RawShape};
use crate::frame::System;
use crate::record::SourcePlace;

/// Whether GDAL takes the file for a vector one.
pub(super) fn opens(request: &Request) -> bool {
    open(request).is_some_and(|dataset| dataset.layer_count() > 0)
}

fn open(request: &Request) -> Option<Dataset> {
    let open_flags = GdalOpenFlags::GDAL_OF_VECTOR | GdalOpenFlags::GDAL_OF_READONLY;
    Dataset::open_ex(request.place, DatasetOptions { open_flags, ..Default::default() }).ok()
}

pub(super) fn read(request: &Request, take: Take, notes: &mut Vec<String>) -> Result<usize, FileError> {
    let dataset = open(request).ok_or_else(|| request.wrong("cannot be opened by GDAL"))?;
    let mut layer = choose(request, &dataset, notes)?;
    let reference = layer.spatial_ref();
    let system = request.system(said(request, reference.as_ref())?, None)?;
    let north_first = reference.as_ref().is_some_and(gives_north_first);
    let names: Vec<String> = layer.defn().fields().map(|field| field.name()).collect();
    let file: Arc<Path> = Arc::from(request.path);
    let mut count = 0;
    for feature in layer.features() {
        let shape = to_lonlat(shape_of(&feature, north_first), &system);
        let id = feature.fid().map(|fid| Arc::from(fid.to_string()));
        let properties = properties_of(&feature, &names);
        take(RawFeature { shape, properties, source: SourcePlace { file: file.clone(), index: count, id } });
        count += 1;
    }
    Ok(count)
}

fn choose<'d>(
    request: &Request,
    dataset: &'d Dataset,
    notes: &mut Vec<String>,
) -> Result<Layer<'d>, FileError> {
    let names: Vec<String> = dataset.layers().map(|layer| layer.name()).collect();
    let all = || names.join(", ");
    match (&request.options.layer, names.as_slice()) {
        (Some(wanted), _) => dataset
            .layer_by_name(wanted)
            .map_err(|_| request.wrong(format!("has no layer \"{wanted}\"; it has: {}", all()))),
        (None, [_]) => dataset.layer(0).map_err(|e| request.wrong(e.to_string())),
        (None, _) => {
            let kind = match request.options.read_as {
                ReadAs::Points | ReadAs::Rows => Some("POINT"),
                ReadAs::Lines => Some("LINESTRING"),
                ReadAs::Areas => Some("POLYGON"),
                ReadAs::All => None,
            };
            let fits = |layer: &Layer| {
                let code = layer.defn().geom_fields().next().map_or(0, |field| field.field_type());
                let name = gdal::vector::geometry_type_to_name(code).to_uppercase().replace(' ', "");
                kind.is_some_and(|kind| name.contains(kind))
            };
            let mut fitting = dataset.layers().filter(fits);
            match (fitting.next(), fitting.next()) {
                (Some(only), None) => {
                    notes.push(format!(
                        "holds {} layers; \"{}\" is read, the only one of its kind",
                        names.len(),
                        only.name()
                    ));
                    Ok(only)
                }
                _ => Err(request.wrong(format!(
                    "holds {} layers ({}); write layer = \"NAME\" in its layer of the plan",
                    names.len(),
                    all()
                ))),
            }
        }
    }
}

fn said(request: &Request, reference: Option<&SpatialRef>) -> Result<Said, FileError> {
    let Some(reference) = reference else { return Ok(Said::Nothing) };
    let epsg = reference.auth_name().filter(|name| name == "EPSG").and_then(|_| reference.auth_code().ok());
    let system = match epsg.and_then(|code| u32::try_from(code).ok()) {
        Some(epsg) => System::from_epsg(epsg),
        None => {
            let wkt = reference.to_wkt().map_err(|e| request.wrong(e.to_string()))?;
            System::from_wkt(&wkt)
        }
    };
    request.known(system).map(Said::System)
}

/// `OAO_North` of GDAL's enumeration of axis directions.
const NORTH: gdal::spatial_ref::AxisOrientationType = 1;

/// Whether coordinates come in the order of the system's authority and that begins with north.
fn gives_north_first(reference: &SpatialRef) -> bool {
    let key = if reference.is_geographic() { "GEOGCS" } else { "PROJCS" };
    reference.axis_mapping_strategy() == AxisMappingStrategy::AuthorityCompliant
        && reference.axis_orientation(key, 0).is_ok_and(|first| first == NORTH)
}

fn shape_of(feature: &Feature, north_first: bool) -> RawShape {
    let Some(geometry) = feature.geometry() else { return RawShape::Null };
    let Ok(bytes) = geometry.wkb() else {
        return RawShape::Broken("has a geometry that GDAL cannot give".into());
    };
    match wkb::shape(&bytes) {
        RawShape::Shape(shape) if north_first => {
            RawShape::Shape(shape.map_coords(|c| Coord { x: c.y, y: c.x }))
        }
        shape => shape,
    }
}

fn properties_of(feature: &Feature, names: &[String]) -> Properties {
    let values = names.iter().zip(feature.fields().map(|(_, value)| value));
    values.filter_map(|(name, value)| Some((name.clone(), value_of(value?)?))).collect()
}

fn value_of(value: FieldValue) -> Option<Value> {
    Some(match value {
        FieldValue::IntegerValue(n) => Value::from(n),
        FieldValue::Integer64Value(n) => Value::from(n),
        FieldValue::RealValue(n) => Value::from(n),
        FieldValue::StringValue(text) => Value::from(text),
        FieldValue::DateValue(date) => Value::from(date.to_string()),
        // Its debug form is that of RFC 3339.
        FieldValue::DateTimeValue(at) => Value::from(format!("{at:?}")),
        _ => return None,
    })
}
