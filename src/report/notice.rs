//! Whom to tell: neighbouring parcels near a station, and every place where a track or road
//! enters the area, where a sign belongs.

use geo::algorithm::line_intersection::{LineIntersection, line_intersection};
use geo::{Area as _, Contains};
use geo_types::{Coord, Geometry, MultiPolygon, Point};
use rstar::RTree;

use super::start::nearest_on;
use crate::frame::{Frame, FrameError, GroundPoint, LonLat, Traced, distance_m};
use crate::record::Line;
use crate::siting::SHORT_CAUTION;
use crate::verdict::Verdict;

/// Entrances of one line nearer to each other than this are one, in metres.
const ONE_ENTRANCE_M: f64 = 20.0;

/// A neighbouring parcel as the layer has it.
#[derive(Clone, PartialEq, Debug)]
pub struct Parcel {
    /// Its id or name.
    pub name: String,
    /// Who holds it, if the layer says. It goes into the notices alone.
    pub holder: Option<String>,
    /// How to reach them, if the layer says. It goes into the notices alone.
    pub contact: Option<String>,
    /// Its ground, in degrees.
    pub shape: MultiPolygon<f64>,
    /// The distance in metres within which its holder is told, from the plan.
    pub notify_m: Option<f64>,
}

/// A station or site from which distances are measured.
#[derive(Clone, PartialEq, Debug)]
pub struct Peg {
    /// Its id.
    pub id: String,
    /// Its place.
    pub at: LonLat,
    /// What is to be done there, if it is a station.
    pub task: Option<Verdict>,
}

/// What a notice is about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum NoticeKind {
    /// A neighbour to be told.
    Parcel,
    /// A place for a sign.
    Entrance,
}

impl NoticeKind {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            NoticeKind::Parcel => "parcel",
            NoticeKind::Entrance => "entrance",
        }
    }
}

/// One row of `notices.csv`.
#[derive(Clone, PartialEq, Debug)]
pub struct Notice {
    /// What it is about.
    pub kind: NoticeKind,
    /// The parcel, or the line that enters.
    pub name: String,
    /// Who holds the parcel.
    pub holder: Option<String>,
    /// How to reach them.
    pub contact: Option<String>,
    /// The nearest place of the parcel, or the entrance.
    pub at: LonLat,
    /// The nearest station or site.
    pub nearest: Option<String>,
    /// How far it is, in metres on the ellipsoid.
    pub distance_m: Option<f64>,
    /// What is to be done there, if it is a station.
    pub task: Option<Verdict>,
}

/// The parcels within their distance of a station, nearest first. A parcel whose layer has
/// no distance in the plan is always told: no distance is invented. The nearest place is
/// found in the frame, the distance measured on the ellipsoid.
///
/// # Errors
/// [`FrameError`] where a parcel cannot be projected.
pub fn parcel_notices(frame: &Frame, parcels: &[Parcel], pegs: &[Peg]) -> Result<Vec<Notice>, FrameError> {
    let mut notices = Vec::new();
    for parcel in parcels {
        let mut nearest: Option<(f64, LonLat, &Peg)> = None;
        for peg in pegs {
            let at = nearest_place(frame, &parcel.shape, peg.at)?;
            let away_m = distance_m(peg.at, at);
            if nearest.is_none_or(|(least_m, _, _)| away_m < least_m) {
                nearest = Some((away_m, at, peg));
            }
        }
        let Some((away_m, at, peg)) = nearest else { continue };
        if parcel.notify_m.is_none_or(|limit_m| away_m <= limit_m) {
            notices.push(Notice {
                kind: NoticeKind::Parcel,
                name: parcel.name.clone(),
                holder: parcel.holder.clone(),
                contact: parcel.contact.clone(),
                at,
                nearest: Some(peg.id.clone()),
                distance_m: Some(away_m),
                task: peg.task.clone(),
            });
        }
    }
    notices.sort_by(|a, b| {
        a.distance_m.unwrap_or(0.0).total_cmp(&b.distance_m.unwrap_or(0.0)).then_with(|| a.name.cmp(&b.name))
    });
    Ok(notices)
}

