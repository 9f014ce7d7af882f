//! Tours of 30, 100 and 300 stops over track networks, the distance matrix included.
//!
//! Wants the files of the peer scripts (`net_*.csv`, `tsp_*_nodes.csv`) in the folder that
//! `PEER_DATA` names: the peers solve the same stops. The length of every tour is printed, to
//! be put beside theirs.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use divan::Bencher;
use stakeline::frame::{GroundPoint, LonLat, Traced};
use stakeline::network::{Foot, Network, NetworkSettings};
use stakeline::record::{Line, LineKind, SourcePlace};
use stakeline::round::{Passage, Speeds, Tour, TourEnd, TourSearch, TravelMatrix, TravelNet, shortest_tour};

fn main() {
    if std::env::var_os("PEER_DATA").is_none() {
        eprintln!("PEER_DATA is not set: the benches of the round are SKIPPED");
        return;
    }
    divan::main();
}

fn numbers(file: &Path) -> Vec<Vec<f64>> {
    let text = std::fs::read_to_string(file).expect("run the peer scripts first");
    let row = |line: &str| line.split(',').map(|n| n.parse().expect("a number")).collect();
    text.lines().skip(1).map(row).collect()
}

struct Case {
    network: Network,
    passages: Vec<Passage>,
    stops: Vec<Foot>,
}

fn case(stops: usize) -> Case {
    let folder = PathBuf::from(std::env::var_os("PEER_DATA").unwrap_or_default());
    let km = if stops > 30 { 2000 } else { 200 };
    let place = |row: &[f64]| GroundPoint::new(row[0], row[1]);
    let vertices: Vec<GroundPoint> =
        numbers(&folder.join(format!("net_{km}.v.csv"))).iter().map(|row| place(row)).collect();
    let source = SourcePlace { file: Arc::from(Path::new("net")), index: 0, id: None };
    let line = Line::new(LineKind::Track, source);
    let nowhere = LonLat::new(0.0, 0.0).expect("a place");
    let lines: Vec<Traced<Line>> = numbers(&folder.join(format!("net_{km}.e.csv")))
        .iter()
        .map(|row| Traced {
            what: line.clone(),
            path: vec![nowhere; 2],
            ground: vec![vertices[row[0] as usize], vertices[row[1] as usize]],
        })
        .collect();
    let settings = NetworkSettings { snap_m: 0.01, merge_m: 0.0, ..NetworkSettings::default() };
    let network = Network::build(&lines, &[], &settings).expect("a network");
    let speeds = Speeds::default();
    let passages = network.edges().iter().map(|e| speeds.passage(e)).collect();
    let stops = numbers(&folder.join(format!("tsp_{stops}_nodes.csv")))
        .iter()
        .map(|row| network.nearest_foot(place(&row[1..]), 1.0, |_| true).expect("a foot"))
        .collect();
    Case { network, passages, stops }
}

fn matrix(case: &Case) -> TravelMatrix {
    let net = TravelNet::new(&case.network, &case.passages, &case.stops, &[]);
    let n = case.stops.len();
    let table = net.table();
    let metres = (0..n * n).map(|k| table[k].0.min(table[k % n * n + k / n].0)).collect();
    TravelMatrix::new(n, metres).expect("every stop is reached")
}

fn tour(matrix: &TravelMatrix) -> Tour {
    shortest_tour(matrix, TourEnd::AtStart, &TourSearch::default())
}

#[divan::bench(args = [30, 100, 300], max_time = 20)]
fn matrix_and_tour(bencher: Bencher, stops: usize) {
    let case = case(stops);
    let found = tour(&matrix(&case));
    eprintln!("{stops} stops: tour {:.0} m, bound {:.0} m", found.length_m, found.lower_bound_m);
    bencher.bench(|| tour(&matrix(&case)));
}

#[divan::bench(args = [30, 100, 300], max_time = 20)]
fn tour_alone(bencher: Bencher, stops: usize) {
    let matrix = matrix(&case(stops));
    bencher.bench(|| tour(&matrix));
}
