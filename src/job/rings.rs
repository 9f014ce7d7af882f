//! Rings of polygons and closed lines: where the inside is.

use geo::{Centroid, Intersects};
use geo_types::{Coord, Geometry, GeometryCollection, LineString, MultiLineString, MultiPolygon, Polygon};

use super::Findings;
use crate::record::{KeepOut, SourcePlace};

/// An edge over half the circle of longitude is meant the other way round.
const HALF_CIRCLE_DEG: f64 = 180.0;

/// The share of the way to its middle by which the corners of an area are drawn in: more than
/// boundaries and areas drawn from one survey differ.
const DRAWN_IN: f64 = 0.02;

/// The geometry of a feature about which a distance is kept; nothing, with a fault, where its
/// inside is not plain.
pub(super) fn checked_rings(
    geometry: Geometry<f64>,
    source: &SourcePlace,
    findings: &mut Findings,
) -> Option<Geometry<f64>> {
    if let Some(why) = fault_of_rings(&geometry) {
        findings.fault_of(source, None, why);
        return None;
    }
    Some(geometry)
}

/// Keeps out what the closed lines of a keep-out go round, and says so. A line round most of the
/// property, of which `property` holds places, is its boundary: there the line alone is meant.
pub(super) fn fill_closed(keep_out: &mut KeepOut, property: &[Coord<f64>], findings: &mut Findings) {
    let (geometry, was_closed) = filled(keep_out.geometry.clone());
    if !was_closed {
        return;
    }
    let held = property.iter().filter(|place| geometry.intersects(*place)).count();
    if held * 2 > property.len() {
        let what = "is a closed line round the property; the distance is kept from the line alone (make it a \
                    polygon if what it goes round is meant)";
        return findings.warn_at(&keep_out.source, what);
    }
    let what = "is a closed line; what it goes round is kept out too (leave out its last position if only the \
                line is meant)";
    findings.warn_at(&keep_out.source, what);
    keep_out.geometry = geometry;
}

/// Places that stand for a property: the corners of its area, drawn in a little so that a boundary
/// that runs along them holds them.
pub(super) fn places_of(area: &MultiPolygon<f64>) -> Vec<Coord<f64>> {
    let drawn_in = |polygon: &Polygon<f64>| {
        let centre = polygon.centroid().map(|p| p.0);
        let corners: Vec<Coord<f64>> = polygon.exterior().coords().copied().collect();
        corners.into_iter().filter_map(move |c| centre.map(|centre| c + (centre - c) * DRAWN_IN))
    };
    area.0.iter().flat_map(drawn_in).collect()
}

/// What is wrong with the rings of a geometry on the round earth, if anything is: an edge that goes
/// half round it has no side that is plainly its own, and one that crosses the antimeridian has its
/// inside elsewhere than longitude and latitude say (RFC 7946, section 3.1.9, has it split).
pub(super) fn fault_of_rings(geometry: &Geometry<f64>) -> Option<String> {
    match geometry {
        Geometry::Polygon(polygon) => of_polygon(polygon),
        Geometry::MultiPolygon(polygons) => polygons.0.iter().find_map(of_polygon),
        Geometry::GeometryCollection(parts) => parts.0.iter().find_map(fault_of_rings),
        _ => None,
    }
}

fn of_polygon(polygon: &Polygon<f64>) -> Option<String> {
    let rings = [polygon.exterior()].into_iter().chain(polygon.interiors());
    let long = rings.flat_map(LineString::lines).find(|edge| edge.dx().abs() >= HALF_CIRCLE_DEG)?;
    Some(format!(
        "has an edge from longitude {} to {}, half round the earth or more; split a polygon that crosses the \
         180th meridian there, and draw one that covers the earth as what is meant by it",
        long.start.x, long.end.x
    ))
}

