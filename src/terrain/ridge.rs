//! Which crests stand out.

use rayon::prelude::*;

use super::drain::{Way, next};
use super::field::Field;

/// Keeps of the crest cells those that stand at least `least_m` above the creek that they drain
/// to (height above nearest drainage: Rennó et al. 2008, Remote Sensing of Environment 112;
/// Nobre et al. 2011, Journal of Hydrology 404), or above the place where they leave the field
/// without meeting one. Low divides on plains are dropped so.
pub(super) fn keep_what_stands_out(
    ground: &Field,
    down: &[Way],
    creeks: &[bool],
    crests: &mut [bool],
    least_m: f64,
) {
    let foot = |start: usize| {
        let mut cell = start;
        while !creeks[cell] {
            let Some(lower) = next(ground.columns, cell, down[cell]) else { break };
            cell = lower;
        }
        ground.values[cell]
    };
    crests.par_iter_mut().enumerate().with_min_len(1 << 12).filter(|(_, crest)| **crest).for_each(
        |(cell, crest)| {
            *crest = f64::from(ground.values[cell]) - f64::from(foot(cell)) >= least_m;
        },
    );
}
