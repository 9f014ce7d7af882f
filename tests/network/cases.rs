//! Open data with counts from reference libraries; needs the folder of cases.

use serde_json::Value;
use stakeline::network::{KindSet, Network, NetworkSettings};
use stakeline::record::LineKind;

use crate::open_data::folder;
use crate::support::{case_lines, noding_only, sound};

fn kind(layer: &str) -> Option<LineKind> {
    Some(match layer {
        "track" => LineKind::Track,
        "water" => LineKind::Creek,
        "barrier" => LineKind::Fence,
        _ => LineKind::Road,
    })
}

fn all_kinds() -> KindSet {
    KindSet::from_kinds(&LineKind::ALL)
}

fn compare(network: &Network, lines: &Value, case: &str) {
    let wanted = &lines["noded_grid_0.01"];
    let histogram = network.degree_histogram();
    for (degree, count) in wanted["degree_histogram"].as_object().unwrap() {
        let found = histogram.get(degree.parse::<usize>().unwrap()).copied().unwrap_or(0);
        assert_eq!(found as u64, count.as_u64().unwrap(), "{case}: nodes of degree {degree}, {histogram:?}");
    }
    assert_eq!(network.nodes().len() as u64, wanted["n_nodes"].as_u64().unwrap(), "{case}: nodes");
    assert_eq!(network.edges().len() as u64, wanted["n_edges"].as_u64().unwrap(), "{case}: edges");
    let components = network.components(all_kinds()).count;
    assert_eq!(components as u64, wanted["n_components"].as_u64().unwrap(), "{case}: components");
    // The count of the reference leaves out the ends of stretches that two lines share.
    let crossings = lines["crossings"]["n_distinct_interior_crossing_points_1cm"].as_u64().unwrap();
    let shared = lines["crossings"]["n_collinear_overlap_pieces"].as_u64().unwrap();
    let found = network.report().crossings as u64;
    assert!(
        (crossings..=crossings + 2 * shared).contains(&found),
        "{case}: {found} crossings, not {crossings}"
    );
    let length_m = wanted["noded_length_m"].as_f64().unwrap();
    let slack_m = 0.01 * network.edges().len() as f64;
    assert!(
        (network.length_m() - length_m).abs() < slack_m,
        "{case}: {} m, not {length_m}",
        network.length_m()
    );
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_real_networks_node_as_geos_does_on_a_grid_of_one_centimetre() {
    let dir = folder();
    for (case, epsg) in
        [("osm-niue", 32702), ("osm-gozo-west", 32633), ("geodanet-tempe", 32612), ("chicago", 32755)]
    {
        let expected: Value =
            serde_json::from_str(&std::fs::read_to_string(dir.join(case).join("expected.json")).unwrap())
                .unwrap();
        let network = sound(&case_lines(&dir, case, epsg, kind), &noding_only(0.01));
        compare(&network, &expected["lines"], case);
        let Some(layers) = expected["lines_by_layer"].as_object() else { continue };
        for (layer, wanted) in layers {
            let one = |l: &str| if l == layer { kind(l) } else { None };
            let network = sound(&case_lines(&dir, case, epsg, one), &noding_only(0.01));
            compare(&network, wanted, &format!("{case} {layer}"));
        }
    }
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_gaps_of_the_soho_streets_close_at_a_centimetre() {
    let dir = folder();
    let network = sound(&case_lines(&dir, "soho-snow", 32630, kind), &noding_only(0.01));
    assert_eq!(network.components(all_kinds()).count, 1);
}

/// On a lattice of a micrometre the streets are noded as they are, without their gaps closed: as a
/// reference library nodes them without a grid. On one of a centimetre lengths and crossings stay.
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_the_soho_streets_node_as_drawn_where_no_gap_is_closed() {
    let dir = folder();
    let expected: Value =
        serde_json::from_str(&std::fs::read_to_string(dir.join("soho-snow/expected.json")).unwrap()).unwrap();
    let (lines, wanted) = (&expected["lines"], &expected["lines"]["noded_grid_none"]);
    let streets = case_lines(&dir, "soho-snow", 32630, kind);
    let exact = sound(&streets, &noding_only(1e-6));
    assert_eq!(exact.components(all_kinds()).count as u64, wanted["n_components"].as_u64().unwrap());
    assert_eq!(exact.edges().len() as u64, wanted["n_edges"].as_u64().unwrap());
    let histogram = exact.degree_histogram();
    // The reference calls an end and a crossing within a rounding error of each other one node, of
    // degree 5, at three places; we keep a node of degree 4 and an end there.
    let degree = |d: &str| wanted["degree_histogram"][d].as_u64().unwrap() as usize;
    let one = degree("5");
    let wanted_here = [0, degree("1") + one, degree("2"), degree("3"), degree("4") + one];
    assert_eq!(histogram, wanted_here);
    assert_eq!(exact.nodes().len() as u64, wanted["n_nodes"].as_u64().unwrap() + one as u64);
    assert!((exact.length_m() - wanted["noded_length_m"].as_f64().unwrap()).abs() < 0.01);
    let closed = sound(&streets, &noding_only(0.01));
    let slack_m = 0.01 * closed.edges().len() as f64;
    assert!((closed.length_m() - lines["length_planar_m"].as_f64().unwrap()).abs() < slack_m);
    assert!(closed.near_misses().iter().filter(|n| n.closed).all(|n| n.gap_m < 0.0101));
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_gozo_has_the_known_number_of_components_at_each_snap_distance() {
    let dir = folder();
    let lines = case_lines(&dir, "osm-gozo-west", 32633, kind);
    // 401 at 5 m where each end joins the nearest line alone.
    for (snap_m, components) in [(0.01, 715), (0.5, 712), (5.0, 400)] {
        let network = sound(&lines, &noding_only(snap_m));
        assert_eq!(network.components(all_kinds()).count, components, "snap {snap_m} m");
    }
}

/// The count in plan does not hang on levels: bridges pass over what they touch in the drawing.
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_bridges_of_gozo_pass_without_joining_and_the_plan_counts_as_before() {
    let dir = folder();
    let lines = case_lines(&dir, "osm-gozo-west", 32633, kind);
    for (snap_m, in_plan, with_levels) in [(0.01, 715, 718), (0.5, 712, 715)] {
        let settings = NetworkSettings { respect_levels: true, ..noding_only(snap_m) };
        let network = sound(&lines, &settings);
        assert_eq!(network.components_in_plan(), in_plan, "snap {snap_m} m");
        assert_eq!(network.components(all_kinds()).count, with_levels, "snap {snap_m} m");
        // The data list 53 pairs that cross by a bridge or tunnel without a shared vertex; two
        // of them within one place.
        assert_eq!(network.report().parted.len(), 52);
    }
}