/// The place of a shape that is nearest to `from`; `from` itself where it lies inside.
fn nearest_place(frame: &Frame, shape: &MultiPolygon<f64>, from: LonLat) -> Result<LonLat, FrameError> {
    if shape.contains(&Point::new(from.lon_deg(), from.lat_deg())) {
        return Ok(from);
    }
    let p = frame.to_ground(from)?;
    let mut best: Option<(f64, GroundPoint)> = None;
    for ring in shape.0.iter().flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors())) {
        let ring =
            ring.0.iter().map(|c| frame.to_ground(LonLat::new(c.x, c.y)?)).collect::<Result<Vec<_>, _>>()?;
        for side in ring.windows(2) {
            let at = nearest_on(p, side[0], side[1]);
            let away_m = at.distance_m(p);
            if best.is_none_or(|(least_m, _)| away_m < least_m) {
                best = Some((away_m, at));
            }
        }
    }
    best.map_or(Ok(from), |(_, at)| frame.to_lonlat(at))
}

/// Every place where a travel line crosses the edge of the area, in the order of the lines.
/// A line that runs along the edge does not enter; one that ends on it does. Cost: segments
/// times the logarithm of the edge's segments.
///
/// # Errors
/// [`FrameError`] where a crossing lies outside the frame.
pub fn entrances(
    frame: &Frame,
    lines: &[Traced<Line>],
    area: &MultiPolygon<f64>,
    pegs: &[Peg],
) -> Result<Vec<Notice>, FrameError> {
    let mut sides = Vec::new();
    for ring in area.0.iter().flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors())) {
        for side in ring.lines() {
            let ground =
                |c: Coord<f64>| frame.to_ground(LonLat::new(c.x, c.y)?).map(|p| Coord { x: p.x_m, y: p.y_m });
            sides.push(geo_types::Line::new(ground(side.start)?, ground(side.end)?));
        }
    }
    let sides = RTree::bulk_load(sides);
    let mut notices: Vec<Notice> = Vec::new();
    for line in lines.iter().filter(|l| l.what.kind.is_travel()) {
        let mut found: Vec<GroundPoint> = Vec::new();
        for step in line.ground.windows(2) {
            let step = geo_types::Line::new(coord(step[0]), coord(step[1]));
            let envelope = rstar::RTreeObject::envelope(&step);
            for side in sides.locate_in_envelope_intersecting(&envelope) {
                if let Some(LineIntersection::SinglePoint { intersection, .. }) =
                    line_intersection(step, *side)
                {
                    found.push(GroundPoint::new(intersection.x, intersection.y));
                }
            }
        }
        let mut kept: Vec<GroundPoint> = Vec::new();
        for p in found {
            if kept.iter().all(|k| k.distance_m(p) > ONE_ENTRANCE_M) {
                kept.push(p);
            }
        }
        for p in kept {
            notices.push(entrance(frame.to_lonlat(p)?, line, pegs));
        }
    }
    Ok(notices)
}

fn coord(p: GroundPoint) -> Coord<f64> {
    Coord { x: p.x_m, y: p.y_m }
}

fn entrance(at: LonLat, line: &Traced<Line>, pegs: &[Peg]) -> Notice {
    let nearest = pegs.iter().map(|p| (distance_m(at, p.at), p)).min_by(|a, b| a.0.total_cmp(&b.0));
    let name = line.what.name.as_deref().map_or_else(|| format!("a {}", line.what.kind), str::to_string);
    Notice {
        kind: NoticeKind::Entrance,
        name,
        holder: None,
        contact: None,
        at,
        task: nearest.and_then(|(_, p)| p.task.clone()),
        nearest: nearest.map(|(_, p)| p.id.clone()),
        distance_m: nearest.map(|(d, _)| d),
    }
}

/// The polygons of a geometry, or `None` if it is no polygon with an area.
pub fn parcel_shape(geometry: &Geometry<f64>) -> Option<MultiPolygon<f64>> {
    let shape = match geometry {
        Geometry::Polygon(p) => MultiPolygon(vec![p.clone()]),
        Geometry::MultiPolygon(many) => many.clone(),
        _ => return None,
    };
    (shape.unsigned_area() > 0.0).then_some(shape)
}

/// The heads of `notices.csv`.
pub const NOTICE_COLUMNS: [&str; 15] = [
    "kind",
    "name",
    "lon",
    "lat",
    "nearest_station",
    "distance_m",
    "holder",
    "contact",
    "notified_on",
    "by",
    "method",
    "task",
    "task_reason",
    "caution",
    "status",
];

