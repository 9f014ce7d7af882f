//! Rasters of any other format, through the GDAL library of the system (cargo feature `gdal`).
//! Their place and their system follow the same rules as those of a GeoTIFF.

use std::path::Path;

use gdal::raster::RasterBand;
use gdal::spatial_ref::SpatialRef;
use gdal::{Dataset, DatasetOptions, GdalOpenFlags};

use super::cells::Meaning;
use super::georeference::{placed, system_of};
use super::{LonLatBox, RasterFile, RasterSystem, cells, part_of};
use crate::files::read::FileError;

/// The dataset, where GDAL takes the file for a raster.
pub(super) fn open(place: &Path) -> Option<Dataset> {
    let open_flags = GdalOpenFlags::GDAL_OF_RASTER | GdalOpenFlags::GDAL_OF_READONLY;
    let dataset = Dataset::open_ex(place, DatasetOptions { open_flags, ..Default::default() }).ok()?;
    (dataset.raster_count() > 0).then_some(dataset)
}

/// Its cells, or those of them that cover a box.
pub(super) fn read(
    dataset: &Dataset,
    path: &Path,
    within: Option<&LonLatBox>,
) -> Result<RasterFile, FileError> {
    let fail = |what: String| FileError::format(path, what);
    let broken = |e: gdal::errors::GdalError| fail(format!("cannot be read by GDAL: {e}"));
    let bands = dataset.raster_count();
    if bands != 1 {
        return Err(fail(format!(
            "has {bands} bands; only rasters of one band are read, so save the one that is meant"
        )));
    }
    let band = dataset.rasterband(1).map_err(broken)?;
    let (columns, rows) = dataset.raster_size();
    let [x0, dx, turned, y0, sheared, dy] =
        dataset.geo_transform().map_err(|_| fail("does not say where its cells lie".into()))?;
    if turned != 0.0 || sheared != 0.0 {
        return Err(fail(
            "is turned or sheared against its coordinate system; warp it to one that is north up".into(),
        ));
    }
    let system = system(dataset).map_err(fail)?;
    let mut placement = placed([x0, y0], [dx, dy], rows).map_err(fail)?;
    placement.in_degrees = matches!(system, RasterSystem::Degrees(_));
    let part = part_of(&placement, &system, within, rows, columns).map_err(fail)?;
    let first_row = if placement.south_up { rows - part.row - part.rows } else { part.row };
    let size = (part.columns, part.rows);
    let window = (part.column as isize, first_row as isize);
    let raw = band.read_as::<f64>(window, size, size, None).map_err(broken)?;
    let meaning = Meaning {
        no_data: band.no_data_value(),
        scale: band.scale().filter(|&n| n.is_finite() && n != 0.0).unwrap_or(1.0),
        offset: band.offset().filter(|n| n.is_finite()).unwrap_or(0.0),
    };
    let mut values: Vec<f32> = raw.data().iter().map(|&raw| meaning.value(raw)).collect();
    if placement.south_up {
        cells::flip(&mut values, part.columns);
    }
    Ok(RasterFile {
        columns: part.columns,
        rows: part.rows,
        values,
        placement: placement.starting_at(part.row, part.column),
        height_unit_m: height_unit_m(&band),
        system,
        sha256: String::new(),
    })
}

/// The system by its code.
fn system(dataset: &Dataset) -> Result<RasterSystem, String> {
    let reference =
        dataset.spatial_ref().map_err(|_| "does not say which coordinate system it is in".to_string())?;
    let stated = reference.auth_name().filter(|name| name == "EPSG").and_then(|_| reference.auth_code().ok());
    let code = stated.and_then(|code| u16::try_from(code).ok()).or_else(|| code_by_name(&reference));
    let code = code.ok_or_else(|| {
        "does not name its coordinate system by an EPSG code; warp it to one that has a code".to_string()
    })?;
    system_of(code, reference.is_geographic())
}

/// The code of a grid whose description has a name and no code, as `.prj` files have it: UTM on
/// WGS84, the map grids of Australia and of New Zealand. The central meridian has to agree.
fn code_by_name(reference: &SpatialRef) -> Option<u16> {
    let name = reference.name()?;
    let meridian_deg = reference.get_proj_param("central_meridian").ok()??;
    if name == "NZGD2000 / New Zealand Transverse Mercator 2000" {
        return (meridian_deg == 173.0).then_some(2193);
    }
    let (family, zone) = name.split_once(" zone ")?;
    let digits = zone.trim_end_matches(['N', 'S']);
    let number: u16 = digits.parse().ok().filter(|zone| (1..=60).contains(zone))?;
    let base = match (family, zone.strip_prefix(digits)?) {
        ("WGS 84 / UTM", "N") => 32600,
        ("WGS 84 / UTM", "S") => 32700,
        ("GDA94 / MGA", "") => 28300,
        ("GDA2020 / MGA", "") => 7800,
        _ => return None,
    };
    (meridian_deg == f64::from(number) * 6.0 - 183.0).then_some(base + number)
}

/// Metres in one unit of height, where the band names its unit.
fn height_unit_m(band: &RasterBand) -> Option<f64> {
    match band.unit().to_lowercase().as_str() {
        "m" | "metre" | "meter" | "metres" | "meters" => Some(1.0),
        "ft" | "foot" | "feet" => Some(0.3048),
        "us-ft" | "us survey foot" => Some(1200.0 / 3937.0),
        _ => None,
    }
}
