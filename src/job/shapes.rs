//! Raw shapes turned into checked places, ways and polygons.

use geo::algorithm::validation::Validation;
use geo_types::{Coord, Geometry, LineString, MultiPolygon};

use super::Findings;
use crate::files::{RawFeature, RawShape};
use crate::frame::LonLat;
use crate::record::SourcePlace;

/// The geometry of a feature, or `None` with a finding.
pub(super) fn geometry_of<'f>(raw: &'f RawFeature, findings: &mut Findings) -> Option<&'f Geometry<f64>> {
    match &raw.shape {
        RawShape::Shape(geometry) => Some(geometry),
        RawShape::Null => {
            findings.warn_at(&raw.source, "has no geometry; left out");
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
    let Some(geometry) = geometry_of(raw, findings) else { return Vec::new() };
    let mut coords = Vec::new();
    if !collect_points(geometry, &mut coords) {
        findings
            .warn_at(&raw.source, format!("is a {} where a point is wanted; left out", kind_of(geometry)));
        return Vec::new();
    }
    if coords.is_empty() {
        findings.warn_at(&raw.source, "holds no point; left out");
    }
    coords.into_iter().filter_map(|c| place(c, &raw.source, findings)).collect()
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
    let Some(geometry) = geometry_of(raw, findings) else { return Vec::new() };
    let mut lines = Vec::new();
    if !collect_lines(geometry, rings, &mut lines) {
        findings.warn_at(&raw.source, format!("is a {} where a line is wanted; left out", kind_of(geometry)));
        return Vec::new();
    }
    let mut ways = Vec::with_capacity(lines.len());
    for line in lines {
        let Some(mut way) = all_places(&line.0, &raw.source, findings) else { continue };
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
pub(super) fn polygons_of(raw: &RawFeature, findings: &mut Findings) -> Option<MultiPolygon<f64>> {
    let geometry = checked_geometry(raw, findings)?;
    let polygons = match geometry {
        Geometry::Polygon(p) => MultiPolygon(vec![p]),
        Geometry::MultiPolygon(polygons) => polygons,
        other => {
            findings.warn_at(
                &raw.source,
                format!("is a {} where a polygon is wanted; left out", kind_of(&other)),
            );
            return None;
        }
    };
    if let Err(why) = polygons.check_validation() {
        findings.fault_of(&raw.source, None, format!("is not a valid polygon: {why}; mend it in a GIS"));
        return None;
    }
    Some(polygons)
}

/// A geometry of any type whose every coordinate is a place.
pub(super) fn checked_geometry(raw: &RawFeature, findings: &mut Findings) -> Option<Geometry<f64>> {
    use geo::CoordsIter;
    let geometry = geometry_of(raw, findings)?;
    let coords: Vec<Coord<f64>> = geometry.coords_iter().collect();
    if coords.is_empty() {
        findings.warn_at(&raw.source, "has an empty geometry; left out");
        return None;
    }
    all_places(&coords, &raw.source, findings).map(|_| geometry.clone())
}

fn all_places(coords: &[Coord<f64>], source: &SourcePlace, findings: &mut Findings) -> Option<Vec<LonLat>> {
    // One fault a feature is enough: where one coordinate is wrong, all of them are, as a rule.
    coords.iter().map(|&c| place(c, source, findings)).collect()
}

fn place(c: Coord<f64>, source: &SourcePlace, findings: &mut Findings) -> Option<LonLat> {
    match LonLat::new(c.x, c.y) {
        Ok(at) if c.x == 0.0 && c.y == 0.0 => {
            findings
                .warn_at(source, format!("lies at ({at}), the mark of a receiver without a fix; left out"));
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
