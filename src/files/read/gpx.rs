//! GPX 1.0 and 1.1: waypoints as points; tracks, then routes, as lines. Extensions of
//! makers are left out.

use std::io::{BufReader, Read};
use std::path::Path;
use std::sync::Arc;

use geo_types::{Geometry, LineString, MultiLineString};
use gpx::{Gpx, Route, Track, Waypoint};
use serde_json::Value;

use super::{FileError, Input, ReadAs, Request, Take};
use crate::files::{Properties, RawFeature, RawShape};
use crate::record::SourcePlace;

pub(super) fn read(request: &Request, input: &mut Input, take: Take) -> Result<usize, FileError> {
    let gpx = gpx::read(BufReader::with_capacity(1 << 16, input.by_ref()))
        .map_err(|e| request.wrong(format!("is not valid GPX: {e}")))?;
    let features = match request.options.read_as {
        ReadAs::Points | ReadAs::Rows => gpx.waypoints.iter().map(from_waypoint).collect::<Vec<_>>(),
        ReadAs::Lines => lines_of(&gpx),
    };
    let file: Arc<Path> = Arc::from(request.path);
    let count = features.len();
    for (index, (shape, properties)) in features.into_iter().enumerate() {
        take(RawFeature { shape, properties, source: SourcePlace { file: file.clone(), index, id: None } });
    }
    Ok(count)
}

fn lines_of(gpx: &Gpx) -> Vec<(RawShape, Properties)> {
    gpx.tracks.iter().map(from_track).chain(gpx.routes.iter().map(from_route)).collect()
}

fn from_waypoint(waypoint: &Waypoint) -> (RawShape, Properties) {
    let properties = named(&[
        ("name", &waypoint.name),
        ("comment", &waypoint.comment),
        ("note", &waypoint.description),
        ("type", &waypoint.type_),
        ("date", &time_of(waypoint)),
    ]);
    (RawShape::Shape(Geometry::Point(waypoint.point())), properties)
}

fn from_track(track: &Track) -> (RawShape, Properties) {
    let parts: Vec<LineString<f64>> =
        track.segments.iter().filter(|s| s.points.len() > 1).map(|s| s.linestring()).collect();
    let shape = if parts.is_empty() {
        RawShape::Broken("is a track without two points in a row".into())
    } else {
        RawShape::Shape(Geometry::MultiLineString(MultiLineString(parts)))
    };
    let start = track.segments.iter().flat_map(|s| &s.points).find_map(time_of);
    (shape, named(&[("name", &track.name), ("note", &track.description), ("date", &start)]))
}

fn from_route(route: &Route) -> (RawShape, Properties) {
    let shape = if route.points.len() > 1 {
        RawShape::Shape(Geometry::LineString(route.linestring()))
    } else {
        RawShape::Broken("is a route of fewer than two points".into())
    };
    (shape, named(&[("name", &route.name), ("note", &route.description)]))
}

fn time_of(waypoint: &Waypoint) -> Option<String> {
    waypoint.time.and_then(|t| t.format().ok())
}

fn named(pairs: &[(&str, &Option<String>)]) -> Properties {
    pairs
        .iter()
        .filter_map(|(name, text)| text.as_ref().map(|t| (name.to_string(), Value::from(t.as_str()))))
        .collect()
}
