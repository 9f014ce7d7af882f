//! GPX 1.1 for handheld receivers and phones.

use std::io::{self, Write};

use geo_types::{LineString, Point};
use gpx::{Gpx, GpxVersion, Metadata, Track, TrackSegment, Waypoint};

use crate::frame::LonLat;

/// A waypoint to write.
#[derive(Clone, PartialEq, Debug)]
pub struct GpxPoint {
    /// Its place.
    pub at: LonLat,
    /// Short name shown on the device.
    pub name: String,
    /// Longer text.
    pub description: String,
}

/// A track to write.
#[derive(Clone, PartialEq, Debug)]
pub struct GpxTrack {
    /// Its name.
    pub name: String,
    /// Its way.
    pub path: Vec<LonLat>,
}

/// Writes waypoints and tracks, after what must be said first, as the file's description.
///
/// # Errors
/// Those of the underlying writer.
pub fn write_gpx(
    out: impl Write,
    said_first: &[String],
    points: &[GpxPoint],
    tracks: &[GpxTrack],
) -> io::Result<()> {
    let description = (!said_first.is_empty()).then(|| said_first.join(" "));
    let gpx = Gpx {
        version: GpxVersion::Gpx11,
        creator: Some("stakeline".into()),
        metadata: description.map(|text| Metadata { description: Some(text), ..Metadata::default() }),
        waypoints: points.iter().map(waypoint).collect(),
        tracks: tracks.iter().map(track).collect(),
        ..Gpx::default()
    };
    gpx::write(&gpx, out).map_err(io::Error::other)
}

fn waypoint(point: &GpxPoint) -> Waypoint {
    let mut waypoint = Waypoint::new(position(point.at));
    waypoint.name = Some(point.name.clone());
    waypoint.description = Some(point.description.clone());
    waypoint
}

fn track(track: &GpxTrack) -> Track {
    let line: LineString<f64> = track.path.iter().map(|&at| position(at)).collect();
    let mut written = Track::new();
    written.name = Some(track.name.clone());
    let mut segment = TrackSegment::new();
    segment.points = line.points().map(Waypoint::new).collect();
    written.segments.push(segment);
    written
}

fn position(at: LonLat) -> Point<f64> {
    let seven = |degrees: f64| super::round_to(degrees, 7);
    Point::new(seven(at.lon_deg()), seven(at.lat_deg()))
}
