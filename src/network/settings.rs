//! Settings of the network and what can go wrong.

use super::KindSet;
use crate::record::{LineKind, SourcePlace};

/// The least snap distance in metres: the lattice of a finer one would not hold a property.
const LEAST_SNAP_M: f64 = 1e-6;

/// How a network is built.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct NetworkSettings {
    /// A line end within this many metres of another line joins it; an end that runs past
    /// another line by less is cut. Also the step of the lattice where less than 1 cm. 0 closes
    /// nothing.
    pub snap_m: f64,
    /// Repeated GPS passes of one track whose offsets are within this many metres become one
    /// line; less than 0.5 turns merging off.
    pub merge_m: f64,
    /// How far from a node its ways are told apart, and how far apart nodes still form one
    /// place, in metres.
    pub reach_m: f64,
    /// The kinds that people and animals travel along.
    pub travel: KindSet,
    /// Whether lines on different levels (bridge, tunnel, layer) stay apart at crossings.
    pub respect_levels: bool,
}

impl Default for NetworkSettings {
    /// Snap and merge 5 m, about the error of a hand-held receiver; reach 50 m (common
    /// practice, no source); tracks and roads carry travel; levels are respected.
    fn default() -> Self {
        Self {
            snap_m: 5.0,
            merge_m: 5.0,
            reach_m: 50.0,
            travel: KindSet::from_kinds(&[LineKind::Track, LineKind::Road]),
            respect_levels: true,
        }
    }
}

/// The coarsest lattice used, in metres.
const LATTICE_STEP_M: f64 = 0.01;

impl NetworkSettings {
    /// The step of the lattice in metres: 1 cm, or the snap distance if smaller and not 0.
    pub fn lattice_step_m(&self) -> f64 {
        if self.snap_m > 0.0 { LATTICE_STEP_M.min(self.snap_m) } else { LATTICE_STEP_M }
    }

    pub(crate) fn check(&self) -> Result<(), NetworkError> {
        let fault = |name, value| Err(NetworkError::Setting { name, value });
        match self {
            s if !(s.snap_m.is_finite() && (s.snap_m == 0.0 || s.snap_m >= LEAST_SNAP_M)) => {
                fault("snap", s.snap_m)
            }
            s if !(s.merge_m.is_finite() && s.merge_m >= 0.0) => fault("merge", s.merge_m),
            s if !(s.reach_m.is_finite() && s.reach_m > 0.0) => fault("reach", s.reach_m),
            _ => Ok(()),
        }
    }
}

/// Why a network could not be built.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum NetworkError {
    /// A distance that makes no sense.
    #[error(
        "the {name} distance must be a number of metres greater than 0 (snap and merge may be 0, which turns them off; any other snap is at least 0.000001), found {value}"
    )]
    Setting {
        /// Which one.
        name: &'static str,
        /// What was given.
        value: f64,
    },
    /// There is no line at all.
    #[error("there is no line to build a network from")]
    NoLine,
    /// Every line is shorter than the lattice.
    #[error("every line is shorter than {step_m} m, so there is no network ({first} is one)")]
    NoLength {
        /// The lattice step.
        step_m: f64,
        /// The first of them.
        first: SourcePlace,
    },
    /// The lines span more than the lattice can hold.
    #[error(
        "the lines span {:.0} km, more than a lattice of {step_m} m can hold; check for a line far from the rest, or raise the snap distance",
        extent_m / 1000.0
    )]
    TooWide {
        /// Extent along the longer axis.
        extent_m: f64,
        /// The lattice step.
        step_m: f64,
    },
    /// Too many vertices for one network.
    #[error(
        "{vertices} vertices are too many for one network (the limit is {limit}); cut the job into parts"
    )]
    TooManyVertices {
        /// How many there are.
        vertices: usize,
        /// The most that fit.
        limit: usize,
    },
    /// So many lines run over each other that noding would not end.
    #[error(
        "more than {pairs} pairs of line pieces overlap: very many lines run through one place; remove repeated lines"
    )]
    TooManyCrossings {
        /// The limit.
        pairs: u64,
    },
    /// So long lines that looking for passes of one track would take more memory than there is.
    #[error(
        "{length_km:.0} km of lines are too long to look for passes of one track every {step_m} m; raise the merge distance, or cut the job into parts"
    )]
    TooLong {
        /// The length of all lines in kilometres.
        length_km: f64,
        /// The distance between two looks in metres.
        step_m: f64,
    },
}
