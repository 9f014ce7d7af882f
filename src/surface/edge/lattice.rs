//! Masses inside a window at very many places.

use rayon::prelude::*;

use crate::frame::GroundPoint;

use super::super::fast::Axis;
use super::super::{Extent, Kernel};
use super::Window;

/// Places times sides up to which every mass is computed exactly.
const EXACT: f64 = 1e8;
/// Lattice steps to a bandwidth. The mass is as smooth as the kernel: for the Gaussian the
/// interpolation is good to 1e-7, for the quartic to 1e-5, for the others to 1e-3.
const STEPS_A_BANDWIDTH: f64 = 6.0;
/// Nodes along an axis from which a mass is interpolated.
const NODES: usize = 8;

/// Share of a kernel's mass inside a window at many places, in their order: exactly, or,
/// where that would take long, interpolated from exact masses on a lattice.
pub(in super::super) fn masses(
    window: &Window,
    places: &[GroundPoint],
    kernel: Kernel,
    bandwidth_m: f64,
) -> Vec<f64> {
    let exact = |at: &GroundPoint| window.mass(*at, kernel, bandwidth_m);
    let few = places.len() as f64 * window.sides().len() as f64 <= EXACT;
    let lattice = Extent::of(places.iter().copied())
        .filter(|_| !few)
        .and_then(|extent| Lattice::new(window, extent, kernel, bandwidth_m, places.len()));
    match lattice {
        Some(lattice) => places.par_iter().map(|at| lattice.at(*at)).collect(),
        None => places.par_iter().map(exact).collect(),
    }
}

struct Lattice {
    x: Axis,
    y: Axis,
    masses: Vec<f64>,
}

impl Lattice {
    /// `None` if it would have more nodes than `most`.
    fn new(window: &Window, extent: Extent, kernel: Kernel, bandwidth_m: f64, most: usize) -> Option<Self> {
        let step_m = bandwidth_m / STEPS_A_BANDWIDTH;
        let axis = |from_m: f64, to_m: f64| {
            let nodes = ((to_m - from_m) / step_m).ceil() as usize + NODES + 1;
            Axis::new(from_m - NODES as f64 / 2.0 * step_m, step_m, nodes)
        };
        let (x, y) = (axis(extent.min.x_m, extent.max.x_m), axis(extent.min.y_m, extent.max.y_m));
        if x.nodes as f64 * y.nodes as f64 > most as f64 {
            return None;
        }
        let node = |axis: &Axis, k: usize| axis.first_m + k as f64 * step_m;
        let mass = |k: usize| {
            let at = GroundPoint::new(node(&x, k % x.nodes), node(&y, k / x.nodes));
            window.mass(at, kernel, bandwidth_m)
        };
        let masses = (0..x.nodes * y.nodes).into_par_iter().map(mass).collect();
        Some(Self { x, y, masses })
    }

    fn at(&self, at: GroundPoint) -> f64 {
        let ((column, across), (row, up)) = (self.x.locate::<NODES>(at.x_m), self.y.locate::<NODES>(at.y_m));
        let (wx, wy) = (lagrange(across), lagrange(up));
        let start = |k: usize| (row.max(0) as usize + k) * self.x.nodes + column.max(0) as usize;
        let line =
            |k: usize| self.masses[start(k)..][..NODES].iter().zip(&wx).map(|(m, w)| m * w).sum::<f64>();
        wy.iter().enumerate().map(|(k, w)| w * line(k)).sum::<f64>().clamp(0.0, 1.0)
    }
}

/// Weights of the polynomial through eight nodes, three before the node at or before the
/// position and four after it.
fn lagrange(fraction: f64) -> [f64; NODES] {
    let position = fraction + (NODES / 2 - 1) as f64;
    std::array::from_fn(|k| {
        (0..NODES).filter(|&j| j != k).map(|j| (position - j as f64) / (k as f64 - j as f64)).product()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo_types::polygon;

    #[test]
    fn interpolated_masses_are_close_to_exact_ones() {
        let window = Window::new(&geo_types::MultiPolygon(vec![polygon![
            exterior: [(x: 0., y: 0.), (x: 900., y: 50.), (x: 1000., y: 800.), (x: 300., y: 600.)],
            interiors: [[(x: 400., y: 300.), (x: 500., y: 300.), (x: 450., y: 420.)]],
        ]]))
        .unwrap();
        let places: Vec<GroundPoint> =
            (0..500).map(|k| GroundPoint::new(f64::from(k * 37 % 997), f64::from(k * 61 % 701))).collect();
        let extent = Extent::of(places.iter().copied()).unwrap();
        for (kernel, tolerance) in
            [(Kernel::Gaussian, 1e-7), (Kernel::Quartic, 1e-5), (Kernel::Triangular, 1e-3)]
        {
            let lattice = Lattice::new(&window, extent, kernel, 80.0, 1 << 20).unwrap();
            let worst = places
                .iter()
                .map(|&at| (lattice.at(at) - window.mass(at, kernel, 80.0)).abs())
                .fold(0.0, f64::max);
            assert!(worst < tolerance, "{kernel}: {worst:e}");
        }
    }
}
