//! Travel distances against networkx, and ways against distances.

use serde_json::Value;
use stakeline::frame::{Frame, LonLat, Traced};
use stakeline::network::{Foot, KindSet, Network, TravelGraph};
use stakeline::record::LineKind;

use crate::support::{line, noding_only, sound};

fn tempe() -> (Network, Vec<Foot>, Value) {
    let json: Value = serde_json::from_str(include_str!("../golden/network/tempe-lines.geojson")).unwrap();
    let frame = Frame::from_epsg(32612).unwrap();
    let lines: Vec<_> = json["features"]
        .as_array()
        .unwrap()
        .iter()
        .enumerate()
        .map(|(k, f)| {
            let coordinates = f["geometry"]["coordinates"].as_array().unwrap();
            let path: Vec<LonLat> = coordinates
                .iter()
                .map(|c| LonLat::new(c[0].as_f64().unwrap(), c[1].as_f64().unwrap()).unwrap())
                .collect();
            let ground = frame.path_to_ground(&path).unwrap();
            Traced { what: line(LineKind::Track, k), path, ground }
        })
        .collect();
    let network = sound(&lines, &noding_only(0.01));
    let golden: Value = serde_json::from_str(include_str!("../golden/network/travel.json")).unwrap();
    let feet = golden["feet"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| {
            let (line, share) = (f[0].as_u64().unwrap() as u32, f[1].as_f64().unwrap());
            network.foot_on_line(line, share * network.line_length_m(line).unwrap()).unwrap()
        })
        .collect();
    (network, feet, golden)
}

/// Feet lie up to a centimetre apart in the two, and so do the vertices between.
const SLACK_M: f64 = 0.1;

#[test]
fn distances_match_networkx_and_a_bound_only_leaves_out() {
    let (network, feet, golden) = tempe();
    let graph = TravelGraph::new(&network, KindSet::of(LineKind::Track));
    let all = graph.distances(&feet, &feet, f64::INFINITY);
    let near = graph.distances(&feet, &feet, 1500.0);
    assert!(feet.len() >= 8, "enough sources to eliminate the graph");
    let mut kept = 0;
    for i in 0..feet.len() {
        for j in 0..feet.len() {
            let wanted = golden["metres"][i][j].as_f64();
            let found = all.get(i, j);
            match (found, wanted) {
                (Some(f), Some(w)) => assert!((f - w).abs() < SLACK_M, "{i} to {j}: {f} m, networkx {w} m"),
                (f, w) => assert_eq!(f, w, "{i} to {j}"),
            }
            // One source is searched from; many go through the eliminated graph.
            let searched = graph.distance_m(&feet[i], &feet[j], f64::INFINITY);
            match (found, searched) {
                (Some(f), Some(s)) => assert!((f - s).abs() < 1e-8, "{i} to {j}: {f} m, searched {s} m"),
                (f, s) => assert_eq!(f, s, "{i} to {j}"),
            }
            assert_eq!(near.get(i, j), searched.filter(|&d| d <= 1500.0), "{i} to {j} within 1500 m");
            kept += usize::from(near.get(i, j).is_some());
        }
    }
    assert!(kept > feet.len() && kept < feet.len() * feet.len());
}

#[test]
fn a_way_is_as_long_as_the_distance_and_hangs_together() {
    let (network, feet, _) = tempe();
    let graph = TravelGraph::new(&network, KindSet::of(LineKind::Track));
    for (i, from) in feet.iter().enumerate() {
        for to in &feet[i..] {
            let way = graph.way(from, to).unwrap();
            let distance_m = graph.distance_m(from, to, f64::INFINITY).unwrap();
            assert!((way.length_m - distance_m).abs() < 1e-6);
            let sum: f64 = way.pieces.iter().map(|p| (p.to_m - p.from_m).abs()).sum();
            assert!((sum - way.length_m).abs() < 1e-6, "pieces {sum} m, way {} m", way.length_m);
            let mut at = from.at;
            for p in &way.pieces {
                let start = network.point_at(p.edge, p.from_m);
                assert!(at.distance_m(start) < 1e-6, "a way jumps from {at:?} to {start:?}");
                at = network.point_at(p.edge, p.to_m);
            }
            assert!(at.distance_m(to.at) < 1e-6);
        }
    }
}

#[test]
fn a_foot_on_another_kind_reaches_nothing() {
    let (network, feet, _) = tempe();
    let graph = TravelGraph::new(&network, KindSet::of(LineKind::Creek));
    let none = graph.distances(&feet[..3], &feet, f64::INFINITY);
    assert_eq!((none.len(), none.row(0).len(), none.get(2, 2)), (3, 0, None));
    assert!(graph.way(&feet[0], &feet[1]).is_none());
}

#[test]
fn nearest_feet_match_a_search_of_every_segment() {
    let (network, _, _) = tempe();
    let first = network.nodes()[0].at;
    for k in 0..400 {
        let (dx, dy) = (f64::from(k % 20) * 97.0 - 900.0, f64::from(k / 20) * 89.0 - 900.0);
        let point = stakeline::frame::GroundPoint::new(first.x_m + dx, first.y_m + dy);
        let mut least_m = f64::INFINITY;
        for e in 0..network.edges().len() as u32 {
            for w in network.path(e).windows(2) {
                let (vx, vy) = (w[1].x_m - w[0].x_m, w[1].y_m - w[0].y_m);
                let t = ((point.x_m - w[0].x_m) * vx + (point.y_m - w[0].y_m) * vy) / (vx * vx + vy * vy);
                least_m = least_m.min(w[0].lerp(w[1], t.clamp(0.0, 1.0)).distance_m(point));
            }
        }
        for within_m in [10.0, 100.0, 5000.0] {
            let found = network.nearest_foot(point, within_m, |_| true);
            match found {
                Some(f) => {
                    assert!((f.offset_m - least_m).abs() < 1e-6, "{f:?}, not {least_m} m");
                    assert!(network.point_at(f.edge, f.along_m).distance_m(f.at) < 1e-6);
                }
                None => assert!(least_m > within_m),
            }
        }
    }
}
