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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::{ReadOptions, ReadReport, read_features};

    fn read(body: &str, read_as: ReadAs) -> Result<(Vec<RawFeature>, ReadReport), String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.gpx");
        let head = "<?xml version=\"1.0\"?>\n<gpx version=\"1.1\" creator=\"x\" xmlns=\"http://www.topografix.com/GPX/1/1\">";
        std::fs::write(&path, format!("{head}{body}</gpx>")).unwrap();
        let mut features = Vec::new();
        let report = read_features(&path, Path::new("a.gpx"), ReadOptions::from(read_as), &mut |raw| {
            features.push(raw)
        });
        report.map(|report| (features, report)).map_err(|e| e.to_string())
    }

    const MIXED: &str = "<wpt lat=\"-36.2\" lon=\"148.8\"><name>A &amp; B</name></wpt>\
        <rte><rtept lat=\"-36\" lon=\"148\"/><rtept lat=\"-36.1\" lon=\"148\"/></rte>\
        <trk><trkseg><trkpt lat=\"-36\" lon=\"148\"/><trkpt lat=\"-36.1\" lon=\"148.1\"/></trkseg></trk>";

    #[test]
    fn keep_outs_take_waypoints_tracks_and_routes() {
        let (features, _) = read(MIXED, ReadAs::All).unwrap();
        assert_eq!(features.len(), 3);
        assert_eq!(features[0].properties["name"], "A & B");
        assert_eq!(read(MIXED, ReadAs::Points).unwrap().0.len(), 1);
        assert_eq!(read(MIXED, ReadAs::Lines).unwrap().0.len(), 2);
    }

    #[test]
    fn times_that_are_none_are_set_aside_with_their_place() {
        let body = "\n<wpt lat=\"1\" lon=\"2\"><ele></ele><time></time></wpt>\n<wpt lat=\"1\" lon=\"2\"><time>noon</time></wpt>\
                    <wpt lat=\"1\" lon=\"2\"><time/></wpt><wpt lat=\"1\" lon=\"2\"><time>2026-05-31T14:00:00+10:00</time></wpt>";
        let (features, report) = read(body, ReadAs::Points).unwrap();
        assert_eq!(features.len(), 4);
        assert!(features[3].properties["date"].as_str().unwrap().starts_with("2026-05-31T04:00:00"));
        assert!(report.notes[0].contains("an empty time at line 3 and 2 more"), "{:?}", report.notes);
    }

    #[test]
    fn nesting_costs_no_more_than_its_length() {
        let deep = |n: usize| "<a>".repeat(n) + &"</a>".repeat(n);
        let started = std::time::Instant::now();
        let body = format!("<wpt lat=\"1\" lon=\"2\"><extensions>{}</extensions></wpt>", deep(200_000));
        assert_eq!(read(&body, ReadAs::Points).unwrap().0.len(), 1);
        let why =
            read(&format!("<wpt lat=\"1\" lon=\"2\">{}</wpt>", deep(200_000)), ReadAs::Points).unwrap_err();
        assert!(why.contains("nested deeper"), "{why}");
        assert!(started.elapsed().as_secs() < 30);
    }
}
