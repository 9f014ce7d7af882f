//! Input lines by where files say that they came from.

use std::collections::HashMap;

use crate::frame::{GroundPoint, Traced};
use crate::job::Job;
use crate::record::Line;

/// Input lines by file and number of the feature in it, from 1. Folders are left out: those of the run
/// may have been others.
pub(super) struct Sources<'a> {
    lines: HashMap<(String, usize), Vec<&'a Traced<Line>>>,
}

impl<'a> Sources<'a> {
    pub fn new(job: &'a Job) -> Self {
        let mut lines: HashMap<_, Vec<&Traced<Line>>> = HashMap::new();
        for line in &job.lines {
            let source = &line.what.source;
            let file = source.file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
            lines.entry((file, source.index + 1)).or_default().push(line);
        }
        Self { lines }
    }

    /// The lines of one feature: several for a MultiLineString.
    pub fn of(&self, source: &(String, usize)) -> &[&'a Traced<Line>] {
        self.lines.get(source).map_or(&[], Vec::as_slice)
    }

    /// Of the lines of one feature the one that passes nearest to a place.
    pub fn nearest(&self, source: &(String, usize), at: GroundPoint) -> Option<&'a Traced<Line>> {
        let far = |line: &&&Traced<Line>| on_line(&line.ground, at).1;
        self.of(source).iter().min_by(|a, b| far(a).total_cmp(&far(b))).copied()
    }
}

/// How far along a way its point nearest to a place is, and how far that is from it, in frame metres.
pub(super) fn on_line(way: &[GroundPoint], at: GroundPoint) -> (f64, f64) {
    let (mut best, mut before_m) = ((0.0, f64::INFINITY), 0.0);
    for step in way.windows(2) {
        let (t, off_m) = on_step(at, step[0], step[1]);
        let length_m = step[0].distance_m(step[1]);
        if off_m < best.1 {
            best = (before_m + t * length_m, off_m);
        }
        before_m += length_m;
    }
    best
}

/// The share of a step at which it is nearest to a place, and how far that is, in frame metres.
pub(super) fn on_step(p: GroundPoint, a: GroundPoint, b: GroundPoint) -> (f64, f64) {
    let (dx, dy) = (b.x_m - a.x_m, b.y_m - a.y_m);
    let length_2 = dx * dx + dy * dy;
    let along = (p.x_m - a.x_m) * dx + (p.y_m - a.y_m) * dy;
    let t = if length_2 > 0.0 { (along / length_2).clamp(0.0, 1.0) } else { 0.0 };
    (t, a.lerp(b, t).distance_m(p))
}

/// Places so far along a way from the one nearest to `at`, to either side; where both ends are nearer
/// than that, the farther end.
pub(super) fn beyond(way: &[GroundPoint], at: GroundPoint, away_m: f64) -> Vec<GroundPoint> {
    let length_m: f64 = way.windows(2).map(|w| w[0].distance_m(w[1])).sum();
    let (here_m, _) = on_line(way, at);
    let sides = [here_m - away_m, here_m + away_m];
    let places: Vec<GroundPoint> =
        sides.iter().filter(|m| (0.0..=length_m).contains(*m)).map(|&m| place_at(way, m)).collect();
    match places.is_empty() {
        true => vec![place_at(way, if here_m > length_m / 2.0 { 0.0 } else { length_m })],
        false => places,
    }
}

fn place_at(way: &[GroundPoint], along_m: f64) -> GroundPoint {
    let mut left_m = along_m;
    for step in way.windows(2) {
        let length_m = step[0].distance_m(step[1]);
        if left_m <= length_m && length_m > 0.0 {
            return step[0].lerp(step[1], left_m / length_m);
        }
        left_m -= length_m;
    }
    way.last().copied().unwrap_or_default()
}
