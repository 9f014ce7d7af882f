//! Noding against GEOS on seeded sets of lines; see `tests/golden/network/make_geos.py`.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;
use stakeline::network::Network;

use crate::definition::{Corner, Meets, meets, noded};
use crate::seeded::{Segment, Step, fingerprint, lines};
use crate::support::{noding_only, sound, tracks};

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

/// The unit segments of a network on the lattice of 1 cm.
pub fn segments_of(network: &Network) -> BTreeSet<Segment> {
    let step = |v_m: f64| (v_m * 100.0).round() as i64;
    let mut all = BTreeSet::new();
    for e in 0..network.edges().len() as u32 {
        let path: Vec<Step> = network.path(e).iter().map(|p| (step(p.x_m), step(p.y_m))).collect();
        all.extend(path.windows(2).map(|w| (w[0].min(w[1]), w[0].max(w[1]))));
    }
    all
}

/// The sets in which GEOS has other segments than we have, all among the 250 crowded into 120 by
/// 120 steps, and why: there a segment of the input (two points) passes exactly through a corner of
/// a hot pixel (third point). Whether it enters is a matter of whose the corner is. We take the
/// pixel to own its south-west corner, and so does GEOS for a segment that nothing crosses; but it
/// judges the pieces between crossings, whose ends are floats, and their last bits then decide.
/// With these decisions turned the definition gives the segments of GEOS, all of them.
const CORNERS: &[(u64, &[Corner])] = &[
    (6, &[((12, 53), (35, 88), (23, 71))]),
    (42, &[((22, 53), (118, 85), (36, 57))]),
    (114, &[((115, 47), (38, 14), (76, 31))]),
    (122, &[((51, 80), (93, 98), (54, 82)), ((26, 64), (71, 111), (48, 88))]),
    (130, &[((113, 104), (96, 67), (104, 86))]),
    (146, &[((101, 8), (21, 88), (93, 15)), ((54, 101), (101, 14), (77, 57))]),
    (158, &[((119, 78), (45, 4), (88, 46))]),
    (
        206,
        &[((46, 66), (109, 75), (92, 72)), ((28, 93), (97, 70), (66, 81)), ((49, 116), (43, 10), (45, 36))],
    ),
    (210, &[((80, 52), (35, 103), (42, 94)), ((114, 46), (48, 0), (98, 34))]),
    (230, &[((92, 111), (80, 3), (87, 71))]),
    (278, &[((51, 108), (60, 61), (56, 85)), ((57, 97), (87, 31), (64, 80))]),
    (350, &[((86, 87), (32, 65), (73, 81))]),
    (366, &[((106, 26), (28, 56), (48, 49)), ((53, 101), (79, 23), (73, 39))]),
    (382, &[((97, 26), (58, 91), (65, 78))]),
    (394, &[((54, 112), (60, 34), (55, 92)), ((54, 112), (60, 34), (56, 79))]),
    (406, &[((40, 96), (67, 15), (65, 23))]),
    (418, &[((16, 37), (65, 102), (40, 70))]),
    (426, &[((39, 88), (103, 24), (74, 52))]),
    (474, &[((45, 81), (88, 38), (69, 56))]),
    (498, &[((26, 36), (92, 102), (59, 70))]),
    (534, &[((93, 91), (66, 110), (80, 101))]),
    (546, &[((35, 47), (2, 14), (10, 21))]),
    (550, &[((2, 47), (101, 2), (74, 15))]),
    (558, &[((112, 86), (37, 25), (75, 55))]),
    (570, &[((33, 97), (1, 65), (28, 91))]),
    (590, &[((11, 39), (64, 118), (37, 79))]),
    (606, &[((57, 107), (6, 20), (49, 92))]),
    (614, &[((73, 22), (61, 98), (66, 70)), ((73, 22), (61, 98), (65, 69)), ((44, 13), (46, 79), (44, 30))]),
    (674, &[((62, 107), (7, 42), (34, 75))]),
    (754, &[((22, 105), (70, 57), (36, 90))]),
    (758, &[((78, 29), (30, 109), (55, 66))]),
    (762, &[((60, 72), (100, 96), (67, 77))]),
    (770, &[((45, 47), (0, 102), (31, 63))]),
    (782, &[((52, 20), (22, 38), (50, 22))]),
    (806, &[((92, 83), (50, 33), (82, 70))]),
    (818, &[((18, 6), (77, 51), (47, 29))]),
    (834, &[((88, 89), (12, 21), (60, 63))]),
    (862, &[((78, 31), (3, 112), (66, 45))]),
    (906, &[((58, 72), (87, 43), (63, 66)), ((58, 72), (87, 43), (64, 67)), ((109, 58), (62, 67), (85, 62))]),
    (918, &[((81, 92), (7, 74), (25, 79))]),
    (930, &[((78, 110), (33, 101), (70, 109))]),
    (938, &[((64, 79), (58, 89), (62, 81))]),
    (966, &[((47, 73), (17, 63), (18, 64))]),
    (990, &[((57, 37), (27, 19), (39, 27)), ((57, 37), (27, 19), (45, 29))]),
];

