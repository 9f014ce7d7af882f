//! Raw shapes turned into checked places, ways and polygons.

use geo::CoordsIter;
use geo::algorithm::validation::Validation;
use geo_types::{Coord, Geometry, LineString, MultiPolygon, Polygon};

use super::Findings;
use crate::files::{RawFeature, RawShape};
use crate::frame::LonLat;
use crate::record::SourcePlace;

/// What is done about a feature that cannot be used whole.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Care {
    /// It is left out with a warning.
    LeaveOut,
    /// It stops the run, for it keeps people safe; the word says what it is, such as
    /// "a keep-out".
    Stop(&'static str),
}

impl Care {
    /// Tells that a feature has or is `what`.
    fn tell(self, source: &SourcePlace, what: impl std::fmt::Display, findings: &mut Findings) {
        match self {
            Care::LeaveOut => findings.warn_at(source, format!("{what}; left out")),
            Care::Stop(role) => findings.fault_of(
                source,
                None,
                format!("{what}; {role} that is not understood is not left out: mend it, or take it out of the file"),
            ),
        }
    }
}

/// The geometry of a feature, or `None` with a finding.
pub(super) fn geometry_of<'f>(
    raw: &'f RawFeature,
    care: Care,
    findings: &mut Findings,
) -> Option<&'f Geometry<f64>> {
    match &raw.shape {
        RawShape::Shape(geometry) => Some(geometry),
        RawShape::Null => {
            care.tell(&raw.source, "has no geometry", findings);
            None
        }
        RawShape::Broken(why) => {
            findings.fault_of(&raw.source, None, why);
            None
        }
    }
}

/// The points of a feature that should hold points.
pub(super) fn points_of(raw: &RawFeature, findings: &mut Findings) -> Vec<LonLat> {
    let Some(geometry) = geometry_of(raw, Care::LeaveOut, findings) else { return Vec::new() };
    let mut coords = Vec::new();
    if !collect_points(geometry, &mut coords) {
        findings
            .warn_at(&raw.source, format!("is a {} where a point is wanted; left out", kind_of(geometry)));
        return Vec::new();
    }
    if coords.is_empty() {
        findings.warn_at(&raw.source, "holds no point; left out");
    }
    coords.into_iter().filter_map(|c| place(c, &raw.source, Care::LeaveOut, findings)).collect()
}

fn collect_points(geometry: &Geometry<f64>, out: &mut Vec<Coord<f64>>) -> bool {
    match geometry {
        Geometry::Point(p) => out.push(p.0),
        Geometry::MultiPoint(points) => out.extend(points.0.iter().map(|p| p.0)),
        Geometry::GeometryCollection(parts) => return parts.0.iter().all(|part| collect_points(part, out)),
        _ => return false,
    }
    true
}

/// The ways of a feature that should hold lines; the rings of polygons count as lines where
/// `rings` says so. Ways of no length are left out with a warning.
pub(super) fn ways_of(raw: &RawFeature, rings: bool, findings: &mut Findings) -> Vec<Vec<LonLat>> {
    let Some(geometry) = geometry_of(raw, Care::LeaveOut, findings) else { return Vec::new() };
    let mut lines = Vec::new();
    if !collect_lines(geometry, rings, &mut lines) {
        findings.warn_at(&raw.source, format!("is a {} where a line is wanted; left out", kind_of(geometry)));
        return Vec::new();
    }
    let mut ways = Vec::with_capacity(lines.len());
    for line in lines {
        let Some(mut way) = all_places(&line.0, &raw.source, Care::LeaveOut, findings) else { continue };
        way.dedup();
        if way.len() > 1 {
            ways.push(way);
        } else {
            findings.warn_at(&raw.source, "is a line of no length; left out");
        }
    }
    ways
}

fn collect_lines<'g>(geometry: &'g Geometry<f64>, rings: bool, out: &mut Vec<&'g LineString<f64>>) -> bool {
    match geometry {
        Geometry::LineString(line) => out.push(line),
        Geometry::MultiLineString(lines) => out.extend(&lines.0),
        Geometry::Polygon(p) if rings => {
            out.push(p.exterior());
            out.extend(p.interiors());
        }
        Geometry::MultiPolygon(polygons) if rings => {
            for p in &polygons.0 {
                out.push(p.exterior());
                out.extend(p.interiors());
            }
        }
        Geometry::GeometryCollection(parts) => {
            return parts.0.iter().all(|part| collect_lines(part, rings, out));
        }
        _ => return false,
    }
    true
}

