//! Sign per kilometre searched, anywhere on the network.
//!
//! The rate at x is the kernel sum of sign over the kernel integral of effort,
//! Σ w_i K(x, x_i) / ∫ K(x, v) e(v) dv with e in passes: the ratio estimator of Diggle
//! (1985, Appl. Statist. 34:138–147) and Bithell (1990, Stat. Med. 9:691–701), on lines.
//! Where people drive twice as often twice as much is found, and the rate stays what it
//! is. Line that nobody searched has no rate.

use super::shrink::{Prior, Searched, Shrunk};
use super::tally::Effort;
use crate::statistics::{Interval, gamma_interval};
use crate::surface::along::{AlongError, EdgePoint, LineKernel, LineSmoother, Source};

/// Metres in a kilometre.
const M_PER_KM: f64 = 1000.0;
/// Effort is sampled this finely for squares of the kernel, in shares of its σ.
const SAMPLE_STEP: f64 = 0.25;
/// On a long track walked once, the rate at a point rests on the sign of this many σ of
/// track: 1 / (σ ∫φ²) = 2√π.
const WINDOW: f64 = 3.544_907_701_811_032;

/// A rate at a position that somebody searched.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Rate {
    /// Sign per km searched.
    pub per_km: f64,
    /// The gamma interval of the smoothed rate (Fay & Feuer 1997), per km searched. It
    /// takes sign as Poisson; sign that comes in clumps is surer of itself than it should
    /// be.
    pub interval_per_km: Interval,
    /// The search that the rate rests on: a plain count on so many km would be as sure.
    pub effective_km: f64,
    /// The rate drawn towards the mean of all, the more the less was searched. `None`
    /// where no prior could be had.
    pub shrunk: Option<Shrunk>,
}

/// Rates on one network at one bandwidth.
pub struct Rates<'a> {
    smoother: &'a LineSmoother,
    kernel: LineKernel,
    effort: &'a Effort,
    records: &'a [Source],
    confidence: f64,
    prior: Option<Prior>,
}

impl<'a> Rates<'a> {
    /// Rates of the records found by the effort given; other records are not to be in it.
    /// `confidence` is that of the intervals, such as 0.95.
    ///
    /// The prior for shrinkage is that of greatest likelihood over stretches about as long
    /// as the kernel is wide, cut from the runs of line between junctions.
    ///
    /// # Errors
    /// [`AlongError::Position`] for a record or stretch that is not on the network.
    pub fn new(
        smoother: &'a LineSmoother,
        kernel: LineKernel,
        effort: &'a Effort,
        records: &'a [Source],
        confidence: f64,
    ) -> Result<Self, AlongError> {
        let stretches = stretches(smoother, effort, records, WINDOW * kernel.sigma_m())?;
        let prior = Prior::most_likely(&stretches);
        Ok(Self { smoother, kernel, effort, records, confidence, prior })
    }

    /// The distribution of rates that shrinkage draws towards; `None` if no sign was found.
    pub fn prior(&self) -> Option<Prior> {
        self.prior
    }

    /// The rate at each position; `None` where nobody searched.
    ///
    /// # Errors
    /// [`AlongError::Bandwidth`], [`AlongError::Position`], [`AlongError::TooManyWalks`].
    pub fn at(&self, positions: &[EdgePoint]) -> Result<Vec<Option<Rate>>, AlongError> {
        let sign = self.smoother.density(self.kernel, self.records, positions)?.per_m;
        let effort = self.smoother.spread(self.kernel, self.effort.levels(), positions)?;
        let samples = self.samples();
        let seen = self.smoother.sums(self.kernel, self.records, positions)?;
        let searched = self.smoother.sums(self.kernel, &samples, positions)?;
        let rate = |i: usize| {
            let passes = effort[i];
            (passes > 0.0 && self.effort.covers(positions[i])).then(|| {
                let per_km = sign[i] / passes * M_PER_KM;
                let scale = M_PER_KM / passes;
                let variance = seen[i].squares * scale * scale;
                let largest = searched[i].largest.max(seen[i].largest) * scale;
                let interval_per_km = gamma_interval(per_km, variance, largest, self.confidence);
                let effective_km = passes * passes / searched[i].squares / M_PER_KM;
                let own = Searched { count: per_km * effective_km, effort: effective_km };
                let shrunk = self.prior.map(|prior| prior.shrink(own, self.confidence));
                Rate { per_km, interval_per_km, effective_km, shrunk }
            })
        };
        Ok((0..positions.len()).map(rate).collect())
    }

