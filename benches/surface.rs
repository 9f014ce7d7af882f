//! Activity surfaces: ours against what one would write with an FFT library, on the same
//! points in the same run.
//!
//! Data: clustered sign in a box of 20 km, bandwidth 500 m. The reference bins every point
//! linearly to the four cells around it, pads with zeros and convolves through `realfft`,
//! on one thread. Ours runs with the threads of `RAYON_NUM_THREADS`. With the environment
//! variable `STAKELINE_POINTS` the points are those of its files `pts_N.csv` (columns x and y in
//! metres), so that programs in other languages can run on the same.
//!
//! `cargo bench --bench surface`

use std::f64::consts::PI;

use divan::{Bencher, black_box};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;
use rustfft::FftPlanner;
use stakeline::frame::GroundPoint;
use stakeline::surface::{
    DensitySettings, EdgeRule, Grid, Kernel, Rule, Smoother, WeightedPoint, Window, choose_bandwidth,
    density, density_at, hot_areas,
};

const BOX_M: f64 = 20_000.0;
const SIGMA_M: f64 = 500.0;

fn main() {
    divan::main();
}

/// The points of a file, or made ones.
fn points(n: usize) -> Vec<WeightedPoint> {
    let Some(folder) = std::env::var_os("STAKELINE_POINTS") else { return made(n) };
    let text = std::fs::read_to_string(std::path::Path::new(&folder).join(format!("pts_{n}.csv"))).unwrap();
    let point = |line: &str| {
        let (x, y) = line.split_once(',').unwrap();
        WeightedPoint::new(GroundPoint::new(x.parse().unwrap(), y.parse().unwrap()), 1.0)
    };
    text.lines().skip(1).map(point).collect()
}

/// Forty clusters of 200 to 1200 m and two fifths anywhere, to the centimetre.
fn made(n: usize) -> Vec<WeightedPoint> {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let mut uniform = move || random.random::<f64>();
    let clusters: Vec<(f64, f64, f64)> =
        (0..40).map(|_| (uniform() * BOX_M, uniform() * BOX_M, 200.0 + 1000.0 * uniform())).collect();
    let mut found = Vec::with_capacity(n);
    while found.len() < n {
        let (x, y, spread) = clusters[(uniform() * uniform() * 40.0) as usize];
        let (radius, angle) = ((-2.0 * (1.0 - uniform()).ln()).sqrt() * spread, 2.0 * PI * uniform());
        let (x, y) = if uniform() < 0.4 {
            (uniform() * BOX_M, uniform() * BOX_M)
        } else {
            (x + radius * angle.cos(), y + radius * angle.sin())
        };
        if (0.0..BOX_M).contains(&x) && (0.0..BOX_M).contains(&y) {
            let cm = |v: f64| (v * 100.0).round() / 100.0;
            found.push(WeightedPoint::new(GroundPoint::new(cm(x), cm(y)), 1.0));
        }
    }
    found
}

fn grid(side: usize) -> Grid {
    Grid { west_m: 0.0, north_m: BOX_M, cell_m: BOX_M / side as f64, columns: side, rows: side }
}

/// Largest error relative to the exact sum at some cells, where that is over a millionth
/// of the largest of them.
fn worst(values: &[f32], points: &[WeightedPoint], grid: &Grid, kernel: Kernel) -> f64 {
    let cells: Vec<usize> = (0..300).map(|k| (k * 7_919_191 + 17) % grid.cells()).collect();
    let exact: Vec<f64> = cells
        .iter()
        .map(|c| density_at(points, grid.centre(c / grid.columns, c % grid.columns), kernel, SIGMA_M))
        .collect();
    let peak = exact.iter().copied().fold(0.0, f64::max);
    cells
        .iter()
        .zip(exact)
        .filter(|(_, exact)| *exact > 1e-6 * peak)
        .map(|(&cell, exact)| (f64::from(values[cell]) / exact - 1.0).abs())
        .fold(0.0, f64::max)
}

