//! What people are told: reasons, sign nearby, cautions, and why a place cannot be.

use std::sync::Arc;

use super::super::wind::SideValue;
use super::*;
use crate::record::{Animal, Occasion, Record, Sign};

fn found(at: (f64, f64), sign: Sign, animal: &str, on: &str, count: f64) -> Placed<Record> {
    let ground = ground(at.0, at.1);
    let what = Record {
        sign,
        animal: (!animal.is_empty()).then(|| Animal::from_word(animal)),
        date: (!on.is_empty()).then(|| on.parse().unwrap()),
        count,
        accuracy_m: None,
        occasion: Arc::new(Occasion::default()),
        source: source(),
    };
    Placed { what, at: frame().to_lonlat(ground).unwrap(), ground }
}

#[test]
fn sign_nearby_is_what_lies_within_reach() {
    let records = [
        found((0.0, 100.0), Sign::Scat, "fox", "2026-03-05", 2.0),
        found((60.0, -80.0), Sign::Print, "dog", "2026-01-02", 3.0),
        found((-60.0, 80.0), Sign::Scat, "dog", "", 1.0),
        found((100.1, 0.0), Sign::Howl, "dog", "2020-01-01", 50.0),
        found((-100.1, 0.0), Sign::Howl, "dog", "2030-01-01", 50.0),
        found((80.0, 80.0), Sign::Howl, "dog", "2030-01-01", 50.0),
    ];
    let around = SignAround::new(&records);
    assert!(around.all().is_sorted_by(|a, b| a.ground.x_m <= b.ground.x_m) && around.all().len() == 6);
    let near = around.near(ground(0.0, 0.0), 100.0);
    // Of equals the sign that comes first in the list of kinds.
    let first = Sign::ALL.into_iter().find(|s| [Sign::Scat, Sign::Print].contains(s)).unwrap();
    assert_eq!((near.most, near.count), (Some((first, 3.0)), 6.0));
    assert_eq!(near.animals.len(), 2);
    assert_eq!(
        (near.since, near.until),
        (Some("2026-01-02".parse().unwrap()), Some("2026-03-05".parse().unwrap()))
    );
    let none = around.near(ground(5000.0, 0.0), 100.0);
    assert_eq!((none.most, none.count, none.since), (None, 0.0, None));
    assert_eq!(around.within(ground(0.0, 0.0), 100.2).count(), 5);
    let empty = found((0.0, 0.0), Sign::Scat, "", "", 0.0);
    assert_eq!(SignAround::new([&empty]).near(ground(0.0, 0.0), 5.0).most, None);
}

/// One candidate of a crossing with parts as given: what is said of it.
fn said(parts: &[Part], heard: &[Heard], meeting: Option<Meeting>, wind: Option<SideValue>) -> String {
    let country = crossing();
    let candidates = country.candidates();
    let here = candidates.iter().position(|c| c.foot.at.distance_m(ground(-500.0, 0.0)) < 1.0).unwrap();
    let parts: Vec<Part> = parts
        .iter()
        .map(|p| Part {
            raw: vec![p.raw[0]; candidates.len()],
            value: vec![p.value[0]; candidates.len()],
            ..p.clone()
        })
        .collect();
    let candidate = &candidates[here];
    reason(&Grounds {
        candidate,
        index: here,
        parts: &parts,
        network: &country.network,
        meeting,
        heard,
        wind,
    })
}

fn heard(records: &[Placed<Record>], old_before: &str) -> Vec<Heard> {
    let sign = SignAround::new(records).near(ground(0.0, 0.0), 400.0);
    let old_before = (!old_before.is_empty()).then(|| old_before.parse().unwrap());
    vec![Heard { part: "activity".into(), sign, reach_m: 400.0, old_before }]
}

#[test]
fn sign_is_told_in_plain_words() {
    let activity = [part("activity", 5.0, vec![0.5])];
    let told = |records: &[Placed<Record>], old: &str| said(&activity, &heard(records, old), None, None);
    let scat = |animal: &str, on: &str, count: f64| found((0.0, 5.0), Sign::Scat, animal, on, count);
    let print = |animal: &str, on: &str, count: f64| found((0.0, 5.0), Sign::Print, animal, on, count);
    assert_eq!(told(&[scat("dog", "2026-03-05", 1.0)], ""), "1 dog scat within 400 m since March 2026");
    assert_eq!(told(&[scat("", "", 2.5)], ""), "2.5 scats within 400 m");
    assert_eq!(
        told(&[scat("dog", "2025-12-05", 4.0), print("fox", "2026-01-05", 1.0)], "2026-01-06"),
        "5 dog and fox signs within 400 m since December 2025, 4 of them scats, none after January 2026"
    );
    assert_eq!(
        told(&[print("fox", "2026-01-06", 1.0)], "2026-01-06"),
        "1 fox print within 400 m since January 2026"
    );
    let three = [scat("dog", "", 1.0), scat("fox", "", 1.0), scat("cat", "", 1.0)];
    assert_eq!(told(&three, ""), "3 scats within 400 m");
    // Nothing found says nothing, nor does a part that gives under eight in a hundred.
    assert_eq!(told(&[], ""), "Keeps the spacing along the track");
    let dog = heard(&[scat("dog", "", 1.0)], "");
    let small = |value: f64| {
        said(&[part("activity", 1.0, vec![value]), part("line_kind", 1.0, vec![0.92])], &dog, None, None)
    };
    assert_eq!(small(0.08), "1 dog scat within 400 m");
    assert_eq!(small(0.0799), "Keeps the spacing along the track");
    let words = [Sign::StockLoss, Sign::Sighting, Sign::Scratching, Sign::Howl, Sign::Camera, Sign::Other]
        .map(|sign| {
            let one =
                |count: f64| told(&[found((0.0, 5.0), sign, "", "", count)], "").replace(" within 400 m", "");
            (one(1.0), one(2.0))
        });
    let wanted = [
        ("1 stock loss", "2 stock losses"),
        ("1 sighting", "2 sightings"),
        ("1 scratching", "2 scratchings"),
        ("1 howl", "2 howls"),
        ("1 camera picture", "2 camera pictures"),
        ("1 piece of sign", "2 pieces of sign"),
    ];
    assert_eq!(words, wanted.map(|(a, b)| (a.to_string(), b.to_string())));
}

