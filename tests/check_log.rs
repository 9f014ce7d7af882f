//! The check log: estimates against reference libraries, the account of capsules, rows as
//! people write them.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use jiff::civil::Date;
use proptest::prelude::*;
use serde_json::{Value, json};
use stakeline::checks::{
    Account, FitSettings, Spell, StationCount, Survival, balance, fit_weights, history, read_log,
};
use stakeline::files::{Properties, RawFeature, RawShape};
use stakeline::frame::{GroundPoint, LonLat, Placed};
use stakeline::job::{Fields, Findings};
use stakeline::record::{Check, Found, SourcePlace, Station, StationState};

fn golden() -> Value {
    serde_json::from_str(include_str!("golden/checks/golden.json")).unwrap()
}

/// Turnbull (1976) as in lifelines 0.30.3; golden/checks/make_golden.py.
#[test]
fn time_to_activation_matches_lifelines() {
    for case in golden()["turnbull"].as_array().unwrap() {
        let spells: Vec<Spell> = case["spells"]
            .as_array()
            .unwrap()
            .iter()
            .enumerate()
            .map(|(station, s)| Spell {
                station,
                least: s[0].as_f64().unwrap(),
                most: s[1].as_f64().unwrap_or(f64::INFINITY),
            })
            .collect();
        let found = Survival::estimate(&spells).masses;
        let wanted = case["masses"].as_array().unwrap();
        assert_eq!(found.len(), wanted.len());
        for (mass, want) in found.iter().zip(wanted) {
            assert_eq!(mass.after, want["after"].as_f64().unwrap());
            assert_eq!(mass.by, want["by"].as_f64().unwrap_or(f64::INFINITY));
            assert!((mass.share - want["share"].as_f64().unwrap()).abs() < 1e-5, "{mass:?} {want}");
        }
    }
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

/// Poisson regression with a ridge as in scikit-learn 1.9.1; golden/checks/make_golden.py.
#[test]
fn regression_matches_scikit_learn() {
    for case in golden()["regression"].as_array().unwrap() {
        let (nights, activations) = (numbers(&case["nights"]), numbers(&case["activations"]));
        let counts: Vec<StationCount> = case["parts"]
            .as_array()
            .unwrap()
            .iter()
            .zip(nights.iter().zip(&activations))
            .map(|(parts, (&nights, &activations))| StationCount {
                activations,
                nights,
                parts: numbers(parts),
            })
            .collect();
        let names: Vec<String> = (0..counts[0].parts.len()).map(|k| format!("part {k}")).collect();
        let settings =
            FitSettings { ridge: case["ridge"].as_f64().unwrap(), draws: 100, ..FitSettings::default() };
        let fitted = fit_weights(&names, &counts, &settings).unwrap();
        assert!((fitted.log_rate - case["log_rate"].as_f64().unwrap()).abs() < 1e-7);
        for (effect, want) in fitted.effects.iter().zip(numbers(&case["effects"])) {
            assert!((effect.log_rate_per_sd - want).abs() < 1e-7, "{effect:?} {want}");
            assert!(effect.interval[0] < want && want < effect.interval[1], "{effect:?}");
        }
        let weights: f64 = fitted.effects.iter().map(|e| e.weight).sum();
        assert!((weights - 1.0).abs() < 1e-12);
    }
}

#[test]
fn too_few_activations_are_refused_with_the_number_needed() {
    let counts: Vec<StationCount> = (0..6)
        .map(|k| StationCount {
            activations: 2.0,
            nights: 100.0,
            parts: vec![f64::from(k), f64::from(k * k), 1.0],
        })
        .collect();
    let names = ["activity", "convergence", "kind"].map(String::from);
    let fault = fit_weights(&names, &counts, &FitSettings::default()).unwrap_err().to_string();
    // The part that is the same everywhere does not count.
    assert!(fault.contains("12 activations") && fault.contains("20 are needed"), "{fault}");
}

fn place(file: &str, index: usize) -> SourcePlace {
    SourcePlace { file: Arc::from(Path::new(file)), index, id: None }
}

fn station(id: &str, set_on: Option<&str>) -> Placed<Station> {
    Placed {
        what: Station {
            station_id: id.into(),
            name: None,
            state: StationState::Set,
            set_on: set_on.map(|d| d.parse().unwrap()),
            lifted_on: None,
            set_by: Some("Kim".into()),
            batch: Some("B1".into()),
            source: place("stations.geojson", 0),
        },
        at: LonLat::new(148.0, -35.0).unwrap(),
        ground: GroundPoint::default(),
    }
}

fn row(index: usize, properties: Value) -> RawFeature {
    let properties: Properties = properties.as_object().unwrap().clone().into();
    RawFeature { shape: RawShape::Null, properties, source: place("checks.csv", index) }
}

/// Checks and warnings of a log without a fault.
fn read(rows: &[Value], stations: &[Placed<Station>]) -> (Vec<Check>, Vec<String>) {
    let (checks, warnings, faults) = read_all(rows, stations);
    assert_eq!(faults, None::<Vec<String>>);
    (checks, warnings)
}

/// Checks, warnings and faults.
fn read_all(rows: &[Value], stations: &[Placed<Station>]) -> (Vec<Check>, Vec<String>, Option<Vec<String>>) {
    let rows: Vec<RawFeature> = rows.iter().cloned().enumerate().map(|(k, r)| row(k, r)).collect();
    let mut findings = Findings::default();
    let checks = read_log(&rows, &Fields::default(), None, None, stations, &mut findings);
    let warnings = findings.warnings().map(ToString::to_string).collect();
    (checks, warnings, findings.faults(Path::new("")))
}

#[test]
fn rows_as_people_write_them() {
    let stations = [station("S1", Some("2026-03-01"))];
    let (checks, warnings) = read(
        &[
            json!({"station_id": "S1", "date": "29/3/2026", "found": "Intact", "serviced": "Y"}),
            json!({"station_id": "S1", "date": "5/4/2026", "found": "Bait taken", "animal": "Foxes"}),
            json!({"station_id": "S1", "date": "2026-02-01", "found": "intact"}),
            json!({"station_id": "S9", "date": "2026-04-06", "found": "intact"}),
            json!({"station_id": "S1", "date": "2026-04-05", "found": "intact"}),
            json!({"station_id": "S1", "date": "2026-04-20"}),
            json!({"station_id": "", "date": " ", "found": null}),
        ],
        &stations,
    );
    let days: Vec<String> = checks.iter().map(|c| c.date.to_string()).collect();
    assert_eq!(days, ["2026-02-01", "2026-03-29", "2026-04-05", "2026-04-05", "2026-04-06", "2026-04-20"]);
    assert_eq!(checks[2].found, Found::BaitTaken);
    for wanted in [
        "line 4: is dated before its station was set",
        "line 5: names a station that is not among the stations",
        "line 6: is a second check",
        "line 7: does not say what was found",
        "line 8: is a row without any value",
    ] {
        assert!(warnings.iter().any(|w| w.contains(wanted)), "{wanted} not in {warnings:#?}");
    }
}

/// The account of doses rests on every row, so each that is not understood is a fault.
#[test]
fn a_row_that_is_not_understood_stops_the_account() {
    for (bad, wanted) in [
        (json!({"station_id": "S1", "found": "intact"}), "has no date"),
        (json!({"date": "2026-04-05", "found": "intact"}), "has no station_id"),
        (json!({"station_id": "S1", "date": "soon", "found": "intact"}), "the date \"soon\""),
        (json!({"station_id": "S1", "date": "2026-04-21", "found": "eaten"}), "unknown finding \"eaten\""),
        (json!({"station_id": "S1", "date": "2026-04-21", "capsules_out": "some"}), "capsules_out \"some\""),
        (json!({"station_id": "S1", "date": "2026-04-21", "capsules_back": 0.5}), "capsules_back 0.5"),
        (json!({"station_id": "S1", "date": "2026-04-21", "lifted": "perhaps"}), "lifted \"perhaps\""),
        (
            json!({"station_id": "S1", "date": "2026-04-21", "capsules_out": 1, "Capsules Out": 2}),
            "two values",
        ),
    ] {
        let good = json!({"station_id": "S1", "date": "2026-04-06", "found": "intact"});
        let (_, _, faults) = read_all(&[good, bad], &[station("S1", None)]);
        let faults = faults.unwrap_or_else(|| panic!("no fault: {wanted}"));
        assert_eq!(faults.len(), 1, "{faults:?}");
        assert!(
            faults[0].contains(wanted) && (faults[0].contains("line 3") || faults[0].contains("feature 2")),
            "{faults:?}"
        );
    }
}

#[test]
fn a_header_in_capitals_or_with_spaces_is_understood() {
    let log = [
        json!({"STATION_ID": "S1", "DATE": "2026-03-29", "FOUND": "ACTIVATED", "CAPSULES_OUT": 1, "SERVICED": "YES"}),
        json!({"Station ID": "S1", "Date": "2026-04-05", "Found": "intact", "Capsules back": "1", "Lifted": "yes"}),
    ];
    let (checks, warnings) = read(&log, &[station("S1", Some("2026-03-01"))]);
    assert_eq!(
        (checks[0].found, checks[0].capsules_out, checks[0].serviced),
        (Found::Activated, Some(1), Some(true))
    );
    assert_eq!((checks[1].capsules_back, checks[1].lifted), (Some(1), true));
    assert!(warnings.iter().any(|w| w.contains("\"STATION_ID\" as station_id")), "{warnings:?}");
}

#[test]
fn dates_that_could_be_read_two_ways_are_not_guessed() {
    let check = |date: &str| json!({"station_id": "S1", "date": date, "found": "intact"});
    let (checks, _, faults) = read_all(&[check("3/4/2026")], &[station("S1", None)]);
    assert!(checks.is_empty());
    assert!(faults.unwrap()[0].contains("can be meant in two ways, such as \"3/4/2026\""));
    let contrary = [check("3/4/2026"), check("13/4/2026"), check("4/14/2026")];
    let (_, _, faults) = read_all(&contrary, &[station("S1", None)]);
    assert!(faults.as_ref().unwrap()[0].contains("line 3: has the day \"13/4/2026\""), "{faults:?}");
    assert!(faults.unwrap()[0].contains("line 4 has \"4/14/2026\""));
    let (checks, _) = read(&[check("3/4/2026"), check("14/4/2026")], &[station("S1", None)]);
    assert_eq!(checks[0].date.to_string(), "2026-04-03");
}

/// Four stations over two rounds, worked by hand: every capsule is somewhere.
#[test]
fn an_account_that_balances() {
    let stations: Vec<_> = ["S1", "S2", "S3", "S4"].map(|id| station(id, Some("2026-03-01"))).into();
    let (checks, _) = read(
        &[
            json!({"station_id": "S1", "date": "2026-03-29", "by": "Lou", "found": "activated", "animal": "fox", "capsules_out": 1, "serviced": "yes", "batch": "B2"}),
            json!({"station_id": "S2", "date": "2026-03-29", "by": "Lou", "found": "intact", "capsules_out": 1, "capsules_back": 1, "serviced": "yes"}),
            json!({"station_id": "S3", "date": "2026-03-29", "by": "Lou", "found": "missing", "capsules_out": 1, "serviced": "yes"}),
            json!({"station_id": "S4", "date": "2026-03-29", "by": "Lou", "found": "intact", "capsules_back": 1, "lifted": "yes"}),
        ],
        &stations,
    );
    let books = balance(&stations, &checks, 1);
    assert!(books.holds());
    assert_eq!(
        books.total,
        Account { issued: 7, in_ground: 3, discharged: 1, returned: 2, lost: 1, unaccounted: 0 }
    );
    assert_eq!(books.by_batch[&Some("B2".into())].issued, 1);
    assert_eq!(books.by_person[&Some("Kim".into())].issued, 4);
    assert_eq!(books.open_items.len(), 1);
    assert_eq!(&*books.open_items[0].station_id, "S3");
}

#[test]
fn a_missing_capsule_stays_open_until_it_is_closed() {
    let stations = [station("S1", Some("2026-03-01"))];
    let gone = json!({"station_id": "S1", "date": "2026-03-29", "found": "missing", "capsules_out": 1});
    let later = json!({"station_id": "S1", "date": "2026-04-26", "found": "intact"});
    let closing = json!({"station_id": "S1", "date": "2026-05-24", "found": "intact", "capsules_back": 1, "capsules_out": 0, "closed": "yes"});
    let (checks, _) = read(&[gone.clone(), later.clone()], &stations);
    let books = balance(&stations, &checks, 1);
    assert_eq!((books.open_items.len(), books.total.lost), (1, 1));
    // The finder brings back the old capsule; the new one stays in the ground.
    let (checks, _) = read(&[gone, later, closing], &stations);
    let books = balance(&stations, &checks, 1);
    assert!(books.open_items.is_empty());
    assert_eq!(books.total.issued, 2);
    assert_eq!(books.total.lost + books.total.returned + books.total.in_ground, 2 - books.total.unaccounted);
}

/// A slip in the id of a station moves no capsule.
#[test]
fn an_unknown_station_that_nothing_was_done_to_is_no_fault() {
    let stations = [station("S1", Some("2026-03-01"))];
    let (checks, _) = read(
        &[
            json!({"station_id": "S11", "date": "2026-03-29", "found": "intact", "serviced": "yes"}),
            json!({"station_id": "S12", "date": "2026-03-29", "found": "activated", "serviced": "yes", "capsules_out": 1}),
        ],
        &stations,
    );
    let books = balance(&stations, &checks, 1);
    assert!(books.holds());
    assert_eq!(books.total, Account { issued: 2, in_ground: 1, discharged: 1, ..Account::default() });
}

#[test]
fn a_capsule_that_nobody_issued_is_a_fault() {
    let stations = [station("S1", Some("2026-03-01"))];
    let (checks, _) = read(
        &[json!({"station_id": "S1", "date": "2026-03-29", "found": "activated", "serviced": "yes"})],
        &stations,
    );
    let books = balance(&stations, &checks, 1);
    assert!(!books.holds());
    assert_eq!(books.total.unaccounted, -1);
    let (checks, _) = read(
        &[
            json!({"station_id": "S1", "date": "2026-03-29", "found": "intact", "serviced": "yes", "capsules_out": 1}),
        ],
        &stations,
    );
    assert_eq!(balance(&stations, &checks, 1).total.unaccounted, 1);
}

/// Set, seen intact, activated, reset, lifted: intervals and spells by hand.
#[test]
fn a_history_by_hand() {
    let stations = [station("S1", Some("2026-03-01"))];
    let (checks, _) = read(
        &[
            json!({"station_id": "S1", "date": "2026-03-11", "found": "intact"}),
            json!({"station_id": "S1", "date": "2026-03-15", "found": "not-checked"}),
            json!({"station_id": "S1", "date": "2026-03-21", "found": "activated", "serviced": "no"}),
            json!({"station_id": "S1", "date": "2026-03-31", "found": "damaged", "serviced": "yes"}),
            json!({"station_id": "S1", "date": "2026-04-10", "found": "intact", "lifted": "yes"}),
        ],
        &stations,
    );
    let history = history(&stations, &checks);
    let nights: Vec<f64> = history.intervals.iter().map(|i| i.nights()).collect();
    assert_eq!(nights, [10.0, 10.0, 10.0]);
    let spells: Vec<(f64, f64)> = history.spells.iter().map(|s| (s.least, s.most)).collect();
    assert_eq!(spells, [(10.0, 20.0), (10.0, f64::INFINITY)]);
}

/// What a person finds who walks through the log with a sheet of paper.
struct Walked {
    total: Account,
    /// Capsules taken out and brought back, by person.
    by_person: BTreeMap<Option<Arc<str>>, (i64, i64)>,
}

fn sum<'a>(accounts: impl Iterator<Item = &'a Account>) -> Account {
    let mut total = Account::default();
    accounts.for_each(|account| total += *account);
    total
}