/// Linear binning and a zero-padded transform, as one writes it with a library.
fn binned_fft(points: &[WeightedPoint], grid: &Grid, kernel: Kernel) -> Vec<f32> {
    let reach_m = kernel.radius_m(SIGMA_M).unwrap_or(5.0 * SIGMA_M);
    let side = (grid.columns + (reach_m / grid.cell_m).ceil() as usize + 3..)
        .step_by(1)
        .find(|n| {
            n % 2 == 0
                && [2, 3, 5].iter().fold(*n, |mut n, p| {
                    while n % p == 0 {
                        n /= p
                    }
                    n
                }) == 1
        })
        .unwrap();
    let mut cells = vec![0.0_f64; side * side];
    for p in points {
        let (x, y) = (p.at.x_m / grid.cell_m + 0.5, (grid.north_m - p.at.y_m) / grid.cell_m + 0.5);
        let (column, row) = (x as usize, y as usize);
        let (fx, fy) = (x - column as f64, y - row as f64);
        for (dr, wy) in [(0, 1.0 - fy), (1, fy)] {
            for (dc, wx) in [(0, 1.0 - fx), (1, fx)] {
                cells[(row + dr) * side + column + dc] += p.weight * wx * wy;
            }
        }
    }
    let offset = |k: usize| k.min(side - k) as f64 * grid.cell_m;
    let kernel_cells: Vec<f64> =
        (0..side * side)
            .map(|k| offset(k / side).powi(2) + offset(k % side).powi(2))
            .map(|square| {
                if square.sqrt() <= reach_m * 1.5 {
                    kernel.density_per_m2(square, SIGMA_M) * 1e6
                } else {
                    0.0
                }
            })
            .collect();
    let (mut real, mut complex) = (RealFftPlanner::<f64>::new(), FftPlanner::<f64>::new());
    let lines = side / 2 + 1;
    let (forward, inverse) = (real.plan_fft_forward(side), real.plan_fft_inverse(side));
    let (down, up) = (complex.plan_fft_forward(side), complex.plan_fft_inverse(side));
    let turn = |m: &[Complex<f64>], width: usize, height: usize| {
        let mut out = vec![Complex::default(); m.len()];
        transpose::transpose(m, &mut out, width, height);
        out
    };
    let transform = |mut cells: Vec<f64>| {
        let mut rows = vec![Complex::default(); lines * side];
        for (row, out) in cells.chunks_mut(side).zip(rows.chunks_mut(lines)) {
            forward.process(row, out).unwrap();
        }
        let mut turned = turn(&rows, lines, side);
        down.process(&mut turned);
        turned
    };
    let mut product = transform(cells);
    product.iter_mut().zip(transform(kernel_cells)).for_each(|(a, b)| *a *= b);
    up.process(&mut product);
    let mut rows = turn(&product, side, lines);
    let scale = 1.0 / (side * side) as f64;
    let mut line = vec![0.0; side];
    let mut values = Vec::with_capacity(grid.cells());
    for row in rows.chunks_mut(lines).skip(1).take(grid.rows) {
        row[0].im = 0.0;
        row[lines - 1].im = 0.0;
        inverse.process(row, &mut line).unwrap();
        values.extend(line[1..=grid.columns].iter().map(|v| (v * scale) as f32));
    }
    values
}

mod million_points {
    use super::*;

