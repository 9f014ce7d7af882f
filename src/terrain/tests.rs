//! Against published methods, a textbook flood, closed forms and real ground.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::path::Path;

use proptest::prelude::*;

use super::*;
use crate::files::read_raster;
use crate::frame::Frame;

/// A small catchment with one outlet, 10 m cells; no cell has two equally steep ways down. The
/// values expected of it are those of terra 1.7.3 (R) and pysheds 0.5, recomputed by hand code.
const CATCHMENT: [[f32; 7]; 7] = [
    [62., 58., 50., 42., 51., 57., 64.],
    [60., 55., 47., 39., 48., 56., 61.],
    [57., 52., 44., 36., 45., 53., 58.],
    [54., 48., 41., 33., 42., 50., 56.],
    [52., 46., 38., 30., 39., 47., 55.],
    [50., 43., 35., 27., 36., 45., 53.],
    [48., 41., 32., 24., 33., 43., 51.],
];

fn heights<const N: usize>(rows: &[[f32; N]]) -> Vec<f32> {
    rows.iter().flatten().copied().collect()
}

fn dem(heights: Vec<f32>, columns: usize, cell_m: f64) -> Dem {
    let rows = heights.len() / columns;
    let frame = Frame::from_epsg(32755).unwrap();
    Dem { west_m: 600_000.0, north_m: 6_100_000.0, cell_m, columns, rows, heights, frame }
}

#[test]
fn slope_and_aspect_are_those_of_the_reference() {
    let z = heights(&CATCHMENT);
    // terra 1.7.3 terrain(neighbors = 8), rows 1 to 5 without the border.
    let slopes = [
        [34.9662496199492, 40.5105894373328, 16.9165160857168, 41.0110815615535, 34.8541022409711],
        [36.0067332037792, 40.272543777411, 16.9165160857168, 42.0311137741973, 35.8365466044856],
        [35.8365466044856, 39.7278864280175, 16.9165160857168, 42.0311137741973, 37.2100250379214],
        [36.6235490516443, 39.9744205012578, 16.9165160857168, 42.2756940620605, 39.4384653188252],
        [38.3288181014559, 40.756923712418, 16.9165160857167, 43.261258241274, 41.3243671023583],
    ];
    let aspects = [
        [114.274441134439, 110.556045219583, 189.462322208026, 251.565051177078, 248.962488974578],
        [116.565051177078, 111.644435140714, 189.462322208026, 250.559965171824, 246.540975918538],
        [113.459024081462, 111.161259816828, 189.462322208026, 250.559965171824, 249.775140568832],
        [109.653824058053, 110.056094736575, 189.462322208026, 251.565051177078, 253.217355854729],
        [108.434948822922, 109.486129572466, 189.462322208026, 253.009176708014, 255.173520029644],
    ];
    let (slope, aspect) = (slope_deg(&z, 7, 10.0, 10.0), aspect_deg(&z, 7, 10.0, 10.0));
    for row in 0..7 {
        for column in 0..7 {
            let cell = row * 7 + column;
            if (1..6).contains(&row) && (1..6).contains(&column) {
                // Within a unit in the last place of 32 bits.
                assert_eq!(slope[cell], slopes[row - 1][column - 1] as f32, "slope {row} {column}");
                assert_eq!(aspect[cell], aspects[row - 1][column - 1] as f32, "aspect {row} {column}");
            } else {
                assert!(slope[cell].is_nan() && aspect[cell].is_nan());
            }
        }
    }
}

#[test]
fn a_tilted_plane_has_its_slope_everywhere() {
    // z = 0.1 east + 0.2 north: atan(sqrt(0.05)) and atan2(-0.1, -0.2), closed forms.
    let z: Vec<f32> = (0..81).map(|i| (i % 9) as f32 + 2.0 * (8 - i / 9) as f32).collect();
    let (slope, aspect) = (slope_deg(&z, 9, 10.0, 10.0), aspect_deg(&z, 9, 10.0, 10.0));
    for cell in (0..81).filter(|i| (1..8).contains(&(i % 9)) && (1..8).contains(&(i / 9))) {
        assert_eq!(slope[cell], 12.604382648379184_f64 as f32);
        assert_eq!(aspect[cell], 206.565051177078_f64 as f32);
    }
}

