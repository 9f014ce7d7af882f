//! Holds what was read against each other, and sets records aside that lie far from the rest.

use std::borrow::Cow;

use geo::CoordsIter;
use geo_types::{Geometry, Polygon};

use super::Builder;
use crate::frame::LonLat;
use crate::job::extent::Extent;
use crate::job::whereabouts::{self, Apart, Role, Thing, Whereabouts};
use crate::record::SourcePlace;

/// How many records that are set aside are named before the rest is counted.
const NAMED: usize = 5;

/// More than this share of the records, far off, is a fault of the files and not of rows.
const TOO_MANY: f64 = 0.25;

impl Builder {
    /// Holds every layer against the others.
    pub(super) fn look_where_things_lie(&mut self) -> Whereabouts {
        let mut found = Whereabouts::default();
        let Some(about) = self.somewhere() else { return found };
        let places: Vec<LonLat> = self.records.iter().map(|r| r.at).collect();
        let rings = self.rings_of_area();
        let voters = self.voters(&rings);
        let Some(home) = whereabouts::home_of(about, &voters, &places) else { return found };
        let ways_of = |kinds: &[usize]| -> Vec<&[LonLat]> {
            voters
                .iter()
                .filter(|(kind, _)| kinds.contains(kind))
                .flat_map(|(_, ways)| ways.clone())
                .collect()
        };
        let anchors =
            ways_of(&[whereabouts::AREA, whereabouts::LINE, whereabouts::SURVEY, whereabouts::STATION]);
        let core = [whereabouts::AREA, whereabouts::LINE, whereabouts::SURVEY]
            .iter()
            .find_map(|&kind| whereabouts::box_of(&ways_of(&[kind]), about, &home));
        let apart = whereabouts::apart(&places, &anchors, core, &home, about);
        let mut findings = std::mem::take(&mut self.findings);
        for (role, things) in self.things() {
            whereabouts::check(role, &things, (about, &home), &mut found, &mut findings);
        }
        self.findings = findings;
        found.layers.extend(self.layers_of_sign(about, &home, &apart));
        self.set_aside(&apart, &mut found);
        if let Some(why) = self.sign_of_another_place() {
            found.refusals.insert(0, why);
        }
        if self.far_apart {
            found.refusals.clear();
        }
        found
    }

    /// A place to turn longitudes about.
    fn somewhere(&self) -> Option<LonLat> {
        let line = self.lines.first().and_then(|(_, way)| way.first()).copied();
        let leg = || self.legs.first().and_then(|(_, way)| way.first()).copied();
        let record = || self.records.first().map(|r| r.at);
        let station = || self.stations.first().map(|(_, at)| *at);
        line.or_else(leg).or_else(record).or_else(station)
    }

    fn rings_of_area(&self) -> Vec<Vec<LonLat>> {
        self.area.iter().flat_map(|area| &area.0).flat_map(rings).collect()
    }

