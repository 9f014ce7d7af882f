//! Alignment of two passes along one track.

use std::collections::HashMap;

use crate::frame::{GroundPoint, path_length_m};

/// A path sampled at even steps.
#[derive(Clone, Debug)]
pub(crate) struct Samples {
    pub points: Vec<GroundPoint>,
    /// Distance between samples along the path, in metres.
    pub step_m: f64,
}

impl Samples {
    /// Samples a path about every `step_m`, both ends included. The path has some length.
    pub(crate) fn along(path: &[GroundPoint], step_m: f64) -> Self {
        let length_m = path_length_m(path);
        let count = (length_m / step_m).ceil().max(1.0) as usize;
        let step_m = length_m / count as f64;
        let mut points = Vec::with_capacity(count + 1);
        let (mut k, mut passed_m) = (0, 0.0);
        for i in 0..count {
            let at_m = i as f64 * step_m;
            let mut piece_m = path[k].distance_m(path[k + 1]);
            while passed_m + piece_m < at_m && k + 2 < path.len() {
                passed_m += piece_m;
                k += 1;
                piece_m = path[k].distance_m(path[k + 1]);
            }
            let t = if piece_m > 0.0 { ((at_m - passed_m) / piece_m).clamp(0.0, 1.0) } else { 0.0 };
            points.push(path[k].lerp(path[k + 1], t));
        }
        points.extend(path.last());
        Self { points, step_m }
    }

    /// Means over neighbours with Gaussian weights of standard deviation `sigma_m` along the
    /// path.
    pub(crate) fn smoothed(&self, sigma_m: f64) -> Vec<GroundPoint> {
        let half = (3.0 * sigma_m / self.step_m).ceil() as usize;
        let weight = |k: usize| (-0.5 * (k as f64 * self.step_m / sigma_m).powi(2)).exp();
        let weights: Vec<f64> = (0..=half).map(weight).collect();
        let n = self.points.len();
        (0..n)
            .map(|i| {
                let (mut x, mut y, mut sum) = (0.0, 0.0, 0.0);
                for k in i.saturating_sub(half)..=(i + half).min(n - 1) {
                    let w = weights[k.abs_diff(i)];
                    x += w * self.points[k].x_m;
                    y += w * self.points[k].y_m;
                    sum += w;
                }
                GroundPoint::new(x / sum, y / sum)
            })
            .collect()
    }
}

/// Unit direction of a smoothed path at each sample.
pub(crate) fn headings(path: &[GroundPoint]) -> Vec<(f64, f64)> {
    let n = path.len();
    (0..n)
        .map(|i| {
            let (a, b) = (path[i.saturating_sub(1)], path[(i + 1).min(n - 1)]);
            let length_m = a.distance_m(b);
            if length_m > 0.0 { ((b.x_m - a.x_m) / length_m, (b.y_m - a.y_m) / length_m) } else { (0.0, 0.0) }
        })
        .collect()
}

/// A run along which one pass follows another.
#[derive(Clone, Debug)]
pub(crate) struct Run {
    /// Matched samples of the first and second pass, both ascending.
    pub matched: Vec<(usize, usize)>,
    /// Signed offset of the second pass from the first for every match, left positive.
    pub offsets_m: Vec<f64>,
    /// Sum of the scores.
    pub score: f64,
}

/// Matches count up to this many merge distances apart.
pub(crate) const MATCH_FACTOR: f64 = 3.0;

/// Least cosine of the angle between matched headings: 60°.
const HEADING_COSINE: f64 = 0.5;