/// What is said of a set that differs: the definition, with nothing but touched corners decided
/// the other way, gives what GEOS has.
fn explain(seed: u64, geos: &str) {
    let corners = CORNERS.iter().find(|c| c.0 == seed).map(|c| c.1);
    let corners = corners.unwrap_or_else(|| panic!("set {seed} differs from GEOS and is not listed"));
    let lines = lines(seed);
    for &(a, b, pixel) in corners {
        let input = lines.iter().any(|l| l.windows(2).any(|w| (w[0], w[1]) == (a, b)));
        assert!(input, "set {seed}: no segment from {a:?} to {b:?}");
        let touched = matches!(meets(a, b, pixel), Meets::OwnCorner | Meets::OtherCorner);
        assert!(touched, "set {seed}: {a:?} to {b:?} passes no corner of {pixel:?}");
    }
    assert_eq!(fingerprint(&noded(&lines, corners)), geos, "set {seed}: another cause than {corners:?}");
    for k in 0..corners.len() {
        let fewer = [&corners[..k], &corners[k + 1..]].concat();
        assert_ne!(fingerprint(&noded(&lines, &fewer)), geos, "set {seed}: {:?} plays no part", corners[k]);
    }
}

#[test]
fn a_thousand_sets_node_as_geos_does_save_at_corners_touched() {
    let golden: Value = serde_json::from_str(include_str!("../golden/network/geos.json")).unwrap();
    let mut different = Vec::new();
    for seed in 0..1000 {
        let metres = |p: &Step| (p.0 as f64 / 100.0, p.1 as f64 / 100.0);
        let paths: Vec<Vec<(f64, f64)>> =
            lines(seed).iter().map(|l| l.iter().map(metres).collect()).collect();
        let network = sound(&tracks(&paths), &noding_only(0.0));
        let (vertices, segments, by_degree, length) = counts(&network);
        let wanted = &golden["sets"][seed as usize];
        assert_eq!(vertices as u64, wanted[0], "set {seed}: vertices");
        let geos = wanted[4].as_str().unwrap();
        if fingerprint(&segments_of(&network)) != geos {
            explain(seed, geos);
            different.push(seed);
            continue;
        }
        assert_eq!(segments as u64, wanted[1], "set {seed}: segments");
        let degrees: BTreeMap<usize, usize> = wanted[2]
            .as_object()
            .unwrap()
            .iter()
            .map(|(d, n)| (d.parse().unwrap(), n.as_u64().unwrap() as usize))
            .collect();
        assert_eq!(by_degree, degrees, "set {seed}: vertices by degree");
        let off_steps = (length - wanted[3].as_f64().unwrap()).abs();
        assert!(off_steps <= network.edges().len() as f64, "set {seed}: length {length} steps");
    }
    let listed: Vec<u64> = CORNERS.iter().map(|c| c.0).collect();
    assert_eq!(different, listed, "sets that differ from GEOS");
    assert!(different.iter().all(|seed| seed % 4 == 2), "only the crowded kind may differ");
}
