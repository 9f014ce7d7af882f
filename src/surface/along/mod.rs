//! Density along lines: sign per metre of line, on the network that people travel.

mod bandwidth;
mod chain;
mod graph;
mod greens;
mod heat;
mod ldlt;
mod on_network;
mod piece;
mod poles;
mod profile;
mod smoother;
mod split;
mod stops;
#[cfg(test)]
mod tests;
mod walk;
mod wave;

pub use bandwidth::LikelihoodBandwidth;
pub use graph::{EdgePoint, GraphEdge, LineGraph};
pub use heat::ERROR_OF_PEAK;
pub use on_network::{Snapped, line_graph, snap_records};
pub use piece::{Piece, Pieces, path_between};
pub use smoother::{LineKernel, LineSmoother};
pub use split::SplitKernel;
pub use walk::SplitRule;

/// What can be wrong with density along lines.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum AlongError {
    /// An edge without length, or with a node that does not exist.
    #[error("edge {edge} of the line network cannot be used (length {length_m} m)")]
    Edge {
        /// Index of the edge.
        edge: usize,
        /// Its length in metres.
        length_m: f64,
    },
    /// A position that is not on the network.
    #[error("{along_m} m along edge {edge} is not on the line network")]
    Position {
        /// Index of the edge.
        edge: u32,
        /// Metres from its start.
        along_m: f64,
    },
    /// A bandwidth that is no length.
    #[error("a bandwidth of {sigma_m} m cannot be used; give a positive number of metres")]
    Bandwidth {
        /// The bandwidth asked for.
        sigma_m: f64,
    },
    /// Equal splits with more walks than can be followed.
    #[error(
        "equal splits at a bandwidth of {sigma_m:.0} m would take too many walks on this network; \
         use at most {fits_m:.0} m, or the heat kernel (gaussian), which has no such limit"
    )]
    TooManyWalks {
        /// The bandwidth asked for.
        sigma_m: f64,
        /// The largest that can be done, to 2 %.
        fits_m: f64,
    },
    /// Cross-validation with nothing to validate against.
    #[error(
        "cross-validation needs records at two places or more of one network, found {places}; give a bandwidth in metres"
    )]
    TooFewPlaces {
        /// Places found.
        places: usize,
    },
}

/// A weight at a position.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Source {
    /// Where.
    pub at: EdgePoint,
    /// How much: pieces of sign, not negative.
    pub weight: f64,
}

/// A load spread evenly along a stretch of one edge: effort, in passes.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Spread {
    /// Index of the edge.
    pub edge: u32,
    /// Start of the stretch in metres along the edge.
    pub from_m: f64,
    /// End of the stretch in metres along the edge, not before its start.
    pub to_m: f64,
    /// Load per metre.
    pub per_m: f64,
}

/// What is to be smoothed.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Load<'a> {
    /// Loads at positions.
    pub points: &'a [Source],
    /// Loads along stretches.
    pub spread: &'a [Spread],
}

/// A smoothed load at the positions asked for, in their order.
#[derive(Clone, PartialEq, Debug)]
pub struct Field {
    /// Load per metre of line.
    pub per_m: Vec<f64>,
    /// Mass between the start of the position's chain and the position, up to a constant
    /// of the chain: differences are masses, to rounding.
    before: Vec<f64>,
}

impl Field {
    /// Mass between two of the positions, which lie on one edge: the exact integral of
    /// the density between them.
    pub fn mass_between(&self, one: usize, other: usize) -> f64 {
        (self.before[one] - self.before[other]).abs()
    }

    /// Nothing yet, at some number of positions.
    fn zero(positions: usize) -> Self {
        Self { per_m: vec![0.0; positions], before: vec![0.0; positions] }
    }

    fn add(&mut self, other: &Field) {
        self.per_m.iter_mut().zip(&other.per_m).for_each(|(sum, value)| *sum += value);
        self.before.iter_mut().zip(&other.before).for_each(|(sum, value)| *sum += value);
    }
}

/// Sums of the kernel between one position and some weighted points; what an interval for
/// a weighted sum asks for.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct KernelSums {
    /// Σ w K², per square metre.
    pub squares: f64,
    /// The largest K among points with weight, per metre.
    pub largest: f64,
}

impl KernelSums {
    /// Adds a point; one without weight, or out of reach, adds nothing.
    fn add(&mut self, weight: f64, kernel: f64) {
        if weight > 0.0 && kernel > 0.0 {
            self.squares += weight * kernel * kernel;
            self.largest = self.largest.max(kernel);
        }
    }

    fn over(row: &[(u32, f64)], points: &[Source]) -> Self {
        let mut sums = Self::default();
        row.iter().for_each(|&(index, kernel)| sums.add(points[index as usize].weight, kernel));
        sums
    }
}
