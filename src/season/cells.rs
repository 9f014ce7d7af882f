//! Where sign changed: a test in every cell, and one for all cells together.

use rayon::prelude::*;

use super::moments::Moments;
use super::relabel::reaches;
use super::{Relabellings, Season, benjamini_hochberg};

/// What a whole number of parts may lack by rounding.
const ROUNDING: f64 = 1e-9;

/// Share of the largest error that is added to every error, so that a cell with hardly any
/// sign cannot make a large studentised difference out of a tiny error (the "fudge" of
/// Tusher, Tibshirani & Chu 2001, doi:10.1073/pnas.091062498).
const ERROR_FLOOR: f64 = 0.05;

/// Level of claims.
pub(super) const LEVEL: f64 = 0.05;

/// The local tests, one value a lattice cell. Cells that were not tested hold NaN.
#[derive(Clone, PartialEq, Debug)]
pub struct CellTests {
    /// Studentised difference z = (after − before) / (error + 0.05 · largest error).
    pub z: Vec<f64>,
    /// Two-sided p of each cell by itself: min(1, 2 min(upper, lower)).
    pub p: Vec<f64>,
    /// Family-wise p: the share of relabellings in which any cell differs as much.
    pub p_family: Vec<f64>,
    /// p adjusted by Benjamini & Hochberg over the tested cells.
    pub p_fdr: Vec<f64>,
    /// |z| above which a cell is claimed; infinite where the runs are too few for any claim.
    pub claim_above: f64,
    /// Relabellings besides the observed one.
    pub runs: usize,
    /// Number of tested cells.
    pub tested: usize,
}

/// Counts over relabellings.
struct Tally {
    upper: Vec<u32>,
    lower: Vec<u32>,
    largest: Vec<(usize, f64)>,
}

impl Tally {
    fn new(cells: usize) -> Self {
        Self { upper: vec![0; cells], lower: vec![0; cells], largest: Vec::new() }
    }

    fn add(mut self, other: Self) -> Self {
        self.upper.iter_mut().zip(other.upper).for_each(|(a, b)| *a += b);
        self.lower.iter_mut().zip(other.lower).for_each(|(a, b)| *a += b);
        self.largest.extend(other.largest);
        self
    }
}

/// Tests every cell by the relabellings of the blocks.
///
/// `moments` are over the tested cells, `places` on a lattice of `cells`. Cost: relabellings
/// × blocks in the smaller season × tested cells.
pub(super) fn test_cells(
    moments: &Moments,
    relabellings: &Relabellings,
    places: &[usize],
    cells: usize,
) -> CellTests {
    let observed = studentised(moments, relabellings.observed());
    let mirrored = relabellings.mirrored();
    let tally = relabellings
        .parts()
        .par_iter()
        .enumerate()
        .fold(
            || Tally::new(places.len()),
            |mut tally, (run, part)| {
                let z = studentised(moments, part);
                let counts = tally.upper.iter_mut().zip(tally.lower.iter_mut());
                for ((&z, &seen), (upper, lower)) in z.iter().zip(&observed).zip(counts) {
                    *upper += u32::from(reaches(z, seen)) + u32::from(mirrored && reaches(-z, seen));
                    *lower += u32::from(reaches(-z, -seen)) + u32::from(mirrored && reaches(z, -seen));
                }
                tally.largest.push((run, z.iter().fold(0.0, |m: f64, z| m.max(z.abs()))));
                tally
            },
        )
        .reduce(|| Tally::new(places.len()), Tally::add);
    let mut largest: Vec<f64> = tally.largest.iter().map(|(_, z)| *z).collect();
    largest.sort_by(|a, b| b.total_cmp(a));

    let runs = relabellings.runs() as f64;
    let p: Vec<f64> = observed
        .iter()
        .zip(tally.upper.iter().zip(&tally.lower))
        .map(|(&z, (&upper, &lower))| {
            // The mirror of the observed labelling is among the relabellings.
            let mirror = |sign: f64| f64::from(u8::from(mirrored && reaches(-sign * z, sign * z)));
            let tail = |count: u32, sign: f64| (f64::from(count) + mirror(sign) + 1.0) / (runs + 1.0);
            (2.0 * tail(upper, 1.0).min(tail(lower, -1.0))).min(1.0)
        })
        .collect();
    let family = |z: &f64| {
        let reached = largest.partition_point(|&m| reaches(m, z.abs()));
        relabellings.p_of(reached)
    };
    let p_family: Vec<f64> = observed.iter().map(family).collect();
    // A cell is claimed while at most this many parts reach it.
    let allowed = (LEVEL * (relabellings.parts().len() + 1) as f64 + ROUNDING).floor() as usize;
    let claim_above = match allowed.checked_sub(1) {
        Some(reached) => largest.get(reached).copied().unwrap_or(f64::INFINITY),
        None => f64::INFINITY,
    };
    let after_is_part = if relabellings.part_is() == Season::After { 1.0 } else { -1.0 };
    let spread = |values: Vec<f64>, sign: f64| {
        let mut all = vec![f64::NAN; cells];
        places.iter().zip(values).for_each(|(&place, v)| all[place] = sign * v);
        all
    };
    let p_fdr = benjamini_hochberg(&p);
    CellTests {
        z: spread(observed, after_is_part),
        p: spread(p, 1.0),
        p_family: spread(p_family, 1.0),
        p_fdr: spread(p_fdr, 1.0),
        claim_above,
        runs: relabellings.runs(),
        tested: places.len(),
    }
}

/// z of the tested cells, part minus rest.
fn studentised(moments: &Moments, part: &[u32]) -> Vec<f64> {
    let contrast = moments.contrast(part);
    let largest = contrast.error.iter().fold(0.0, |m: f64, &e| m.max(e));
    let z = |(difference, error): (&f64, &f64)| {
        let error = error + ERROR_FLOOR * largest;
        if error > 0.0 { difference / error } else { 0.0 }
    };
    contrast.difference.iter().zip(&contrast.error).map(z).collect()
}
