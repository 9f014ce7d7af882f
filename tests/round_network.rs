//! Rounds over small networks: distances by another method, legs along lines that exist,
//! closed lines, locked gates, one-way lines, days.

use std::path::Path;
use std::sync::Arc;

use proptest::prelude::*;
use stakeline::frame::{GroundPoint, LonLat, Traced, path_length_m};
use stakeline::network::{Foot, KindSet, Network, NetworkSettings, TravelGraph};
use stakeline::record::{Line, LineKind, SourcePlace};
use stakeline::round::{
    Call, Ground, Passage, Round, RoundEnd, RoundSettings, Speeds, TravelNet, plan_round,
};

fn line(kind: LineKind, way: &[(f64, f64)]) -> Traced<Line> {
    let source = SourcePlace { file: Arc::from(Path::new("lines.geojson")), index: 0, id: None };
    Traced {
        what: Line::new(kind, source),
        path: vec![LonLat::new(0.0, 0.0).unwrap(); way.len()],
        ground: way.iter().map(|&(x, y)| GroundPoint::new(x, y)).collect(),
    }
}

fn network(lines: &[Traced<Line>]) -> Network {
    let settings = NetworkSettings { snap_m: 0.01, merge_m: 0.0, ..NetworkSettings::default() };
    Network::build(lines, &[], &settings).unwrap()
}

fn open(network: &Network) -> Vec<Passage> {
    network.edges().iter().map(|e| Speeds::default().passage(e)).collect()
}

/// A lattice of tracks 1 km apart, 4 by 3, with a dead-end spur and a loop.
///
/// ```text
/// +--+--+--+-.
/// |  |  |  |  )
/// +--+--+--+-'
/// |  |  |  |
/// +--+--+--+----
/// ```
fn lattice() -> Vec<Traced<Line>> {
    let mut lines: Vec<Traced<Line>> = Vec::new();
    for k in 0..4 {
        let x = 1000.0 * f64::from(k);
        lines.push(line(LineKind::Track, &[(x, 0.0), (x, 2000.0)]));
    }
    for k in 0..3 {
        let y = 1000.0 * f64::from(k);
        lines.push(line(LineKind::Track, &[(0.0, y), (1500.0, y + 40.0), (3000.0, y)]));
    }
    lines.push(line(LineKind::Road, &[(3000.0, 0.0), (4200.0, 0.0)]));
    lines.push(line(
        LineKind::Track,
        &[(3000.0, 2000.0), (3600.0, 2000.0), (3600.0, 1000.0), (3000.0, 1000.0)],
    ));
    lines
}