/// The best local alignment of two smoothed passes in the same direction, after Smith &
/// Waterman (1981), J. Mol. Biol. 147:195–197, with samples for letters: matching samples
/// a distance d apart scores 1 − (d/3m)², half as much where one pass dwells, and only where
/// the headings are within 60°. `None` where nothing matches.
///
/// Unlike a Fréchet or Hausdorff distance the alignment does not hang on the worst place: passes
/// with 3 m noise are 8 to 11 m apart somewhere.
///
/// Cost: the pairs of samples within 3m·√2 of each other.
pub(crate) fn align(a: &[GroundPoint], b: &[GroundPoint], merge_m: f64) -> Option<Run> {
    let (ha, hb) = (headings(a), headings(b));
    let cells = matching_cells(a, &ha, b, &hb, merge_m);
    // Score so far and the cell before.
    let mut sums: Vec<(f64, Option<usize>)> = Vec::with_capacity(cells.len());
    let mut best: Option<usize> = None;
    // Where the cells of this sample and of the one before it begin.
    let (mut row, mut row_before) = (0, 0);
    for (k, &(i, j, score)) in cells.iter().enumerate() {
        if k > 0 && cells[k - 1].0 != i {
            (row_before, row) = (if cells[k - 1].0 + 1 == i { row } else { k }, k);
        }
        let find = |range: std::ops::Range<usize>, j: Option<usize>| {
            let at = range.start + cells[range.clone()].binary_search_by_key(&j?, |c| c.1).ok()?;
            (sums.get(at)?.0 > 0.0).then_some(at)
        };
        let dwell = if score > 0.0 { 0.5 * score } else { score };
        let steps = [
            (find(row_before..row, j.checked_sub(1)), score),
            (find(row_before..row, Some(j)), dwell),
            (find(row..k, j.checked_sub(1)), dwell),
        ];
        let mut sum = (score, None);
        for (before, gain) in steps {
            if let Some(before) = before
                && sums[before].0 + gain > sum.0
            {
                sum = (sums[before].0 + gain, Some(before));
            }
        }
        sums.push(sum);
        if sum.0 > 0.0 && best.is_none_or(|b| sum.0 > sums[b].0) {
            best = Some(k);
        }
    }
    let best = best?;
    let mut matched = Vec::new();
    let mut at = Some(best);
    while let Some(k) = at {
        matched.push((cells[k].0, cells[k].1));
        at = sums[k].1;
    }
    matched.reverse();
    trim(&mut matched);
    let offsets_m = matched
        .iter()
        .map(|&(i, j)| ha[i].0 * (b[j].y_m - a[i].y_m) - ha[i].1 * (b[j].x_m - a[i].x_m))
        .collect();
    Some(Run { matched, offsets_m, score: sums[best].0 })
}

/// Takes off both ends what only dwells: there one pass has ended and the other goes on.
fn trim(matched: &mut Vec<(usize, usize)>) {
    let advances = |p: &(usize, usize), q: &(usize, usize)| p.0 < q.0 && p.1 < q.1;
    while matched.len() > 1 && !advances(&matched[matched.len() - 2], &matched[matched.len() - 1]) {
        matched.pop();
    }
    let dwelling = matched.windows(2).take_while(|w| !advances(&w[0], &w[1])).count();
    matched.drain(..dwelling);
}

/// The box around a path, widened.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Extent {
    west_m: f64,
    south_m: f64,
    east_m: f64,
    north_m: f64,
}

impl Extent {
    pub(crate) fn of(path: &[GroundPoint], wider_m: f64) -> Self {
        let empty = Self { west_m: f64::MAX, south_m: f64::MAX, east_m: f64::MIN, north_m: f64::MIN };
        path.iter().fold(empty, |e, p| Self {
            west_m: e.west_m.min(p.x_m - wider_m),
            south_m: e.south_m.min(p.y_m - wider_m),
            east_m: e.east_m.max(p.x_m + wider_m),
            north_m: e.north_m.max(p.y_m + wider_m),
        })
    }

    fn holds(&self, p: GroundPoint) -> bool {
        (self.west_m..=self.east_m).contains(&p.x_m) && (self.south_m..=self.north_m).contains(&p.y_m)
    }