    /// The effort as points, close enough together for the square of the kernel.
    fn samples(&self) -> Vec<Source> {
        let step_m = SAMPLE_STEP * self.kernel.sigma_m();
        let mut samples = Vec::new();
        for level in self.effort.levels() {
            let length_m = level.to_m - level.from_m;
            let count = (length_m / step_m).ceil().max(1.0) as usize;
            for i in 0..count {
                let along_m = level.from_m + (i as f64 + 0.5) / count as f64 * length_m;
                let at = EdgePoint { edge: level.edge, along_m };
                samples.push(Source { at, weight: level.per_m * length_m / count as f64 });
            }
        }
        samples
    }
}

/// The network's runs cut into stretches of about a length, with sign and effort on each;
/// stretches that nobody searched are left out. Effort in km.
fn stretches(
    smoother: &LineSmoother,
    effort: &Effort,
    records: &[Source],
    about_m: f64,
) -> Result<Vec<Searched>, AlongError> {
    let mut found: std::collections::BTreeMap<(u32, u32), Searched> = std::collections::BTreeMap::new();
    let mut add = |at: EdgePoint, count: f64, km: f64| {
        let (run, x_m, length_m) = smoother.on_run(at)?;
        let parts = (length_m / about_m).round().max(1.0);
        let part = (x_m / length_m * parts).min(parts - 1.0) as u32;
        let own = found.entry((run, part)).or_insert(Searched { count: 0.0, effort: 0.0 });
        own.count += count;
        own.effort += km;
        Ok(())
    };
    // Fine steps put effort on the right side of every cut, to a hundredth of a stretch.
    let step_m = about_m / 100.0;
    for level in effort.levels() {
        let length_m = level.to_m - level.from_m;
        let steps = (length_m / step_m).ceil().max(1.0) as usize;
        for i in 0..steps {
            let along_m = level.from_m + (i as f64 + 0.5) / steps as f64 * length_m;
            let km = level.per_m * length_m / steps as f64 / M_PER_KM;
            add(EdgePoint { edge: level.edge, along_m }, 0.0, km)?;
        }
    }
    records.iter().try_for_each(|record| add(record.at, record.weight, 0.0))?;
    Ok(found.into_values().filter(|own| own.effort > 0.0).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::surface::along::{GraphEdge, LineGraph};
    use crate::surface::effort::Passage;

    fn passage(edge: u32, from_m: f64, to_m: f64, passes: f64) -> Passage {
        Passage { edge, from_m, to_m, passes, date: None }
    }

    fn smoother() -> LineSmoother {
        let edge = |from, to, length_m| GraphEdge { from, to, length_m };
        LineSmoother::new(LineGraph::new(4, vec![edge(0, 1, 1e5), edge(2, 3, 260.0)]).unwrap())
    }

    /// Ninety metres in steps of at most 25 are four of 22.5, each with its share of the passes.
    #[test]
    fn effort_is_sampled_at_the_middles_of_even_steps() {
        let (smoother, effort) =
            (smoother(), Effort::new(2, [passage(0, 100.0, 190.0, 3.0), passage(1, 0.0, 9.0, 2.0)]));
        let kernel = LineKernel::Heat { sigma_m: 100.0 };
        let rates = Rates::new(&smoother, kernel, &effort, &[], 0.95).unwrap();
        let found: Vec<_> = rates.samples().iter().map(|s| (s.at.edge, s.at.along_m, s.weight)).collect();
        let steps = [111.25, 133.75, 156.25, 178.75].map(|along_m| (0, along_m, 67.5));
        assert_eq!(found, steps.into_iter().chain([(1, 4.5, 18.0)]).collect::<Vec<_>>());
        assert_eq!(rates.prior(), None);
    }

    /// A run of 260 m in stretches of about 100 is three; sign and kilometres fall where they lie.
    #[test]
    fn runs_are_cut_into_even_stretches() {
        let third = 260.0 / 3.0;
        let effort = Effort::new(2, [passage(1, 0.0, 1.5 * third, 4.0), passage(1, third, 1.5 * third, 1.0)]);
        let source = |along_m: f64, weight| Source { at: EdgePoint { edge: 1, along_m }, weight };
        // One in the third stretch, which nobody searched, is left out.
        let records = [source(0.0, 1.0), source(80.0, 2.0), source(90.0, 4.0), source(260.0, 8.0)];
        let found = stretches(&smoother(), &effort, &records, 100.0).unwrap();
        assert_eq!(found.iter().map(|s| s.count).collect::<Vec<_>>(), [3.0, 4.0]);
        let expected = [4.0 * third / 1000.0, 5.0 * 0.5 * third / 1000.0];
        for (found, expected) in found.iter().zip(expected) {
            assert!((found.effort - expected).abs() < 0.005, "{found:?} {expected}");
        }
        assert_eq!(stretches(&smoother(), &effort, &records, 1e6).unwrap().len(), 1);
    }

    /// On a long line passed p times, far from its ends: the rate is Σ φ over p, its effective search
    /// 2√π σ p, its interval that of Fay and Feuer with Σ φ² and φ(0).
    #[test]
    fn rates_on_a_long_line_by_hand() {
        let (smoother, passes, sigma_m) = (smoother(), 3.0, 200.0);
        let effort = Effort::new(2, [passage(0, 2e4, 8e4, passes)]);
        let at = |along_m: f64| EdgePoint { edge: 0, along_m };
        let records = [(5e4, 2.0), (5e4 + 300.0, 1.0), (5e4 - 100.0, 1.0)];
        let sources = records.map(|(x, weight)| Source { at: at(x), weight });
        let rates = Rates::new(&smoother, LineKernel::Heat { sigma_m }, &effort, &sources, 0.9).unwrap();
        let found = rates.at(&[at(5e4), at(1e4)]).unwrap();
        assert_eq!(found[1], None, "nobody was there");
        let found = found[0].unwrap();
        let normal = |d: f64| (-0.5 * (d / sigma_m).powi(2)).exp() / (sigma_m * std::f64::consts::TAU.sqrt());
        let sum: f64 = records.iter().map(|(x, w)| w * normal(x - 5e4)).sum();
        let squares: f64 = records.iter().map(|(x, w)| w * normal(x - 5e4).powi(2)).sum();
        let (per_km, scale) = (1000.0 * sum / passes, 1000.0 / passes);
        assert!((found.per_km / per_km - 1.0).abs() < 1e-6, "{found:?} {per_km}");
        let interval = gamma_interval(per_km, squares * scale * scale, normal(0.0) * scale, 0.9);
        assert!((found.interval_per_km.low / interval.low - 1.0).abs() < 2e-3, "{found:?} {interval:?}");
        assert!((found.interval_per_km.high / interval.high - 1.0).abs() < 2e-3, "{found:?} {interval:?}");
        let effective_km = 2.0 * std::f64::consts::PI.sqrt() * sigma_m * passes / 1000.0;
        assert!((found.effective_km / effective_km - 1.0).abs() < 2e-3, "{found:?} {effective_km}");
        let own = Searched { count: found.per_km * found.effective_km, effort: found.effective_km };
        let shrunk = rates.prior().map(|prior| prior.shrink(own, 0.9));
        assert!(shrunk.is_some() && found.shrunk == shrunk);
    }
}
