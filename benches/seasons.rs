//! Two seasons of 5,000 records each, bandwidth 1 km, dealt anew 1,000 times with a test in
//! every cell; maps of 128 × 128 cells. Records one by one, as other programs deal them, and
//! outings of 20 records, as the comparison does.
//!
//! The records are those of `STAKELINE_PEER_DATA` (`season_5000.csv`: x,y,season) where it is
//! set, so that other programs can be timed on the same; otherwise clusters of a like make.

use std::path::Path;
use std::sync::LazyLock;

use divan::{Bencher, black_box};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stakeline::frame::GroundPoint;
use stakeline::season::{BlockSize, Lattice, Outing, Outings, Season, local_tests, test_size};
use stakeline::surface::{Kernel, WeightedPoint};

const RECORDS: usize = 5_000;
const RUNS: usize = 1_000;
const CELL_M: f64 = 20_000.0 / 128.0;

static SCENE: LazyLock<(Outings, Lattice)> = LazyLock::new(scene);

fn main() {
    divan::main();
}

fn scene() -> (Outings, Lattice) {
    let records = match std::env::var_os("STAKELINE_PEER_DATA") {
        Some(folder) => from_file(&Path::new(&folder).join("season_5000.csv")),
        None => made_up(),
    };
    let of = |season: Season| -> Vec<WeightedPoint> {
        records.iter().filter(|(s, _)| *s == season).map(|(_, p)| WeightedPoint::new(*p, 1.0)).collect()
    };
    let outings = [Season::Before, Season::After].into_iter().flat_map(|season| {
        let chunks: Vec<Vec<WeightedPoint>> = of(season).chunks(20).map(<[_]>::to_vec).collect();
        chunks.into_iter().map(move |sign| Outing { season, day: None, sign, searched: vec![] })
    });
    let outings = Outings::new(outings).expect("both seasons hold sign");
    let lattice = Lattice::new(&outings, Kernel::Gaussian, 1_000.0, CELL_M).expect("the lattice fits");
    println!(
        "{} and {} records in {} outings, lattice {} × {} of {} m",
        outings.sign_count(Season::Before),
        outings.sign_count(Season::After),
        outings.list().len(),
        lattice.grid.columns,
        lattice.grid.rows,
        lattice.grid.cell_m
    );
    (outings, lattice)
}

fn from_file(file: &Path) -> Vec<(Season, GroundPoint)> {
    let text = std::fs::read_to_string(file).expect("the peer's file can be read");
    let row = |line: &str| {
        let cells: Vec<f64> = line.split(',').map(|c| c.parse().expect("a number")).collect();
        let season = if cells[2] > 0.5 { Season::After } else { Season::Before };
        (season, GroundPoint::new(cells[0], cells[1]))
    };
    text.lines().skip(1).map(row).collect()
}

fn made_up() -> Vec<(Season, GroundPoint)> {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let centres: Vec<(f64, f64)> =
        (0..30).map(|_| (20_000.0 * rng.random::<f64>(), 20_000.0 * rng.random::<f64>())).collect();
    (0..2 * RECORDS)
        .map(|i| {
            let (x, y) = centres[rng.random_range(0..centres.len())];
            // The sum of three uniform numbers is near enough to a normal one.
            let mut spread =
                || 1_600.0 * (rng.random::<f64>() + rng.random::<f64>() + rng.random::<f64>() - 1.5);
            let at =
                GroundPoint::new((x + spread()).clamp(0.0, 20_000.0), (y + spread()).clamp(0.0, 20_000.0));
            (if i % 2 == 0 { Season::Before } else { Season::After }, at)
        })
        .collect()
}

/// 1,000 relabellings of single records, a test in every cell: divide by 1,000.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn records_in_every_cell(bencher: Bencher) {
    let (outings, lattice) = &*SCENE;
    bencher.bench(|| black_box(local_tests(outings, lattice, BlockSize::Record, RUNS, 1)).expect("cells"));
}

/// 1,000 relabellings of outings, a test in every cell.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn outings_in_every_cell(bencher: Bencher) {
    let (outings, lattice) = &*SCENE;
    bencher.bench(|| black_box(local_tests(outings, lattice, BlockSize::Outing, RUNS, 1)).expect("cells"));
}

/// 1,000 relabellings of outings, the global test alone.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn outings_as_a_whole(bencher: Bencher) {
    let (outings, lattice) = &*SCENE;
    bencher.bench(|| {
        let test = test_size(outings, lattice, BlockSize::Outing, RUNS, 1, false);
        assert!(test.p.is_some_and(|p| p < 1.0));
        test
    });
}
