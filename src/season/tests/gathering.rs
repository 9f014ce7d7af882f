//! Records and legs brought together.

use std::path::Path;
use std::sync::Arc;

use super::super::gather::Search;
use super::*;
use crate::frame::{Frame, Placed, Traced, path_length_geodesic_m};
use crate::record::{Occasion, Record, Sign, SourcePlace, SurveyLeg};

fn source() -> SourcePlace {
    SourcePlace { file: Path::new("s.geojson").into(), index: 0, id: None }
}

fn word(text: &str) -> Option<Arc<str>> {
    (!text.is_empty()).then(|| text.into())
}

const WEST_M: f64 = 500_000.0;
const SOUTH_M: f64 = 6_100_000.0;

/// A leg through places in metres: its day, observer and survey, each nothing if empty.
fn leg(way: &[(f64, f64)], on: &str, observer: &str, survey: &str) -> Traced<SurveyLeg> {
    let frame = Frame::from_epsg(32755).unwrap();
    let ground: Vec<GroundPoint> =
        way.iter().map(|&(x, y)| GroundPoint::new(WEST_M + x, SOUTH_M + y)).collect();
    let what = SurveyLeg {
        date: (!on.is_empty()).then(|| day(on)),
        passes: 2.0,
        mode: None,
        observer: word(observer),
        survey: word(survey),
        source: source(),
    };
    Traced { what, path: ground.iter().map(|&p| frame.to_lonlat(p).unwrap()).collect(), ground }
}

fn record((x, y): (f64, f64), on: &str, observer: &str, survey: &str) -> Placed<Record> {
    let ground = GroundPoint::new(WEST_M + x, SOUTH_M + y);
    let what = Record {
        sign: Sign::Scat,
        animal: None,
        date: (!on.is_empty()).then(|| day(on)),
        count: 3.0,
        accuracy_m: None,
        occasion: Arc::new(Occasion { observer: word(observer), season: None, survey: word(survey) }),
        source: source(),
    };
    Placed { what, at: Frame::from_epsg(32755).unwrap().to_lonlat(ground).unwrap(), ground }
}

const DAY: &str = "2026-03-01";

/// Of one outing its day, how many legs, and the leg of each record.
type Told = (Option<Date>, usize, Vec<Option<usize>>);

/// What a season's records and legs become: for each outing its day, legs and the records' legs.
fn told(records: &[Placed<Record>], legs: &[Traced<SurveyLeg>]) -> (Vec<Told>, [usize; 5]) {
    let (records, legs): (Vec<_>, Vec<_>) = (records.iter().collect(), legs.iter().collect());
    let found = gather(Season::Before, &records, &legs, 100.0);
    let one = |s: &Search| (s.day, s.legs.len(), s.sign.iter().map(|(_, leg)| *leg).collect());
    let counts = [found.by_id, found.by_leg, found.by_day, found.undated, found.undated_legs];
    (found.searches.iter().map(one).collect(), counts)
}

#[test]
fn records_come_to_the_outing_they_name_or_the_nearest_leg_of_their_day() {
    let legs = [
        leg(&[(0.0, 0.0), (1000.0, 0.0)], DAY, "Ann", ""),
        leg(&[(0.0, 150.0), (1000.0, 150.0)], DAY, " ann ", ""),
        leg(&[(0.0, 300.0), (1000.0, 300.0)], DAY, "Ben", ""),
        leg(&[(0.0, 0.0), (1000.0, 0.0)], "2026-03-02", "", "S7"),
        leg(&[(0.0, 0.0), (1000.0, 0.0)], "", "", ""),
    ];
    let records = [
        // Nearer to the second of Ann's legs.
        record((500.0, 100.0), DAY, "ANN", ""),
        // Beyond a hundred metres of Ben's: an outing of his day all the same.
        record((500.0, 401.0), DAY, "ben", ""),
        // Nobody named: the nearest leg of anybody.
        record((500.0, 260.0), DAY, "", ""),
        // The outing it names, whatever the day; no leg of it is so near as its own.
        record((500.0, 10.0), DAY, "", "S7"),
        // A day without a leg.
        record((500.0, 10.0), "2026-03-05", "", ""),
        record((500.0, 10.0), "", "", ""),
    ];
    let (found, counts) = told(&records, &legs);
    assert_eq!(counts, [1, 2, 2, 1, 1]);
    let on = |text: &str| Some(day(text));
    // The survey first; then days, of one day by observer.
    assert_eq!(
        found,
        [
            (on(DAY), 1, vec![Some(0)]),
            (on(DAY), 2, vec![Some(1)]),
            (on(DAY), 1, vec![None, Some(0)]),
            (on("2026-03-05"), 0, vec![None]),
        ]
    );
}

