//! Small cases with known answers; see `tests/golden/network/README.md`.

use std::collections::BTreeSet;

use serde_json::Value;
use stakeline::frame::GroundPoint;
use stakeline::network::{Network, Orientation, orientation};

use crate::support::{noding_only, sound, tracks};

fn golden() -> Value {
    serde_json::from_str(include_str!("../golden/network/noding.json")).unwrap()
}

type Path = Vec<(i64, i64)>;

/// A path in whole tenths of a millimetre, in the direction that sorts first.
fn undirected(path: impl Iterator<Item = (f64, f64)>) -> Path {
    let forward: Path = path.map(|(x, y)| ((x * 1e4).round() as i64, (y * 1e4).round() as i64)).collect();
    let backward: Path = forward.iter().rev().copied().collect();
    forward.min(backward)
}

fn paths_of(json: &Value) -> Vec<Vec<(f64, f64)>> {
    let pair = |p: &Value| (p[0].as_f64().unwrap(), p[1].as_f64().unwrap());
    json.as_array().unwrap().iter().map(|l| l.as_array().unwrap().iter().map(pair).collect()).collect()
}

fn edge_set(network: &Network) -> BTreeSet<Path> {
    (0..network.edges().len() as u32)
        .map(|e| undirected(network.path(e).iter().map(|p| (p.x_m, p.y_m))))
        .collect()
}

#[test]
fn small_cases_match_geos_and_an_exact_noder() {
    for case in golden()["cases"].as_array().unwrap() {
        let lines = tracks(&paths_of(&case["lines"]));
        let network = sound(&lines, &noding_only(1e-4));
        let wanted: BTreeSet<Path> =
            paths_of(&case["noded"]).into_iter().map(|p| undirected(p.into_iter())).collect();
        assert_eq!(edge_set(&network), wanted, "{}", case["name"]);
        let of_degree =
            |keep: &dyn Fn(u32) -> bool| network.nodes().iter().filter(|n| keep(n.degree)).count();
        assert_eq!(of_degree(&|d| d >= 3), case["junctions"].as_array().unwrap().len(), "{}", case["name"]);
        assert_eq!(of_degree(&|d| d == 1), case["dangles"].as_array().unwrap().len(), "{}", case["name"]);
    }
}

/// Kettner, Mehlhorn, Pion, Schirra & Yap (2008), Comput. Geom. 40:61–78: the grid around
/// (0.5, 0.5) on which plain arithmetic errs in 11,972 of 65,536 places.
#[test]
fn orientation_is_exact_on_the_published_grid() {
    let (q, r) = (GroundPoint::new(12.0, 12.0), GroundPoint::new(24.0, 24.0));
    let unit = 2.0_f64.powi(-53);
    let mut counts = [0; 3];
    for i in 0..256 {
        for j in 0..256 {
            let p = GroundPoint::new(0.5 + f64::from(i) * unit, 0.5 + f64::from(j) * unit);
            counts[match orientation(p, q, r) {
                Orientation::Right => 0,
                Orientation::On => 1,
                Orientation::Left => 2,
            }] += 1;
        }
    }
    assert_eq!(counts, [32640, 256, 32640]);
}

/// Four passes of one kilometre with 3 m noise, a fix every 10 m.
pub fn noisy_passes() -> Vec<Vec<(f64, f64)>> {
    let pass = |y: &Value| -> Vec<(f64, f64)> {
        let fixes = y.as_array().unwrap().iter().enumerate();
        fixes.map(|(i, y)| (10.0 * i as f64, y.as_f64().unwrap())).collect()
    };
    golden()["passes"]["y"].as_array().unwrap().iter().map(pass).collect()
}

#[test]
fn four_noisy_passes_noded_raw_make_the_known_number_of_false_junctions() {
    let golden = golden();
    let passes = &golden["passes"];
    let network = sound(&tracks(&noisy_passes()), &noding_only(1e-5));
    assert_eq!(network.edges().len() as u64, passes["raw_edges"].as_u64().unwrap());
    let junctions = network.nodes().iter().filter(|n| n.degree >= 3).count();
    assert_eq!(junctions as u64, passes["raw_junctions"].as_u64().unwrap());
}