/// Every figure by itself: how many capsules lie at each station after each row, how many are missing
/// there, and what each row should have taken out beside what it did. One capsule a station.
fn walked(stations: &[Placed<Station>], checks: &[Check]) -> Walked {
    let mut lies: BTreeMap<Arc<str>, i64> = BTreeMap::new();
    let mut missing: BTreeMap<Arc<str>, i64> = BTreeMap::new();
    let mut found = Walked { total: Account::default(), by_person: BTreeMap::new() };
    for station in stations {
        lies.insert(station.what.station_id.clone(), 1);
        found.total.issued += 1;
        found.by_person.entry(station.what.set_by.clone()).or_default().0 += 1;
    }
    // A station that nobody set is taken to stand there ready, and belongs to no account.
    let strangers: BTreeSet<_> =
        checks.iter().map(|c| &c.station_id).filter(|id| !lies.contains_key(*id)).collect();
    let begun_with = strangers.len() as i64;
    lies.extend(strangers.into_iter().map(|id| (id.clone(), 1)));
    for check in checks {
        let (out, back) = (check.capsules_out.unwrap_or(0), check.capsules_back.unwrap_or(0));
        let (out, back) = (i64::from(out), i64::from(back));
        let lay = lies.get_mut(&check.station_id).unwrap();
        let gone = match check.found {
            Found::Activated | Found::Missing => std::mem::take(lay),
            _ => 0,
        };
        let open = missing.entry(check.station_id.clone()).or_default();
        if check.found == Found::Activated {
            found.total.discharged += gone;
        } else {
            *open += gone;
            found.total.lost += gone;
        }
        let mut again = 0;
        if check.closed {
            // What comes back beyond what lay there was missing before.
            again = (back - *lay).max(0).min(*open);
            found.total.lost -= again;
            *open = 0;
        }
        let should_lie = match () {
            () if check.lifted => 0,
            () if check.serviced == Some(true) || out > 0 => 1,
            () => *lay,
        };
        found.total.unaccounted += *lay + again + out - back - should_lie;
        *lay = should_lie;
        found.total.issued += out;
        found.total.returned += back;
        let person = found.by_person.entry(check.by.clone()).or_default();
        (person.0, person.1) = (person.0 + out, person.1 + back);
    }
    found.total.in_ground = lies.values().sum::<i64>() - begun_with;
    found
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever is written, the books say what somebody finds who walks through the log row by row, in
    /// total, and their days, batches and persons add up to that.
    #[test]
    fn the_account_always_adds_up(
        rows in prop::collection::vec(
            (0..4_u8, 0..200_i32, 0..6_usize, 0..3_u32, 0..3_u32, any::<(bool, bool, bool)>()), 0..40)
    ) {
        let stations: Vec<_> = ["S0", "S1", "S2"].map(|id| station(id, Some("2026-03-01"))).into();
        let first: Date = "2026-03-01".parse().unwrap();
        let rows: Vec<Value> = rows.iter().map(|&(s, day, found, out, back, (serviced, lifted, closed))| json!({
            "station_id": format!("S{s}"),
            "date": first.saturating_add(jiff::Span::new().days(day)).to_string(),
            "by": if serviced { "Lou" } else { "Kim" },
            "found": Found::ALL[found].word(),
            "capsules_out": out, "capsules_back": back, "batch": format!("B{out}"),
            "serviced": serviced, "lifted": lifted && !serviced, "closed": closed,
        })).collect();
        let (checks, _) = read(&rows, &stations);
        let books = balance(&stations, &checks, 1);
        let walked = walked(&stations, &checks);
        prop_assert_eq!(books.total, walked.total);
        prop_assert_eq!(sum(books.by_day.values()), walked.total);
        prop_assert_eq!(sum(books.by_batch.values()), walked.total);
        prop_assert_eq!(sum(books.by_person.values()), walked.total);
        for (by, (out, back)) in walked.by_person {
            let told = books.by_person.get(&by).copied().unwrap_or_default();
            prop_assert_eq!((told.issued, told.returned), (out, back), "{:?}", by);
        }
        let faults: i64 = books.faults.iter().map(|entry| entry.account.unaccounted).sum();
        prop_assert_eq!(faults, walked.total.unaccounted);
    }
}
