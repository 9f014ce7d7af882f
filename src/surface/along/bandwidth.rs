//! The bandwidth under which each record is best foretold by the others.

use rayon::prelude::*;

use super::heat::HeatNetwork;
use super::stops::Stops;
use super::{AlongError, Load, Source};

/// What cross-validation found.
#[derive(Clone, PartialEq, Debug)]
pub struct LikelihoodBandwidth {
    /// The bandwidth in metres.
    pub sigma_m: f64,
    /// Whether the likelihood still rose at the end of the range: the bandwidth is then
    /// that end, and says little.
    pub at_end_of_range: bool,
    /// Bandwidths tried, ascending, and the mean log density of a record under the rest.
    pub tried: Vec<(f64, f64)>,
    /// Places that hold all weight of their component, and say nothing.
    pub alone: usize,
}

/// Bandwidths tried first, evenly by their logarithm.
const FIRST_TRIES: usize = 13;
/// The search ends when the bandwidth is known to this share.
const PRECISION: f64 = 0.01;
/// Each round halves what is left of the range: 60 leave nothing of any.
const MOST_ROUNDS: usize = 60;
/// The least density that a record may count with, as a share of its own peak: so much is
/// the normal density at 7.4 σ. One far-off record cannot decide alone, and rounding in
/// deep tails never shows.
const FLOOR_OF_OWN: f64 = 1e-12;
/// Records closer than this are one place.
const SAME_PLACE_M: f64 = 0.01;

/// Cross-validated likelihood on the network (Silverman 1986, section 3.4.4, with the
/// heat kernel; Baddeley, Rubak & Turner 2015 use the same criterion for intensities):
/// maximises the weighted mean of log (density at a place without what lies there).
///
/// All records at one place are left out together. Left out singly, two records of one
/// scat would foretell each other best with no smoothing at all.
///
/// # Errors
/// [`AlongError::TooFewPlaces`] if fewer than two places share a component.
pub(super) fn likelihood_bandwidth(
    network: &HeatNetwork,
    records: &[Source],
    range_m: (f64, f64),
) -> Result<LikelihoodBandwidth, AlongError> {
    let mut places = one_source_a_place(network, records);
    let alone = leave_out_lone(network, &mut places);
    if places.len() < 2 {
        return Err(AlongError::TooFewPlaces { places: places.len() });
    }
    let at: Vec<_> = places.iter().map(|place| place.at).collect();
    let stops = Stops::sorted(network.chains(), &Load { points: &places, spread: &[] }, &at);
    let score = |log: f64| (log, mean_log_density(network, &places, &stops, log.exp()));
    let (low, high) = (range_m.0.ln(), range_m.1.ln());
    let step = (high - low) / (FIRST_TRIES - 1) as f64;
    let logs: Vec<f64> = (0..FIRST_TRIES).map(|i| low + step * i as f64).collect();
    let mut tried: Vec<(f64, f64)> = logs.into_par_iter().map(score).collect();
    let best = tried.iter().enumerate().fold(0, |best, (i, t)| if t.1 > tried[best].1 { i } else { best });
    let inside = (tried[best.saturating_sub(1)].0, tried[(best + 1).min(FIRST_TRIES - 1)].0);
    narrow(inside, tried[best], score, &mut tried);
    tried.sort_by(|p, q| p.0.total_cmp(&q.0));
    let best = tried.iter().fold(tried[0], |best, &t| if t.1 > best.1 { t } else { best });
    Ok(LikelihoodBandwidth {
        sigma_m: best.0.exp(),
        at_end_of_range: best.0 - low < 2.0 * PRECISION || high - best.0 < 2.0 * PRECISION,
        tried: tried.into_iter().map(|(log, score)| (log.exp(), score)).collect(),
        alone,
    })
}

/// Closes in on a maximum: tries two points a round, one each side of the best so far, so
/// that two threads have work.
fn narrow(
    (mut low, mut high): (f64, f64),
    mut best: (f64, f64),
    score: impl Fn(f64) -> (f64, f64) + Sync,
    tried: &mut Vec<(f64, f64)>,
) {
    for _ in 0..MOST_ROUNDS {
        if high - low <= 2.0 * PRECISION {
            break;
        }
        let (left, right) = rayon::join(|| score(0.5 * (low + best.0)), || score(0.5 * (best.0 + high)));
        tried.extend([left, right]);
        if left.1 > best.1 && left.1 >= right.1 {
            (high, best) = (best.0, left);
        } else if right.1 > best.1 {
            (low, best) = (best.0, right);
        } else {
            (low, high) = (left.0, right.0);
        }
    }
}

fn mean_log_density(network: &HeatNetwork, places: &[Source], stops: &Stops, sigma_m: f64) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for (place, (density, own)) in places.iter().zip(network.density_and_own(stops, sigma_m)) {
        let without = (density - place.weight * own).max(FLOOR_OF_OWN * own);
        sum += place.weight * without.ln();
        weights += place.weight;
    }
    sum / weights
}

/// Adds up the records of each place, in the order of places along the network.
fn one_source_a_place(network: &HeatNetwork, records: &[Source]) -> Vec<Source> {
    let mut sorted: Vec<_> = records
        .iter()
        .filter(|record| record.weight > 0.0)
        .map(|record| (network.chains().place(record.at), *record))
        .collect();
    sorted.sort_by(|p, q| p.0.chain.cmp(&q.0.chain).then(p.0.x_m.total_cmp(&q.0.x_m)));
    let mut places: Vec<Source> = Vec::new();
    let mut last = None;
    for (place, record) in sorted {
        match (last, places.last_mut()) {
            (Some((chain, x_m)), Some(open)) if chain == place.chain && place.x_m - x_m <= SAME_PLACE_M => {
                open.weight += record.weight;
            }
            _ => {
                places.push(record);
                last = Some((place.chain, place.x_m));
            }
        }
    }
    places
}

