//! Sums over the blocks of one part, from which every difference and its error follow.

use super::Blocks;
use super::lattice::{Compares, Lattice};
use super::points::PointSums;

/// Where the sums come from: either way the part's sums of sign f, exposure e, and their
/// products, cell by cell.
enum Source {
    /// One row a block.
    Rows(Vec<f64>),
    /// Single records, smoothed anew for each part.
    Points(PointSums),
}

/// What a block was exposed to.
enum Exposure {
    /// Its own sign, everywhere alike: patterns are compared.
    Sign(Vec<f64>),
    /// Kilometres searched per m², cell by cell: rates are compared.
    Searched,
}

/// Per-cell sums over blocks of f, e, f², fe and e², for any part of the blocks.
///
/// With f_i the sign surface of block i and e_i its exposure, a season's surface is
/// r = Σf / Σe. A pattern is the special case in which e_i is the block's own sign n_i.
pub(super) struct Moments {
    /// The cells looked at, by their place on the lattice.
    places: Vec<usize>,
    all_cells: usize,
    source: Source,
    exposure: Exposure,
    total: Vec<f64>,
    cell_area_m2: f64,
    /// The pieces of sign of each block.
    sign: Vec<f64>,
}

/// What one labelling of the blocks says.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Contrast {
    /// The difference, part minus rest, cell by cell, on the scale of sign per m².
    pub difference: Vec<f64>,
    /// Its standard error.
    pub error: Vec<f64>,
    /// Integrated squared difference over integrated variance.
    pub studentised: f64,
    /// Integrated squared difference in m⁻².
    pub plain_per_m2: f64,
}

/// Sums at one cell over one part.
#[derive(Clone, Copy)]
struct Sums {
    f: f64,
    e: f64,
    ff: f64,
    fe: f64,
    ee: f64,
}

impl Sums {
    /// (surface, Σ(f − r e)²); nothing where there was no exposure.
    fn rate_and_scatter(self) -> (f64, f64) {
        let r = if self.e > 0.0 { self.f / self.e } else { 0.0 };
        (r, (self.ff - r * (2.0 * self.fe - r * self.ee)).max(0.0))
    }
}

impl Moments {
    /// The sums of blocks of outings, over some cells of the lattice.
    pub fn of_blocks(lattice: &Lattice, blocks: &Blocks, sign_of_outing: &[f64], places: &[usize]) -> Self {
        let sum = |surfaces: &[Vec<f64>], block: &[usize]| {
            let mut sum = vec![0.0; places.len()];
            for &i in block {
                sum.iter_mut().zip(places).for_each(|(s, &place)| *s += surfaces[i][place]);
            }
            sum
        };
        let sign: Vec<f64> =
            blocks.outings.iter().map(|b| b.iter().map(|&i| sign_of_outing[i]).sum()).collect();
        let mut rows = Vec::new();
        for (block, n) in blocks.outings.iter().zip(&sign) {
            let f = sum(&lattice.sign, block);
            match &lattice.effort {
                None => {
                    rows.extend_from_slice(&f);
                    rows.extend(f.iter().map(|f| n * f));
                    rows.extend(f.iter().map(|f| f * f));
                }
                Some(effort) => {
                    let e = sum(effort, block);
                    rows.extend_from_slice(&f);
                    rows.extend(f.iter().zip(&e).map(|(f, e)| f * e));
                    rows.extend(f.iter().map(|f| f * f));
                    rows.extend_from_slice(&e);
                    rows.extend(e.iter().map(|e| e * e));
                }
            }
        }
        let exposure = match lattice.compares {
            Compares::Pattern => Exposure::Sign(sign.clone()),
            Compares::Rate => Exposure::Searched,
        };
        Self::finish(lattice, places.to_vec(), Source::Rows(rows), exposure, sign)
    }

    /// The sums of single records, each a block of its own, over some cells of the lattice;
    /// patterns only.
    pub fn of_records(lattice: &Lattice, points: PointSums, places: &[usize]) -> Self {
        let sign = points.weights().to_vec();
        Self::finish(lattice, places.to_vec(), Source::Points(points), Exposure::Sign(sign.clone()), sign)
    }

    fn finish(
        lattice: &Lattice,
        places: Vec<usize>,
        source: Source,
        exposure: Exposure,
        sign: Vec<f64>,
    ) -> Self {
        let mut moments = Self {
            places,
            all_cells: lattice.grid.cells(),
            source,
            exposure,
            total: Vec::new(),
            cell_area_m2: lattice.grid.cell_area_m2(),
            sign,
        };
        let all: Vec<u32> = (0..moments.sign.len() as u32).collect();
        moments.total = moments.sums_over(&all);
        moments
    }