/// A row of `notices.csv`; the cells from `notified_on` to `method` are for the crew, the last for
/// what has become of the row since they filled it in.
pub fn notice_row(notice: &Notice) -> Vec<String> {
    vec![
        notice.kind.word().to_string(),
        notice.name.clone(),
        format!("{:.6}", notice.at.lon_deg()),
        format!("{:.6}", notice.at.lat_deg()),
        notice.nearest.clone().unwrap_or_default(),
        notice.distance_m.map(|d| format!("{d:.0}")).unwrap_or_default(),
        notice.holder.clone().unwrap_or_default(),
        notice.contact.clone().unwrap_or_default(),
        String::new(),
        String::new(),
        String::new(),
        notice.task.as_ref().map(|v| v.task.word().to_string()).unwrap_or_default(),
        notice.task.as_ref().map(Verdict::reason).unwrap_or_default(),
        SHORT_CAUTION.to_string(),
        String::new(),
    ]
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::Arc;

    use geo_types::polygon;

    use super::*;
    use crate::record::{LineKind, SourcePlace};

    fn at(lon: f64, lat: f64) -> LonLat {
        LonLat::new(lon, lat).unwrap()
    }

    fn square(west: f64, south: f64, east: f64, north: f64) -> MultiPolygon<f64> {
        MultiPolygon(vec![
            polygon![(x: west, y: south), (x: east, y: south), (x: east, y: north), (x: west, y: north)],
        ])
    }

    fn parcel(name: &str, shape: MultiPolygon<f64>, notify_m: Option<f64>) -> Parcel {
        Parcel { name: name.into(), holder: None, contact: None, shape, notify_m }
    }

    #[test]
    fn parcels_are_told_by_their_own_distance_and_never_by_an_invented_one() {
        let frame = Frame::from_epsg(32631).unwrap();
        let pegs = [Peg { id: "S1".into(), at: at(3.0, 0.0), task: None }];
        // A hundredth of a degree of longitude on the equator is 1113.19 m on WGS84.
        let parcels = [
            parcel("within", square(3.01, -0.01, 3.02, 0.01), Some(1114.0)),
            parcel("beyond", square(3.01, -0.01, 3.02, 0.01), Some(1113.0)),
            parcel("no distance", square(3.05, -0.01, 3.06, 0.01), None),
            parcel("around", square(2.99, -0.01, 3.01, 0.01), Some(1.0)),
        ];
        let told = parcel_notices(&frame, &parcels, &pegs).unwrap();
        let names: Vec<&str> = told.iter().map(|n| n.name.as_str()).collect();
        assert_eq!(names, ["around", "within", "no distance"]);
        assert_eq!(told[0].distance_m, Some(0.0));
        assert!((told[1].distance_m.unwrap() - 1113.19).abs() < 0.02, "{:?}", told[1].distance_m);
    }

    #[test]
    fn a_track_enters_where_it_crosses_the_edge() {
        let frame = Frame::from_epsg(32631).unwrap();
        let line = |path: &[(f64, f64)], kind| {
            let path: Vec<LonLat> = path.iter().map(|(x, y)| at(*x, *y)).collect();
            let source = SourcePlace { file: Arc::from(Path::new("t.geojson")), index: 0, id: None };
            let what = Line::new(kind, source);
            Traced { ground: frame.path_to_ground(&path).unwrap(), path, what }
        };
        let area = square(3.0, 0.0, 3.02, 0.02);
        let lines = [
            line(&[(2.99, 0.01), (3.01, 0.01), (3.03, 0.011)], LineKind::Track),
            line(&[(3.005, 0.005), (3.01, 0.005)], LineKind::Track),
            line(&[(2.99, 0.005), (3.01, 0.005)], LineKind::Fence),
        ];
        let found = entrances(&frame, &lines, &area, &[]).unwrap();
        assert_eq!(found.len(), 2);
        assert!((found[0].at.lon_deg() - 3.0).abs() < 1e-6 && (found[0].at.lat_deg() - 0.01).abs() < 1e-6);
        assert!((found[1].at.lon_deg() - 3.02).abs() < 1e-6);
    }
}
