//! What the files of all steps have in common.

use std::io;

use geo::MapCoords;
use geo_types::{Coord, LineString, MultiPolygon};
use serde_json::{Map, Value};

use super::{Desk, StepError};
use crate::files::OutputSet;
use crate::files::write::{Raster, write_geotiff};
use crate::frame::{Frame, FrameError, GroundPoint};
use crate::siting::cautions;
use crate::surface::Grid;

/// The values of the cells of a grid.
#[derive(Clone, Copy)]
pub(super) struct Cells<'a> {
    pub grid: &'a Grid,
    /// Row by row from the north-west; NaN where there is no value.
    pub values: &'a [f32],
    pub epsg: u32,
}

impl Cells<'_> {
    /// Writes them as a GeoTIFF.
    pub fn write(
        self,
        name: &str,
        description: &str,
        unit: &str,
        set: &mut OutputSet,
    ) -> Result<(), StepError> {
        let Grid { west_m, north_m, cell_m, columns, rows } = *self.grid;
        let Self { values, epsg, .. } = self;
        let raster = Raster { west_m, north_m, cell_m, columns, rows, values, epsg, description, unit };
        Ok(set.write(name, |out| write_geotiff(out, &raster))?)
    }
}

/// What every file that sends somebody out says first.
pub(super) fn said_first(desk: &Desk) -> Vec<String> {
    let job = &desk.job;
    cautions(!job.keep_outs.is_empty(), job.area.is_some(), &desk.plan.safety)
}

/// A count with its noun: "1 record", "3 records".
pub(super) fn counted(count: usize, one: &str) -> String {
    if count == 1 { format!("1 {one}") } else { format!("{count} {one}s") }
}

/// The members of a JSON object.
pub(super) fn members(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(members) => members,
        _ => Map::new(),
    }
}

pub(super) fn way_lonlat(frame: &Frame, path: &[GroundPoint]) -> io::Result<LineString<f64>> {
    path.iter()
        .map(|&p| frame.to_lonlat(p).map(|at| Coord { x: at.lon_deg(), y: at.lat_deg() }))
        .collect::<Result<Vec<_>, _>>()
        .map(LineString::new)
        .map_err(io::Error::other)
}

/// Polygons of the frame on the ellipsoid.
pub(super) fn to_lonlat(
    frame: &Frame,
    polygons: &MultiPolygon<f64>,
) -> Result<MultiPolygon<f64>, FrameError> {
    polygons.try_map_coords(|c| {
        frame.to_lonlat(GroundPoint::new(c.x, c.y)).map(|at| Coord { x: at.lon_deg(), y: at.lat_deg() })
    })
}
