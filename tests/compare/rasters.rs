//! Cells of the rasters of a comparison, computed again by plain sums over records and legs.

use std::path::Path;

use stakeline::files::{Placement, RasterFile, read_raster};
use stakeline::frame::{Frame, GroundPoint, LonLat, distance_m};

use super::{Dice, EAST, OUTINGS, WEST, property, run};
use crate::support::{json, number};

const BANDWIDTH_M: f64 = 500.0;

/// Pieces of the track: fine enough that sums over their middles are integrals.
const PIECES: usize = 2_000;

/// Relabellings of the local test, here and there.
const OWN_RUNS: usize = 999;
const RUNS: &str = "1999";

fn kernel(a: GroundPoint, b: GroundPoint) -> f64 {
    let (dx, dy) = ((a.x_m - b.x_m) / BANDWIDTH_M, (a.y_m - b.y_m) / BANDWIDTH_M);
    (-0.5 * (dx * dx + dy * dy)).exp() / (std::f64::consts::TAU * BANDWIDTH_M * BANDWIDTH_M)
}

/// The records of one season by outing, in the frame.
fn sign_by_outing(frame: &Frame, dir: &Path, name: &str) -> Vec<Vec<GroundPoint>> {
    let file = json(&dir.join(format!("{name}.geojson")));
    let mut outings = vec![Vec::new(); OUTINGS];
    for feature in file["features"].as_array().unwrap() {
        let id = feature["properties"]["survey"].as_str().unwrap();
        let outing: usize = id.split_once('-').unwrap().1.parse().unwrap();
        let at = |i: usize| feature["geometry"]["coordinates"][i].as_f64().unwrap();
        outings[outing].push(frame.to_ground(LonLat::new(at(0), at(1)).unwrap()).unwrap());
    }
    outings
}

/// Kilometres searched per m² around a place by one walk along the track.
fn walk_at(frame: &Frame, at: GroundPoint) -> f64 {
    let end = |(lon, lat)| LonLat::new(lon, lat).unwrap();
    let ground = |p| frame.to_ground(end(p)).unwrap();
    let (west, east) = (ground(WEST), ground(EAST));
    let km = distance_m(end(WEST), end(EAST)) / 1000.0 / PIECES as f64;
    (0..PIECES).map(|k| km * kernel(at, west.lerp(east, (k as f64 + 0.5) / PIECES as f64))).sum()
}

/// Column, row and centre of the cell that holds a share of the track, so far north of it.
fn cell_at(raster: &RasterFile, frame: &Frame, share: f64, north_m: f64) -> (usize, GroundPoint) {
    let ground = |(lon, lat)| frame.to_ground(LonLat::new(lon, lat).unwrap()).unwrap();
    let place = ground(WEST).lerp(ground(EAST), share);
    let Placement { west, north, cell_x, cell_y, .. } = raster.placement;
    let column = ((place.x_m - west) / cell_x).floor();
    let row = ((north - place.y_m - north_m) / cell_y).floor();
    let centre = GroundPoint::new(west + (column + 0.5) * cell_x, north - (row + 0.5) * cell_y);
    (row as usize * raster.columns + column as usize, centre)
}

/// One place: the sign of every outing there (those before first), and the walk's kilometres.
struct Place {
    sign: Vec<f64>,
    walk: f64,
}

impl Place {
    fn at(frame: &Frame, outings: &[Vec<GroundPoint>], at: GroundPoint) -> Self {
        let sum = |places: &Vec<GroundPoint>| places.iter().map(|p| kernel(at, *p)).sum();
        Place { sign: outings.iter().map(sum).collect(), walk: walk_at(frame, at) }
    }

    /// Difference of the rates after and before, weighted by effort, and its error. `after`
    /// says which outings are dealt to that season. Every outing walked the whole track, so
    /// effort weighs both seasons alike.
    fn difference(&self, after: &[bool]) -> (f64, f64) {
        let k = OUTINGS as f64;
        let season = |wanted: bool| {
            let own = || self.sign.iter().zip(after).filter(move |(_, a)| **a == wanted).map(|(f, _)| *f);
            let mean = own().sum::<f64>() / k;
            (mean, own().map(|f| (f - mean).powi(2)).sum::<f64>())
        };
        let ((mean_1, scatter_1), (mean_2, scatter_2)) = (season(false), season(true));
        let variance = k / (k - 1.0) * 0.25 * (scatter_1 + scatter_2);
        (k / 2.0 * (mean_2 - mean_1), variance.sqrt())
    }
}

