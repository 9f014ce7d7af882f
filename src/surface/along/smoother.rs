//! One way to ask for density along lines, whatever the kernel.

use crate::surface::Kernel;

use super::chain::Chains;
use super::greens::heat_sums;
use super::heat::{ERROR_OF_PEAK, HeatNetwork};
use super::split::SplitKernel;
use super::{
    AlongError, EdgePoint, Field, KernelSums, LikelihoodBandwidth, LineGraph, Load, Source, SplitRule, Spread,
};

/// A kernel on a network.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum LineKernel {
    /// The heat kernel: the normal density of lines that branch.
    Heat {
        /// Standard deviation on a free line in metres.
        sigma_m: f64,
    },
    /// An equal-split kernel.
    Split(SplitKernel),
}

impl LineKernel {
    /// The kernel that a shape and a rule stand for: the normal curve is the heat kernel
    /// unless discontinuous splits are asked for.
    pub fn new(kernel: Kernel, rule: SplitRule, sigma_m: f64) -> Self {
        match (kernel, rule) {
            (Kernel::Gaussian, SplitRule::Continuous) => LineKernel::Heat { sigma_m },
            _ => LineKernel::Split(SplitKernel { kernel, rule, sigma_m }),
        }
    }

    /// Its standard deviation on a free line in metres.
    pub fn sigma_m(&self) -> f64 {
        match self {
            LineKernel::Heat { sigma_m } => *sigma_m,
            LineKernel::Split(split) => split.sigma_m,
        }
    }
}

/// A network made ready for smoothing: contracted to its junctions, with the order in
/// which they are eliminated. Made once, used for every kernel and bandwidth.
#[derive(Clone, PartialEq, Debug)]
pub struct LineSmoother {
    graph: LineGraph,
    network: HeatNetwork,
}

impl LineSmoother {
    /// Makes a network ready. Nearly linear in its edges on road maps.
    pub fn new(graph: LineGraph) -> Self {
        let network = HeatNetwork::new(Chains::of(&graph));
        Self { graph, network }
    }

    /// The network.
    pub fn graph(&self) -> &LineGraph {
        &self.graph
    }

    /// Where a position lies on the run of edges between junctions that holds it: the
    /// number of the run, metres from its start, and its length.
    ///
    /// # Errors
    /// [`AlongError::Position`].
    pub fn on_run(&self, at: EdgePoint) -> Result<(u32, f64, f64), AlongError> {
        let place = self.network.chains().place(self.graph.checked(at)?);
        Ok((place.chain, place.x_m, self.network.chains().chains[place.chain as usize].length_m))
    }

    /// The density of weighted points at each query, and masses between queries.
    ///
    /// # Errors
    /// [`AlongError::Bandwidth`], [`AlongError::Position`], [`AlongError::TooManyWalks`].
    pub fn density(
        &self,
        kernel: LineKernel,
        points: &[Source],
        queries: &[EdgePoint],
    ) -> Result<Field, AlongError> {
        self.check(kernel, points, &[], queries)?;
        match kernel {
            LineKernel::Heat { sigma_m } => {
                Ok(self.network.diffuse(&Load { points, spread: &[] }, queries, sigma_m))
            }
            LineKernel::Split(split) => split.density(self.network.chains(), points, queries),
        }
    }

    /// Bound on the error of [`LineSmoother::density`] as a share of the greatest density: by
    /// calculation for the heat kernel, by measurement for equal splits.
    pub fn error_of_greatest(&self, kernel: LineKernel, points: &[Source]) -> f64 {
        match kernel {
            LineKernel::Heat { .. } => ERROR_OF_PEAK,
            LineKernel::Split(split) => split.error_of_greatest(self.network.chains(), points),
        }
    }

    /// A load spread along stretches, smoothed, at each query.
    ///
    /// # Errors
    /// As [`LineSmoother::density`].
    pub fn spread(
        &self,
        kernel: LineKernel,
        spread: &[Spread],
        queries: &[EdgePoint],
    ) -> Result<Vec<f64>, AlongError> {
        self.check(kernel, &[], spread, queries)?;
        match kernel {
            LineKernel::Heat { sigma_m } => {
                Ok(self.network.diffuse(&Load { points: &[], spread }, queries, sigma_m).per_m)
            }
            LineKernel::Split(split) => split.spread_at(self.network.chains(), spread, queries),
        }
    }

    /// Sums over weighted points of the kernel and its square at each query, to 1e-3. The
    /// cost is that of all pairs within reach, points close together taken as one.
    ///
    /// Where a split kernel takes too many walks to be squared one by one, the heat kernel's
    /// sums stand in, scaled to the same roughness on a free line: on a mesh of 50 m with
    /// σ = 20 m within 25 %, which widens or narrows an interval by half of that.
    ///
    /// # Errors
    /// As [`LineSmoother::density`].
    pub fn sums(
        &self,
        kernel: LineKernel,
        points: &[Source],
        queries: &[EdgePoint],
    ) -> Result<Vec<KernelSums>, AlongError> {
        self.check(kernel, points, &[], queries)?;
        match kernel {
            LineKernel::Heat { sigma_m } => Ok(heat_sums(&self.network, points, queries, sigma_m)),
            LineKernel::Split(split) => {
                let chains = self.network.chains();
                let single = split.sums(chains, points, queries);
                Ok(single.unwrap_or_else(|| self.as_of_heat(split, points, queries)))
            }
        }
    }

    /// The sums of the heat kernel, scaled to the roughness and the peak that the split
    /// kernel has on a free line.
    pub(super) fn as_of_heat(
        &self,
        split: SplitKernel,
        points: &[Source],
        queries: &[EdgePoint],
    ) -> Vec<KernelSums> {
        let normal = SplitKernel { kernel: Kernel::Gaussian, ..split };
        let ((rough, peak), (normal_rough, normal_peak)) =
            (split.roughness_and_peak(), normal.roughness_and_peak());
        heat_sums(&self.network, points, queries, split.sigma_m)
            .into_iter()
            .map(|sums| KernelSums {
                squares: sums.squares * rough / normal_rough,
                largest: sums.largest * peak / normal_peak,
            })
            .collect()
    }

    /// The bandwidth of greatest cross-validated likelihood, for the heat kernel, between
    /// two bandwidths in metres.
    ///
    /// # Errors
    /// [`AlongError::Bandwidth`], [`AlongError::Position`], [`AlongError::TooFewPlaces`].
    pub fn likelihood_bandwidth(
        &self,
        points: &[Source],
        range_m: (f64, f64),
    ) -> Result<LikelihoodBandwidth, AlongError> {
        for sigma_m in [range_m.0, range_m.1, range_m.1 - range_m.0] {
            self.check(LineKernel::Heat { sigma_m }, points, &[], &[])?;
        }
        super::bandwidth::likelihood_bandwidth(&self.network, points, range_m)
    }

    fn check(
        &self,
        kernel: LineKernel,
        points: &[Source],
        spread: &[Spread],
        queries: &[EdgePoint],
    ) -> Result<(), AlongError> {
        let sigma_m = kernel.sigma_m();
        if !(sigma_m.is_finite() && sigma_m > 0.0) {
            return Err(AlongError::Bandwidth { sigma_m });
        }
        let stretches = spread.iter().flat_map(|stretch| {
            [stretch.from_m, stretch.to_m].map(|along_m| EdgePoint { edge: stretch.edge, along_m })
        });
        let positions = points.iter().map(|point| point.at).chain(queries.iter().copied()).chain(stretches);
        positions.into_iter().try_for_each(|at| self.graph.checked(at).map(drop))
    }
}
