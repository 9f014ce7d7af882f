//! Rates and their intervals on surveys whose truth is known.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stakeline::surface::along::{EdgePoint, GraphEdge, LineGraph, LineKernel, LineSmoother, Source};
use stakeline::surface::effort::{Effort, Passage, Prior, Rates, Searched};

const SIGMA_M: f64 = 300.0;
const KERNEL: LineKernel = LineKernel::Heat { sigma_m: SIGMA_M };
const CELL_M: f64 = 50.0;

/// A grid of tracks, 5 by 5 junctions 800 m apart, with a true rate and the passes made on
/// every edge.
struct Country {
    smoother: LineSmoother,
    /// Sign per km searched, by edge and cell of 50 m.
    rate: Vec<Vec<f64>>,
    passes: Vec<f64>,
}

impl Country {
    fn new() -> Self {
        let mut edges = Vec::new();
        for row in 0..5u32 {
            for column in 0..5 {
                let node = row * 5 + column;
                if column < 4 {
                    edges.push(GraphEdge { from: node, to: node + 1, length_m: 800.0 });
                }
                if row < 4 {
                    edges.push(GraphEdge { from: node, to: node + 5, length_m: 800.0 });
                }
            }
        }
        // Animals keep to two places; people drive the first row forty times as often.
        let rate = edges
            .iter()
            .map(|edge| {
                let near = |node: u32| (edge.from.abs_diff(node)) as f64 / 5.0;
                let level = 0.4 + 3.0 * (-near(18)).exp() + 2.0 * (-near(6) * 1.5).exp();
                (0..16).map(|cell| level * (1.0 + 0.5 * (f64::from(cell) / 2.5).sin())).collect()
            })
            .collect();
        let passes =
            (0..edges.len()).map(|index| if index < 8 { 40.0 } else { [1.0, 2.0, 6.0][index % 3] }).collect();
        Self { smoother: LineSmoother::new(LineGraph::new(25, edges).unwrap()), rate, passes }
    }

    fn effort(&self) -> Effort {
        let passage = |(edge, &passes): (usize, &f64)| Passage {
            edge: edge as u32,
            from_m: 0.0,
            to_m: 800.0,
            passes,
            date: None,
        };
        Effort::new(self.passes.len(), self.passes.iter().enumerate().map(passage))
    }

    /// Every cell's middle, with its expected number of signs.
    fn cells(&self) -> Vec<Source> {
        let mut cells = Vec::new();
        for (edge, (rates, passes)) in self.rate.iter().zip(&self.passes).enumerate() {
            for (cell, rate) in rates.iter().enumerate() {
                let at = EdgePoint { edge: edge as u32, along_m: (cell as f64 + 0.5) * CELL_M };
                cells.push(Source { at, weight: rate * passes * CELL_M / 1000.0 });
            }
        }
        cells
    }

    /// Sign of one survey. `clump` is the mean number of pieces of sign found together; the
    /// number is geometric, one for Poisson sign.
    fn survey(&self, clump: f64, rng: &mut ChaCha8Rng) -> Vec<Source> {
        let mut found = Vec::new();
        for cell in self.cells() {
            for _ in 0..poisson(cell.weight / clump, rng) {
                let along_m = cell.at.along_m + (rng.random::<f64>() - 0.5) * CELL_M;
                let weight = if clump > 1.0 {
                    1.0 + (rng.random::<f64>().ln() / (1.0 - 1.0 / clump).ln()).floor()
                } else {
                    1.0
                };
                // Each piece of sign is a record of its own.
                for _ in 0..weight as usize {
                    found.push(Source { at: EdgePoint { along_m, ..cell.at }, weight: 1.0 });
                }
            }
        }
        found
    }

    /// A place every 200 m.
    fn places(&self) -> Vec<EdgePoint> {
        let edges = 0..self.passes.len() as u32;
        edges
            .flat_map(|edge| (0..4).map(move |i| EdgePoint { edge, along_m: 100.0 + 200.0 * f64::from(i) }))
            .collect()
    }
}

fn poisson(mean: f64, rng: &mut ChaCha8Rng) -> usize {
    let (limit, mut product, mut count) = ((-mean).exp(), rng.random::<f64>(), 0);
    while product > limit {
        product *= rng.random::<f64>();
        count += 1;
    }
    count
}

fn rng(stream: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    rng.set_stream(stream);
    rng
}

/// Share of places and surveys at which the interval holds the smoothed true rate.
fn coverage(clump: f64, surveys: u64) -> f64 {
    let (country, effort) = (Country::new(), Country::new().effort());
    let places = country.places();
    let truth = country.smoother.density(KERNEL, &country.cells(), &places).unwrap().per_m;
    let passes = country.smoother.spread(KERNEL, effort.levels(), &places).unwrap();
    let (mut held, mut asked) = (0u64, 0u64);
    for survey in 0..surveys {
        let found = country.survey(clump, &mut rng(survey));
        let rates = Rates::new(&country.smoother, KERNEL, &effort, &found, 0.95).unwrap();
        for (i, rate) in rates.at(&places).unwrap().into_iter().enumerate() {
            held += u64::from(rate.unwrap().interval_per_km.holds(1000.0 * truth[i] / passes[i]));
            asked += 1;
        }
    }
    held as f64 / asked as f64
}

