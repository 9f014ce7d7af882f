//! The tour and its bound against published instances and other solvers.

use stakeline::round::{Tour, TourEnd, TourSearch, TravelMatrix, shortest_tour};

fn tour(matrix: &TravelMatrix, end: TourEnd) -> Tour {
    let tour = shortest_tour(matrix, end, &TourSearch::default());
    let mut stops = tour.order.clone();
    stops.sort_unstable();
    assert_eq!(stops, (0..matrix.stops()).collect::<Vec<_>>(), "every stop once");
    assert_eq!(tour.order[0], 0, "from the start");
    assert!(tour.lower_bound_m <= tour.length_m);
    tour
}

fn matrix_of(places: &[(f64, f64)], metres: impl Fn((f64, f64), (f64, f64)) -> f64) -> TravelMatrix {
    let all = places.iter().flat_map(|&a| places.iter().map(move |&b| (a, b)));
    TravelMatrix::new(places.len(), all.map(|(a, b)| metres(a, b)).collect()).unwrap()
}

fn plane(a: (f64, f64), b: (f64, f64)) -> f64 {
    (a.0 - b.0).hypot(a.1 - b.1)
}

/// TSPLIB writes pi with seven digits.
#[allow(clippy::approx_constant)]
const GEO_PI: f64 = 3.141592;

/// The GEO distance of TSPLIB 95 (Reinelt 1991), degrees cut as in its reference code.
fn geo(a: (f64, f64), b: (f64, f64)) -> f64 {
    let radians = |x: f64| GEO_PI * (x.trunc() + 5.0 * x.fract() / 3.0) / 180.0;
    let ((lat_a, lon_a), (lat_b, lon_b)) = ((radians(a.0), radians(a.1)), (radians(b.0), radians(b.1)));
    let (q1, q2, q3) = ((lon_a - lon_b).cos(), (lat_a - lat_b).cos(), (lat_a + lat_b).cos());
    (6378.388 * (0.5 * ((1.0 + q1) * q2 - (1.0 - q1) * q3)).acos() + 1.0).trunc()
}

/// TSPLIB 95: optimum 3323; the bound reaches it (subtour relaxation, HiGHS).
#[test]
fn burma14() {
    let places = [
        (16.47, 96.1),
        (16.47, 94.44),
        (20.09, 92.54),
        (22.39, 93.37),
        (25.23, 97.24),
        (22.0, 96.05),
        (20.47, 97.02),
        (17.2, 96.29),
        (16.3, 97.38),
        (14.05, 98.12),
        (16.53, 97.38),
        (21.52, 95.59),
        (19.41, 97.13),
        (20.09, 94.55),
    ];
    let found = tour(&matrix_of(&places, geo), TourEnd::AtStart);
    assert_eq!(found.length_m, 3323.0);
    assert!((found.lower_bound_m - 3323.0).abs() < 1e-3, "{}", found.lower_bound_m);
}

/// TSPLIB 95: optimum 6859; the bound reaches it.
#[test]
fn ulysses16() {
    let places = [
        (38.24, 20.42),
        (39.57, 26.15),
        (40.56, 25.32),
        (36.26, 23.12),
        (33.48, 10.54),
        (37.56, 12.19),
        (38.42, 13.11),
        (37.52, 20.44),
        (41.23, 9.1),
        (41.17, 13.05),
        (36.08, -5.21),
        (38.47, 15.13),
        (38.15, 15.35),
        (37.51, 15.17),
        (35.49, 14.32),
        (39.36, 19.56),
    ];
    let found = tour(&matrix_of(&places, geo), TourEnd::AtStart);
    assert_eq!(found.length_m, 6859.0);
    assert!((found.lower_bound_m - 6859.0).abs() < 1e-2, "{}", found.lower_bound_m);
}

const TEN: [(f64, f64); 10] = [
    (0.0, 0.0),
    (1000.0, 150.0),
    (2100.0, -80.0),
    (3050.0, 300.0),
    (3900.0, 1100.0),
    (2800.0, 1500.0),
    (1500.0, 1250.0),
    (400.0, 1600.0),
    (-300.0, 900.0),
    (1900.0, 600.0),
];

/// Held & Karp (1962) by dynamic programming and brute force; nearest neighbour is 11187.
#[test]
fn ten_stops_closed() {
    let found = tour(&matrix_of(&TEN, plane), TourEnd::AtStart);
    assert!((found.length_m - 10503.925533230478).abs() < 1e-6);
    assert!((found.lower_bound_m - 10503.925533230478).abs() < 1e-2, "{}", found.lower_bound_m);
}