#[test]
fn drainage_and_its_accumulation_are_those_of_the_reference() {
    let z = heights(&CATCHMENT);
    let field = Field { columns: 7, values: &z };
    // pysheds 0.5; steps as powers of two from east clockwise, 0 where water leaves.
    let expected: [u16; 49] = [
        2, 1, 1, 4, 16, 8, 16, 2, 1, 1, 4, 16, 16, 8, 2, 1, 1, 4, 16, 16, 8, 1, 2, 1, 4, 16, 16, 8, 2, 1, 1,
        4, 16, 16, 16, 1, 1, 1, 4, 16, 16, 16, 1, 1, 1, 0, 16, 16, 16,
    ];
    let counts: [u32; 49] = [
        1, 1, 2, 4, 1, 2, 1, 1, 2, 3, 12, 4, 1, 1, 1, 2, 3, 19, 3, 2, 1, 1, 3, 1, 24, 3, 2, 1, 1, 1, 5, 34,
        4, 3, 1, 1, 3, 4, 42, 3, 2, 1, 1, 2, 3, 49, 3, 2, 1,
    ];
    let drainage = drain::drain(&field, Outlet::Rim);
    let powers: Vec<u16> =
        drainage.ways.iter().map(|&way| if way == drain::OFF { 0 } else { 1 << way }).collect();
    assert_eq!(powers, expected);
    assert_eq!(gather::cells_above(&field, &drainage.ways), counts);
}

/// The level to which every cell would fill before it spills off the field: priority flood
/// (Barnes, Lehman & Mulla 2014, Computers & Geosciences 62, algorithm 1).
fn spill_levels(field: &Field) -> Vec<f32> {
    let key = |level: f32| (level * 16.0) as i64;
    let mut levels = vec![f32::NAN; field.values.len()];
    let mut queue = BinaryHeap::new();
    for cell in (0..levels.len()).filter(|&cell| field.is_rim(cell)) {
        levels[cell] = field.values[cell];
        queue.push(Reverse((key(levels[cell]), cell)));
    }
    while let Some(Reverse((_, cell))) = queue.pop() {
        for (_, other) in field.neighbours(cell) {
            if levels[other].is_nan() && !field.values[other].is_nan() {
                levels[other] = field.values[other].max(levels[cell]);
                queue.push(Reverse((key(levels[other]), other)));
            }
        }
    }
    levels
}