/// All shortest distances by Floyd (1962) and Warshall (1962) over nodes and stops.
fn floyd_warshall(network: &Network, passages: &[Passage], stops: &[Foot]) -> Vec<Vec<f64>> {
    let nodes = network.nodes().len();
    let n = nodes + stops.len();
    let mut d = vec![vec![f64::INFINITY; n]; n];
    (0..n).for_each(|i| d[i][i] = 0.0);
    for (k, (edge, pass)) in network.edges().iter().zip(passages).enumerate() {
        // Everything on the edge with its place, and a direct way between any two of it.
        let mut on: Vec<(usize, f64)> = vec![(edge.from as usize, 0.0), (edge.to as usize, edge.length_m)];
        on.extend(
            stops
                .iter()
                .enumerate()
                .filter(|(_, f)| f.edge as usize == k)
                .map(|(s, f)| (nodes + s, f.along_m)),
        );
        for &(a, at_a) in &on {
            for &(b, at_b) in &on {
                let allowed = if at_b >= at_a { pass.forward } else { pass.back };
                if allowed {
                    d[a][b] = d[a][b].min((at_a - at_b).abs());
                }
            }
        }
    }
    for k in 0..n {
        for i in 0..n {
            for j in 0..n {
                let through = d[i][k] + d[k][j];
                if through < d[i][j] {
                    d[i][j] = through;
                }
            }
        }
    }
    d[nodes..].iter().map(|row| row[nodes..].to_vec()).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn distances_match_another_method(
        places in prop::collection::vec((0..40_usize, 0.0..1.0_f64), 1..12),
        one_way in prop::collection::vec(0..40_usize, 0..6),
        shut in prop::collection::vec(0..40_usize, 0..4),
    ) {
        let network = network(&lattice());
        let edges = network.edges().len();
        let stops: Vec<Foot> = places
            .iter()
            .map(|&(edge, share)| {
                let edge = (edge % edges) as u32;
                network.foot_at(edge, share * network.edges()[edge as usize].length_m)
            })
            .collect();
        let mut passages = open(&network);
        one_way.iter().for_each(|&e| passages[e % edges].back = false);
        shut.iter().for_each(|&e| (passages[e % edges].forward, passages[e % edges].back) = (false, false));
        let found = TravelNet::new(&network, &passages, &stops, &[]).table();
        let wanted = floyd_warshall(&network, &passages, &stops);
        for (i, row) in wanted.iter().enumerate() {
            for (j, &want) in row.iter().enumerate() {
                let metres = found[i * stops.len() + j].0;
                prop_assert!(metres == want || (metres - want).abs() < 1e-6, "{i} to {j}: {metres}, not {want}");
            }
        }
        if one_way.is_empty() && shut.is_empty() {
            let graph = TravelGraph::new(&network, KindSet::from_kinds(&[LineKind::Track, LineKind::Road]));
            let other = graph.distances(&stops, &stops, f64::INFINITY);
            for i in 0..stops.len() {
                for j in 0..stops.len() {
                    let want = other.get(i, j).unwrap();
                    prop_assert!((found[i * stops.len() + j].0 - want).abs() < 1e-6);
                }
            }
        }
    }
}

fn stations() -> Vec<GroundPoint> {
    [
        (500.0, 20.0),
        (1500.0, 1060.0),
        (2500.0, 2010.0),
        (0.0, 1500.0),
        (3000.0, 500.0),
        (4200.0, 8.0),
        (3600.0, 1500.0),
    ]
    .map(|(x, y)| GroundPoint::new(x, y))
    .into()
}

fn calls(places: &[GroundPoint]) -> Vec<Call> {
    places.iter().map(|&at| Call { at, pressing: false }).collect()
}

fn plan(
    network: &Network,
    passages: &[Passage],
    barriers: &[Foot],
    end: RoundEnd,
    settings: &RoundSettings,
) -> Round {
    let ground = Ground { network, passages, barriers };
    plan_round(ground, GroundPoint::new(0.0, 0.0), end, &calls(&stations()), settings).unwrap()
}

/// Every leg runs along edges that exist, piece by piece without a jump, and is as long as it
/// says; every day is as long as its legs; the stops are met in order.
fn check_legs(network: &Network, passages: &[Passage], round: &Round) {
    for (d, day) in round.days.iter().enumerate() {
        let mut here = round.start.at;
        for (k, leg) in day.legs.iter().enumerate() {
            let mut metres = 0.0;
            for piece in &leg.pieces {
                let length_m = network.edges()[piece.edge as usize].length_m;
                assert!((0.0..=length_m).contains(&piece.from_m) && (0.0..=length_m).contains(&piece.to_m));
                let pass = passages[piece.edge as usize];
                assert!(if piece.to_m > piece.from_m { pass.forward } else { pass.back });
                assert!(network.point_at(piece.edge, piece.from_m).distance_m(here) < 1e-6, "a jump");
                here = network.point_at(piece.edge, piece.to_m);
                metres += (piece.to_m - piece.from_m).abs();
            }
            assert!((metres - leg.metres).abs() < 1e-6);
            assert!((path_length_m(&leg.path(network)) - leg.metres).abs() < 1e-6);
            if let Some(&station) = day.stations.get(k) {
                let stop = round.stops[station];
                assert_eq!(stop.visit.unwrap().day, d + 1);
                let to = stations()[station];
                assert!(
                    (here.distance_m(to) - stop.walk_m).abs() < 1e-6,
                    "the leg ends at the station's foot"
                );
            }
        }
        assert!((day.legs.iter().map(|l| l.metres).sum::<f64>() - day.length_m).abs() < 1e-6);
    }
    let mut orders: Vec<usize> = round.stops.iter().filter_map(|s| Some(s.visit?.order)).collect();
    orders.sort_unstable();
    assert_eq!(orders, (1..=orders.len()).collect::<Vec<_>>());
    assert!(round.lower_bound_m <= round.tour_m + 1e-6 && round.tour_m <= round.length_m + 1e-6);
}

