//! Sums over near pairs of places, many at a time.

use std::ops::Range;

use pulp::{Arch, NullaryFnOnce};
use rayon::prelude::*;

use crate::frame::GroundPoint;

use super::super::neighbours::Neighbours;

/// Cells to a reach: long runs of places and few that lie too far.
const CELLS_A_REACH: f64 = 4.0;
/// Pairs whose distances are found before any of them is counted.
const AHEAD: usize = 64;
/// Places whose pairs one task counts.
const CHUNK: usize = 1024;
/// Exponentials found side by side.
const LANES: usize = 4;

/// Places sorted for pairs within a reach.
pub(super) struct Near {
    sorted: Neighbours,
    x_m: Vec<f64>,
    y_m: Vec<f64>,
    reach_m: f64,
}

impl Near {
    pub fn new(places: &[GroundPoint], reach_m: f64) -> Self {
        let sorted = Neighbours::new(places, reach_m / CELLS_A_REACH);
        let x_m = sorted.in_order().iter().map(|(p, _)| p.x_m).collect();
        let y_m = sorted.in_order().iter().map(|(p, _)| p.y_m).collect();
        Self { sorted, x_m, y_m, reach_m }
    }

    /// Places with their positions in the input, in the order of the sums.
    pub fn in_order(&self) -> &[(GroundPoint, u32)] {
        self.sorted.in_order()
    }

    /// Runs of the places behind one in the order that hold all of them within reach: so every
    /// pair is looked at once.
    fn behind(&self, k: usize) -> impl Iterator<Item = Range<usize>> + '_ {
        let (at, _) = self.in_order()[k];
        self.sorted.spans(at, self.reach_m).map(move |run| run.start.max(k + 1)..run.end)
    }

    /// How many pairs of places have their distance in each of some rings of equal width, out to
    /// the reach.
    pub fn counted(&self, rings: usize) -> Vec<u64> {
        let arch = Arch::new();
        let chunks = self.in_order().len().div_ceil(CHUNK);
        let count = |mut counts: Vec<u64>, chunk: usize| {
            arch.dispatch(Count { near: self, chunk, counts: &mut counts });
            counts
        };
        let none = || vec![0; rings + 1];
        let sum = |mut a: Vec<u64>, b: Vec<u64>| {
            a.iter_mut().zip(b).for_each(|(a, b)| *a += b);
            a
        };
        // Whole numbers: the sum is the same in any order.
        let mut counts = (0..chunks).into_par_iter().fold(none, count).reduce(none, sum);
        counts.truncate(rings);
        counts
    }

    /// Sums of a weight of the offset of every pair, by the same rings.
    pub fn weighed(&self, rings: usize, weight: impl Fn(f64, f64) -> f64 + Copy + Sync) -> Vec<f64> {
        let arch = Arch::new();
        let chunks = self.in_order().len().div_ceil(CHUNK);
        let mut sums = vec![0.0; rings + 1];
        // A few chunks at a time are summed side by side, and added in order.
        for some in (0..chunks).collect::<Vec<_>>().chunks(64) {
            let weigh = |&chunk: &usize| {
                let mut sums = vec![0.0; rings + 1];
                arch.dispatch(Weigh { near: self, chunk, weight, sums: &mut sums });
                sums
            };
            let parts: Vec<Vec<f64>> = some.par_iter().map(weigh).collect();
            parts.iter().for_each(|part| sums.iter_mut().zip(part).for_each(|(sum, part)| *sum += part));
        }
        sums.truncate(rings);
        sums
    }

    /// Σ exp(−d²/2h²) over the other places near every place: at least those within reach. In the
    /// order of [`Near::in_order`], good to 1e-10.
    pub fn exponentials(&self, h: f64) -> Vec<f64> {
        let arch = Arch::new();
        let mut sums = vec![0.0; self.in_order().len()];
        sums.par_chunks_mut(CHUNK)
            .enumerate()
            .for_each(|(chunk, sums)| arch.dispatch(Exponentials { near: self, chunk, h, sums }));
        sums
    }
}

/// Counts the pairs of a chunk of places. These are structs, since a closure is not sure to be
/// compiled with the features of the processor.
struct Count<'a> {
    near: &'a Near,
    chunk: usize,
    counts: &'a mut [u64],
}

impl NullaryFnOnce for Count<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { near, chunk, counts } = self;
        each_ring(near, chunk, counts.len() - 1, |_, _| (), |ring, ()| counts[ring] += 1);
    }
}

/// Weighs the pairs of a chunk of places.
struct Weigh<'a, F> {
    near: &'a Near,
    chunk: usize,
    weight: F,
    sums: &'a mut [f64],
}

impl<F: Fn(f64, f64) -> f64> NullaryFnOnce for Weigh<'_, F> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { near, chunk, weight, sums } = self;
        each_ring(near, chunk, sums.len() - 1, weight, |ring, weight| sums[ring] += weight);
    }
}