    /// The layers that say where the job is, by kind.
    fn voters<'s>(&'s self, area: &'s [Vec<LonLat>]) -> Vec<(usize, Vec<&'s [LonLat]>)> {
        let stations = self.stations.iter().map(|(_, at)| std::slice::from_ref(at));
        let cameras = self.deployments.iter().map(|(_, at)| std::slice::from_ref(at));
        let legs = self.legs.iter().map(|(_, way)| way.as_slice());
        vec![
            (whereabouts::AREA, area.iter().map(Vec::as_slice).collect()),
            (whereabouts::LINE, self.lines.iter().map(|(_, way)| way.as_slice()).collect()),
            (whereabouts::SURVEY, legs.chain(cameras).collect()),
            (whereabouts::STATION, stations.collect()),
        ]
    }

    /// Every layer but the sign, by role.
    fn things(&self) -> Vec<(Role, Vec<Thing<'_>>)> {
        fn way<'b>(source: &'b SourcePlace, way: &'b [LonLat]) -> Thing<'b> {
            Thing { source, ways: vec![Cow::Borrowed(way)] }
        }
        fn shape<'b>(source: &'b SourcePlace, geometry: &Geometry<f64>) -> Thing<'b> {
            Thing { source, ways: ways_of(geometry).into_iter().map(Cow::Owned).collect() }
        }
        let area = self.area.iter().flat_map(|area| &area.0).zip(&self.area_sources);
        let at = std::slice::from_ref::<LonLat>;
        let legs = self.legs.iter().map(|(leg, path)| way(&leg.source, path));
        let cameras = self.deployments.iter().map(|(camera, place)| way(&camera.source, at(place)));
        vec![
            (Role::Area, area.map(|(p, source)| shape(source, &Geometry::Polygon(p.clone()))).collect()),
            (Role::Line, self.lines.iter().map(|(line, path)| way(&line.source, path)).collect()),
            (Role::Survey, legs.chain(cameras).collect()),
            (Role::KeepOut, self.keep_outs.iter().map(|k| shape(&k.source, &k.geometry)).collect()),
            (Role::Never, self.places.never.iter().map(|k| shape(&k.source, &k.geometry)).collect()),
            (Role::Must, self.places.must.iter().map(|(m, place)| way(&m.source, at(place))).collect()),
            (Role::Station, self.stations.iter().map(|(s, place)| way(&s.source, at(place))).collect()),
            (Role::Query, self.queries.iter().map(|(q, place)| way(&q.source, at(place))).collect()),
        ]
    }

    /// Takes away the records that lie apart, unless the plan uses them, and names them.
    fn set_aside(&mut self, apart: &[Apart], found: &mut Whereabouts) {
        let far = apart.iter().filter(|a| a.far).count();
        let (all, far_share) = (self.records.len(), far as f64 / self.records.len().max(1) as f64);
        let uses = self.far_records || self.far_apart;
        let what_is_done = if uses { "used all the same" } else { "not used" };
        let rest = self.rest_in_words();
        for one in apart.iter().take(NAMED) {
            let Some(record) = self.records.get(one.index) else { continue };
            let fit = one.likely.as_ref().map_or(String::new(), |words| format!(", and would fit {words}"));
            self.findings.warn_at(
                &record.what.source,
                format!(
                    "lies {} from {rest}{fit}; {what_is_done}: mend it, or say far_records = true in [select] to use it",
                    whereabouts::km(one.off_m)
                ),
            );
        }
        if let Some(record) = apart.get(NAMED).and_then(|one| self.records.get(one.index)) {
            self.findings.warn_counted(
                &record.what.source,
                format!("lies as far from {rest}; {what_is_done}"),
                apart.len() - NAMED,
            );
        }
        if uses || apart.is_empty() {
            return;
        }
        if far_share > TOO_MANY {
            let files = self.files_of(&["sign"]);
            let likely = apart.iter().find_map(|a| a.likely.clone());
            let fit = likely.map_or(String::new(), |words| format!("; the first would fit {words}"));
            found.refusals.push(format!(
                "{files}: {far} of {all} records lie far from {rest}{fit}; mend the files, or say far_records = true in [select] if that is meant"
            ));
            return;
        }
        let mut leave = apart.iter().map(|a| a.index).peekable();
        let mut index = 0;
        self.records.retain(|_| {
            let left = leave.peek() == Some(&index);
            if left {
                leave.next();
            }
            index += 1;
            !left
        });
        found.set_aside = apart.len();
    }

    /// What a record is held against.
    fn rest_in_words(&self) -> String {
        let mut rest = Vec::new();
        if self.area.is_some() {
            rest.push("the area");
        }
        if !self.lines.is_empty() {
            rest.push("all lines");
        }
        if !self.legs.is_empty() || !self.deployments.is_empty() {
            rest.push("all survey effort");
        }
        rest.push("the other records");
        match rest.as_slice() {
            [one] => one.to_string(),
            [first @ .., last] => format!("{} and {last}", first.join(", ")),
            [] => String::new(),
        }
    }

    fn layers_of_sign(&self, about: LonLat, home: &Extent, apart: &[Apart]) -> Vec<whereabouts::LayerPlace> {
        let mut layers: Vec<(std::sync::Arc<std::path::Path>, Vec<LonLat>, usize)> = Vec::new();
        let mut odd = apart.iter().map(|a| a.index).peekable();
        for (index, record) in self.records.iter().enumerate() {
            let file = &record.what.source.file;
            if layers.last().is_none_or(|(last, ..)| last != file) {
                layers.push((file.clone(), Vec::new(), 0));
            }
            let Some((_, places, aside)) = layers.last_mut() else { continue };
            places.push(record.at);
            if odd.peek() == Some(&index) {
                odd.next();
                *aside += 1;
            }
        }
        let likely = apart.iter().find_map(|a| a.likely.clone());
        layers
            .into_iter()
            .filter_map(|(file, places, aside)| {
                whereabouts::layer_of_points("sign", &file, &places, (about, home), aside, likely.clone())
            })
            .collect()
    }
}

fn rings(polygon: &Polygon<f64>) -> Vec<Vec<LonLat>> {
    std::iter::once(polygon.exterior())
        .chain(polygon.interiors())
        .map(|ring| ring.0.iter().filter_map(|c| LonLat::new(c.x, c.y).ok()).collect())
        .collect()
}

/// The ways and rings of a geometry, a point being a way of one place.
fn ways_of(geometry: &Geometry<f64>) -> Vec<Vec<LonLat>> {
    let way = |line: &geo_types::LineString<f64>| -> Vec<LonLat> {
        line.0.iter().filter_map(|c| LonLat::new(c.x, c.y).ok()).collect()
    };
    match geometry {
        Geometry::LineString(line) => vec![way(line)],
        Geometry::MultiLineString(lines) => lines.0.iter().map(way).collect(),
        Geometry::Polygon(polygon) => rings(polygon),
        Geometry::MultiPolygon(polygons) => polygons.0.iter().flat_map(rings).collect(),
        Geometry::GeometryCollection(parts) => parts.0.iter().flat_map(ways_of).collect(),
        other => other.coords_iter().filter_map(|c| Some(vec![LonLat::new(c.x, c.y).ok()?])).collect(),
    }
}
