//! Time to activation from visits that are weeks apart.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::history::Spell;

/// What a sum of shares may lack of itself by rounding.
const ROUNDING: f64 = 1e-9;

/// A stretch of time that holds some of the probability; where in it cannot be told.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Mass {
    /// It lies after this many nights,
    pub after: f64,
    /// and by this many; infinite for what was never seen.
    pub by: f64,
    /// Its share.
    pub share: f64,
}

/// The distribution of the time to activation.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Survival {
    /// Where the probability lies, in order of time; the shares sum to 1.
    pub masses: Vec<Mass>,
}

/// The largest change of a share at which the estimate counts as settled.
const SETTLED: f64 = 1e-11;
/// Most rounds of the estimate.
const ROUNDS: usize = 100_000;

impl Survival {
    /// The nonparametric estimate of Turnbull (1976, *Journal of the Royal Statistical
    /// Society B* 38:290–295) from times known to lie in `(least, most]`.
    ///
    /// The probability can only lie where a left end is followed by a right end with none
    /// between; the shares are found by self-consistency (EM), from equal shares. Without
    /// spells it is empty. Rounds × spells × masses time.
    pub fn estimate(spells: &[Spell]) -> Survival {
        let mut masses = innermost(spells);
        if masses.is_empty() {
            return Survival::default();
        }
        let groups = grouped(spells, &masses);
        let total: f64 = groups.iter().map(|g| g.2).sum();
        for _ in 0..ROUNDS {
            let mut next = vec![0.0; masses.len()];
            for &(from, to, count) in &groups {
                let held: f64 = masses[from..to].iter().map(|m| m.share).sum();
                if held > 0.0 {
                    for (share, mass) in next[from..to].iter_mut().zip(&masses[from..to]) {
                        *share += count * mass.share / held / total;
                    }
                }
            }
            let change = masses.iter().zip(&next).map(|(m, n)| (m.share - n).abs()).fold(0.0, f64::max);
            masses.iter_mut().zip(&next).for_each(|(m, &n)| m.share = n);
            if change < SETTLED {
                break;
            }
        }
        Survival { masses }
    }

    /// The least and the most that can be activated by a number of nights: the estimate does
    /// not say where within a mass the activations lie.
    pub fn activated_by(&self, nights: f64) -> [f64; 2] {
        let sum = |certain: bool| {
            let held = |m: &&Mass| if certain { m.by <= nights } else { m.after < nights };
            self.masses.iter().filter(held).map(|m| m.share).sum::<f64>().clamp(0.0, 1.0)
        };
        [sum(true), sum(false)]
    }

    /// The nights by which a share is certainly activated; `None` if so much never was.
    pub fn quantile(&self, share: f64) -> Option<f64> {
        let mut sum = 0.0;
        for mass in self.masses.iter().filter(|m| m.by.is_finite()) {
            sum += mass.share;
            if sum >= share - ROUNDING {
                return Some(mass.by);
            }
        }
        None
    }
}

/// The stretches that can hold probability.
fn innermost(spells: &[Spell]) -> Vec<Mass> {
    // A time lies after its left end and by its right end, so at one instant right ends
    // come first.
    let mut ends: Vec<(f64, bool)> = spells.iter().flat_map(|s| [(s.least, true), (s.most, false)]).collect();
    ends.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let mut masses: Vec<Mass> = ends
        .windows(2)
        .filter(|pair| pair[0].1 && !pair[1].1)
        .map(|pair| Mass { after: pair[0].0, by: pair[1].0, share: 0.0 })
        .collect();
    let share = 1.0 / masses.len().max(1) as f64;
    masses.iter_mut().for_each(|mass| mass.share = share);
    masses
}

/// The masses that each spell can hold, with the number of equal spells.
fn grouped(spells: &[Spell], masses: &[Mass]) -> Vec<(usize, usize, f64)> {
    let mut groups: std::collections::BTreeMap<(usize, usize), f64> = std::collections::BTreeMap::new();
    for spell in spells {
        let from = masses.partition_point(|m| m.after < spell.least);
        let to = masses.partition_point(|m| m.by <= spell.most);
        *groups.entry((from, to.max(from))).or_default() += 1.0;
    }
    groups.into_iter().filter(|((from, to), _)| from < to).map(|((f, t), n)| (f, t, n)).collect()
}

/// Bootstrap intervals of some numbers of the estimate, drawing whole stations with
/// replacement, since the spells of one station depend on each other.
///
/// `of` gives the numbers from one estimate; an infinite number stands for "never". The
/// interval of each is that of the percentiles. Seeded, a stream a draw: the same for any
/// number of threads.
pub fn bootstrap(
    spells: &[Spell],
    draws: usize,
    seed: u64,
    level: f64,
    of: impl Fn(&Survival) -> Vec<f64> + Sync,
) -> Vec<[f64; 2]> {
    let mut stations: Vec<usize> = spells.iter().map(|s| s.station).collect();
    stations.dedup();
    if stations.is_empty() || draws == 0 {
        return Vec::new();
    }
    let mut numbers: Vec<Vec<f64>> = (0..draws)
        .into_par_iter()
        .map(|draw| {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            rng.set_stream(draw as u64);
            let mut drawn = Vec::new();
            for _ in 0..stations.len() {
                let station = stations[rng.random_range(0..stations.len())];
                drawn.extend(spells.iter().filter(|s| s.station == station).copied());
            }
            of(&Survival::estimate(&drawn))
        })
        .collect();
    let width = numbers.first().map_or(0, Vec::len);
    (0..width)
        .map(|k| {
            numbers.sort_by(|a, b| a[k].total_cmp(&b[k]));
            let at = |p: f64| numbers[((p * draws as f64) as usize).min(draws - 1)][k];
            [at((1.0 - level) / 2.0), at((1.0 + level) / 2.0)]
        })
        .collect()
}