/// Takes out places that are alone on their component, and counts them.
fn leave_out_lone(network: &HeatNetwork, places: &mut Vec<Source>) -> usize {
    let components = network.chains().components();
    let of = |place: &Source| components[network.chains().place(place.at).chain as usize];
    let mut counts = vec![0usize; network.chains().len()];
    places.iter().for_each(|place| counts[of(place) as usize] += 1);
    let before = places.len();
    places.retain(|place| counts[of(place) as usize] > 1);
    before - places.len()
}

#[cfg(test)]
mod tests {
    use super::super::chain::Chains;
    use super::super::{EdgePoint, GraphEdge, LineGraph};
    use super::*;

    /// A long line, and a short one apart.
    fn network() -> HeatNetwork {
        let edge = |from, to, length_m| GraphEdge { from, to, length_m };
        HeatNetwork::new(Chains::of(&LineGraph::new(4, vec![edge(0, 1, 1e5), edge(2, 3, 100.0)]).unwrap()))
    }

    fn source(edge: u32, along_m: f64, weight: f64) -> Source {
        Source { at: EdgePoint { edge, along_m }, weight }
    }

    /// Far from its ends the line's kernel is the normal density, and the likelihood is a sum that can
    /// be written out; its greatest value is looked for here on a fine ladder.
    #[test]
    fn the_bandwidth_is_that_of_the_greatest_likelihood() {
        let at: Vec<(f64, f64)> =
            (0..14).map(|k| (5e4 + f64::from(k * k * 37 % 1500), 1.0 + f64::from(k % 3))).collect();
        let mut records: Vec<Source> = at.iter().map(|&(x, w)| source(0, x, w)).collect();
        // A second record at the first's place joins it; one alone on its line says nothing; one of
        // no weight is none.
        records.extend([source(0, at[0].0 + 0.005, 1.0), source(1, 50.0, 2.0), source(0, 10.0, 0.0)]);
        let mut places = at.clone();
        places[0].1 += 1.0;
        let mean_log = |sigma: f64| {
            let normal = |d: f64| (-0.5 * (d / sigma).powi(2)).exp() / (sigma * std::f64::consts::TAU.sqrt());
            let own = |i: usize| {
                let others: f64 = (0..places.len())
                    .filter(|&j| j != i)
                    .map(|j| places[j].1 * normal(places[i].0 - places[j].0))
                    .sum();
                places[i].1 * others.max(FLOOR_OF_OWN * normal(0.0)).ln()
            };
            (0..places.len()).map(own).sum::<f64>() / places.iter().map(|p| p.1).sum::<f64>()
        };
        let found = likelihood_bandwidth(&network(), &records, (20.0, 2000.0)).unwrap();
        assert_eq!((found.alone, found.at_end_of_range), (1, false));
        let ladder = (0..=4605).map(|k| 20.0 * (f64::from(k) * 1e-3).exp());
        let best = ladder.max_by(|a, b| mean_log(*a).total_cmp(&mean_log(*b))).unwrap();
        assert!((found.sigma_m / best).ln().abs() < PRECISION, "{} {best}", found.sigma_m);
        // What was tried is told, ascending: thirteen bandwidths at even steps among them.
        assert!(found.tried.is_sorted_by(|a, b| a.0 <= b.0) && found.tried.len() < 40);
        for k in 0..13 {
            let step = 20.0 * 100_f64.powf(f64::from(k) / 12.0);
            assert!(found.tried.iter().any(|t| (t.0 / step - 1.0).abs() < 1e-9), "{step}");
        }
        for &(sigma, told) in &found.tried {
            // Of narrow ones some place is so far from the rest that the heat kernel's own error tells.
            let tolerance = if sigma < 60.0 { 1e-3 } else { 1e-6 };
            assert!((told - mean_log(sigma)).abs() < tolerance, "{sigma}: {told} {}", mean_log(sigma));
        }
    }

    #[test]
    fn an_end_of_the_range_is_told_and_too_few_places_refused() {
        let pair = [source(0, 5e4, 1.0), source(0, 5e4 + 500.0, 1.0)];
        for range_m in [(1.0, 100.0), (2000.0, 9000.0)] {
            let found = likelihood_bandwidth(&network(), &pair, range_m).unwrap();
            assert!(found.at_end_of_range, "{range_m:?} {}", found.sigma_m);
        }
        // Two places a distance apart are best foretold by just that deviation.
        let found = likelihood_bandwidth(&network(), &pair, (50.0, 5000.0)).unwrap();
        assert!((found.sigma_m / 500.0 - 1.0).abs() < PRECISION && !found.at_end_of_range);
        let lone = [source(0, 5e4, 1.0), source(1, 50.0, 1.0)];
        let refused = likelihood_bandwidth(&network(), &lone, (50.0, 5000.0));
        assert_eq!(refused, Err(AlongError::TooFewPlaces { places: 0 }));
    }

    #[test]
    fn records_of_one_place_are_one_source() {
        let records = [
            source(0, 300.009, 1.0),
            source(0, 300.0, 2.0),
            source(0, 300.02, 4.0),
            source(1, 70.0, 8.0),
            source(0, 100.0, 0.0),
        ];
        let places = one_source_a_place(&network(), &records);
        assert_eq!(places, [source(0, 300.0, 3.0), source(0, 300.02, 4.0), source(1, 70.0, 8.0)]);
    }
}
