//! What slip would have put a thing where it lies: tried out against where the rest is.

use super::cells::turned;
use super::{FAR_M, Slip};
use crate::frame::LonLat;
use crate::job::extent::Extent;

/// How many UTM zones there are round the world.
const ZONES: i32 = 60;

/// Degrees of longitude that a UTM zone is wide.
const ZONE_DEG: f64 = 6.0;

/// A false northing of 10,000 km left out or added moves a place by close to a quarter of the
/// meridian.
const FALSE_NORTHING_DEG: f64 = 90.0;

/// The slips of a pair of degrees, each with what undoes it.
fn slips() -> Vec<(Slip, &'static str, f64, f64)> {
    vec![
        (Slip::Sign, "with the sign of its latitude changed", 1.0, -1.0),
        (Slip::Sign, "with the sign of its longitude changed", -1.0, 1.0),
        (Slip::Sign, "with the signs of both its coordinates changed", -1.0, -1.0),
        (Slip::Magnitude, "with its longitude ten times as great", 10.0, 1.0),
        (Slip::Magnitude, "with its latitude ten times as great", 1.0, 10.0),
        (Slip::Magnitude, "with its longitude divided by ten", 0.1, 1.0),
        (Slip::Magnitude, "with its latitude divided by ten", 1.0, 0.1),
        (Slip::Magnitude, "with both its coordinates ten times as great", 10.0, 10.0),
        (Slip::Magnitude, "with both its coordinates divided by ten", 0.1, 0.1),
    ]
}

/// The slip under which a place would fit the rest, with words for what would undo it.
pub(super) fn slip_of(at: LonLat, home: &Extent) -> Option<(Slip, String)> {
    let (lon, lat) = (at.lon_deg(), at.lat_deg());
    let fits = |lon: f64, lat: f64| {
        LonLat::new(lon, lat).is_ok_and(|at| Extent::at(turned(at, home.west)).gap_m(home) <= FAR_M)
    };
    let simple = slips().into_iter().find(|&(_, _, x, y)| fits(lon * x, lat * y));
    if let Some((slip, words, ..)) = simple {
        return Some((slip, words.to_string()));
    }
    for (x, y) in [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0)] {
        if fits(lat * x, lon * y) {
            return Some((Slip::Axes, "with its longitude and latitude exchanged".to_string()));
        }
    }
    let wrapped = |lon: f64| (lon + 180.0).rem_euclid(360.0) - 180.0;
    for north in [0.0, FALSE_NORTHING_DEG, -FALSE_NORTHING_DEG] {
        let zones = |k: i32| fits(wrapped(lon + ZONE_DEG * f64::from(k)), lat + north);
        let Some(zone) = (0..ZONES).find(|&k| zones(k)) else { continue };
        let zone = if zone > ZONES / 2 { zone - ZONES } else { zone };
        let words = match (zone, north == 0.0) {
            (0, _) => "if its UTM zone were of the other hemisphere".to_string(),
            (k, true) => format!("if its UTM zone were {} farther {}", k.abs(), east_or_west(k)),
            (k, false) => {
                format!(
                    "if its UTM zone were {} farther {} and of the other hemisphere",
                    k.abs(),
                    east_or_west(k)
                )
            }
        };
        return Some((Slip::Zone, words));
    }
    None
}

fn east_or_west(zones: i32) -> &'static str {
    if zones > 0 { "east" } else { "west" }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slip(lon: f64, lat: f64) -> Option<Slip> {
        let home = Extent { west: 148.7, east: 148.9, south: -36.3, north: -36.1 };
        slip_of(LonLat::new(lon, lat).unwrap(), &home).map(|(slip, _)| slip)
    }

    #[test]
    fn slips_are_known_by_what_undoes_them() {
        assert_eq!(slip(148.8, 36.2), Some(Slip::Sign));
        assert_eq!(slip(-148.8, -36.2), Some(Slip::Sign));
        assert_eq!(slip(14.88, -36.2), Some(Slip::Magnitude));
        assert_eq!(slip(142.8, -36.2), Some(Slip::Zone));
        assert_eq!(slip(-163.2, -36.2), Some(Slip::Zone));
        assert_eq!(slip(148.8, 53.8), Some(Slip::Zone));
        assert_eq!(slip(120.0, -20.0), None);
        let home = Extent { west: 24.9, east: 25.1, south: -33.1, north: -32.9 };
        let found = slip_of(LonLat::new(-33.0, 25.0).unwrap(), &home);
        assert_eq!(found.map(|(slip, _)| slip), Some(Slip::Axes));
    }
}