/// Brute force over all orders from stop 0 to stop 4; the optimum is unique.
#[test]
fn ten_stops_to_another_end() {
    let mut places = TEN.to_vec();
    let end = places.remove(4);
    places.push(end);
    let found = tour(&matrix_of(&places, plane), TourEnd::AtLast);
    assert!((found.length_m - 9405.624503691854).abs() < 1e-9);
    // 0 8 7 6 9 1 2 3 5 4, with stop 4 now the last.
    assert_eq!(found.order, [0, 7, 6, 5, 8, 1, 2, 3, 4, 9]);
}

/// An open tour is the best over all ends of the tours to a given end.
#[test]
fn ten_stops_open() {
    let open = tour(&matrix_of(&TEN, plane), TourEnd::Anywhere);
    let best = (1..TEN.len())
        .map(|end| {
            let mut places = TEN.to_vec();
            let last = places.remove(end);
            places.push(last);
            tour(&matrix_of(&places, plane), TourEnd::AtLast).length_m
        })
        .fold(f64::INFINITY, f64::min);
    assert!((open.length_m - best).abs() < 1e-9);
}

/// Eleven stops (rounded distances) whose subtour relaxation, 3263.5, lies below the optimum,
/// 3269 (dynamic programming, OR-Tools 9.15 CP-SAT): branching closes the gap.
#[test]
fn eleven_stops_with_a_gap() {
    let places = [
        (810.0, 80.0),
        (170.0, 230.0),
        (180.0, 800.0),
        (860.0, 580.0),
        (30.0, 90.0),
        (330.0, 430.0),
        (620.0, 470.0),
        (260.0, 150.0),
        (690.0, 730.0),
        (30.0, 110.0),
        (450.0, 390.0),
    ];
    let matrix = matrix_of(&places, |a, b| (plane(a, b) + 0.5).floor());
    let found = tour(&matrix, TourEnd::AtStart);
    assert_eq!((found.length_m, found.lower_bound_m), (3269.0, 3269.0));
    let unbranched = TourSearch { branch_looks: 0.0, ..TourSearch::default() };
    let relaxed = shortest_tour(&matrix, TourEnd::AtStart, &unbranched).lower_bound_m;
    assert!((relaxed - 3263.5).abs() < 1e-2, "{relaxed}");
}

/// Length of the shortest closed tour by dynamic programming over sets of stops (Held & Karp
/// 1962).
fn shortest_m(matrix: &TravelMatrix) -> f64 {
    let n = matrix.stops() - 1;
    let mut best = vec![vec![f64::INFINITY; n]; 1 << n];
    for i in 0..n {
        best[1 << i][i] = matrix.metres(0, i + 1);
    }
    for set in 1..1usize << n {
        for last in (0..n).filter(|i| set >> i & 1 == 1) {
            for next in (0..n).filter(|i| set >> i & 1 == 0) {
                let m = best[set][last] + matrix.metres(last + 1, next + 1);
                let known = &mut best[set | 1 << next][next];
                *known = known.min(m);
            }
        }
    }
    (0..n).map(|i| best[(1 << n) - 1][i] + matrix.metres(i + 1, 0)).fold(f64::INFINITY, f64::min)
}

/// Sixty random cases of four to eleven stops, half of them with distances that follow no
/// geometry: the bound is the optimum, and so is the tour.
#[test]
fn small_rounds_are_proven_shortest() {
    let mut state = 5u64;
    let mut roll = move || {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (state >> 40) as f64 / (1u64 << 24) as f64
    };
    for case in 0..60 {
        let stops = 4 + case % 8;
        let places: Vec<(f64, f64)> = (0..stops).map(|_| (1000.0 * roll(), 1000.0 * roll())).collect();
        let mut metres: Vec<f64> =
            places.iter().flat_map(|&a| places.iter().map(move |&b| plane(a, b).round())).collect();
        if case % 2 == 1 {
            for i in 0..stops {
                for j in 0..i {
                    let m = (1000.0 * roll()).round();
                    metres[i * stops + j] = m;
                    metres[j * stops + i] = m;
                }
            }
        }
        let matrix = TravelMatrix::new(stops, metres).unwrap();
        let (found, shortest) = (tour(&matrix, TourEnd::AtStart), shortest_m(&matrix));
        assert!((found.length_m - shortest).abs() < 1e-6, "case {case}: {} {shortest}", found.length_m);
        assert!((found.lower_bound_m - shortest).abs() < 1e-6, "case {case}: {}", found.lower_bound_m);
    }
}