fn check_coverage(surveys: u64) {
    let (poisson, clumped) = (coverage(1.0, surveys), coverage(3.0, surveys));
    println!("{surveys} surveys: {:.1} % held, in clumps of three {:.1} %", 100.0 * poisson, 100.0 * clumped);
    assert!((0.93..=0.98).contains(&poisson), "{poisson}");
    // Not nominal, and never passed off as such: see the documentation.
    assert!(clumped < 0.93, "{clumped}");
}

#[test]
fn intervals_hold_the_smoothed_rate() {
    check_coverage(60);
}

#[test]
#[ignore = "2,000 surveys"]
fn intervals_hold_the_smoothed_rate_in_2000_surveys() {
    check_coverage(2000);
}

/// Under very uneven effort the rate finds where animals are; density finds where people
/// drive. Errors are root mean squares over places, both maps scaled to mean one.
#[test]
fn rates_find_the_animals_where_density_finds_the_searchers() {
    let country = Country::new();
    let effort = country.effort();
    let places = country.places();
    let truth: Vec<f64> =
        places.iter().map(|at| country.rate[at.edge as usize][(at.along_m / CELL_M) as usize]).collect();
    let scaled = |values: &[f64]| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        values.iter().map(|value| value / mean).collect::<Vec<_>>()
    };
    let error = |values: &[f64]| {
        let pairs = scaled(values).into_iter().zip(scaled(&truth));
        (pairs.map(|(a, b)| (a - b).powi(2)).sum::<f64>() / places.len() as f64).sqrt()
    };
    let (mut plain, mut rated, mut shrunk) = (0.0, 0.0, 0.0);
    let surveys = 30;
    for survey in 0..surveys {
        let found = country.survey(1.0, &mut rng(survey));
        let density = country.smoother.density(KERNEL, &found, &places).unwrap().per_m;
        let rates =
            Rates::new(&country.smoother, KERNEL, &effort, &found, 0.95).unwrap().at(&places).unwrap();
        plain += error(&density) / surveys as f64;
        rated += error(&rates.iter().map(|rate| rate.unwrap().per_km).collect::<Vec<_>>()) / surveys as f64;
        shrunk += error(&rates.iter().map(|rate| rate.unwrap().shrunk.unwrap().rate).collect::<Vec<_>>())
            / surveys as f64;
    }
    println!("error of density {plain:.2}, of the rate {rated:.2}, of the shrunken rate {shrunk:.2}");
    assert!(rated < 0.5 * plain, "{rated} {plain}");
    assert!(shrunk < rated, "{shrunk} {rated}");
}

/// Rates drawn from a gamma distribution, uneven effort, the prior found from the counts
/// themselves: the posterior interval holds the drawn rate as often as it says.
fn shrunken_coverage(surveys: u64) -> f64 {
    let (mut held, mut asked) = (0u64, 0u64);
    for survey in 0..surveys {
        let mut rng = rng(survey);
        let drawn: Vec<(f64, Searched)> = (0..80)
            .map(|i| {
                // A gamma draw of whole shape 2: the sum of two exponentials, mean 0.8.
                let rate = -0.4 * ((1.0 - rng.random::<f64>()).ln() + (1.0 - rng.random::<f64>()).ln());
                let effort = [0.5, 2.0, 5.0, 20.0][i % 4];
                (rate, Searched { count: poisson(rate * effort, &mut rng) as f64, effort })
            })
            .collect();
        let own: Vec<Searched> = drawn.iter().map(|(_, own)| *own).collect();
        let prior = Prior::most_likely(&own).unwrap();
        for (rate, own) in drawn {
            held += u64::from(prior.shrink(own, 0.95).interval.holds(rate));
            asked += 1;
        }
    }
    held as f64 / asked as f64
}

#[test]
fn shrunken_intervals_hold_the_rates_they_were_drawn_from() {
    let share = shrunken_coverage(150);
    println!("{:.1} % of drawn rates held", 100.0 * share);
    assert!((0.93..=0.97).contains(&share), "{share}");
}

#[test]
#[ignore = "2,000 surveys"]
fn shrunken_intervals_in_2000_surveys() {
    let share = shrunken_coverage(2000);
    println!("{:.1} % of drawn rates held in 2,000 surveys", 100.0 * share);
    assert!((0.93..=0.97).contains(&share), "{share}");
}

/// Line that nobody searched has no rate, however much is found beside it.
#[test]
fn unsearched_line_has_no_rate() {
    let country = Country::new();
    let passages = [Passage { edge: 3, from_m: 0.0, to_m: 400.0, passes: 2.0, date: None }];
    let effort = Effort::new(country.passes.len(), passages);
    let at = |edge, along_m| EdgePoint { edge, along_m };
    let found = [Source { at: at(3, 100.0), weight: 5.0 }];
    let rates = Rates::new(&country.smoother, KERNEL, &effort, &found, 0.95).unwrap();
    let known = rates.at(&[at(3, 300.0), at(3, 500.0), at(9, 10.0)]).unwrap();
    assert!(known[0].unwrap().per_km > 0.0);
    assert_eq!((known[1], known[2]), (None, None));
    let nothing = Rates::new(&country.smoother, KERNEL, &effort, &[], 0.95).unwrap();
    let rate = nothing.at(&[at(3, 300.0)]).unwrap()[0].unwrap();
    assert_eq!((rate.per_km, rate.interval_per_km.low, rate.shrunk), (0.0, 0.0, None));
    assert!(rate.interval_per_km.high > 0.0);
}