/// z of all places under one labelling.
fn studentised(places: &[Place], after: &[bool]) -> Vec<f64> {
    let found: Vec<(f64, f64)> = places.iter().map(|p| p.difference(after)).collect();
    let largest = found.iter().fold(0.0, |m: f64, (_, e)| m.max(*e));
    found.iter().map(|(d, e)| d / (e + 0.05 * largest)).collect()
}

#[test]
fn cells_hold_what_plain_sums_give() {
    let dir = tempfile::tempdir().unwrap();
    property(dir.path());
    let seasons = ["plan.toml", "--before", "before", "--after", "after", "--block", "outing"];
    let (found, out) = run(dir.path(), &[&seasons[..], &["--runs", RUNS]].concat());
    let frame = Frame::from_epsg(number(&found, "/epsg") as u32).unwrap();
    let read = |name: &str| read_raster(&out.join(name), Path::new(name), None).unwrap();
    let (change, p, asymptotic) = (read("change.tif"), read("change-p.tif"), read("change-p-asymptotic.tif"));
    let before = sign_by_outing(&frame, dir.path(), "before");
    let outings: Vec<Vec<GroundPoint>> =
        before.into_iter().chain(sign_by_outing(&frame, dir.path(), "after")).collect();

    let asked: Vec<(usize, GroundPoint)> = [0.05, 0.2, 0.4, 0.55, 0.7, 0.95]
        .into_iter()
        .flat_map(|share| [0.0, 650.0].map(|north_m| (share, north_m)))
        .map(|(share, north_m)| cell_at(&change, &frame, share, north_m))
        .collect();
    let mut places: Vec<Place> = asked.iter().map(|(_, at)| Place::at(&frame, &outings, *at)).collect();
    for ((cell, _), place) in asked.iter().zip(&places) {
        let (f1, f2) = (place.sign[..OUTINGS].iter().sum::<f64>(), place.sign[OUTINGS..].iter().sum::<f64>());
        let exposure = OUTINGS as f64 * place.walk;
        let log_ratio = (f2 / f1).ln();
        assert!((f64::from(change.values[*cell]) - log_ratio).abs() < 1e-3, "{log_ratio}");
        // Hazelton & Davies (2009), pooled: R = 1/4π for the Gaussian.
        let expected = exposure * (f1 + f2) / (2.0 * exposure);
        let roughness = 1.0 / (4.0 * std::f64::consts::PI);
        let error = (roughness / BANDWIDTH_M.powi(2) * 2.0 / expected).sqrt();
        let by_hand = libm::erfc(log_ratio.abs() / error / std::f64::consts::SQRT_2);
        assert!((f64::from(asymptotic.values[*cell]) - by_hand).abs() < 2e-3, "{by_hand}");
    }
    // Neither season reached the corner.
    assert!(change.values[0].is_nan() && p.values[0].is_nan() && asymptotic.values[0].is_nan());

    // The error's floor needs the largest error anywhere: places every 200 m around the track.
    let asked_places = places.len();
    for i in 0..48 {
        for north_m in [-600.0, 0.0, 600.0] {
            let (_, at) = cell_at(&change, &frame, f64::from(i) / 40.0 - 0.1, north_m);
            places.push(Place::at(&frame, &outings, at));
        }
    }
    let mut after: Vec<bool> = (0..2 * OUTINGS).map(|i| i >= OUTINGS).collect();
    let observed = studentised(&places, &after);
    let mut dice = Dice(99);
    let (mut upper, mut lower) = (vec![1usize; asked_places], vec![1usize; asked_places]);
    for _ in 0..OWN_RUNS {
        for i in (1..after.len()).rev() {
            after.swap(i, (dice.roll() * (i + 1) as f64) as usize);
        }
        let z = studentised(&places, &after);
        for i in 0..asked_places {
            upper[i] += usize::from(z[i] >= observed[i]);
            lower[i] += usize::from(z[i] <= observed[i]);
        }
    }
    let mut middling = 0;
    for (i, (cell, _)) in asked.iter().enumerate() {
        let tail = upper[i].min(lower[i]) as f64 / (OWN_RUNS + 1) as f64;
        let (own, written) = ((2.0 * tail).min(1.0), f64::from(p.values[*cell]));
        middling += usize::from((0.1..0.9).contains(&own));
        // Monte Carlo noise of both (a standard deviation of 0.033 at most), and the raster's
        // interpolation between cells a third of a bandwidth apart.
        assert!((written - own).abs() < 0.12, "{written} written, {own} by plain sums");
    }
    assert!(middling >= 3, "{middling} places say something about p");
}