/// A tree is toured at twice its length, and its bound says so: stations along a track with
/// a spur (the closed form for a postman on a tree, 10.4).
#[test]
fn a_tree_costs_twice_its_length() {
    // h -1- a -2- b, b -1.5- c, b -0.7- d
    let to_b = [3.0, 2.0, 0.0, 1.5, 0.7];
    let metres = |i: usize, j: usize| match (i.min(j), i.max(j)) {
        (i, j) if i == j => 0.0,
        (0, 1) => 1.0,
        (i, j) => to_b[i] + to_b[j],
    };
    let all = (0..25).map(|k| metres(k / 5, k % 5)).collect();
    let found = tour(&TravelMatrix::new(5, all).unwrap(), TourEnd::AtStart);
    assert!((found.length_m - 10.4).abs() < 1e-9);
    assert!((found.lower_bound_m - 10.4).abs() < 1e-4, "{}", found.lower_bound_m);
}

fn golden(stops: usize, text: &str) -> TravelMatrix {
    let metres = text.split([',', '\n']).filter(|t| !t.is_empty()).map(|t| t.parse().unwrap()).collect();
    TravelMatrix::new(stops, metres).unwrap()
}

/// Track networks, against proven optima and the bound of the subtour relaxation: see
/// golden/round/README.md. Branching proves 30 stops shortest and leaves 100 under half a
/// percent.
#[test]
fn track_networks_are_toured_and_bounded() {
    for (matrix, optimum, relaxed, bound) in [
        (golden(30, include_str!("golden/round/tsp_30.csv")), 48775.0, 48317.5, 48775.0),
        (golden(100, include_str!("golden/round/tsp_100.csv")), 251246.0, 248257.0, 249990.0),
    ] {
        let found = tour(&matrix, TourEnd::AtStart);
        assert!(found.length_m <= optimum * 1.005 && found.length_m >= optimum, "{}", found.length_m);
        assert!(found.lower_bound_m >= bound && found.lower_bound_m <= optimum, "{}", found.lower_bound_m);
        let unbranched = TourSearch { branch_looks: 0.0, ..TourSearch::default() };
        let plain = shortest_tour(&matrix, TourEnd::AtStart, &unbranched).lower_bound_m;
        assert!(plain <= relaxed + 1e-6 && plain > relaxed * 0.999, "{plain}");
    }
}

/// One-way lines: ten stops round a one-way ring can be visited in one direction only, at
/// the length of the ring.
#[test]
fn a_one_way_ring_is_driven_round_once() {
    let places = [0.0, 700.0, 300.0, 900.0, 100.0, 500.0, 200.0, 800.0, 400.0, 600.0];
    let all = places.iter().flat_map(|&a| places.iter().map(move |&b: &f64| (b - a).rem_euclid(1000.0)));
    let matrix = TravelMatrix::new(10, all.collect()).unwrap();
    assert!(!matrix.is_symmetric());
    let found = tour(&matrix, TourEnd::AtStart);
    assert_eq!(found.length_m, 1000.0);
    assert_eq!(found.order, [0, 4, 6, 2, 8, 5, 9, 1, 7, 3]);
}

/// Round the same ring without coming back: to the farthest stop, in the one direction.
#[test]
fn an_open_tour_of_a_one_way_ring() {
    let places = [0.0, 700.0, 300.0, 900.0, 100.0, 500.0];
    let all = places.iter().flat_map(|&a| places.iter().map(move |&b: &f64| (b - a).rem_euclid(1000.0)));
    let matrix = TravelMatrix::new(6, all.collect()).unwrap();
    let open = tour(&matrix, TourEnd::Anywhere);
    assert_eq!((open.length_m, open.order), (900.0, vec![0, 4, 2, 5, 1, 3]));
    // Past the end once, all the way round, and on to it.
    let to_last = tour(&matrix, TourEnd::AtLast);
    assert_eq!((to_last.length_m, to_last.order), (1500.0, vec![0, 4, 2, 1, 3, 5]));
}

/// The same seed gives the same tour.
#[test]
fn tours_repeat() {
    let matrix = golden(30, include_str!("golden/round/tsp_30.csv"));
    assert_eq!(tour(&matrix, TourEnd::Anywhere), tour(&matrix, TourEnd::Anywhere));
}

#[test]
fn few_stops() {
    let places = [(0.0, 0.0), (0.0, 100.0), (100.0, 100.0), (100.0, 0.0)];
    for (stops, closed, open) in [(0, 0.0, 0.0), (1, 0.0, 0.0), (2, 200.0, 100.0), (4, 400.0, 300.0)] {
        let matrix = matrix_of(&places[..stops], plane);
        assert_eq!(shortest_tour(&matrix, TourEnd::AtStart, &TourSearch::default()).length_m, closed);
        assert_eq!(shortest_tour(&matrix, TourEnd::Anywhere, &TourSearch::default()).length_m, open);
    }
}
