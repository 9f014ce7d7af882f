//! Sums over any selection of single records, without a surface for each of them.

use crate::frame::GroundPoint;
use crate::surface::{Grid, WeightedPoint};

/// Nodes to a bandwidth. Interpolation of order eight in steps of H errs by at most
/// (105/8!)·43 (H/σ)⁸ of a Gaussian's peak: 2e-6 for the kernel, 3e-5 for its square, which
/// is narrower by √2.
const NODES_PER_BANDWIDTH: f64 = 4.0;

/// Order of the interpolation: nodes a point touches along an axis.
const ORDER: usize = 8;

/// Beyond this many bandwidths a Gaussian is under 2e-8 of its peak and is left out.
const REACH: f64 = 6.0;

/// Gaussian sums over selections of records: Σ w φ, Σ w² φ and Σ w² φ² on a lattice, with φ
/// the kernel of one record.
///
/// The Gaussian of a record is written as a combination of Gaussians at the eight nearest
/// nodes of a coarse mesh along each axis (Lagrange interpolation in the position of the
/// source), so a selection costs 64 additions a record and two small separable products.
pub(super) struct PointSums {
    weights: Vec<f64>,
    /// The weight of all records, where they share one.
    shared: Option<f64>,
    stencils: Vec<Stencil>,
    nodes: (usize, usize),
    wide: Axes,
    narrow: Axes,
    lattice: (usize, usize),
}

struct Stencil {
    column: usize,
    row: usize,
    across: [f64; ORDER],
    along: [f64; ORDER],
}

/// The Gaussian from every node to every lattice line, along both axes.
struct Axes {
    x: Vec<Band>,
    y: Vec<Band>,
    scale: f64,
}

/// The nodes within reach of one lattice line.
struct Band {
    first: usize,
    values: Vec<f64>,
}

impl PointSums {
    /// Prepares records for a lattice and a Gaussian of a bandwidth in metres.
    pub fn new(points: &[WeightedPoint], lattice: &Grid, bandwidth_m: f64) -> Self {
        let step = bandwidth_m / NODES_PER_BANDWIDTH;
        let half = (ORDER / 2) as f64;
        let fold = |pick: fn(&WeightedPoint) -> f64, f: fn(f64, f64) -> f64, from| {
            points.iter().map(pick).fold(from, f)
        };
        let x0 = fold(|p| p.at.x_m, f64::min, f64::MAX) - half * step;
        let y0 = fold(|p| p.at.y_m, f64::min, f64::MAX) - half * step;
        let count = |max: f64, min: f64| ((max - min) / step).ceil().max(0.0) as usize + ORDER;
        let nodes = (
            count(fold(|p| p.at.x_m, f64::max, f64::MIN), x0),
            count(fold(|p| p.at.y_m, f64::max, f64::MIN), y0),
        );
        let axes = |sigma: f64, scale: f64| Axes {
            x: bands(lattice.columns, |i| lattice.centre(0, i).x_m, nodes.0, x0, step, sigma),
            y: bands(lattice.rows, |i| lattice.centre(i, 0).y_m, nodes.1, y0, step, sigma),
            scale,
        };
        let peak = 1.0 / (2.0 * std::f64::consts::PI * bandwidth_m * bandwidth_m);
        let first = points.first().map(|p| p.weight);
        Self {
            weights: points.iter().map(|p| p.weight).collect(),
            shared: first.filter(|w| points.iter().all(|p| p.weight == *w)),
            stencils: points.iter().map(|p| Stencil::at(p.at, x0, y0, step)).collect(),
            nodes,
            wide: axes(bandwidth_m, peak),
            // φ² is a Gaussian too, narrower by √2.
            narrow: axes(bandwidth_m / std::f64::consts::SQRT_2, peak * peak),
            lattice: (lattice.columns, lattice.rows),
        }
    }

    /// The weight of every record.
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }

    /// The three sums over a selection of records, one layer after another.
    pub fn sums_over(&self, part: &[u32]) -> Vec<f64> {
        let once = self.spread(part, |w| w);
        let mut sums = self.smooth(&once, &self.wide);
        let twice = match self.shared {
            Some(weight) => {
                let times: Vec<f64> = sums.iter().map(|v| v * weight).collect();
                sums.extend(times);
                once.iter().map(|v| v * weight).collect()
            }
            None => {
                let twice = self.spread(part, |w| w * w);
                sums.extend(self.smooth(&twice, &self.wide));
                twice
            }
        };
        sums.extend(self.smooth(&twice, &self.narrow));
        sums
    }

    fn spread(&self, part: &[u32], weight: impl Fn(f64) -> f64) -> Vec<f64> {
        let mut mesh = vec![0.0; self.nodes.0 * self.nodes.1];
        for &i in part {
            let (stencil, w) = (&self.stencils[i as usize], weight(self.weights[i as usize]));
            for (k, along) in stencil.along.iter().enumerate() {
                let start = (stencil.row + k) * self.nodes.0 + stencil.column;
                let here = w * along;
                let line = &mut mesh[start..start + ORDER];
                line.iter_mut().zip(&stencil.across).for_each(|(m, a)| *m += here * a);
            }
        }
        mesh
    }

    fn smooth(&self, mesh: &[f64], axes: &Axes) -> Vec<f64> {
        let (columns, rows) = self.lattice;
        let mut half = vec![0.0; rows * self.nodes.0];
        for (band, out) in axes.y.iter().zip(half.chunks_exact_mut(self.nodes.0)) {
            for (value, line) in band.values.iter().zip(mesh.chunks_exact(self.nodes.0).skip(band.first)) {
                let value = axes.scale * value;
                out.iter_mut().zip(line).for_each(|(o, m)| *o += value * m);
            }
        }
        let mut surface = Vec::with_capacity(rows * columns);
        for line in half.chunks_exact(self.nodes.0) {
            surface.extend(axes.x.iter().map(|band| {
                let line = &line[band.first..][..band.values.len()];
                line.iter().zip(&band.values).map(|(m, v)| m * v).sum::<f64>()
            }));
        }
        surface
    }
}

impl Stencil {
    fn at(at: GroundPoint, x0: f64, y0: f64, step: f64) -> Self {
        let (column, across) = lagrange((at.x_m - x0) / step);
        let (row, along) = lagrange((at.y_m - y0) / step);
        Self { column, row, across, along }
    }
}

/// First node and the weights of the Lagrange interpolation at a position in node steps.
fn lagrange(position: f64) -> (usize, [f64; ORDER]) {
    let first = (position.floor() - (ORDER / 2 - 1) as f64).max(0.0);
    let t = position - first;
    let mut weights = [1.0; ORDER];
    for (j, weight) in weights.iter_mut().enumerate() {
        for k in (0..ORDER).filter(|&k| k != j) {
            *weight *= (t - k as f64) / (j as f64 - k as f64);
        }
    }
    (first as usize, weights)
}

fn bands(
    lines: usize,
    position: impl Fn(usize) -> f64,
    nodes: usize,
    origin: f64,
    step: f64,
    sigma: f64,
) -> Vec<Band> {
    (0..lines)
        .map(|i| {
            let at = (position(i) - origin) / step;
            let reach = REACH * sigma / step;
            let first = (at - reach).ceil().clamp(0.0, nodes as f64) as usize;
            let end = ((at + reach).floor() + 1.0).clamp(first as f64, nodes as f64) as usize;
            let gaussian = |node: usize| {
                let z = (node as f64 - at) * step / sigma;
                (-0.5 * z * z).exp()
            };
            Band { first, values: (first..end).map(gaussian).collect() }
        })
        .collect()
}
