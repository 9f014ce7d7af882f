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
    while high - low > 2.0 * PRECISION {
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