/// Calls `add` with the ring of every pair of a chunk of places, and what `weight` gives for
/// their offset; with one ring more for pairs out of reach.
#[inline(always)]
fn each_ring<T: Copy + Default>(
    near: &Near,
    chunk: usize,
    rings: usize,
    weight: impl Fn(f64, f64) -> T,
    mut add: impl FnMut(usize, T),
) {
    let rings_a_metre = rings as f64 / near.reach_m;
    let beyond = rings as f64;
    let mut found = [(0_u32, T::default()); AHEAD];
    let end = near.x_m.len().min((chunk + 1) * CHUNK);
    for k in chunk * CHUNK..end {
        let (x_m, y_m) = (near.x_m[k], near.y_m[k]);
        for run in near.behind(k).filter(|run| run.start < run.end) {
            for (xs, ys) in near.x_m[run.clone()].chunks(AHEAD).zip(near.y_m[run].chunks(AHEAD)) {
                for ((found, x), y) in found.iter_mut().zip(xs).zip(ys) {
                    let (dx, dy) = (x - x_m, y - y_m);
                    let ring = ((dx * dx + dy * dy).sqrt() * rings_a_metre).min(beyond);
                    *found = (ring as i32 as u32, weight(dx, dy));
                }
                found.iter().take(xs.len()).for_each(|&(ring, weight)| add(ring as usize, weight));
            }
        }
    }
}

/// Sums of exponentials for a chunk of places.
struct Exponentials<'a> {
    near: &'a Near,
    chunk: usize,
    h: f64,
    sums: &'a mut [f64],
}

impl NullaryFnOnce for Exponentials<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { near, chunk, h, sums } = self;
        let scale = -0.5 / (h * h);
        let first = chunk * CHUNK;
        for (sum, &(at, _)) in sums.iter_mut().zip(&near.in_order()[first..]) {
            let term = |x: f64, y: f64| {
                let (dx, dy) = (x - at.x_m, y - at.y_m);
                exp(scale * (dx * dx + dy * dy))
            };
            let mut lanes = [0.0; LANES];
            let mut rest = 0.0;
            for run in near.sorted.spans(at, near.reach_m) {
                let (xs, x_rest) = near.x_m[run.clone()].as_chunks::<LANES>();
                let (ys, y_rest) = near.y_m[run].as_chunks::<LANES>();
                for (x, y) in xs.iter().zip(ys) {
                    for lane in 0..LANES {
                        lanes[lane] += term(x[lane], y[lane]);
                    }
                }
                x_rest.iter().zip(y_rest).for_each(|(&x, &y)| rest += term(x, y));
            }
            // The place itself adds exactly one.
            *sum = lanes.iter().sum::<f64>() + (rest - 1.0);
        }
    }
}

/// The exponential of a number that is not positive, to about 1e-12; of numbers below −700 as of
/// −700. In steps of additions and multiplications, so that several can be found side by side:
/// 2ⁿ times the series of the rest, which is at most half the logarithm of 2.
#[inline(always)]
fn exp(x: f64) -> f64 {
    /// Adding it leaves a whole number in the last bits.
    const WHOLE: f64 = 6_755_399_441_055_744.0;
    /// The logarithm of 2 in two parts, the first of few bits.
    const LN_2: [f64; 2] = [6.931_471_803_691_238e-1, 1.908_214_929_270_587_7e-10];
    let x = x.max(-700.0);
    let shifted = x * std::f64::consts::LOG2_E + WHOLE;
    let n = shifted - WHOLE;
    let rest = (x - n * LN_2[0]) - n * LN_2[1];
    let mut series = 1.0 / 3_628_800.0;
    for reciprocal in RECIPROCALS {
        series = series * rest + reciprocal;
    }
    f64::from_bits(series.to_bits().wrapping_add(shifted.to_bits() << 52))
}

/// One over the factorials of 9, 8, … 0.
const RECIPROCALS: [f64; 10] = [
    1.0 / 362_880.0,
    1.0 / 40_320.0,
    1.0 / 5040.0,
    1.0 / 720.0,
    1.0 / 120.0,
    1.0 / 24.0,
    1.0 / 6.0,
    0.5,
    1.0,
    1.0,
];

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn places() -> Vec<GroundPoint> {
        (0..900_u32)
            .map(|k| GroundPoint::new(f64::from(k * k % 1009) * 3.0, f64::from(k * 31 % 499) * 5.0))
            .collect()
    }

    #[test]
    fn exponentials_are_those_of_the_library() {
        for k in 0..=200_000 {
            let x = -f64::from(k) * 0.0035;
            assert_relative_eq!(exp(x), x.exp(), max_relative = 2e-12);
        }
        assert_eq!(exp(0.0), 1.0);
        assert_eq!(exp(-1e300), exp(-700.0));
    }

    #[test]
    fn rings_and_sums_hold_every_pair_once() {
        let places = places();
        let (reach_m, rings) = (400.37, 100); // no distance on a ring's rim
        let near = Near::new(&places, reach_m);
        let mut counts = vec![0; rings];
        let mut weights = vec![0.0; rings];
        for (i, a) in places.iter().enumerate() {
            for b in &places[..i] {
                let ring = (a.distance_m(*b) / reach_m * rings as f64) as usize;
                if ring < rings {
                    counts[ring] += 1;
                    weights[ring] += 1.0 + (a.x_m - b.x_m).abs();
                }
            }
        }
        assert_eq!(near.counted(rings), counts);
        for (found, expected) in near.weighed(rings, |dx, _| 1.0 + dx.abs()).iter().zip(&weights) {
            assert_relative_eq!(*found, *expected, max_relative = 1e-12);
        }
        let h = 40.0;
        for (&(at, index), found) in near.in_order().iter().zip(near.exponentials(h)) {
            let others = places.iter().enumerate().filter(|(k, _)| *k != index as usize);
            let direct: f64 = others.map(|(_, b)| (-0.5 * (at.distance_m(*b) / h).powi(2)).exp()).sum();
            assert_relative_eq!(found, direct, max_relative = 1e-9);
        }
    }
}