/// The same geometry with polygons for its closed lines, and whether there were any. What a closed
/// line goes round may be what is meant, so that it is kept out with it.
fn filled(geometry: Geometry<f64>) -> (Geometry<f64>, bool) {
    match geometry {
        Geometry::LineString(line) if is_ring(&line) => {
            (Geometry::Polygon(Polygon::new(line, Vec::new())), true)
        }
        Geometry::MultiLineString(lines) if lines.0.iter().any(is_ring) => {
            let (rings, open): (Vec<_>, Vec<_>) = lines.0.into_iter().partition(is_ring);
            let rings = rings.into_iter().map(|ring| Polygon::new(ring, Vec::new())).collect();
            let rings = Geometry::MultiPolygon(MultiPolygon(rings));
            let filled = match open.is_empty() {
                true => rings,
                false => Geometry::GeometryCollection(GeometryCollection(vec![
                    rings,
                    MultiLineString(open).into(),
                ])),
            };
            (filled, true)
        }
        Geometry::GeometryCollection(parts) => {
            let (parts, any): (Vec<_>, Vec<bool>) = parts.0.into_iter().map(filled).unzip();
            (Geometry::GeometryCollection(GeometryCollection(parts)), any.contains(&true))
        }
        other => (other, false),
    }
}

/// Four positions at least, the last the first.
fn is_ring(line: &LineString<f64>) -> bool {
    line.0.len() > 3 && line.is_closed()
}

#[cfg(test)]
mod tests {
    use geo::{Area, Contains};
    use geo_types::{line_string, point, polygon};

    use super::*;

    fn square() -> LineString<f64> {
        line_string![(x: 1.0, y: 1.0), (x: 2.0, y: 1.0), (x: 2.0, y: 2.0), (x: 1.0, y: 2.0), (x: 1.0, y: 1.0)]
    }

    #[test]
    fn edges_that_go_half_round_the_earth_are_no_rings() {
        let world: Geometry<f64> =
            polygon![(x: -180.0, y: -80.0), (x: 180.0, y: -80.0), (x: 180.0, y: 80.0), (x: -180.0, y: 80.0)]
                .into();
        assert!(fault_of_rings(&world).unwrap().contains("half round"));
        let crossing: Geometry<f64> =
            polygon![(x: 179.9, y: -17.0), (x: -179.9, y: -17.0), (x: -179.9, y: -16.9), (x: 179.9, y: -16.9)].into();
        assert!(
            fault_of_rings(&Geometry::GeometryCollection(GeometryCollection(vec![crossing])))
                .unwrap()
                .contains("180th")
        );
        assert_eq!(fault_of_rings(&Polygon::new(square(), Vec::new()).into()), None);
    }

    #[test]
    fn closed_lines_have_an_inside_and_open_ones_have_none() {
        let inside = point!(x: 1.5, y: 1.5);
        let (ring, was_closed) = filled(square().into());
        assert!(was_closed && ring.contains(&inside));
        let mut open = square();
        open.0.pop();
        let (path, was_closed) = filled(open.clone().into());
        assert!(!was_closed && path.unsigned_area() == 0.0);
        let (both, was_closed) = filled(MultiLineString(vec![open, square()]).into());
        assert!(was_closed && both.contains(&inside));
    }

    #[test]
    fn a_boundary_stays_a_line_and_a_paddock_is_filled() {
        let area: MultiPolygon<f64> = Polygon::new(square(), Vec::new()).into();
        let source =
            SourcePlace { file: std::sync::Arc::from(std::path::Path::new("k")), index: 0, id: None };
        let keep_out = |line: LineString<f64>| KeepOut {
            geometry: line.into(),
            distance_m: 10.0,
            reason: None,
            name: None,
            source: source.clone(),
        };
        let mut findings = Findings::default();
        let (mut boundary, mut paddock) = (
            keep_out(square()),
            keep_out(line_string![(x: 1.2, y: 1.2), (x: 1.4, y: 1.2), (x: 1.4, y: 1.4), (x: 1.2, y: 1.2)]),
        );
        for keep_out in [&mut boundary, &mut paddock] {
            fill_closed(keep_out, &places_of(&area), &mut findings);
        }
        assert!(matches!(boundary.geometry, Geometry::LineString(_)));
        assert!(matches!(paddock.geometry, Geometry::Polygon(_)));
        assert_eq!(findings.warnings().count(), 2);
    }
}
