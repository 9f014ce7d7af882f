//! What the log teaches siting: activations regressed on the parts of the score.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// A part that varies less than this, of its own 0 to 1, is the same everywhere.
const LEAST_SPREAD: f64 = 1e-9;
/// Share of the loss that rounding may add to it.
const ROUNDING: f64 = 1e-14;
/// A step of Newton's method shortened to less than this share of itself gains nothing more.
const LEAST_SHARE: f64 = 1e-12;
/// Largest last step, on the scale of a log rate, with which a search that can go no further is
/// still an answer.
const NEAR_ENOUGH: f64 = 1e-6;
/// A step shorter than this, on the same scale, ends the search.
const CONVERGED: f64 = 1e-11;

/// One station: its activations, its effort and the parts of its score.
#[derive(Clone, PartialEq, Debug)]
pub struct StationCount {
    /// Activations over all its intervals.
    pub activations: f64,
    /// Effective station-nights, more than 0.
    pub nights: f64,
    /// The value of each part, in the order of the names.
    pub parts: Vec<f64>,
}

/// How to fit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FitSettings {
    /// Strength of the ridge penalty.
    pub ridge: f64,
    /// Bootstrap draws.
    pub draws: usize,
    /// Seed of the draws.
    pub seed: u64,
    /// Activations wanted for each part.
    pub activations_per_part: f64,
}

impl Default for FitSettings {
    /// A ridge of 0.1, 500 draws, ten activations a part (rule of thumb).
    fn default() -> Self {
        Self { ridge: 0.1, draws: 500, seed: 1, activations_per_part: 10.0 }
    }
}

/// The effect of one part.
#[derive(Clone, PartialEq, Debug)]
pub struct Effect {
    /// The part.
    pub part: String,
    /// Change of the log rate for one standard deviation of the part.
    pub log_rate_per_sd: f64,
    /// Its interval, 95 percent, by bootstrap over stations.
    pub interval: [f64; 2],
    /// The standard deviation of the part over the stations.
    pub sd: f64,
    /// The weight it suggests: the share of its effect over the whole range 0 to 1, or 0 where
    /// the effect is negative.
    pub weight: f64,
}

/// What was found.
#[derive(Clone, PartialEq, Debug)]
pub struct Fitted {
    /// Log of the activations a night at a station with every part at its mean.
    pub log_rate: f64,
    /// The effects, in the order of the parts.
    pub effects: Vec<Effect>,
    /// Parts that are the same at every station: nothing can be said of them.
    pub constant: Vec<String>,
    /// Stations used.
    pub stations: usize,
    /// Activations used.
    pub activations: f64,
}

/// Why no weights can be suggested.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum WeightsError {
    /// The stations carry no parts.
    #[error("the stations carry no score parts that differ between them; read them from sites.geojson")]
    NoParts,
    /// Too few activations.
    #[error(
        "{activations} activations are too few to weigh {parts} parts; {needed} are needed ({per_part} a part, a rule of thumb)"
    )]
    TooFew {
        /// Activations there are.
        activations: f64,
        /// Parts that differ between stations.
        parts: usize,
        /// Activations needed.
        needed: f64,
        /// Activations a part.
        per_part: f64,
    },
    /// The fit did not settle.
    #[error("the regression did not settle; the score parts may be copies of each other")]
    Unsettled,
}

/// Poisson regression of activations on the parts of the score with a ridge penalty.
///
/// For station i with activations y, nights e and parts x (each centred and divided by its
/// standard deviation) the rate is exp(α + β·x) and α, β minimise
/// Σ (e·rate − y log rate) / Σ y + ridge/2 Σ β². Dividing by the activations keeps the
/// meaning of the ridge whatever the length of the log. The intercept is not penalised (Hoerl & Kennard 1970 for the penalty; the offset log e is
/// that of McCullagh & Nelder 1989). Newton's method with halved steps. Stations are the
/// unit: repeated checks of one station are added up, and the intervals come from drawing
/// whole stations with replacement.
///
/// The effects hold for the places that were tried. Only high-scoring places ever are, so
/// the range of each part is narrow and its effect is understated.
///
/// # Errors
/// [`WeightsError`], each saying what is missing.
pub fn fit_weights(
    names: &[String],
    counts: &[StationCount],
    settings: &FitSettings,
) -> Result<Fitted, WeightsError> {
    let usable: Vec<&StationCount> =
        counts.iter().filter(|c| c.nights > 0.0 && c.parts.iter().all(|x| x.is_finite())).collect();
    let activations: f64 = usable.iter().map(|c| c.activations).sum();
    let spread: Vec<(f64, f64)> = (0..names.len()).map(|k| mean_and_sd(&usable, k)).collect();
    let (used, constant): (Vec<usize>, Vec<usize>) =
        (0..names.len()).partition(|&k| spread[k].1 > LEAST_SPREAD);
    if used.is_empty() {
        return Err(WeightsError::NoParts);
    }
    let needed = settings.activations_per_part * used.len() as f64;
    if activations < needed {
        return Err(WeightsError::TooFew {
            activations,
            parts: used.len(),
            needed,
            per_part: settings.activations_per_part,
        });
    }
    let rows: Vec<Row> = usable
        .iter()
        .map(|c| Row {
            y: c.activations,
            nights: c.nights,
            x: used.iter().map(|&k| (c.parts[k] - spread[k].0) / spread[k].1).collect(),
        })
        .collect();
    let all: Vec<&Row> = rows.iter().collect();
    let fit = poisson_ridge(&all, settings.ridge).ok_or(WeightsError::Unsettled)?;
    let intervals = bootstrap_intervals(&rows, settings, fit.len());
    let over_range: Vec<f64> =
        used.iter().enumerate().map(|(j, &k)| (fit[j + 1] / spread[k].1).max(0.0)).collect();
    let sum: f64 = over_range.iter().sum();
    let effects = used
        .iter()
        .enumerate()
        .map(|(j, &k)| Effect {
            part: names[k].clone(),
            log_rate_per_sd: fit[j + 1],
            interval: intervals[j + 1],
            sd: spread[k].1,
            weight: if sum > 0.0 { over_range[j] / sum } else { 0.0 },
        })
        .collect();
    let constant = constant.into_iter().map(|k| names[k].clone()).collect();
    Ok(Fitted { log_rate: fit[0], effects, constant, stations: rows.len(), activations })
}

