//! The order of things in a job: that of the files in the plan, and within a file that of place
//! and content. What is computed then does not depend on the order in which a file happens to
//! list its features.
//!
//! Order stays where it means something: points asked for keep that of their file, of stations
//! that share an id the first is used, and of two checks of a station on one day the first row
//! is the first visit.

use std::cmp::Ordering;
use std::sync::Arc;

use geo::CoordsIter;
use geo_types::Coord;
use rayon::slice::ParallelSliceMut;

use super::Builder;
use crate::frame::LonLat;
use crate::record::{
    Deployment, FixedPlace, Gate, KeepOut, Line, NumberedArea, Record, SourcePlace, SurveyLeg,
};

impl Builder {
    /// Puts everything read so far in order: cost n log n in the things of a file.
    pub(super) fn put_in_order(&mut self) {
        within_files(
            &mut self.records,
            |r| &r.what.source,
            |a, b| at(a.at, b.at).then_with(|| records(&a.what, &b.what)),
        );
        within_files(
            &mut self.legs,
            |(l, _)| &l.source,
            |a, b| way(&a.1, &b.1).then_with(|| legs(&a.0, &b.0)),
        );
        within_files(
            &mut self.lines,
            |(l, _)| &l.source,
            |a, b| way(&a.1, &b.1).then_with(|| lines(&a.0, &b.0)),
        );
        within_files(
            &mut self.deployments,
            |(d, _)| &d.source,
            |a, b| at(a.1, b.1).then_with(|| deployments(&a.0, &b.0)),
        );
        within_files(
            &mut self.gates,
            |(g, _)| &g.source,
            |a, b| at(a.1, b.1).then_with(|| gates(&a.0, &b.0)),
        );
        within_files(&mut self.keep_outs, |k| &k.source, keep_outs);
        within_files(&mut self.places.never, |k| &k.source, keep_outs);
        within_files(
            &mut self.places.must,
            |(m, _)| &m.source,
            |a, b| at(a.1, b.1).then_with(|| fixed_places(&a.0, &b.0)),
        );
        for area in [&mut self.area, &mut self.untreated, &mut self.places.cover].into_iter().flatten() {
            area.0.sort_by(|a, b| coords(a.coords_iter(), b.coords_iter()));
        }
        for layer in &mut self.places.layers {
            layer.sort_by(numbered);
        }
        self.stations.sort_by(|a, b| as_read_aloud(&a.0.station_id, &b.0.station_id));
    }
}

/// Sorts the things of each file; things that are alike in all but their number in the file keep
/// the order of those numbers.
fn within_files<T: Send>(
    things: &mut [T],
    source: impl Fn(&T) -> &SourcePlace + Sync,
    compare: impl Fn(&T, &T) -> Ordering + Sync,
) {
    let same_file = |a: &T, b: &T| {
        let (a, b) = (&source(a).file, &source(b).file);
        Arc::ptr_eq(a, b) || a == b
    };
    let tie = |a: &T, b: &T| {
        let (a, b) = (source(a), source(b));
        a.id.cmp(&b.id).then(a.index.cmp(&b.index))
    };
    for of_one_file in things.chunk_by_mut(same_file) {
        of_one_file.par_sort_unstable_by(|a, b| compare(a, b).then_with(|| tie(a, b)));
    }
}

fn at(a: LonLat, b: LonLat) -> Ordering {
    a.lon_deg().total_cmp(&b.lon_deg()).then_with(|| a.lat_deg().total_cmp(&b.lat_deg()))
}

fn way(a: &[LonLat], b: &[LonLat]) -> Ordering {
    let differ = a.iter().zip(b).map(|(&a, &b)| at(a, b)).find(|order| order.is_ne());
    differ.unwrap_or_else(|| a.len().cmp(&b.len()))
}

fn coords(a: impl Iterator<Item = Coord>, b: impl Iterator<Item = Coord>) -> Ordering {
    let numbers = |c: Coord| [c.x, c.y];
    let (mut a, mut b) = (a.flat_map(numbers), b.flat_map(numbers));
    loop {
        match (a.next(), b.next()) {
            (Some(p), Some(q)) => match p.total_cmp(&q) {
                Ordering::Equal => {}
                differ => return differ,
            },
            (p, q) => return p.is_some().cmp(&q.is_some()),
        }
    }
}