#[test]
fn a_round_follows_lines_that_exist() {
    let network = network(&lattice());
    let passages = open(&network);
    for end in [RoundEnd::AtStart, RoundEnd::Open, RoundEnd::At(GroundPoint::new(3000.0, 2000.0))] {
        let round = plan(&network, &passages, &[], end, &RoundSettings::default());
        assert_eq!(round.days.len(), 1);
        assert!(round.stops.iter().all(|s| s.visit.is_some()));
        check_legs(&network, &passages, &round);
    }
}

#[test]
fn days_are_limited_and_balanced() {
    let network = network(&lattice());
    let passages = open(&network);
    let settings =
        RoundSettings { hours_per_day: Some(1.2), minutes_per_station: 10.0, ..RoundSettings::default() };
    let round = plan(&network, &passages, &[], RoundEnd::AtStart, &settings);
    assert!(round.days.len() > 1);
    check_legs(&network, &passages, &round);
    let minutes: Vec<f64> = round.days.iter().map(|d| d.minutes).collect();
    assert!(minutes.iter().all(|&m| m <= 72.0 + 1e-9), "{minutes:?}");
    let (short, long) = minutes.iter().fold((f64::MAX, 0.0_f64), |(s, l), &m| (s.min(m), l.max(m)));
    assert!(short > 0.5 * long, "{minutes:?}");
}

/// The day that holds an overdue station comes first, and meets it as early as the tour can.
#[test]
fn pressing_stations_come_early() {
    let network = network(&lattice());
    let passages = open(&network);
    let ground = Ground { network: &network, passages: &passages, barriers: &[] };
    let settings = RoundSettings { hours_per_day: Some(1.2), ..RoundSettings::default() };
    for pressing in 0..stations().len() {
        let mut calls = calls(&stations());
        calls[pressing].pressing = true;
        let start = GroundPoint::new(0.0, 0.0);
        let round = plan_round(ground, start, RoundEnd::AtStart, &calls, &settings).unwrap();
        let visit = round.stops[pressing].visit.unwrap();
        assert_eq!(visit.day, 1);
        assert!(visit.order <= round.days[0].stations.len().div_ceil(2));
        check_legs(&network, &passages, &round);
    }
}

/// Roads are driven faster: the minutes of a leg are those of its kinds.
#[test]
fn minutes_follow_the_speed_of_each_kind() {
    let network = network(&[
        line(LineKind::Track, &[(0.0, 0.0), (1000.0, 0.0)]),
        line(LineKind::Road, &[(1000.0, 0.0), (6000.0, 0.0)]),
    ]);
    let ground = Ground { network: &network, passages: &open(&network), barriers: &[] };
    let settings = RoundSettings { minutes_per_station: 7.0, ..RoundSettings::default() };
    let round = plan_round(
        ground,
        GroundPoint::new(0.0, 0.0),
        RoundEnd::Open,
        &calls(&[GroundPoint::new(6000.0, 40.0)]),
        &settings,
    )
    .unwrap();
    // 1 km at 20 km/h, 5 km at 50 km/h, 80 m on foot at 4 km/h, 7 minutes of work.
    assert!((round.days[0].minutes - (3.0 + 6.0 + 1.2 + 7.0)).abs() < 1e-6);
    assert_eq!(round.stops[0].visit.unwrap().arrive_min.round(), 9.0);
}