/// Ground of few levels, so that flats and hollows abound, some with gaps.
fn rough_ground() -> impl Strategy<Value = (usize, Vec<f32>)> {
    (3usize..14, 3usize..14, 1i32..9, 0.0f64..0.2).prop_flat_map(|(columns, rows, levels, gaps)| {
        let height = (0..=levels, 0.0..1.0f64)
            .prop_map(move |(level, dice)| if dice < gaps { f32::NAN } else { level as f32 / 4.0 });
        (Just(columns), prop::collection::vec(height, columns * rows))
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Every cell drains off the field, over nothing higher than it must.
    #[test]
    fn water_leaves_over_the_lowest_pass((columns, z) in rough_ground()) {
        let field = Field { columns, values: &z };
        let ways = drain::drain(&field, Outlet::Rim).ways;
        let levels = spill_levels(&field);
        for start in 0..z.len() {
            if z[start].is_nan() {
                prop_assert_eq!(ways[start], drain::VOID);
                continue;
            }
            let (mut cell, mut highest, mut steps) = (start, z[start], 0);
            while let Some(lower) = drain::next(columns, cell, ways[cell]) {
                prop_assert!(!z[lower].is_nan());
                highest = highest.max(z[lower]);
                cell = lower;
                steps += 1;
                prop_assert!(steps <= z.len(), "goes in a circle from {}", start);
            }
            prop_assert_eq!(ways[cell], drain::OFF);
            prop_assert!(field.is_rim(cell));
            prop_assert_eq!(highest, levels[start]);
        }
    }

    /// With one outlet for every part that hangs together, all of a part drains to one of its
    /// lowest cells.
    #[test]
    fn a_part_drains_to_its_lowest_cell((columns, z) in rough_ground()) {
        let field = Field { columns, values: &z };
        let ways = drain::drain(&field, Outlet::Lowest).ways;
        let end = |start: usize| {
            let mut cell = start;
            for _ in 0..z.len() {
                let Some(lower) = drain::next(columns, cell, ways[cell]) else { break };
                cell = lower;
            }
            cell
        };
        for start in (0..z.len()).filter(|&cell| !z[cell].is_nan()) {
            let outlet = end(start);
            prop_assert_eq!(ways[outlet], drain::OFF);
            prop_assert!(z[outlet] <= z[start]);
            for (_, other) in field.neighbours(start).filter(|(_, other)| !z[*other].is_nan()) {
                prop_assert_eq!(end(other), outlet);
            }
        }
    }

    /// What leaves the field is all of it, and every cell counts what drains into it and itself.
    #[test]
    fn all_ground_is_accounted_for((columns, z) in rough_ground()) {
        let field = Field { columns, values: &z };
        let ways = drain::drain(&field, Outlet::Rim).ways;
        let counts = gather::cells_above(&field, &ways);
        let mut sums: Vec<u32> = ways.iter().map(|&way| u32::from(way != drain::VOID)).collect();
        for cell in 0..z.len() {
            if let Some(lower) = drain::next(columns, cell, ways[cell]) {
                sums[lower] += counts[cell];
            }
        }
        prop_assert_eq!(&sums, &counts);
        let leaving: u32 = (0..z.len()).filter(|&c| ways[c] == drain::OFF).map(|c| counts[c]).sum();
        prop_assert_eq!(leaving as usize, z.iter().filter(|h| !h.is_nan()).count());
    }

    /// The saddles whose prominence is at least p are as many as the summits that are, but for
    /// one in each part of the ground: found by flooding down from every summit.
    #[test]
    fn prominences_are_those_of_the_summits((columns, z) in rough_ground(), least in 1i32..6) {
        let least = least as f32 / 4.0;
        let field = Field { columns, values: &z };
        let turned: Vec<f32> = z.iter().map(|h| -h).collect();
        let hills = drain::drain(&Field { columns, values: &turned }, Outlet::Lowest).basins;
        let found = saddle::meetings(&z, &hills, f64::from(least));
        prop_assert_eq!(found.len(), prominent_summits(&field, least));
    }
}

/// How many summits have a prominence of at least `least`, but for the highest of each part of
/// the ground: a summit is the first cell of a patch that stands, at some level, apart from all
/// that is higher or equal and comes earlier.
fn prominent_summits(field: &Field, least: f32) -> usize {
    let z = field.values;
    let before = |a: usize, b: usize| z[a] > z[b] || (z[a] == z[b] && a < b);
    let is_prominent = |top: usize| {
        // The highest key level on a way to something before it: the prominence is the drop.
        let mut level = vec![f32::NEG_INFINITY; z.len()];
        level[top] = z[top];
        let mut queue = BinaryHeap::from([((z[top] * 16.0) as i64, top)]);
        while let Some((_, cell)) = queue.pop() {
            if before(cell, top) {
                return z[top] - level[cell] >= least;
            }
            for (_, other) in field.neighbours(cell).filter(|(_, other)| !z[*other].is_nan()) {
                let through = level[cell].min(z[other]);
                if through > level[other] {
                    level[other] = through;
                    queue.push(((through * 16.0) as i64, other));
                }
            }
        }
        false
    };
    (0..z.len()).filter(|&cell| !z[cell].is_nan() && is_prominent(cell)).count()
}

/// A ridge from south to north with a saddle, between two straight valleys.
fn ridge_country() -> Dem {
    let height = |row: usize, column: usize| {
        let off_crest = (column as f64 - 60.0).abs();
        let along = (row as f64 - 50.0) / 50.0;
        let crest = 200.0 - 60.0 * (1.0 - along * along) * f64::from(u8::from(row > 0));
        (crest - 2.0 * off_crest - 0.05 * row as f64) as f32
    };
    dem((0..101 * 121).map(|i| height(i / 121, i % 121)).collect(), 121, 10.0)
}

#[test]
fn a_ridge_with_a_saddle_is_found_where_it_is() {
    let dem = ridge_country();
    let found = terrain(&dem, &TerrainSettings { ridge_ha: 2.0, ..TerrainSettings::default() }).unwrap();
    let crest_x_m = dem.centre(60).x_m;
    let longest = found.ridges.iter().max_by(|a, b| a.length_m.total_cmp(&b.length_m)).unwrap();
    assert!(longest.length_m > 900.0, "{longest:?}");
    for at in &longest.path {
        assert!((at.x_m - crest_x_m).abs() <= 10.0, "{at:?} is off the crest at {crest_x_m}");
    }
    let saddle = found.saddles.iter().max_by(|a, b| a.prominence_m.total_cmp(&b.prominence_m)).unwrap();
    assert!((saddle.at.x_m - crest_x_m).abs() < 1.0, "{saddle:?}");
    // The crest 200 − 60 (1 − u²) − 0.05 row is lowest where its slope is nothing, at row 51.
    assert!((saddle.at.y_m - dem.centre(51 * 121).y_m).abs() <= 10.0, "{saddle:?}");
    assert!((saddle.height_m - (140.0 - 0.05 * 51.0)).abs() < 0.1, "{saddle:?}");
    assert!((saddle.prominence_m - (195.0 - 137.45)).abs() < 0.5, "{saddle:?}");
}

#[test]
fn a_creek_runs_down_the_middle_of_its_valley_and_through_a_hollow() {
    // A valley that falls south, with a pool across it from row 40 to 60, deeper in the middle.
    let height = |row: usize, column: usize| {
        let pool = if (40..=60).contains(&row) { 8.0 } else { 0.0 };
        (300.0 - 0.2 * row as f64 + 3.0 * (column as f64 - 30.0).abs() - pool) as f32
    };
    let dem = dem((0..101 * 61).map(|i| height(i / 61, i % 61)).collect(), 61, 10.0);
    let found = terrain(&dem, &TerrainSettings { creek_ha: 5.0, ..TerrainSettings::default() }).unwrap();
    assert_eq!(found.creeks.len(), 1, "{:?}", found.creeks);
    let creek = &found.creeks[0];
    let middle = dem.centre(30).x_m;
    assert!(creek.path.iter().all(|p| (p.x_m - middle).abs() < 1e-9), "{creek:?}");
    let (first, last) = (creek.path[0], creek.path[creek.path.len() - 1]);
    assert!(first.y_m > last.y_m && last.y_m < dem.centre(98 * 61).y_m, "{creek:?}");
    // All ground but the border and the last row drains through its end: at least nine tenths.
    assert!(creek.ground_ha > 0.9 * 101.0 * 61.0 * 0.01, "{creek:?}");
}

#[test]
fn heights_that_are_no_ground_are_refused() {
    let settings = TerrainSettings::default();
    assert_eq!(terrain(&dem(vec![1.0; 8], 4, 10.0), &settings), Err(TerrainError::TooFewCells));
    assert_eq!(terrain(&dem(vec![f32::NAN; 25], 5, 10.0), &settings), Err(TerrainError::TooFewCells));
    let level = terrain(&dem(vec![7.0; 900], 30, 10.0), &settings).unwrap();
    assert!(level.ridges.is_empty() && level.saddles.is_empty());
}

/// Real ground: the slopes are those that numpy computed by Horn's formula, and the creeks and
/// ridges lie where they belong.
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_real_ground_has_the_slopes_of_the_reference() {
    let cases = std::env::var_os("STAKELINE_CASES").expect("set STAKELINE_CASES; README, Real data");
    let file = Path::new(&cases).join("dem-jacksboro/dem_wgs84.tif");
    let raster = read_raster(&file, &file, None).unwrap();
    // expected.json of the case: cells of 74.848 by 92.4705 m at the middle latitude.
    let slope = slope_deg(&raster.values, raster.columns, 74.848, 92.4705);
    let mut known: Vec<f64> = slope.iter().filter(|s| !s.is_nan()).map(|&s| f64::from(s)).collect();
    known.sort_by(f64::total_cmp);
    let share = |p: f64| known[((known.len() - 1) as f64 * p).round() as usize];
    let mean = known.iter().sum::<f64>() / known.len() as f64;
    for (got, want) in [
        (mean, 12.8109),
        (share(0.5), 12.6862),
        (share(0.9), 22.3919),
        (share(0.99), 27.0102),
        (share(1.0), 34.3202),
    ] {
        assert!((got - want).abs() < 2e-3, "{got} {want}");
    }
    let dem = Dem::from_raster(raster).unwrap();
    assert!((dem.cell_m - 83.2).abs() < 0.11, "{}", dem.cell_m);
    let found =
        terrain(&dem, &TerrainSettings { creek_ha: 100.0, ridge_ha: 100.0, ..Default::default() }).unwrap();
    assert!(found.creeks.len() > 50 && found.ridges.len() > 50 && found.saddles.len() > 20);
    let mean = |courses: &[Course]| {
        courses.iter().map(|c| (c.highest_m + c.lowest_m) / 2.0).sum::<f64>() / courses.len() as f64
    };
    assert!(mean(&found.ridges) > mean(&found.creeks) + 100.0);
}