/// Orders numbers that may be missing, the missing before all others.
fn perhaps(a: Option<f64>, b: Option<f64>) -> Ordering {
    let known = |n: Option<f64>| n.unwrap_or(f64::NEG_INFINITY);
    known(a).total_cmp(&known(b))
}

fn records(a: &Record, b: &Record) -> Ordering {
    (a.date, a.sign, &a.animal)
        .cmp(&(b.date, b.sign, &b.animal))
        .then_with(|| a.count.total_cmp(&b.count))
        .then_with(|| perhaps(a.accuracy_m, b.accuracy_m))
        .then_with(|| a.occasion.cmp(&b.occasion))
}

fn legs(a: &SurveyLeg, b: &SurveyLeg) -> Ordering {
    (a.date, &a.survey, &a.observer, &a.mode)
        .cmp(&(b.date, &b.survey, &b.observer, &b.mode))
        .then_with(|| a.passes.total_cmp(&b.passes))
}

fn deployments(a: &Deployment, b: &Deployment) -> Ordering {
    (a.from, a.until, &a.survey, &a.name)
        .cmp(&(b.from, b.until, &b.survey, &b.name))
        .then_with(|| a.nights.total_cmp(&b.nights))
}

fn lines(a: &Line, b: &Line) -> Ordering {
    (a.kind, &a.name, a.bridge, a.tunnel, a.layer).cmp(&(b.kind, &b.name, b.bridge, b.tunnel, b.layer))
}

fn gates(a: &Gate, b: &Gate) -> Ordering {
    a.name.cmp(&b.name)
}

fn fixed_places(a: &FixedPlace, b: &FixedPlace) -> Ordering {
    a.name.cmp(&b.name)
}

fn keep_outs(a: &KeepOut, b: &KeepOut) -> Ordering {
    coords(a.geometry.coords_iter(), b.geometry.coords_iter())
        .then_with(|| a.distance_m.total_cmp(&b.distance_m))
        .then_with(|| (&a.reason, &a.name).cmp(&(&b.reason, &b.name)))
        // The same coordinates may be a line, a polygon or several points.
        .then_with(|| format!("{:?}", a.geometry).cmp(&format!("{:?}", b.geometry)))
}

fn numbered(a: &NumberedArea, b: &NumberedArea) -> Ordering {
    coords(a.polygons.coords_iter(), b.polygons.coords_iter()).then_with(|| a.number.total_cmp(&b.number))
}

/// The order of ids that people give: numbers in them by their size, so that N2 comes before N10.
fn as_read_aloud(a: &str, b: &str) -> Ordering {
    let parts = |id: &str| -> Vec<(Option<u64>, String)> {
        let mut parts: Vec<(bool, String)> = Vec::new();
        for c in id.chars() {
            let digit = c.is_ascii_digit();
            match parts.last_mut() {
                Some((of_digits, text)) if *of_digits == digit => text.push(c),
                _ => parts.push((digit, c.to_string())),
            }
        }
        parts.into_iter().map(|(digits, text)| (text.parse().ok().filter(|_| digits), text)).collect()
    };
    parts(a).cmp(&parts(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_ordered_as_read_aloud() {
        let mut ids = ["S1", "N10", "N2", "N2b", "10", "9", "N", "N02"];
        ids.sort_by(|a, b| as_read_aloud(a, b));
        assert_eq!(ids, ["N", "N02", "N2", "N2b", "N10", "S1", "9", "10"]);
    }

    #[test]
    fn a_way_goes_before_one_that_goes_on() {
        let p = |lon: f64| LonLat::new(lon, -35.0).unwrap();
        assert_eq!(way(&[p(148.0)], &[p(148.0), p(149.0)]), Ordering::Less);
        assert_eq!(way(&[p(148.0), p(149.0)], &[p(148.0), p(148.5)]), Ordering::Greater);
    }
}
