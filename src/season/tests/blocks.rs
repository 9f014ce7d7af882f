//! Blocks of outings and how they are dealt to the seasons.

use super::*;

/// An outing with a piece of sign on each of some days.
fn on_days(before: &[&str], after: &[&str]) -> Outings {
    let of = |season, days: &[&str]| {
        let outing = |(k, text): (usize, &&str)| Outing {
            season,
            day: Some(day(text)),
            sign: vec![at(k as f64, 0.0, 1.0)],
            searched: vec![],
        };
        days.iter().enumerate().map(outing).collect::<Vec<_>>()
    };
    Outings::new([of(Season::Before, before), of(Season::After, after)].concat()).unwrap()
}

fn groups(outings: &Outings, size: BlockSize) -> Vec<Vec<usize>> {
    Blocks::of(outings, size).unwrap().outings
}

/// Months run from the day of the month on which a season began, over ends of years too, however many
/// there are; of a month without that day the last does not end the one before.
#[test]
fn months_are_counted_from_the_first_day_of_the_season() {
    let outings = on_days(
        &[
            "2023-11-30",
            "2023-12-29",
            "2023-12-30",
            "2024-01-30",
            "2024-02-29",
            "2024-03-29",
            "2024-03-30",
            "2025-11-30",
        ],
        &["2026-05-10", "2026-06-09", "2026-06-10", "2027-05-09", "2027-05-10", "2028-06-10"],
    );
    let wanted = [&[0, 1][..], &[2], &[3, 4], &[5], &[6], &[7], &[8, 9], &[10], &[11], &[12], &[13]];
    assert_eq!(groups(&outings, BlockSize::Month), wanted);
}

/// Two outings a month apart in number but not in time must not meet in one block: eleven months and
/// more on the calendar are none of the first.
#[test]
fn months_of_different_years_are_different() {
    let outings =
        on_days(&["2023-02-15", "2024-02-15", "2025-02-15", "2025-03-14"], &["2026-01-01", "2027-01-31"]);
    assert_eq!(groups(&outings, BlockSize::Month), [&[0][..], &[1], &[2, 3], &[4], &[5]]);
    let outings = on_days(&["2023-12-31", "2024-12-01"], &["2026-01-01", "2026-01-31", "2026-02-01"]);
    assert_eq!(groups(&outings, BlockSize::Month), [&[0][..], &[1], &[2, 3], &[4]]);
}

#[test]
fn weeks_and_days_are_counted_from_the_first_day_of_the_season() {
    let days = ["2024-02-26", "2024-02-26", "2024-03-03", "2024-03-04", "2024-03-10", "2024-03-11"];
    let outings = on_days(&days, &["2024-03-02", "2024-03-08", "2024-03-09"]);
    // In order of time: both seasons overlap, and each counts its own weeks.
    let list: Vec<(Season, Date)> = outings.list().iter().map(|o| (o.season, o.day.unwrap())).collect();
    let blocks = Blocks::of(&outings, BlockSize::Week).unwrap();
    let told: Vec<Vec<&str>> = blocks
        .outings
        .iter()
        .map(|b| b.iter().map(|&i| if list[i].0 == Season::Before { "b" } else { "a" }).collect())
        .collect();
    assert_eq!(told, [vec!["b"; 3], vec!["a"; 2], vec!["b"; 2], vec!["a"], vec!["b"]]);
    assert_eq!((blocks.count(Season::Before), blocks.count(Season::After)), (3, 2));
    assert_eq!(blocks.outings[0], [0, 1, 3]);
    let by_day = Blocks::of(&outings, BlockSize::Day).unwrap();
    assert_eq!((by_day.count(Season::Before), by_day.count(Season::After)), (5, 3));
    assert_eq!(groups(&outings, BlockSize::Outing).len(), 9);
}

#[test]
fn outings_without_a_day_form_no_blocks_of_days() {
    let mut list = on_days(&["2024-02-26", "2024-02-27"], &["2025-01-01"]).list().to_vec();
    list[0].day = None;
    list[2].day = None;
    let outings = Outings::new(list).unwrap();
    for size in [BlockSize::Day, BlockSize::Week, BlockSize::Month] {
        assert_eq!(Blocks::of(&outings, size), Err(2));
    }
    assert_eq!(groups(&outings, BlockSize::Outing), [[0], [1], [2]]);
}

#[test]
fn block_sizes_are_called_by_their_words() {
    for size in BlockSize::ALL {
        assert_eq!(BlockSize::from_word(&format!(" {}S ", size.word().to_uppercase())), Some(size));
        assert_eq!(size.to_string(), size.word());
    }
    assert_eq!(BlockSize::from_word("year"), None);
    assert_eq!(BlockSize::ALL.map(BlockSize::days), [0.0, 0.0, 1.0, 7.0, 30.4]);
}