/// start --- S1 --- gate --- S2, and a long way round past the gate.
#[test]
fn a_locked_gate_sends_the_crew_round() {
    let network = network(&[
        line(LineKind::Track, &[(0.0, 0.0), (2000.0, 0.0)]),
        line(LineKind::Track, &[(0.0, 0.0), (0.0, 3000.0), (2000.0, 3000.0), (2000.0, 0.0)]),
    ]);
    let passages = open(&network);
    let places = [GroundPoint::new(500.0, 0.0), GroundPoint::new(1500.0, 0.0)];
    let tour_m = |barriers: &[Foot]| {
        let ground = Ground { network: &network, passages: &passages, barriers };
        let start = GroundPoint::new(0.0, 0.0);
        plan_round(ground, start, RoundEnd::AtStart, &calls(&places), &RoundSettings::default())
            .unwrap()
            .length_m
    };
    assert!((tour_m(&[]) - 3000.0).abs() < 1e-6);
    let gate = network.nearest_foot(GroundPoint::new(1000.0, 0.0), 1.0, |_| true).unwrap();
    // To S1 and back, then round to S2 and back.
    assert!((tour_m(&[gate]) - (2.0 * 500.0 + 2.0 * 8500.0)).abs() < 1e-6);
}

#[test]
fn a_station_behind_a_locked_gate_keeps_its_place() {
    let network = network(&[line(LineKind::Track, &[(0.0, 0.0), (2000.0, 0.0)])]);
    let passages = open(&network);
    let gate = network.nearest_foot(GroundPoint::new(1000.0, 0.0), 1.0, |_| true).unwrap();
    let ground = Ground { network: &network, passages: &passages, barriers: &[gate] };
    let places =
        [GroundPoint::new(500.0, 0.0), GroundPoint::new(1500.0, 0.0), GroundPoint::new(500.0, 900.0)];
    let round = plan_round(
        ground,
        GroundPoint::new(0.0, 0.0),
        RoundEnd::AtStart,
        &calls(&places),
        &RoundSettings::default(),
    )
    .unwrap();
    assert!(round.stops[0].visit.is_some());
    assert!(round.stops[1].visit.is_none(), "behind the gate");
    assert!(
        round.stops[2].visit.is_none() && (round.stops[2].walk_m - 900.0).abs() < 1e-6,
        "too far to walk"
    );
    assert_eq!(round.days[0].stations, [0]);
}

/// A ring that may be driven one way only is driven once round.
#[test]
fn a_one_way_ring() {
    let corners = [(0.0, 0.0), (1000.0, 0.0), (1000.0, 1000.0), (0.0, 1000.0), (0.0, 0.0)];
    let sides: Vec<_> = corners.windows(2).map(|w| line(LineKind::Track, w)).collect();
    let network = network(&sides);
    let mut passages = open(&network);
    passages.iter_mut().for_each(|p| p.back = false);
    let ground = Ground { network: &network, passages: &passages, barriers: &[] };
    let places = [(0.0, 500.0), (1000.0, 500.0), (500.0, 0.0)].map(|(x, y)| GroundPoint::new(x, y));
    let round = plan_round(
        ground,
        GroundPoint::new(0.0, 0.0),
        RoundEnd::AtStart,
        &calls(&places),
        &RoundSettings::default(),
    )
    .unwrap();
    assert!((round.length_m - 4000.0).abs() < 1e-6);
    assert_eq!(round.days[0].stations, [2, 1, 0]);
}

#[test]
fn no_way_from_the_start_is_an_error() {
    let network = network(&[line(LineKind::Fence, &[(0.0, 0.0), (2000.0, 0.0)])]);
    let ground = Ground { network: &network, passages: &open(&network), barriers: &[] };
    let places = [GroundPoint::new(500.0, 0.0)];
    let fault = plan_round(ground, places[0], RoundEnd::AtStart, &calls(&places), &RoundSettings::default())
        .unwrap_err();
    assert!(fault.to_string().contains("no passable track or road"));
}
