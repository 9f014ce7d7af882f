//! What lies along lines, for the map: pieces of line by band of value, neighbours of the same
//! band as one way.

use geo::CoordsIter;
use geo_types::Coord;
use serde_json::{Value, json};

use super::map::pair;
use super::{Feature, Ramp};

/// Log ratios along lines have a colour each up to four times and down to a quarter.
const CHANGE_REACH: f64 = 2.0 * std::f64::consts::LN_2;

/// Sign along lines: per km searched where legs were walked, else per km of line. `null` where
/// there are no pieces.
pub(super) fn rate_along(pieces: &[Feature]) -> Value {
    let searched = pieces.iter().any(|p| p.number("rate_per_km_searched").is_some());
    let (key, name, unit) = match searched {
        true => ("rate_per_km_searched", "Sign per km searched, along lines", "sign per km searched"),
        false => ("density_per_km", "Sign along lines", "sign per km of line"),
    };
    let peak = pieces.iter().filter_map(|p| p.number(key)).fold(0.0, f64::max);
    if peak <= 0.0 {
        return Value::Null;
    }
    banded("rate", name, unit, pieces, Ramp::Rising { peak }, |p| p.number(key))
}

/// How the rate along lines changed, and where that is claimed. `null` where there are no pieces.
pub(super) fn change_along(pieces: &[Feature]) -> Value {
    if pieces.iter().all(|p| p.number("log_ratio").is_none()) {
        return Value::Null;
    }
    let unit = "after over before; change-lines.geojson holds its natural logarithm";
    let ramp = Ramp::Parting { reach: CHANGE_REACH };
    let mut layer = banded("change", "Change along lines", unit, pieces, ramp, |p| p.number("log_ratio"));
    for direction in ["increase", "decrease"] {
        let claimed = |p: &Feature| (p.text("direction") == Some(direction)).then_some(0);
        layer[direction] =
            json!(ways_of(pieces, claimed).into_iter().map(|(_, way)| way).collect::<Vec<_>>());
    }
    layer
}

fn banded(
    id: &str,
    name: &str,
    unit: &str,
    pieces: &[Feature],
    ramp: Ramp,
    value: impl Fn(&Feature) -> Option<f64>,
) -> Value {
    let edges = ramp.edges();
    let band = |p: &Feature| value(p).map(|v| edges.partition_point(|e| *e <= v));
    let mut bands = vec![Vec::new(); edges.len() + 1];
    for (band, way) in ways_of(pieces, band) {
        bands[band].push(way);
    }
    let unknown = |p: &Feature| value(p).is_none().then_some(0);
    let unknown: Vec<Vec<f64>> = ways_of(pieces, unknown).into_iter().map(|(_, way)| way).collect();
    json!({ "id": id, "name": name, "unit": unit, "legend": ramp.legend(), "bands": bands, "unknown": unknown })
}

/// The ways of pieces that have a band; a piece that goes on from the one before it in the same
/// band lengthens that one's way. Ways are flat lists of longitude and latitude.
fn ways_of(pieces: &[Feature], band: impl Fn(&Feature) -> Option<usize>) -> Vec<(usize, Vec<f64>)> {
    let mut ways: Vec<(usize, Vec<Coord<f64>>)> = Vec::new();
    for piece in pieces {
        let Some(band) = band(piece) else { continue };
        let mut path = piece.geometry.coords_iter();
        match ways.last_mut() {
            Some((own, way))
                if *own == band && way.last().copied() == piece.geometry.coords_iter().next() =>
            {
                way.extend(path.by_ref().skip(1));
            }
            _ => ways.push((band, path.collect())),
        }
    }
    let flat = |way: Vec<Coord<f64>>| way.into_iter().flat_map(|c| pair(c.x, c.y)).collect();
    ways.into_iter().map(|(band, way)| (band, flat(way))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo_types::{Geometry, LineString};
    use serde_json::Map;

    fn piece(way: &[(f64, f64)], members: Value) -> Feature {
        let properties: Map<String, Value> = members.as_object().cloned().unwrap_or_default();
        Feature {
            id: String::new(),
            geometry: Geometry::LineString(LineString::from(way.to_vec())),
            properties,
        }
    }

    #[test]
    fn neighbours_of_one_band_are_one_way_and_unsearched_line_is_apart() {
        let rate = |v: f64| json!({ "rate_per_km_searched": v, "density_per_km": 9.0 });
        let pieces = [
            piece(&[(148.0, -39.0), (148.1, -39.0)], rate(0.1)),
            piece(&[(148.1, -39.0), (148.2, -39.0)], rate(0.1)),
            piece(&[(148.2, -39.0), (148.3, -39.0)], rate(4.0)),
            piece(&[(148.4, -39.0), (148.5, -39.0)], rate(4.0)),
            piece(
                &[(148.5, -39.0), (148.6, -39.0)],
                json!({ "rate_per_km_searched": null, "density_per_km": 0.0 }),
            ),
        ];
        let layer = rate_along(&pieces);
        // Bands of equal width in the square root: 0.1 of 4 lies in the second of ten.
        assert_eq!(layer["bands"][1], json!([[148.0, -39.0, 148.1, -39.0, 148.2, -39.0]]));
        assert_eq!(layer["bands"][9].as_array().unwrap().len(), 2);
        assert_eq!(layer["unknown"], json!([[148.5, -39.0, 148.6, -39.0]]));
        assert_eq!(layer["unit"], "sign per km searched");
        assert_eq!(rate_along(&[]), Value::Null);
    }

    #[test]
    fn claimed_pieces_are_told_by_direction() {
        let change = |log: f64, direction: Option<&str>| json!({ "log_ratio": log, "direction": direction });
        let pieces = [
            piece(&[(148.0, -39.0), (148.1, -39.0)], change(1.5, Some("increase"))),
            piece(&[(148.1, -39.0), (148.2, -39.0)], change(1.5, None)),
        ];
        let layer = change_along(&pieces);
        assert_eq!(layer["increase"], json!([[148.0, -39.0, 148.1, -39.0]]));
        assert_eq!(layer["decrease"], json!([]));
        assert_eq!(layer["bands"][8], json!([[148.0, -39.0, 148.1, -39.0, 148.2, -39.0]]));
        assert_eq!(change_along(&[]), Value::Null);
    }
}
