//! The law that simulated seasons follow: 10 × 10 km, 90 days, outings at equal intervals.
//! On each outing three spots of 300 m carry 40 % of the sign on average, the rest is uniform.

use jiff::civil::{Date, date};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use stakeline::frame::GroundPoint;
use stakeline::season::{Outing, Outings, Season};
use stakeline::surface::WeightedPoint;

const SIDE_M: f64 = 10_000.0;
const DAYS: f64 = 90.0;
const SPOTS: usize = 3;
const SPOT_SD_M: f64 = 300.0;
const CLUMPED: f64 = 0.4;

/// How long a spot lasts.
#[derive(Clone, Copy)]
pub enum Lasting {
    /// Drawn anew on each outing.
    OneOuting,
    /// Drawn anew on every fourth outing.
    FourOutings,
    /// Drawn anew with a chance of one in four on each outing.
    FourOnAverage,
}

/// A square with one corner at the origin in which everything is `times` as likely.
#[derive(Clone, Copy)]
pub struct Planted {
    pub side_m: f64,
    pub times: f64,
}

/// One season.
#[derive(Clone, Copy)]
pub struct Law {
    pub outings: usize,
    pub records: f64,
    pub lasting: Lasting,
    pub planted: Option<Planted>,
    /// If effort is known: each outing searches the western half with this chance, else the
    /// eastern one, and finds what lies there.
    pub westward: Option<f64>,
}

impl Law {
    pub const PLAIN: Law =
        Law { outings: 30, records: 20.0, lasting: Lasting::OneOuting, planted: None, westward: None };

    fn place(&self, rng: &mut ChaCha8Rng) -> GroundPoint {
        if let Some(Planted { side_m, times }) = self.planted {
            let inside = (side_m / SIDE_M).powi(2);
            // The surplus falls into the square alone.
            let surplus = inside * (times - 1.0);
            if rng.random::<f64>() < surplus / (1.0 + surplus) {
                return GroundPoint::new(rng.random::<f64>() * side_m, rng.random::<f64>() * side_m);
            }
        }
        GroundPoint::new(rng.random::<f64>() * SIDE_M, rng.random::<f64>() * SIDE_M)
    }

    /// Mean number of records of an outing: what was planted comes on top.
    fn mean(&self) -> f64 {
        let surplus = self.planted.map_or(0.0, |p| (p.side_m / SIDE_M).powi(2) * (p.times - 1.0));
        self.records * (1.0 + surplus)
    }

    fn season(&self, season: Season, start: Date, rng: &mut ChaCha8Rng) -> Vec<Outing> {
        let mut spots: Vec<GroundPoint> = (0..SPOTS).map(|_| self.place(rng)).collect();
        (0..self.outings)
            .map(|j| {
                for spot in &mut spots {
                    let renew = match self.lasting {
                        Lasting::OneOuting => true,
                        Lasting::FourOutings => j % 4 == 0,
                        Lasting::FourOnAverage => rng.random::<f64>() < 0.25,
                    };
                    if renew {
                        *spot = self.place(rng);
                    }
                }
                let day = ((j as f64 + 0.5) * DAYS / self.outings as f64) as i64;
                let sign = (0..poisson(self.mean(), rng)).map(|_| self.record(&spots, rng)).collect();
                let whole =
                    Outing { season, day: Some(start + jiff::Span::new().days(day)), sign, searched: vec![] };
                match self.westward {
                    None => whole,
                    Some(chance) => half_searched(whole, rng.random::<f64>() < chance),
                }
            })
            .collect()
    }

    fn record(&self, spots: &[GroundPoint], rng: &mut ChaCha8Rng) -> WeightedPoint {
        let at = if rng.random::<f64>() < CLUMPED {
            let spot = spots[rng.random_range(0..spots.len())];
            let (dx, dy) = normals(rng);
            GroundPoint::new(spot.x_m + SPOT_SD_M * dx, spot.y_m + SPOT_SD_M * dy)
        } else {
            self.place(rng)
        };
        WeightedPoint::new(at, 1.0)
    }
}

/// What is left of an outing that searched one half: 200 km in lines 250 m apart.
fn half_searched(mut outing: Outing, west: bool) -> Outing {
    let inside = |p: &WeightedPoint| (p.at.x_m < SIDE_M / 2.0) == west;
    outing.sign.retain(inside);
    let step_m = 250.0;
    let lines = (SIDE_M / step_m) as usize;
    let points = (0..lines * lines).map(|i| {
        let centre = |k: usize| (k as f64 + 0.5) * step_m;
        WeightedPoint::new(GroundPoint::new(centre(i % lines), centre(i / lines)), step_m / 1000.0)
    });
    outing.searched = points.filter(inside).collect();
    outing
}

/// Two seasons a year apart.
pub fn seasons(before: Law, after: Law, seed: u64) -> Outings {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut outings = before.season(Season::Before, date(2024, 3, 1), &mut rng);
    outings.extend(after.season(Season::After, date(2025, 3, 1), &mut rng));
    Outings::new(outings).unwrap()
}

/// A Poisson number by multiplying uniforms (Knuth), for means up to some hundreds.
fn poisson(mean: f64, rng: &mut ChaCha8Rng) -> usize {
    let mut exponent = 0.0;
    let mut count = 0;
    loop {
        exponent -= (1.0 - rng.random::<f64>()).ln();
        if exponent > mean {
            return count;
        }
        count += 1;
    }
}

/// Two independent standard normal numbers (Box & Muller).
fn normals(rng: &mut ChaCha8Rng) -> (f64, f64) {
    let radius = (-2.0 * (1.0 - rng.random::<f64>()).ln()).sqrt();
    let (sin, cos) = (std::f64::consts::TAU * rng.random::<f64>()).sin_cos();
    (radius * cos, radius * sin)
}