    fn layers(&self) -> usize {
        match self.exposure {
            Exposure::Sign(_) => 3,
            Exposure::Searched => 5,
        }
    }

    /// The layers of sums over a part, one after another.
    fn sums_over(&self, part: &[u32]) -> Vec<f64> {
        let width = self.layers() * self.places.len();
        match &self.source {
            Source::Points(points) => {
                let everywhere = points.sums_over(part);
                let layers = everywhere.chunks_exact(self.all_cells);
                layers.flat_map(|layer| self.places.iter().map(|&place| layer[place])).collect()
            }
            Source::Rows(rows) => {
                let mut sums = vec![0.0; width];
                for &block in part {
                    let row = &rows[block as usize * width..][..width];
                    sums.iter_mut().zip(row).for_each(|(s, v)| *s += v);
                }
                sums
            }
        }
    }

    /// The difference between a part of the blocks and the rest, with its error.
    ///
    /// With H = E₁E₂/(E₁ + E₂) the difference is D = H (r₁ − r₂), which fades to nothing
    /// where either season hardly searched; its variance is Σ_g k/(k − 1) (H/E_g)²
    /// Σ_{i∈g} (f_i − r_g e_i)², with k blocks in season g: the linearised variance of a
    /// ratio (Cochran 1977, section 6.4). For patterns H is the same everywhere.
    pub fn contrast(&self, part: &[u32]) -> Contrast {
        let part_sums = self.sums_over(part);
        let (k1, k2) = (part.len() as f64, (self.sign.len() - part.len()) as f64);
        let (inflate_1, inflate_2) = (k1 / (k1 - 1.0), k2 / (k2 - 1.0));
        let constant = self.constant_exposure(part);
        let mut contrast = Contrast {
            difference: vec![0.0; self.places.len()],
            error: vec![0.0; self.places.len()],
            studentised: 0.0,
            plain_per_m2: 0.0,
        };
        let (mut squares, mut variances) = (0.0, 0.0);
        for cell in 0..self.places.len() {
            let (one, two) = self.at(cell, &part_sums, constant);
            let ((r1, scatter_1), (r2, scatter_2)) = (one.rate_and_scatter(), two.rate_and_scatter());
            let both = one.e + two.e;
            if both <= 0.0 {
                continue;
            }
            let (share_1, share_2) = (one.e / both, two.e / both);
            let difference = share_1 * two.e * (r1 - r2);
            let variance =
                inflate_1 * share_2 * share_2 * scatter_1 + inflate_2 * share_1 * share_1 * scatter_2;
            squares += difference * difference;
            variances += variance;
            contrast.difference[cell] = difference;
            contrast.error[cell] = variance.sqrt();
        }
        contrast.studentised = if variances > 0.0 { squares / variances } else { 0.0 };
        contrast.plain_per_m2 = squares * self.cell_area_m2 / self.sign_scale(part).powi(2);
        contrast
    }

    /// Both parts' sums at a cell.
    #[inline]
    fn at(&self, cell: usize, part: &[f64], constant: Option<[(f64, f64); 2]>) -> (Sums, Sums) {
        let layer = |k: usize| {
            let i = k * self.places.len() + cell;
            (part[i], self.total[i] - part[i])
        };
        let ((f1, f2), (fe1, fe2), (ff1, ff2)) = (layer(0), layer(1), layer(2));
        let ((e1, e2), (ee1, ee2)) = match constant {
            Some([(e1, ee1), (e2, ee2)]) => ((e1, e2), (ee1, ee2)),
            None => (layer(3), layer(4)),
        };
        (Sums { f: f1, e: e1, ff: ff1, fe: fe1, ee: ee1 }, Sums { f: f2, e: e2, ff: ff2, fe: fe2, ee: ee2 })
    }

    /// (Σn, Σn²) of the part and of the rest, where the exposure is the same everywhere.
    fn constant_exposure(&self, part: &[u32]) -> Option<[(f64, f64); 2]> {
        let Exposure::Sign(n) = &self.exposure else { return None };
        let (mut inside, mut all) = ((0.0, 0.0), (0.0, 0.0));
        for &i in part {
            let n = n[i as usize];
            inside = (inside.0 + n, inside.1 + n * n);
        }
        for n in n {
            all = (all.0 + n, all.1 + n * n);
        }
        Some([inside, (all.0 - inside.0, all.1 - inside.1)])
    }

    /// N₁N₂/(N₁ + N₂) of the pieces of sign: takes the scale of the difference back to that
    /// of surfaces of mass one.
    fn sign_scale(&self, part: &[u32]) -> f64 {
        let inside: f64 = part.iter().map(|&i| self.sign[i as usize]).sum();
        let all: f64 = self.sign.iter().sum();
        inside * (all - inside) / all
    }
}
