//! The start of a line in words: distances along it are counted from there.

use super::{Feature, Material};
use crate::frame::{GroundPoint, LonLat, Traced, azimuth_deg};
use crate::record::Line;

/// A line that passes within this many metres of a start is named with it.
const AT_START_M: f64 = 25.0;

const COMPASS: [&str; 8] =
    ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];

/// A direction in words, of eight.
pub fn compass(bearing_deg: f64) -> &'static str {
    COMPASS[(bearing_deg.rem_euclid(360.0) / 45.0).round() as usize % 8]
}

/// Where the line of a site starts: `its south end, at Ridge Road`. `None` where the line is
/// not among the job's.
pub fn start_of(material: &Material, site: &Feature) -> Option<String> {
    let line = line_of(material, site)?;
    let (first, last) = (line.path.first()?, line.path.last()?);
    let start = line.ground.first()?;
    let end = if first == last {
        "its start".to_string()
    } else {
        format!("its {} end", compass(azimuth_deg(*last, *first)))
    };
    let meets = material
        .lines
        .iter()
        .filter(|other| other.what.name.is_some() && other.what.name != line.what.name)
        .map(|other| (path_distance_m(*start, &other.ground), other))
        .filter(|(distance_m, _)| *distance_m <= AT_START_M)
        .min_by(|a, b| {
            (!a.1.what.kind.is_travel(), a.0)
                .partial_cmp(&(!b.1.what.kind.is_travel(), b.0))
                .unwrap_or(std::cmp::Ordering::Equal)
        });
    Some(match meets.and_then(|(_, other)| other.what.name.as_deref()) {
        Some(name) => format!("{end}, at {name}"),
        None => end,
    })
}

/// The line that a site stands on.
fn line_of<'m>(material: &'m Material, site: &Feature) -> Option<&'m Traced<Line>> {
    let from = site.text("line_from");
    let at = site.place().and_then(|p| material.frame.to_ground(p).ok())?;
    let same = |line: &Traced<Line>| {
        let source = &line.what.source;
        let file = source.file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        match from {
            Some(from) => from == format!("{file}#{}", source.index + 1),
            None => site.text("line") == line.what.name.as_deref(),
        }
    };
    let near = material.lines.iter().filter(|l| same(l)).map(|l| (path_distance_m(at, &l.ground), l));
    near.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, line)| line)
}

/// Distance in frame metres from a point to a way.
pub(super) fn path_distance_m(p: GroundPoint, way: &[GroundPoint]) -> f64 {
    way.windows(2).map(|w| nearest_on(p, w[0], w[1]).distance_m(p)).fold(f64::INFINITY, f64::min)
}

/// The point of a segment that is nearest to a point.
pub(super) fn nearest_on(p: GroundPoint, a: GroundPoint, b: GroundPoint) -> GroundPoint {
    let (dx, dy) = (b.x_m - a.x_m, b.y_m - a.y_m);
    let length_2 = dx * dx + dy * dy;
    let t = if length_2 > 0.0 { ((p.x_m - a.x_m) * dx + (p.y_m - a.y_m) * dy) / length_2 } else { 0.0 };
    a.lerp(b, t.clamp(0.0, 1.0))
}

/// A place as `lon, lat` with six decimals, a tenth of a metre.
pub(super) fn lonlat_text(at: LonLat) -> String {
    format!("{:.6}, {:.6}", at.lon_deg(), at.lat_deg())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn directions_in_words() {
        let words = [0.0, 22.4, 22.6, 180.0, 337.6, -90.0].map(compass);
        assert_eq!(words, ["north", "north", "north-east", "south", "north", "west"]);
    }

    #[test]
    fn the_nearest_point_stays_on_the_segment() {
        let p = GroundPoint::new;
        assert_eq!(nearest_on(p(5.0, 3.0), p(0.0, 0.0), p(10.0, 0.0)), p(5.0, 0.0));
        assert_eq!(nearest_on(p(-5.0, 3.0), p(0.0, 0.0), p(10.0, 0.0)), p(0.0, 0.0));
        assert_eq!(nearest_on(p(1.0, 1.0), p(2.0, 2.0), p(2.0, 2.0)), p(2.0, 2.0));
    }
}
