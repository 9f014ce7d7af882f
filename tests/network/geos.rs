//! Noding against GEOS on seeded sets of lines; see `tests/golden/network/make_geos.py`.

use std::collections::BTreeMap;

use serde_json::Value;
use stakeline::network::Network;

use crate::support::{noding_only, sound, tracks};

/// splitmix64 (Steele, Lea & Flood 2014), as in the script.
struct Rng(u64);

impl Rng {
    fn below(&mut self, n: u64) -> i64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) % n) as i64
    }
}

/// The lines of a set, in whole steps.
fn lines(seed: u64) -> Vec<Vec<(i64, i64)>> {
    let mut r = Rng(seed);
    let mut out = Vec::new();
    match seed % 4 {
        0 => {
            for _ in 0..8 {
                let (mut x, mut y) = (r.below(40000), r.below(40000));
                let mut path = vec![(x, y)];
                for _ in 0..25 {
                    x += r.below(12001) - 6000;
                    y += r.below(12001) - 6000;
                    path.push((x, y));
                }
                out.push(path);
            }
        }
        1 => {
            for k in 0..12 {
                out.push(vec![(k * 4000 + r.below(500), 0), (k * 4000 + 9000 + r.below(500), 50000)]);
                out.push(vec![(0, k * 4000 + r.below(500)), (50000, k * 4000 + 9000 + r.below(500))]);
            }
        }
        2 => {
            for _ in 0..12 {
                let n = 2 + r.below(4);
                out.push((0..n).map(|_| (r.below(120), r.below(120))).collect());
            }
        }
        _ => {
            for _ in 0..10 {
                let n = 2 + r.below(6);
                out.push((0..n).map(|_| (r.below(6) * 1000, r.below(6) * 1000)).collect());
            }
        }
    }
    out
}

/// Vertices, unit segments, vertices by degree, and length in steps.
fn counts(network: &Network) -> (usize, usize, BTreeMap<usize, usize>, f64) {
    let mut by_degree = BTreeMap::new();
    let mut vertices = network.nodes().len();
    network.nodes().iter().for_each(|n| *by_degree.entry(n.degree as usize).or_insert(0) += 1);
    let mut segments = 0;
    for e in 0..network.edges().len() as u32 {
        let path = network.path(e);
        segments += path.len() - 1;
        vertices += path.len() - 2;
        *by_degree.entry(2).or_insert(0) += path.len() - 2;
    }
    by_degree.retain(|_, n| *n > 0);
    (vertices, segments, by_degree, network.length_m() * 100.0)
}

/// Sets that differ from GEOS, and by how many vertices and segments (none by a vertex; of those
/// with equal counts the degrees differ): 39 of the 250 crowded into 120 by 120 steps, where
/// most pixels have hot neighbours. GEOS is applied until stable there, which rounds lines
/// that were rounded before; we bend the original segments until stable.
const DIFFERENT: &[(u64, i64, i64)] = &[
    (6, 0, 0),
    (42, 0, 1),
    (114, 0, 1),
    (122, 0, 1),
    (130, 0, 0),
    (146, 0, 1),
    (158, 0, 1),
    (206, 0, 0),
    (210, 0, 0),
    (230, 0, 0),
    (278, 0, 0),
    (350, 0, 1),
    (366, 0, 0),
    (394, 0, 1),
    (418, 0, 0),
    (426, 0, -1),
    (474, 0, 0),
    (534, 0, 0),
    (550, 0, 0),
    (558, 0, 0),
    (570, 0, 0),
    (606, 0, -1),
    (614, 0, 2),
    (674, 0, 1),
    (754, 0, 1),
    (758, 0, 1),
    (762, 0, 1),
    (770, 0, 1),
    (782, 0, 0),
    (806, 0, 1),
    (818, 0, 1),
    (834, 0, 0),
    (862, 0, -1),
    (906, 0, -1),
    (918, 0, 1),
    (930, 0, 1),
    (938, 0, 1),
    (966, 0, 1),
    (990, 0, 1),
];

fn compare(seeds: std::ops::Range<u64>) {
    let golden: Value = serde_json::from_str(include_str!("../golden/network/geos.json")).unwrap();
    let mut different = Vec::new();
    for seed in seeds.clone() {
        let metres = |p: &(i64, i64)| (p.0 as f64 / 100.0, p.1 as f64 / 100.0);
        let paths: Vec<Vec<(f64, f64)>> =
            lines(seed).iter().map(|l| l.iter().map(metres).collect()).collect();
        let network = sound(&tracks(&paths), &noding_only(0.0));
        let (vertices, segments, by_degree, length) = counts(&network);
        let wanted = &golden["sets"][seed as usize];
        let off =
            (vertices as i64 - wanted[0].as_i64().unwrap(), segments as i64 - wanted[1].as_i64().unwrap());
        let edges = network.edges().len() as f64;
        if off == (0, 0) {
            let off_steps = (length - wanted[3].as_f64().unwrap()).abs();
            assert!(off_steps <= edges, "set {seed}: length {length} steps");
        }
        let degrees: BTreeMap<usize, usize> = wanted[2]
            .as_object()
            .unwrap()
            .iter()
            .map(|(d, n)| (d.parse().unwrap(), n.as_u64().unwrap() as usize))
            .collect();
        if off != (0, 0) || degrees != by_degree {
            different.push((seed, off.0, off.1));
        }
    }
    let listed: Vec<_> = DIFFERENT.iter().copied().filter(|d| seeds.contains(&d.0)).collect();
    assert_eq!(different, listed, "sets that differ from GEOS");
    assert!(different.iter().all(|d| d.0 % 4 == 2 && d.1 == 0 && d.2.abs() <= 2), "only the dense kind may");
}

#[test]
fn fifty_sets_node_as_geos_does() {
    compare(0..50);
}

#[test]
#[ignore = "a thousand sets; some seconds"]
fn a_thousand_sets_node_as_geos_does() {
    compare(0..1000);
}
