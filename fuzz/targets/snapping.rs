//! Feet and travel distances: a foot lies on its edge, a distance is never shorter than the
//! straight line and the same both ways.
#![no_main]

use stakeline::frame::GroundPoint;
use stakeline::network::{Foot, KindSet, Network, NetworkSettings, TravelGraph};
use stakeline::record::LineKind;
use stakeline_fuzz::{Numbers, lines_of};

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let mut numbers = Numbers(bytes);
    let places: Vec<GroundPoint> = (0..4)
        .map(|_| {
            let (x, y) = (f64::from(numbers.short()), f64::from(numbers.short()));
            GroundPoint::new(500_000.0 + x / 16.0, 6_200_000.0 + y / 16.0)
        })
        .collect();
    let lines = lines_of(&mut numbers);
    let Ok(network) = Network::build(&lines, &[], &NetworkSettings::default()) else { return };
    let all = KindSet::from_kinds(&LineKind::ALL);
    let feet: Vec<Foot> = places.iter().filter_map(|&p| network.nearest_foot(p, 1e5, |_| true)).collect();
    let graph = TravelGraph::new(&network, all);
    let distances = graph.distances(&feet, &feet, f64::INFINITY);
    for (i, a) in feet.iter().enumerate() {
        let edge = &network.edges()[a.edge as usize];
        assert!(a.along_m >= 0.0 && a.along_m <= edge.length_m);
        for (j, b) in feet.iter().enumerate() {
            let there = distances.get(i, j);
            assert_eq!(there.is_some(), distances.get(j, i).is_some());
            if let (Some(there), Some(back)) = (there, distances.get(j, i)) {
                assert!((there - back).abs() <= 1e-6 * (1.0 + there));
                assert!(there + 1e-6 >= a.at.distance_m(b.at), "{there} m is shorter than straight");
            }
        }
    }
});