/// Mean and standard deviation of one part (divided by n, not n − 1).
fn mean_and_sd(counts: &[&StationCount], part: usize) -> (f64, f64) {
    let n = counts.len().max(1) as f64;
    let mean = counts.iter().map(|c| c.parts[part]).sum::<f64>() / n;
    let variance = counts.iter().map(|c| (c.parts[part] - mean).powi(2)).sum::<f64>() / n;
    (mean, variance.sqrt())
}

struct Row {
    y: f64,
    nights: f64,
    x: Vec<f64>,
}

/// Intercept and effects; `None` if Newton's method does not settle.
fn poisson_ridge(rows: &[&Row], ridge: f64) -> Option<Vec<f64>> {
    let total: f64 = rows.iter().map(|r| r.y).sum();
    let nights: f64 = rows.iter().map(|r| r.nights).sum();
    let width = rows.first()?.x.len() + 1;
    if total <= 0.0 {
        return None;
    }
    let mut b = vec![0.0; width];
    b[0] = (total / nights).ln();
    let mut loss = loss_of(rows, &b, ridge, total);
    for _ in 0..200 {
        let (slope, curve) = derivatives(rows, &b, ridge, total);
        let step = solve(curve, slope)?;
        let size = step.iter().fold(0.0, |m: f64, s| m.max(s.abs()));
        let mut share = 1.0;
        loop {
            let next: Vec<f64> = b.iter().zip(&step).map(|(b, s)| b - share * s).collect();
            let next_loss = loss_of(rows, &next, ridge, total);
            if next_loss <= loss + ROUNDING * loss.abs() {
                (b, loss) = (next, next_loss);
                break;
            }
            share *= 0.5;
            if share < LEAST_SHARE {
                return (size < NEAR_ENOUGH).then_some(b);
            }
        }
        if size < CONVERGED {
            return Some(b);
        }
    }
    None
}

fn log_rate(row: &Row, b: &[f64]) -> f64 {
    b[0] + row.x.iter().zip(&b[1..]).map(|(x, b)| x * b).sum::<f64>()
}

fn loss_of(rows: &[&Row], b: &[f64], ridge: f64, total: f64) -> f64 {
    let fit: f64 = rows
        .iter()
        .map(|row| {
            let eta = log_rate(row, b);
            row.nights * eta.exp() - row.y * eta
        })
        .sum();
    fit / total + 0.5 * ridge * b[1..].iter().map(|b| b * b).sum::<f64>()
}

fn derivatives(rows: &[&Row], b: &[f64], ridge: f64, total: f64) -> (Vec<f64>, Vec<Vec<f64>>) {
    let width = b.len();
    let mut slope: Vec<f64> = std::iter::once(0.0).chain(b[1..].iter().map(|b| ridge * b)).collect();
    let mut curve = vec![vec![0.0; width]; width];
    (1..width).for_each(|k| curve[k][k] = ridge);
    for row in rows {
        let mean = row.nights * log_rate(row, b).exp() / total;
        let x = |k: usize| if k == 0 { 1.0 } else { row.x[k - 1] };
        for i in 0..width {
            slope[i] += (mean - row.y / total) * x(i);
            curve[i].iter_mut().enumerate().for_each(|(j, c)| *c += mean * x(i) * x(j));
        }
    }
    (slope, curve)
}

/// Solves a small symmetric positive definite system by Cholesky's method.
fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Option<Vec<f64>> {
    let n = b.len();
    for i in 0..n {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| a[i][k] * a[j][k]).sum();
            let left = a[i][j] - dot;
            if i == j {
                if left <= 0.0 || !left.is_finite() {
                    return None;
                }
                a[i][i] = left.sqrt();
            } else {
                a[i][j] = left / a[j][j];
            }
        }
    }
    for i in 0..n {
        let dot: f64 = (0..i).map(|k| a[i][k] * b[k]).sum();
        b[i] = (b[i] - dot) / a[i][i];
    }
    for i in (0..n).rev() {
        let dot: f64 = (i + 1..n).map(|k| a[k][i] * b[k]).sum();
        b[i] = (b[i] - dot) / a[i][i];
    }
    Some(b)
}

fn bootstrap_intervals(rows: &[Row], settings: &FitSettings, width: usize) -> Vec<[f64; 2]> {
    let mut fits: Vec<Vec<f64>> = (0..settings.draws)
        .into_par_iter()
        .filter_map(|draw| {
            let mut rng = ChaCha8Rng::seed_from_u64(settings.seed);
            rng.set_stream(draw as u64);
            let drawn: Vec<&Row> = (0..rows.len()).map(|_| &rows[rng.random_range(0..rows.len())]).collect();
            poisson_ridge(&drawn, settings.ridge)
        })
        .collect();
    let n = fits.len();
    (0..width)
        .map(|k| {
            fits.sort_by(|a, b| a[k].total_cmp(&b[k]));
            let at = |p: f64| {
                fits.get(((p * n as f64) as usize).min(n.saturating_sub(1))).map_or(f64::NAN, |f| f[k])
            };
            [at(0.025), at(0.975)]
        })
        .collect()
}
