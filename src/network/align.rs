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

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    fn path(places: &[(f64, f64)]) -> Vec<GroundPoint> {
        places.iter().map(|&(x_m, y_m)| GroundPoint::new(x_m, y_m)).collect()
    }

    /// 12 m east, a vertex twice, 28 m north: the place `along_m` from the start.
    fn on_the_bend(along_m: f64) -> GroundPoint {
        if along_m <= 12.0 { GroundPoint::new(along_m, 0.0) } else { GroundPoint::new(12.0, along_m - 12.0) }
    }

    #[test]
    fn samples_lie_at_even_steps_along_the_way_with_both_ends() {
        let bend = path(&[(0.0, 0.0), (5.0, 0.0), (12.0, 0.0), (12.0, 0.0), (12.0, 20.0), (12.0, 28.0)]);
        for (asked_m, count) in [(7.0, 6), (10.0, 4), (40.0, 1), (39.0, 2), (500.0, 1), (1.0, 40)] {
            let samples = Samples::along(&bend, asked_m);
            assert_eq!(samples.points.len(), count + 1, "a step of {asked_m} m");
            assert!((samples.step_m - 40.0 / count as f64).abs() < 1e-12);
            for (k, p) in samples.points.iter().enumerate() {
                let wanted = on_the_bend(40.0 * k as f64 / count as f64);
                assert!(p.distance_m(wanted) < 1e-9, "sample {k} of {count}: {p:?}, not {wanted:?}");
            }
        }
    }

    /// What one place off a line leaves behind is the Gaussian itself.
    #[test]
    fn smoothing_weighs_neighbours_by_a_gaussian_along_the_way() {
        let (step_m, sigma_m, spike) = (2.0, 5.0, 20);
        let mut points: Vec<GroundPoint> =
            (0..41).map(|k| GroundPoint::new(2.0 * f64::from(k), 7.0)).collect();
        points[spike].y_m += 1.0;
        let smooth = Samples { points, step_m }.smoothed(sigma_m);
        // Three standard deviations are 7.5 samples: eight on either side count.
        let weight = |k: i32| (-0.5 * (f64::from(k) * step_m / sigma_m).powi(2)).exp();
        let sum: f64 = (-8..=8).map(weight).sum();
        for (i, p) in smooth.iter().enumerate().skip(9).take(23) {
            let off = i as i32 - spike as i32;
            let wanted = if off.abs() <= 8 { weight(off) / sum } else { 0.0 };
            assert!((p.y_m - 7.0 - wanted).abs() < 1e-12, "{off} samples off: {}", p.y_m);
            assert!((p.x_m - 2.0 * i as f64).abs() < 1e-9, "an even way stays");
        }
        // At the ends only one side counts: the mean of a half Gaussian.
        let half: f64 = (0..=8).map(weight).sum();
        let inward_m = (0..=8).map(|k| weight(k) * step_m * f64::from(k)).sum::<f64>() / half;
        assert!((smooth[0].x_m - inward_m).abs() < 1e-9 && (80.0 - smooth[40].x_m - inward_m).abs() < 1e-9);
    }

    #[test]
    fn a_heading_points_from_the_sample_before_to_the_one_after() {
        let found = headings(&path(&[(0.0, 0.0), (3.0, 4.0), (6.0, 0.0), (6.0, -5.0), (6.0, -5.0)]));
        let d = (3.0_f64.powi(2) + 9.0_f64.powi(2)).sqrt();
        let wanted = [(0.6, 0.8), (1.0, 0.0), (3.0 / d, -9.0 / d), (0.0, -1.0), (0.0, 0.0)];
        for (f, w) in found.iter().zip(wanted) {
            assert!((f.0 - w.0).abs() < 1e-12 && (f.1 - w.1).abs() < 1e-12, "{f:?}, not {w:?}");
        }
    }

    #[test]
    fn an_offset_is_that_of_a_parallel_pass_left_positive() {
        // Five metres a step to the north-east; left of it is north-west.
        let slanted = |off_m: f64| {
            let at = |k| (3.0 * f64::from(k) - 0.8 * off_m, 4.0 * f64::from(k) + 0.6 * off_m);
            path(&(0..30).map(at).collect::<Vec<_>>())
        };
        for off_m in [-4.0, 0.0, 6.0] {
            let run = align(&slanted(0.0), &slanted(off_m), 5.0).unwrap();
            assert!(run.matched.into_iter().eq((0..30).map(|k| (k, k))));
            assert!(run.offsets_m.iter().all(|o| (o - off_m).abs() < 1e-9), "{:?}", run.offsets_m);
            assert!((run.score - 30.0 * (1.0 - (off_m / 15.0).powi(2))).abs() < 1e-9, "{}", run.score);
        }
        // Beyond 3·√2 merge distances, or against each other, nothing matches.
        assert!(align(&slanted(0.0), &slanted(22.0), 5.0).is_none());
        let backward: Vec<GroundPoint> = slanted(1.0).into_iter().rev().collect();
        assert!(align(&slanted(0.0), &backward, 5.0).is_none());
    }

    /// The best sum over every pair of samples in one table, after the definition.
    fn best_score(a: &[GroundPoint], b: &[GroundPoint], merge_m: f64) -> f64 {
        let (ha, hb) = (headings(a), headings(b));
        let mut table = vec![vec![0.0_f64; b.len() + 1]; a.len() + 1];
        let mut best = 0.0_f64;
        for i in 0..a.len() {
            for j in 0..b.len() {
                let score = 1.0 - (a[i].distance_m(b[j]) / (3.0 * merge_m)).powi(2);
                let cosine = ha[i].0 * hb[j].0 + ha[i].1 * hb[j].1;
                // A score of -1 lies at 3·√2 merge distances.
                if score < -1.0 || cosine < 0.5 {
                    continue;
                }
                let dwells = if score > 0.0 { score / 2.0 } else { score };
                let on = score + table[i][j].max(0.0);
                let stays = dwells + table[i][j + 1].max(table[i + 1][j]).max(0.0);
                table[i + 1][j + 1] =
                    on.max(if table[i][j + 1].max(table[i + 1][j]) > 0.0 { stays } else { on });
                best = best.max(table[i + 1][j + 1]);
            }
        }
        best
    }

    /// A walk of 4 m steps that winds, and noise of some metres around it.
    fn walk(rng: &mut ChaCha8Rng, winding: f64, noise_m: f64) -> [Vec<GroundPoint>; 2] {
        let (mut heading, mut at) = (0.0_f64, GroundPoint::new(0.0, 0.0));
        let mut both = [Vec::new(), Vec::new()];
        for _ in 0..120 {
            heading += rng.random_range(-winding..winding);
            at = GroundPoint::new(at.x_m + 4.0 * heading.cos(), at.y_m + 4.0 * heading.sin());
            for path in &mut both {
                let mut off = || rng.random_range(-noise_m..noise_m);
                path.push(GroundPoint::new(at.x_m + off(), at.y_m + off()));
            }
        }
        both
    }

    #[test]
    fn an_alignment_has_the_best_sum_of_all() {
        let mut rng = ChaCha8Rng::seed_from_u64(21);
        for (winding, noise_m) in [(0.1, 2.0), (0.3, 6.0), (0.8, 9.0), (0.5, 14.0)].repeat(10) {
            let [a, mut b] = walk(&mut rng, winding, noise_m);
            // Some passes begin later, end sooner or leave out what lies between.
            b.drain(..rng.random_range(0..20));
            let hole = rng.random_range(30..60);
            b.drain(hole..hole + rng.random_range(0..8));
            let best = best_score(&a, &b, 5.0);
            let Some(run) = align(&a, &b, 5.0) else {
                assert!(best <= 0.0);
                continue;
            };
            assert!((run.score - best).abs() < 1e-9, "{} of {best}", run.score);
            assert_eq!(run.matched.len(), run.offsets_m.len());
            for w in run.matched.windows(2) {
                let step = (w[1].0 - w[0].0, w[1].1 - w[0].1);
                assert!([(1, 1), (0, 1), (1, 0)].contains(&step), "{step:?}");
            }
        }
    }

    #[test]
    fn what_only_dwells_is_taken_off_both_ends() {
        let trimmed = |mut matched: Vec<(usize, usize)>| {
            trim(&mut matched);
            matched
        };
        let ends = vec![(4, 2), (4, 3), (5, 4), (6, 4), (7, 5), (7, 6), (7, 7)];
        assert_eq!(trimmed(ends), [(4, 3), (5, 4), (6, 4), (7, 5)]);
        assert_eq!(trimmed(vec![(0, 0), (1, 1)]), [(0, 0), (1, 1)]);
        assert_eq!(trimmed(vec![(3, 0), (3, 1), (3, 2)]), [(3, 0)], "one is left");
        assert_eq!(trimmed(vec![(0, 5), (1, 5), (2, 6)]), [(1, 5), (2, 6)]);
    }

    #[test]
    fn boxes_meet_up_to_their_sides() {
        let one = Extent::of(&path(&[(0.0, 50.0), (10.0, 0.0), (30.0, 20.0)]), 5.0);
        for (x_m, y_m, inside) in
            [(-5.0, 20.0, true), (-5.1, 20.0, false), (35.0, 20.0, true), (35.1, 20.0, false)]
        {
            assert_eq!(one.holds(GroundPoint::new(x_m, y_m)), inside);
        }
        for (x_m, y_m, inside) in
            [(9.0, -5.0, true), (9.0, -5.1, false), (9.0, 55.0, true), (9.0, 55.1, false)]
        {
            assert_eq!(one.holds(GroundPoint::new(x_m, y_m)), inside);
            let other = Extent::of(&path(&[(x_m, y_m)]), 0.0);
            assert_eq!((one.meets(&other), other.meets(&one)), (inside, inside));
        }
        let beside = |x_m: f64| Extent::of(&path(&[(x_m, 0.0), (x_m + 4.0, 9.0)]), 0.0);
        let met = [-9.1, -9.0, 35.0, 35.1].map(|x_m| (one.meets(&beside(x_m)), beside(x_m).meets(&one)));
        assert_eq!(met, [(false, false), (true, true), (true, true), (false, false)]);
    }

    /// A run that goes on by one sample of 1 m each, with offsets from a pass.
    fn run(offsets_m: Vec<f64>) -> Run {
        Run { matched: (0..offsets_m.len()).map(|k| (k, k)).collect(), offsets_m, score: 0.0 }
    }

    #[test]
    fn a_track_is_as_long_as_the_shorter_pass_and_twenty_merge_distances_at_least() {
        let matched = vec![(3, 10), (9, 20), (35, 31)];
        let dwelling = Run { matched, offsets_m: vec![0.0; 3], score: 0.0 };
        assert_eq!(dwelling.length_m(0.5), 10.5, "21 samples of the second pass");
        let other = Run { matched: vec![(4, 2), (5, 9), (21, 30)], offsets_m: vec![0.0; 3], score: 0.0 };
        assert_eq!(other.length_m(2.0), 34.0, "17 samples of the first pass");
        assert!(run(vec![0.0; 21]).is_one_track(1.0, 1.0));
        assert!(!run(vec![0.0; 20]).is_one_track(1.0, 1.0));
        assert!(run(vec![0.0; 11]).is_one_track(2.0, 1.0) && !run(vec![0.0; 21]).is_one_track(1.0, 1.01));
    }

    #[test]
    fn one_track_has_offsets_neither_large_nor_large_for_a_while_nor_drifting() {
        let both = |offsets_m: Vec<f64>| {
            let turned = run(offsets_m.iter().map(|o| -o).collect()).is_one_track(1.0, 1.0);
            assert_eq!(turned, run(offsets_m.clone()).is_one_track(1.0, 1.0), "left or right is the same");
            turned
        };
        assert!(both(vec![1.0; 60]) && !both(vec![1.001; 60]), "the mean is at most one merge distance");
        // Twenty in the middle, or at both ends, of 200: the mean is small and nothing drifts.
        let blocks = |first: f64, middle: f64, last: f64| {
            let at = |k: usize| {
                [(0, first), (90, middle), (180, last)].into_iter().find(|b| (b.0..b.0 + 20).contains(&k))
            };
            (0..200).map(|k| at(k).map_or(0.0, |b| b.1)).collect::<Vec<f64>>()
        };
        assert!(both(blocks(0.0, 2.5, 0.0)) && !both(blocks(0.0, 2.6, 0.0)));
        assert!(both(blocks(2.5, 0.0, 2.5)));
        assert!(!both(blocks(2.6, 0.0, 2.4)) && !both(blocks(2.4, 0.0, 2.6)));
        // Nineteen are not for long enough, however far out up to the mean of twenty.
        let mut short = blocks(0.0, 2.6, 0.0);
        short[90] = 0.0;
        assert!(both(short));
        let drift =
            |whole: f64| (0..101).map(|k| whole / 101.0 * (f64::from(k) - 50.0)).collect::<Vec<f64>>();
        assert!(
            both(drift(1.999)) && !both(drift(2.001)),
            "over its length it drifts two merge distances at most"
        );
    }
}