    pub(crate) fn meets(&self, other: &Self) -> bool {
        self.west_m <= other.east_m
            && other.west_m <= self.east_m
            && self.south_m <= other.north_m
            && other.south_m <= self.north_m
    }
}

/// Sample pairs near each other with like headings and their scores, in order.
fn matching_cells(
    a: &[GroundPoint],
    ha: &[(f64, f64)],
    b: &[GroundPoint],
    hb: &[(f64, f64)],
    merge_m: f64,
) -> Vec<(usize, usize, f64)> {
    let match_m = MATCH_FACTOR * merge_m;
    let reach_m = match_m * std::f64::consts::SQRT_2;
    let cell = |p: GroundPoint| ((p.x_m / reach_m).floor() as i64, (p.y_m / reach_m).floor() as i64);
    let mut grid: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
    for (j, &p) in b.iter().enumerate() {
        grid.entry(cell(p)).or_default().push(j);
    }
    let extent = Extent::of(b, reach_m);
    let mut cells = Vec::new();
    for (i, &p) in a.iter().enumerate().filter(|(_, p)| extent.holds(**p)) {
        let (column, row) = cell(p);
        let from = cells.len();
        for key in (column - 1..=column + 1).flat_map(|c| (row - 1..=row + 1).map(move |r| (c, r))) {
            for &j in grid.get(&key).into_iter().flatten() {
                let d_m = p.distance_m(b[j]);
                if d_m <= reach_m && ha[i].0 * hb[j].0 + ha[i].1 * hb[j].1 >= HEADING_COSINE {
                    cells.push((i, j, 1.0 - (d_m / match_m).powi(2)));
                }
            }
        }
        cells[from..].sort_unstable_by_key(|c| c.1);
    }
    cells
}

impl Run {
    /// Whether the two are passes of one track: long enough, and their offset neither large,
    /// nor large for a while, nor drifting as at a crossing.
    ///
    /// With merge distance m: at least 20 m long; mean offset at most m; the mean over every
    /// stretch of 20 m at most 2.5 m; the offset's slope times the length at most 2 m.
    pub(crate) fn is_one_track(&self, step_m: f64, merge_m: f64) -> bool {
        let run_m = RUN_FACTOR * merge_m;
        let n = self.offsets_m.len() as f64;
        if self.length_m(step_m) < run_m {
            return false;
        }
        let mean_m = self.offsets_m.iter().sum::<f64>() / n;
        if mean_m.abs() > merge_m {
            return false;
        }
        let window = ((run_m / step_m).round() as usize).clamp(1, self.offsets_m.len());
        let mut sum_m: f64 = self.offsets_m[..window].iter().sum();
        let mut worst_m = sum_m.abs();
        for k in window..self.offsets_m.len() {
            sum_m += self.offsets_m[k] - self.offsets_m[k - window];
            worst_m = worst_m.max(sum_m.abs());
        }
        if worst_m / window as f64 > 2.5 * merge_m {
            return false;
        }
        let middle = (n - 1.0) / 2.0;
        let (mut up, mut down) = (0.0, 0.0);
        for (k, o) in self.offsets_m.iter().enumerate() {
            up += (k as f64 - middle) * (o - mean_m);
            down += (k as f64 - middle).powi(2);
        }
        (up / down.max(1.0)).abs() * n <= 2.0 * merge_m
    }

    /// Its length along the shorter of the two passes.
    pub(crate) fn length_m(&self, step_m: f64) -> f64 {
        let (first, last) = (self.matched[0], self.matched[self.matched.len() - 1]);
        (last.0 - first.0).min(last.1 - first.1) as f64 * step_m
    }
}

/// Least length of a run in merge distances.
pub(crate) const RUN_FACTOR: f64 = 20.0;

/// A line that is no recording of a receiver is taken for a pass only where the run covers
/// this share of it: ordinary tracks often run together for a while.
pub(crate) const ORDINARY_COVER: f64 = 0.8;
