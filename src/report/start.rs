//! The start of a line in words: distances along it are counted from there.

use std::collections::HashMap;

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

/// The lines of a job, ready to be asked where they start: by the boxes they fill, and by where
/// they come from.
pub struct Starts<'m> {
    material: &'m Material<'m>,
    /// West, south, east and north of each line in the frame.
    boxes: Vec<[f64; 4]>,
    by_source: HashMap<String, Vec<usize>>,
}

impl<'m> Starts<'m> {
    /// Looks at all lines once.
    pub fn new(material: &'m Material<'m>) -> Self {
        let mut by_source: HashMap<String, Vec<usize>> = HashMap::new();
        for (k, line) in material.lines.iter().enumerate() {
            let source = &line.what.source;
            let file = source.file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
            by_source.entry(format!("{file}#{}", source.index + 1)).or_default().push(k);
        }
        Self { material, boxes: material.lines.iter().map(|l| box_of(&l.ground)).collect(), by_source }
    }

    /// Where the line of a site starts: `its south end, at Ridge Road`. `None` where the line is
    /// not among the job's.
    pub fn of(&self, site: &Feature) -> Option<String> {
        let line = self.line_of(site)?;
        let (first, last) = (line.path.first()?, line.path.last()?);
        let start = line.ground.first()?;
        let end = if first == last {
            "its start".to_string()
        } else {
            format!("its {} end", compass(azimuth_deg(*last, *first)))
        };
        let meets = self
            .material
            .lines
            .iter()
            .zip(&self.boxes)
            .filter(|(_, filled)| is_near(filled, *start))
            .map(|(other, _)| other)
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
    fn line_of(&self, site: &Feature) -> Option<&'m Traced<Line>> {
        let lines = self.material.lines;
        let at = site.place().and_then(|p| self.material.frame.to_ground(p).ok())?;
        let same: Vec<&Traced<Line>> = match site.text("line_from") {
            Some(from) => self.by_source.get(from).into_iter().flatten().map(|&k| &lines[k]).collect(),
            None => lines.iter().filter(|l| site.text("line") == l.what.name.as_deref()).collect(),
        };
        let near = same.into_iter().map(|l| (path_distance_m(at, &l.ground), l));
        near.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, line)| line)
    }
}

fn box_of(way: &[GroundPoint]) -> [f64; 4] {
    way.iter().fold([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY], |b, p| {
        [b[0].min(p.x_m), b[1].min(p.y_m), b[2].max(p.x_m), b[3].max(p.y_m)]
    })
}

/// Whether something in a box may be as near to a place as names are given for, and a little more.
fn is_near([west, south, east, north]: &[f64; 4], p: GroundPoint) -> bool {
    let m = 2.0 * AT_START_M;
    p.x_m >= west - m && p.x_m <= east + m && p.y_m >= south - m && p.y_m <= north + m
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