#[test]
fn a_record_as_far_as_its_accuracy_still_comes_to_a_leg() {
    let legs = [leg(&[(0.0, 0.0), (1000.0, 0.0)], DAY, "Ann", "")];
    for (y, accuracy_m, by_leg) in [
        (100.0, None, 1),
        (100.5, None, 0),
        (180.0, Some(200.0), 1),
        (180.0, Some(50.0), 0),
        (80.0, Some(50.0), 1),
    ] {
        let mut far = record((500.0, y), DAY, "", "");
        far.what.accuracy_m = accuracy_m;
        assert_eq!(told(&[far], &legs).1, [0, by_leg, 1 - by_leg, 0, 0], "{y} {accuracy_m:?}");
    }
    // Beyond the end of a leg the distance is that to its end.
    assert_eq!(told(&[record((1060.0, 80.0), DAY, "", "")], &legs).1[1], 1);
    assert_eq!(told(&[record((1061.0, 80.0), DAY, "", "")], &legs).1[1], 0);
    assert_eq!(told(&[record((-60.0, -80.0), DAY, "", "")], &legs).1[1], 1);
    assert_eq!(told(&[record((-61.0, -80.0), DAY, "", "")], &legs).1[1], 0);
    // Of a bent leg the nearest stretch counts, and a stretch of no length is a place.
    let bent = [leg(&[(0.0, 0.0), (0.0, 0.0), (300.0, 400.0), (900.0, 400.0)], DAY, "", "")];
    assert_eq!(told(&[record((150.0 + 78.0, 200.0 - 59.0), DAY, "", "")], &bent).1[1], 1);
    assert_eq!(told(&[record((150.0 + 82.0, 200.0 - 61.0), DAY, "", "")], &bent).1[1], 0);
}

#[test]
fn where_nothing_has_a_day_all_is_one_outing() {
    let records = [record((0.0, 0.0), "", "Ann", ""), record((9.0, 0.0), "", "", "")];
    let (found, counts) = told(&records, &[]);
    assert_eq!((found, counts), (vec![(None, 0, vec![None, None])], [0; 5]));
}

/// Kilometres on the ellipsoid times passes, in pieces no longer than asked, each at its middle.
#[test]
fn searched_ground_is_cut_into_pieces() {
    let bent = leg(&[(0.0, 0.0), (250.0, 0.0), (250.0, 90.0)], DAY, "", "");
    let km = path_length_geodesic_m(&bent.path) / 1000.0;
    let search = |leg: &Traced<SurveyLeg>, step_m: f64| {
        let (leg, seen) = ([leg], record((250.0, 5.0), DAY, "", ""));
        gather(Season::After, &[&seen], &leg, 100.0).searches[0].outing(step_m)
    };
    let found = search(&bent, 100.0);
    let middles = [(250.0 / 6.0, 0.0), (125.0, 0.0), (250.0 * 5.0 / 6.0, 0.0), (250.0, 45.0)];
    assert_eq!(found.searched.len(), 4);
    for (piece, (x, y)) in found.searched.iter().zip(middles) {
        assert!((piece.at.x_m - WEST_M - x).abs() < 1e-6 && (piece.at.y_m - SOUTH_M - y).abs() < 1e-6);
        let metres = if y == 0.0 { 250.0 / 3.0 } else { 90.0 };
        approx::assert_relative_eq!(piece.weight, 2.0 * km * metres / 340.0, max_relative = 1e-12);
    }
    assert_eq!((found.season, found.day, found.sign_count()), (Season::After, Some(day(DAY)), 3.0));
    assert_eq!(search(&bent, 1e9).searched.len(), 2);
    let mut unwalked = leg(&[(0.0, 0.0), (250.0, 0.0)], DAY, "", "");
    unwalked.what.passes = 0.0;
    assert!(search(&unwalked, 100.0).searched.is_empty());
    let still = leg(&[(0.0, 0.0), (0.0, 0.0)], DAY, "", "");
    assert!(search(&still, 100.0).searched.is_empty());
    // A stretch of no length within a leg adds nothing.
    let halting = leg(&[(0.0, 0.0), (0.0, 0.0), (50.0, 0.0)], DAY, "", "");
    assert_eq!(search(&halting, 100.0).searched.len(), 1);
}

#[test]
fn plots_are_ways_searched_on_several_days() {
    let (north, east) = ([(0.0, 0.0), (0.0, 500.0)], [(2000.0, 0.0), (2500.0, 0.0)]);
    let back = [(0.5, 500.5), (0.0, 0.5)];
    let days = ["2026-03-01", "2026-03-02", "2026-03-03"];
    let mut legs =
        vec![leg(&north, days[0], "", "A"), leg(&back, days[1], "", "B"), leg(&north, days[2], "", "C")];
    legs.extend([leg(&east, days[0], "", "A"), leg(&east, days[1], "", "B")]);
    // Once only, another way, and a way two metres off: no plots.
    legs.push(leg(&[(9000.0, 0.0), (9500.0, 0.0)], days[0], "", "A"));
    legs.push(leg(&[(0.0, 0.0), (2.0, 500.0)], days[1], "", "B"));
    legs.push(leg(&[(0.0, 0.0), (0.0, 250.0), (0.0, 500.0)], days[1], "", "B"));
    let records = [
        record((0.0, 100.0), days[0], "", "A"),
        record((0.0, 20.0), days[0], "", "A"),
        record((2100.0, 3.0), days[1], "", "B"),
    ];
    let table = |records: &[Placed<Record>], legs: &[Traced<SurveyLeg>]| {
        let (records, legs): (Vec<_>, Vec<_>) = (records.iter().collect(), legs.iter().collect());
        plots_and_days(&gather(Season::Before, &records, &legs, 100.0).searches)
    };
    let wanted = vec![vec![Some(6.0), Some(0.0), Some(0.0)], vec![Some(0.0), Some(3.0), None]];
    assert_eq!(table(&records, &legs), Some(wanted));
    // One plot is none.
    assert_eq!(table(&records, &legs[..3]), None);
    // Two plots that share no day are read on half of the days.
    let apart = [
        leg(&north, days[0], "", "A"),
        leg(&north, days[1], "", "B"),
        leg(&east, days[2], "", "C"),
        leg(&east, "2026-03-04", "", "D"),
    ];
    assert_eq!(table(&[], &apart), None);
}