/// The polygons of a feature that should hold polygons.
pub(super) fn polygons_of(
    raw: &RawFeature,
    care: Care,
    findings: &mut Findings,
) -> Option<MultiPolygon<f64>> {
    let geometry = checked_geometry(raw, care, findings)?;
    let mut polygons = Vec::new();
    if !collect_polygons(&geometry, &mut polygons) {
        let what = format!("is a {} where a polygon is wanted", kind_of(&geometry));
        care.tell(&raw.source, what, findings);
        return None;
    }
    let polygons = MultiPolygon(polygons);
    if let Err(why) = polygons.check_validation() {
        findings.fault_of(&raw.source, None, format!("is not a valid polygon: {why}; mend it in a GIS"));
        return None;
    }
    Some(polygons)
}

fn collect_polygons(geometry: &Geometry<f64>, out: &mut Vec<Polygon<f64>>) -> bool {
    match geometry {
        Geometry::Polygon(polygon) => out.push(polygon.clone()),
        Geometry::MultiPolygon(polygons) => out.extend(polygons.0.iter().cloned()),
        Geometry::GeometryCollection(parts) => {
            return parts.0.iter().all(|part| collect_polygons(part, out));
        }
        _ => return false,
    }
    true
}

/// A geometry of any type whose every coordinate is a place.
pub(super) fn checked_geometry(
    raw: &RawFeature,
    care: Care,
    findings: &mut Findings,
) -> Option<Geometry<f64>> {
    let geometry = geometry_of(raw, care, findings)?;
    if holds_nothing(geometry) {
        care.tell(&raw.source, "has an empty geometry", findings);
        return None;
    }
    let coords: Vec<Coord<f64>> = geometry.coords_iter().collect();
    all_places(&coords, &raw.source, care, findings).map(|_| geometry.clone())
}

/// Whether a geometry, or a part of it, has no coordinate.
fn holds_nothing(geometry: &Geometry<f64>) -> bool {
    match geometry {
        Geometry::GeometryCollection(parts) => parts.0.is_empty() || parts.0.iter().any(holds_nothing),
        Geometry::MultiLineString(lines) => lines.0.is_empty() || lines.0.iter().any(|l| l.0.is_empty()),
        Geometry::MultiPolygon(polygons) => {
            polygons.0.is_empty() || polygons.0.iter().any(|p| p.exterior().0.is_empty())
        }
        other => other.coords_iter().next().is_none(),
    }
}

/// A geometry of any type about which a distance is kept: every coordinate is a place, and every
/// polygon has an inside.
pub(super) fn guarded_geometry(
    raw: &RawFeature,
    role: &'static str,
    findings: &mut Findings,
) -> Option<Geometry<f64>> {
    let geometry = checked_geometry(raw, Care::Stop(role), findings)?;
    if let Some(why) = fault_of_polygons(&geometry) {
        findings.fault_of(
            &raw.source,
            None,
            format!("is not a valid polygon: {why}; {role} must have a clear inside: mend it in a GIS"),
        );
        return None;
    }
    Some(geometry)
}

/// What is wrong with the polygons of a geometry, each by itself: parts that overlap are well
/// understood.
fn fault_of_polygons(geometry: &Geometry<f64>) -> Option<String> {
    match geometry {
        Geometry::Polygon(polygon) => polygon.check_validation().err().map(|why| why.to_string()),
        Geometry::MultiPolygon(polygons) => {
            polygons.0.iter().find_map(|p| p.check_validation().err()).map(|why| why.to_string())
        }
        Geometry::GeometryCollection(parts) => parts.0.iter().find_map(fault_of_polygons),
        _ => None,
    }
}

fn all_places(
    coords: &[Coord<f64>],
    source: &SourcePlace,
    care: Care,
    findings: &mut Findings,
) -> Option<Vec<LonLat>> {
    // One fault a feature is enough: where one coordinate is wrong, all of them are, as a rule.
    coords.iter().map(|&c| place(c, source, care, findings)).collect()
}

fn place(c: Coord<f64>, source: &SourcePlace, care: Care, findings: &mut Findings) -> Option<LonLat> {
    match LonLat::new(c.x, c.y) {
        Ok(at) if c.x == 0.0 && c.y == 0.0 => {
            care.tell(source, format!("lies at ({at}), the mark of a receiver without a fix"), findings);
            None
        }
        Ok(at) => Some(at),
        Err(why) => {
            findings.fault_of(source, None, why);
            None
        }
    }
}

pub(super) fn kind_of(geometry: &Geometry<f64>) -> &'static str {
    match geometry {
        Geometry::Point(_) => "Point",
        Geometry::MultiPoint(_) => "MultiPoint",
        Geometry::Line(_) | Geometry::LineString(_) => "LineString",
        Geometry::MultiLineString(_) => "MultiLineString",
        Geometry::Polygon(_) | Geometry::Rect(_) | Geometry::Triangle(_) => "Polygon",
        Geometry::MultiPolygon(_) => "MultiPolygon",
        Geometry::GeometryCollection(_) => "GeometryCollection",
    }
}
