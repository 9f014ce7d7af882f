//! Ridges and creeks of 4000 by 4000 heights, beside the time of reading and writing them.

use std::path::PathBuf;
use std::sync::LazyLock;

use divan::Bencher;
use rayon::prelude::*;
use stakeline::files::read_raster;
use stakeline::files::write::{Raster, write_geotiff};
use stakeline::terrain::{Dem, TerrainSettings, terrain};

fn main() {
    divan::main();
}

const CELLS: usize = 4000;
const CELL_M: f64 = 10.0;

/// A number between 0 and 1 for a corner of a lattice, the same on every run.
fn corner(octave: usize, row: usize, column: usize) -> f64 {
    let mut bits = (octave as u64) << 56 ^ (row as u64) << 28 ^ column as u64;
    // The finaliser of SplitMix64 (Steele, Lea & Flood 2014).
    bits = bits.wrapping_add(0x9e37_79b9_7f4a_7c15);
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((bits ^ (bits >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

/// Hilly ground of invented heights: eight octaves of smoothed noise, hills of up to 400 m, rough
/// down to the cell.
static HEIGHTS: LazyLock<Vec<f32>> = LazyLock::new(|| {
    let height = |cell: usize| {
        let (row, column) = (cell / CELLS, cell % CELLS);
        let mut sum = 0.0;
        for octave in 0..8 {
            let step = 1024 >> octave;
            let (r, c) = (row / step, column / step);
            let smooth = |t: f64| t * t * (3.0 - 2.0 * t);
            let (v, u) =
                (smooth((row % step) as f64 / step as f64), smooth((column % step) as f64 / step as f64));
            let of = |dr, dc| corner(octave, r + dr, c + dc);
            let (north, south) = (of(0, 0) * (1.0 - u) + of(0, 1) * u, of(1, 0) * (1.0 - u) + of(1, 1) * u);
            sum += 200.0 / f64::from(1_u32 << octave) * (north * (1.0 - v) + south * v);
        }
        sum as f32
    };
    (0..CELLS * CELLS).into_par_iter().map(height).collect()
});

fn write(path: &PathBuf) {
    let raster = Raster {
        west_m: 600_000.0,
        north_m: 6_100_000.0,
        cell_m: CELL_M,
        columns: CELLS,
        rows: CELLS,
        values: &HEIGHTS,
        epsg: 28355,
        description: "height",
        unit: "m",
    };
    let out = std::fs::File::create(path).expect("the temporary folder can be written");
    write_geotiff(&mut std::io::BufWriter::new(out), &raster).expect("there is room for the file");
}

static FILE: LazyLock<PathBuf> = LazyLock::new(|| {
    let path = std::env::temp_dir().join("stakeline-bench-heights.tif");
    write(&path);
    path
});

fn read() -> Dem {
    Dem::from_raster(read_raster(&FILE, &FILE, None).expect("a good file")).expect("good heights")
}

#[divan::bench(sample_count = 3)]
fn read_heights(bencher: Bencher) {
    LazyLock::force(&FILE);
    bencher.bench(read);
}

#[divan::bench(sample_count = 3)]
fn write_heights(bencher: Bencher) {
    let copy = std::env::temp_dir().join("stakeline-bench-heights-copy.tif");
    LazyLock::force(&FILE);
    bencher.bench(|| write(&copy));
    let _ = std::fs::remove_file(&copy);
}

/// From heights in memory to slope, ridges, creeks and saddles.
#[divan::bench(sample_count = 3)]
fn ridges_and_creeks(bencher: Bencher) {
    let dem = read();
    bencher.bench(|| {
        let found = terrain(&dem, &TerrainSettings::default()).expect("hilly ground");
        assert!(found.ridges.len() > 100 && found.creeks.len() > 100);
        found
    });
}
