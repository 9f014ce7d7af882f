//! The season room's own arithmetic against plain definitions, closed forms and small cases that can be
//! counted out. Published values, whole comparisons and calibration are in `tests/season`.

mod answers;
mod blocks;
mod counts;
mod edges;
mod gathering;
mod sums;

use jiff::civil::Date;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

use super::*;
use crate::frame::GroundPoint;
use crate::surface::WeightedPoint;

fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

fn at(x_m: f64, y_m: f64, weight: f64) -> WeightedPoint {
    WeightedPoint::new(GroundPoint::new(x_m, y_m), weight)
}

fn day(text: &str) -> Date {
    text.parse().unwrap()
}

/// Places all over a square, with weights of one to three.
fn scattered(rng: &mut ChaCha8Rng, count: usize, side_m: f64) -> Vec<WeightedPoint> {
    (0..count)
        .map(|_| {
            let (x, y) = (rng.random_range(0.0..side_m), rng.random_range(0.0..side_m));
            at(x, y, f64::from(rng.random_range(1..4_u8)))
        })
        .collect()
}

/// So many outings a season, one a day, over a square of a kilometre; with searched ground if asked.
fn outings(seed: u64, (before, after): (usize, usize), searched: bool) -> Outings {
    let mut rng = rng(seed);
    let mut list = Vec::new();
    for (season, count, start) in
        [(Season::Before, before, day("2025-03-01")), (Season::After, after, day("2026-03-01"))]
    {
        for k in 0..count {
            let found = rng.random_range(1..6);
            list.push(Outing {
                season,
                day: Some(start.saturating_add(jiff::Span::new().days(k as i64))),
                sign: scattered(&mut rng, found, 1000.0),
                searched: if searched { scattered(&mut rng, 12, 1000.0) } else { Vec::new() },
            });
        }
    }
    Outings::new(list).unwrap()
}
