//! GPX 1.0 and 1.1: waypoints as points; tracks, then routes, as lines. Extensions of
//! makers are left out.

mod clean;

use std::path::Path;
use std::sync::Arc;

use geo_types::{Geometry, LineString, MultiLineString};
use gpx::{Gpx, Route, Track, Waypoint};
use serde_json::Value;

use super::{FileError, Input, ReadAs, Request, Take};
use crate::files::{Properties, RawFeature, RawShape};
use crate::record::SourcePlace;
use clean::cleaned;

pub(super) fn read(
    request: &Request,
    input: &mut Input,
    take: Take,
    notes: &mut Vec<String>,
) -> Result<usize, FileError> {
    let left = cleaned(request, input)?;
    if let Some(first) = &left.first_odd {
        notes.push(match left.odd_times {
            1 => format!("has {first}, which is none; it is set aside"),
            n => format!("has {first} and {} more that are none; they are set aside", n - 1),
        });
    }
    let gpx = gpx::read(left.text.as_slice()).map_err(|e| request.wrong(format!("is not valid GPX: {e}")))?;
    let points = || gpx.waypoints.iter().map(from_waypoint);
    let features: Vec<_> = match request.options.read_as {
        ReadAs::Points | ReadAs::Rows => points().collect(),
        ReadAs::Lines | ReadAs::Areas => lines_of(&gpx),
        ReadAs::All => points().chain(lines_of(&gpx)).collect(),
    };
    let passed_over = gpx.tracks.len() + gpx.routes.len();
    if request.options.strict && request.options.read_as == ReadAs::Points && passed_over > 0 {
        notes.push(format!("holds {passed_over} tracks and routes too; its waypoints are read"));
    }
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