    #[divan::bench(args = [(Kernel::Gaussian, 1024), (Kernel::Gaussian, 4096), (Kernel::Quartic, 4096),
        (Kernel::Epanechnikov, 4096), (Kernel::Triangular, 4096), (Kernel::Uniform, 4096)], sample_count = 7)]
    fn ours(bencher: Bencher, (kernel, side): (Kernel, usize)) {
        let (points, grid) = (points(1_000_000), grid(side));
        let run = || Smoother::new(grid, kernel, SIGMA_M).unwrap().density(black_box(&points));
        let error = worst(&run(), &points, &grid, kernel);
        eprintln!("ours {kernel} {side}²: largest relative error {error:.1e}");
        bencher.bench_local(run);
    }

    #[divan::bench(args = [(Kernel::Gaussian, 1024), (Kernel::Gaussian, 4096), (Kernel::Quartic, 4096),
        (Kernel::Epanechnikov, 4096), (Kernel::Triangular, 4096), (Kernel::Uniform, 4096)], sample_count = 2)]
    fn binned_fft(bencher: Bencher, (kernel, side): (Kernel, usize)) {
        let (points, grid) = (points(1_000_000), grid(side));
        let run = || super::binned_fft(black_box(&points), &grid, kernel);
        let error = worst(&run(), &points, &grid, kernel);
        eprintln!("binned fft {kernel} {side}²: largest relative error {error:.1e}");
        bencher.bench_local(run);
    }

    /// What any way must do: read the points once and write the grid once.
    #[divan::bench(args = [1024, 4096], sample_count = 20)]
    fn floor(bencher: Bencher, side: usize) {
        use rayon::prelude::*;
        let points = points(1_000_000);
        bencher.bench_local(|| {
            let sum: f64 = black_box(&points).par_iter().map(|p| p.at.x_m + p.at.y_m + p.weight).sum();
            let mut values = vec![0.0_f32; side * side];
            values.par_chunks_mut(1 << 16).for_each(|v| v.fill(sum as f32));
            values
        });
    }
}

/// Time against points on a grid of 4096², for the exponent.
#[divan::bench(args = [100_000, 1_000_000, 10_000_000], sample_count = 5)]
fn gaussian_4096(bencher: Bencher, n: usize) {
    let (points, grid) = (points(n), grid(4096));
    bencher
        .bench_local(|| Smoother::new(grid, Kernel::Gaussian, SIGMA_M).unwrap().density(black_box(&points)));
}

#[divan::bench(args = Rule::ALL, sample_count = 1)]
fn rule_at_100_000(bencher: Bencher, rule: Rule) {
    let points = points(100_000);
    let found = choose_bandwidth(rule, &points, None).unwrap();
    eprintln!(
        "{}: {:.1} m{}",
        rule.word(),
        found.bandwidth_m,
        if found.at_search_edge { " (edge)" } else { "" }
    );
    bencher.bench_local(|| choose_bandwidth(rule, black_box(&points), None));
}

/// All six, as the command shows them side by side.
#[divan::bench(args = [100_000, 1_000_000], sample_count = 5)]
fn every_rule(bencher: Bencher, n: usize) {
    let points = points(n);
    bencher.bench_local(|| stakeline::surface::every_rule(black_box(&points), None));
}

#[divan::bench(args = [EdgeRule::Uniform, EdgeRule::JonesDiggle], sample_count = 1)]
fn edge_of_a_400_sided_window(bencher: Bencher, edge: EdgeRule) {
    let points = points(100_000);
    let corner = |k: u32| {
        let angle = 2.0 * PI * f64::from(k) / 400.0;
        let radius_m = 9000.0 + 900.0 * (f64::from(k) * 1.7).sin();
        geo_types::Coord { x: 10_000.0 + radius_m * angle.cos(), y: 10_000.0 + radius_m * angle.sin() }
    };
    let ring = geo_types::LineString((0..400).map(corner).collect());
    let window = Window::new(&geo_types::MultiPolygon(vec![geo_types::Polygon::new(ring, vec![])])).unwrap();
    let settings = DensitySettings { edge, ..DensitySettings::plain(Kernel::Gaussian, SIGMA_M) };
    bencher.bench_local(|| density(black_box(&points), &grid(1024), settings, Some(&window)));
}

#[divan::bench(sample_count = 3)]
fn three_hot_areas_on_4096(bencher: Bencher) {
    let settings = DensitySettings::plain(Kernel::Gaussian, SIGMA_M);
    let surface = density(&points(1_000_000), &grid(4096), settings, None).unwrap();
    bencher.bench_local(|| hot_areas(black_box(&surface), &[50.0, 75.0, 95.0]));
}
