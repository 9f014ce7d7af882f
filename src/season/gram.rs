//! The global statistic from inner products of block surfaces.

use rayon::prelude::*;

/// Inner products of the blocks' surfaces, ∫ f_i f_j in m⁻², with each block's sign n_i.
///
/// All that a comparison of patterns needs of the surfaces: after this the cost of a
/// relabelling is the square of the number of blocks, whatever the lattice.
pub(super) struct Gram {
    blocks: usize,
    products: Vec<f64>,
    /// Sign of each block.
    sign: Vec<f64>,
    /// Σ_j ∫ f_i f_j.
    row_sums: Vec<f64>,
    /// Σ_j n_j ∫ f_i f_j.
    weighted_row_sums: Vec<f64>,
}

/// The global statistic of one labelling.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct GlobalStatistic {
    /// ∫ (p₁ − p₂)², m⁻².
    pub plain_per_m2: f64,
    /// The same over its own variance.
    pub studentised: f64,
}

impl Gram {
    /// Inner products of surfaces on a lattice with cells of one area in m².
    pub fn of(surfaces: &[Vec<f64>], sign: Vec<f64>, cell_area_m2: f64) -> Self {
        let rows: Vec<Vec<f64>> = (0..surfaces.len())
            .into_par_iter()
            .map(|i| surfaces[..=i].iter().map(|other| cell_area_m2 * dot(&surfaces[i], other)).collect())
            .collect();
        let blocks = surfaces.len();
        let mut products = vec![0.0; blocks * blocks];
        for (i, row) in rows.iter().enumerate() {
            for (j, &value) in row.iter().enumerate() {
                products[i * blocks + j] = value;
                products[j * blocks + i] = value;
            }
        }
        Self::from_products(products, sign)
    }

    fn from_products(products: Vec<f64>, sign: Vec<f64>) -> Self {
        let blocks = sign.len();
        let rows = || products.chunks_exact(blocks.max(1));
        let row_sums = rows().map(|row| row.iter().sum()).collect();
        let weighted_row_sums = rows().map(|row| dot(row, &sign)).collect();
        Self { blocks, products, sign, row_sums, weighted_row_sums }
    }

    /// The statistic between a part of the blocks and the rest.
    ///
    /// S = ‖p₁ − p₂‖² / Σ_g [k/(k − 1) Σ_{i∈g} ‖f_i − n_i p_g‖² / n_g²], with p_g = Σ_{i∈g} f_i
    /// / n_g, n_g = Σ_{i∈g} n_i and k blocks in season g. The denominator is taken anew for
    /// each labelling, so seasons of unequal size or effort can be exchanged.
    pub fn statistic(&self, part: &[u32]) -> GlobalStatistic {
        let (mut inside, mut weighted) = (0.0, 0.0);
        for &i in part {
            let row = &self.products[i as usize * self.blocks..][..self.blocks];
            let sum: f64 = part.iter().map(|&j| row[j as usize]).sum();
            inside += sum;
            weighted += self.sign[i as usize] * sum;
        }
        let over_part = |values: &[f64]| part.iter().map(|&i| values[i as usize]).sum::<f64>();
        let both = |values: &[f64]| {
            let inside = over_part(values);
            (inside, values.iter().sum::<f64>() - inside)
        };
        let (to_all, _) = both(&self.row_sums);
        let across = to_all - inside;
        let outside = self.row_sums.iter().sum::<f64>() - inside - 2.0 * across;
        let (n1, n2) = both(&self.sign);
        let squares: Vec<f64> = self.sign.iter().map(|n| n * n).collect();
        let (nn1, nn2) = both(&squares);
        let diagonal: Vec<f64> = (0..self.blocks).map(|i| self.products[i * self.blocks + i]).collect();
        let (own1, own2) = both(&diagonal);
        // Σ_{i,j outside} n_i ∫f_i f_j = all − rows of the part − columns of the part + part.
        let all_weighted: f64 = self.weighted_row_sums.iter().sum();
        let rows: f64 = part.iter().map(|&i| self.sign[i as usize] * self.row_sums[i as usize]).sum();
        let weighted_outside = all_weighted - rows - over_part(&self.weighted_row_sums) + weighted;
        let scatter = |own: f64, weighted: f64, square: f64, n: f64, nn: f64| {
            (own - 2.0 * weighted / n + nn * square / (n * n)) / (n * n)
        };
        let inflate = |k: usize| k as f64 / (k as f64 - 1.0);
        let variance = inflate(part.len()) * scatter(own1, weighted, inside, n1, nn1)
            + inflate(self.blocks - part.len()) * scatter(own2, weighted_outside, outside, n2, nn2);
        let plain_per_m2 = (inside / (n1 * n1) - 2.0 * across / (n1 * n2) + outside / (n2 * n2)).max(0.0);
        GlobalStatistic {
            plain_per_m2,
            studentised: if variance > 0.0 { plain_per_m2 / variance } else { 0.0 },
        }
    }
}

/// Σ a b, in eight running sums so that the compiler can use wide registers.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 8];
    let (a8, b8) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = a8.remainder().iter().zip(b8.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in a8.zip(b8) {
        for k in 0..8 {
            sums[k] += x[k] * y[k];
        }
    }
    sums.iter().sum::<f64>() + rest
}