#[test]
fn meetings_wind_and_cover_are_told_by_weight() {
    let country = crossing();
    let node_at = |x: f64, y: f64| {
        (0..).zip(country.network.nodes()).find(|(_, n)| n.at.distance_m(ground(x, y)) < 1.0).unwrap().0
    };
    let meeting = |x: f64, y: f64, distance_m: f64| Some(Meeting { node: node_at(x, y), distance_m });
    let convergence = [part("convergence", 1.0, vec![1.0])];
    let met = |meeting| said(&convergence, &[], meeting, None);
    assert_eq!(met(meeting(0.0, 0.0, 24.9)), "Four tracks meet");
    assert_eq!(met(meeting(600.0, 0.0, 25.0)), "Three tracks meet 25 m along");
    assert_eq!(met(None), "Keeps the spacing along the track");
    let wind = |night: f64, day: f64| {
        said(&[part("wind", 1.0, vec![1.0])], &[], None, Some(SideValue { day, night, both: 0.5 }))
    };
    assert_eq!(wind(0.6, 0.6), "Air carries scent across the track night and day");
    assert_eq!(wind(0.6, 0.59), "Night air carries scent across the track");
    assert_eq!(wind(0.59, 0.6), "By day the air carries scent across the track");
    assert_eq!(wind(0.59, 0.59), "Keeps the spacing along the track");
    let cover = |metres: f64| said(&[part("cover", 1.0, vec![metres])], &[], None, None);
    assert_eq!((cover(0.5).as_str(), cover(30.0).as_str()), ("Cover 0 m off", "Cover 30 m off"));
    let inside = Part { value: vec![1.0], ..part("cover", 1.0, vec![0.0]) };
    assert_eq!(said(&[inside], &[], None, None), "In cover");
    // The weightiest three, by falling weight; the same words once.
    let many = [
        part("soft_ground", 1.0, vec![0.5]),
        part("shade", 1.0, vec![0.9]),
        part("water", 2.0, vec![0.4]),
        part("salt", 1.0, vec![0.4]),
        part("non_target", 9.0, vec![0.1]),
    ];
    assert_eq!(said(&many, &[], None, None), "Good shade here; good water here; good soft ground here");
}

#[test]
fn a_creek_or_a_fence_at_the_node_is_named() {
    let word = |other: LineKind, way: &[(f64, f64)]| {
        let country = Country::new(vec![track(&[(-500.0, 0.0), (500.0, 0.0)]), line(other, way)]);
        let candidates = country.candidates();
        let node = (0..)
            .zip(country.network.nodes())
            .find(|(_, n)| n.at.distance_m(ground(0.0, 0.0)) < 1.0)
            .unwrap()
            .0;
        let parts = [part("convergence", 1.0, vec![1.0; candidates.len()])];
        reason(&Grounds {
            candidate: &candidates[3],
            index: 3,
            parts: &parts,
            network: &country.network,
            meeting: Some(Meeting { node, distance_m: 100.0 }),
            heard: &[],
            wind: None,
        })
    };
    assert!(word(LineKind::Creek, &[(0.0, -300.0), (0.0, 300.0)]).contains("creek"));
    assert!(word(LineKind::Road, &[(0.0, -300.0), (0.0, 300.0)]).starts_with("Four ways meet 100 m along"));
}

#[test]
fn cautions_name_what_is_missing() {
    let said = |k, a| cautions(k, a, &crate::plan::SafetyTable::default());
    let count = |k, a| said(k, a).len();
    let always = count(true, true);
    assert_eq!(
        (count(false, true), count(true, false), count(false, false)),
        (always + 1, always + 1, always + 2)
    );
    assert!(said(false, true)[0].contains("no keep-outs") && said(true, false)[0].contains("no area"));
}