/// A hundred draws of each way there is, give or take five standard deviations: all ways, equally often.
#[test]
fn every_relabelling_is_drawn_equally_often() {
    use Season::{After as A, Before as B};
    for (seasons, ways, part, mirrored) in [
        (vec![B, A, B, A, A, A, B], 35, vec![0, 2, 6], false),
        (vec![A, B, B, B, B, A], 15, vec![0, 5], false),
        (vec![A, B, B, A, B, A], 10, vec![0, 3, 5], true),
    ] {
        let draws = ways * 100;
        let runs = if mirrored { 2 * draws } else { draws };
        let drawn = Relabellings::draw(&seasons, runs, 1, 2);
        assert_eq!((drawn.observed(), drawn.mirrored()), (&part[..], mirrored));
        assert_eq!(drawn.part_is(), seasons[part[0] as usize]);
        assert_eq!(drawn.sizes(), (part.len(), seasons.len() - part.len()));
        assert_eq!(drawn.parts().len(), draws);
        assert_eq!(drawn.runs(), if mirrored { 2 * draws + 1 } else { draws });
        let mut times = std::collections::BTreeMap::new();
        for part in drawn.parts() {
            assert!(part.is_sorted_by(|a, b| a < b) && part.last() < Some(&(seasons.len() as u32)));
            assert!(!mirrored || part[0] == 0);
            *times.entry(part.clone()).or_insert(0) += 1;
        }
        assert_eq!(times.len(), ways);
        assert!(times.values().all(|n| (50..=150).contains(n)), "{times:?}");
        assert!(times.keys().all(|p| p.len() == part.len()));
        // The upper tail counts the observed one itself, and values equal but for rounding.
        let values: Vec<f64> = (0..draws).map(|k| k as f64).collect();
        let p = |observed: f64| drawn.p_upper(observed, &values);
        assert_eq!(p(draws as f64), 1.0 / (draws + 1) as f64);
        assert_eq!(p((draws - 1) as f64 * (1.0 + 1e-13)), 2.0 / (draws + 1) as f64);
        assert_eq!((p(0.0), p(-1.0), drawn.p_of(9)), (1.0, 1.0, 10.0 / (draws + 1) as f64));
        assert_ne!(drawn.parts(), Relabellings::draw(&seasons, runs, 1, 3).parts());
        assert_ne!(drawn.parts(), Relabellings::draw(&seasons, runs, 2, 2).parts());
    }
    assert_eq!(
        [(3, 4), (5, 5), (1, 9), (10, 10)].map(|(a, b)| Relabellings::distinct(a, b)),
        [35.0, 252.0, 10.0, 184_756.0]
    );
}

#[test]
fn outings_are_put_in_order_and_what_is_empty_is_dropped() {
    let outing = |season, text: Option<&str>, sign: Vec<WeightedPoint>, searched: Vec<WeightedPoint>| {
        Outing { season, day: text.map(day), sign, searched }
    };
    let list = [
        outing(Season::After, Some("2026-03-02"), vec![at(5.0, 0.0, 1.0)], vec![at(0.0, 0.0, 2.0)]),
        outing(
            Season::Before,
            Some("2026-03-01"),
            vec![at(2.0, 0.0, 1.0), at(1.0, 1.0, 0.0)],
            vec![at(0.0, 0.0, 0.5)],
        ),
        outing(Season::Before, Some("2026-03-01"), vec![at(2.0, 0.0, 1.0)], vec![]),
        outing(Season::After, None, vec![at(9.0, 9.0, 4.0)], vec![]),
        outing(Season::Before, Some("2026-01-01"), vec![at(1.0, 1.0, 0.0)], vec![at(1.0, 1.0, 0.0)]),
        outing(Season::Before, Some("2026-03-01"), vec![at(2.0, 0.0, 1.0), at(0.0, 0.0, 1.0)], vec![]),
    ];
    let outings = Outings::new(list).unwrap();
    let told: Vec<(Option<Date>, f64, f64)> =
        outings.list().iter().map(|o| (o.day, o.sign_count(), o.searched_km())).collect();
    let first = Some(day("2026-03-01"));
    // The same first place; then fewer, or what was found next further west.
    assert_eq!(told[0], (None, 4.0, 0.0));
    assert_eq!(told[1..4], [(first, 1.0, 0.0), (first, 1.0, 0.5), (first, 2.0, 0.0)]);
    assert_eq!(told[4..], [(Some(day("2026-03-02")), 1.0, 2.0)]);
    assert_eq!((outings.sign_count(Season::Before), outings.sign_count(Season::After)), (4.0, 5.0));
    assert_eq!((outings.searched_km(Season::Before), outings.searched_km(Season::After)), (0.5, 2.0));
    assert!(outings.effort_known() && outings.sign().count() == 6);
    assert_eq!((Season::Before.word(), Season::After.word()), ("before", "after"));
    // Sign in one season, searched ground in one: nothing to compare.
    let half = [
        outing(Season::Before, None, vec![at(0.0, 0.0, 1.0)], vec![at(0.0, 0.0, 1.0)]),
        outing(Season::After, None, vec![at(0.0, 0.0, 0.0)], vec![]),
    ];
    assert_eq!(Outings::new(half), Err(SeasonError::NoSign(Season::After)));
    let searched = [
        outing(Season::Before, None, vec![], vec![at(0.0, 0.0, 1.0)]),
        outing(Season::After, None, vec![], vec![at(0.0, 0.0, 1.0)]),
    ];
    assert_eq!(Outings::new(searched), Err(SeasonError::NoSignAtAll));
}
