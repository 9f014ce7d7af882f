//! Scores that explain themselves: named parts in 0..=1, each with its weight, its raw value
//! and where it came from.

/// One part of every candidate's score.
#[derive(Clone, PartialEq, Debug)]
pub struct Part {
    /// Its name: `activity`, `convergence`, `line_kind`, `wind`, `cover`, or a layer's.
    pub name: String,
    /// How much it counts; only the proportions matter.
    pub weight: f64,
    /// Unit of the raw value, in words.
    pub unit: &'static str,
    /// Where the raw values came from.
    pub from: String,
    /// What the raw value at each candidate is, in a word, where that differs between them
    /// (`rate`, `density`); empty where it does not.
    pub by: Vec<&'static str>,
    /// The raw value at each candidate.
    pub raw: Vec<f64>,
    /// The value in 0..=1 at each candidate.
    pub value: Vec<f64>,
}

/// Scores are written with this many steps to one.
pub const STEPS_TO_ONE: f64 = 1e6;

/// The score of each candidate in millionths: the weighted mean of its parts.
///
/// Whole steps, because that is how scores are written: totals are then sums of what
/// readers see, exactly.
pub fn scores(parts: &[Part], candidates: usize) -> Vec<i64> {
    let weights: Vec<f64> = parts.iter().map(|p| p.weight).collect();
    scores_with(parts, &weights, candidates)
}

/// As [`scores`], with other weights.
pub fn scores_with(parts: &[Part], weights: &[f64], candidates: usize) -> Vec<i64> {
    let sum: f64 = weights.iter().sum();
    let scale = if sum > 0.0 { STEPS_TO_ONE / sum } else { 0.0 };
    (0..candidates)
        .map(|i| {
            let total: f64 = parts.iter().zip(weights).map(|(p, w)| w * p.value[i]).sum();
            (total * scale).round() as i64
        })
        .collect()
}

/// Raw values against the greatest among those that count: the greatest is 1, nothing is 0.
pub fn against_greatest(raw: &[f64], counts: impl Fn(usize) -> bool) -> Vec<f64> {
    let greatest = raw.iter().enumerate().filter(|&(i, _)| counts(i)).map(|(_, &r)| r).fold(0.0, f64::max);
    raw.iter().map(|&r| if greatest > 0.0 { (r / greatest).clamp(0.0, 1.0) } else { 0.0 }).collect()
}
