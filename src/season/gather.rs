//! Records and survey legs brought together into outings.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;

use crate::frame::{GroundPoint, Placed, Traced, path_length_geodesic_m, path_length_m};
use crate::record::{Record, SurveyLeg};
use crate::surface::WeightedPoint;
use crate::surface::effort::find_outings;

use super::{Outing, Season};

/// One outing with what it is made of.
#[derive(Clone, PartialEq, Debug)]
pub struct Search<'j> {
    /// The season.
    pub season: Season,
    /// First day of it that any leg or record tells.
    pub day: Option<Date>,
    /// What was searched.
    pub legs: Vec<&'j Traced<SurveyLeg>>,
    /// What was found, each with the position in `legs` of the leg that found it, if one did.
    pub sign: Vec<(&'j Placed<Record>, Option<usize>)>,
}

/// The outings of one season, and how records came to them.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Gathered<'j> {
    /// The outings.
    pub searches: Vec<Search<'j>>,
    /// Records that name their outing, far from its legs or not.
    pub by_id: usize,
    /// Records brought to a leg of their day, observer and place.
    pub by_leg: usize,
    /// Records of a day (and observer) without a leg near.
    pub by_day: usize,
    /// Records with neither day nor outing, where none has any: one outing.
    pub without_day: usize,
    /// Records with neither day nor outing, where others have one: left out.
    pub undated: usize,
    /// Legs with neither day nor outing: left out.
    pub undated_legs: usize,
}

/// What makes an outing one.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Key {
    Survey(Arc<str>),
    Day(Date, Option<String>),
    /// Everything without a day, where nothing has one.
    Undated,
}

fn observer_word(observer: Option<&Arc<str>>) -> Option<String> {
    observer.map(|name| name.trim().to_lowercase())
}

/// Brings the records and legs of one season together into outings.
///
/// Legs with one `survey` id are one outing, else those of one day and observer. Which leg a record
/// belongs to is decided as for rates ([`find_outings`], with its `reach_m`), and its outing is that of
/// the leg. A record of no leg still belongs to an outing, since patterns may be compared without legs:
/// the one it names, or that of its day and observer. Where no record has a day or an outing, all are
/// one outing, which no test can use.
pub fn gather<'j>(
    season: Season,
    records: &[&'j Placed<Record>],
    legs: &[&'j Traced<SurveyLeg>],
    reach_m: f64,
) -> Gathered<'j> {
    let mut gathered = Gathered::default();
    let mut outings: BTreeMap<Key, Search> = BTreeMap::new();
    let new = || Search { season, day: None, legs: Vec::new(), sign: Vec::new() };
    let mut usable: Vec<&'j Traced<SurveyLeg>> = Vec::new();
    // The outing of each usable leg, and its position there.
    let mut home: Vec<(Key, usize)> = Vec::new();
    for &leg in legs {
        let key = match (&leg.what.survey, leg.what.date) {
            (Some(id), _) => Key::Survey(id.clone()),
            (None, Some(day)) => Key::Day(day, observer_word(leg.what.observer.as_ref())),
            (None, None) => {
                gathered.undated_legs += 1;
                continue;
            }
        };
        let own = &mut outings.entry(key.clone()).or_insert_with(new).legs;
        home.push((key, own.len()));
        own.push(leg);
        usable.push(leg);
    }
    let (of_leg, _) = find_outings(records, &usable, reach_m);
    let some_dated = records.iter().any(|r| r.what.date.is_some() || r.what.occasion.survey.is_some());
    for (&record, leg) in records.iter().zip(of_leg) {
        let home = leg.and_then(|leg| home.get(leg)).cloned();
        let position = home.as_ref().map(|(_, position)| *position);
        let (key, counter) = match (&record.what.occasion.survey, record.what.date) {
            (Some(id), _) => (Key::Survey(id.clone()), &mut gathered.by_id),
            (None, day) => match (home, day) {
                (Some((key, _)), _) => (key, &mut gathered.by_leg),
                (None, Some(day)) => (
                    Key::Day(day, observer_word(record.what.occasion.observer.as_ref())),
                    &mut gathered.by_day,
                ),
                (None, None) if some_dated => {
                    gathered.undated += 1;
                    continue;
                }
                (None, None) => (Key::Undated, &mut gathered.without_day),
            },
        };
        *counter += 1;
        outings.entry(key).or_insert_with(new).sign.push((record, position));
    }
    gathered.searches = outings.into_values().collect();
    for search in &mut gathered.searches {
        let days =
            search.legs.iter().map(|l| l.what.date).chain(search.sign.iter().map(|(r, _)| r.what.date));
        search.day = days.flatten().min();
    }
    gathered
}

impl<'j> Gathered<'j> {
    /// Whether any ground was searched.
    pub fn searched(&self) -> bool {
        self.searches.iter().flat_map(|search| &search.legs).any(|leg| is_searched(leg))
    }

    /// Takes out the sign that belongs to no searched leg, and gives it: there is no effort that a rate
    /// could hold it against. Outings without a searched leg go with it.
    pub fn take_sign_of_no_leg(&mut self) -> Vec<&'j Placed<Record>> {
        let mut taken = Vec::new();
        for search in &mut self.searches {
            let Search { legs, sign, .. } = search;
            sign.retain(|&(record, leg)| {
                let searched = leg.and_then(|leg| legs.get(leg)).is_some_and(|leg| is_searched(leg));
                if !searched {
                    taken.push(record);
                }
                searched
            });
        }
        self.searches.retain(|search| search.legs.iter().any(|leg| is_searched(leg)));
        taken
    }
}

fn is_searched(leg: &Traced<SurveyLeg>) -> bool {
    leg.what.passes > 0.0 && path_length_m(&leg.ground) > 0.0
}

impl Search<'_> {
    /// The outing as the comparison takes it. Legs are cut into pieces of at most `step_m`
    /// metres, each weighted by its kilometres on the ellipsoid times passes.
    pub fn outing(&self, step_m: f64) -> Outing {
        Outing {
            season: self.season,
            day: self.day,
            sign: self.sign.iter().map(|(r, _)| WeightedPoint::new(r.ground, r.what.count)).collect(),
            searched: self.legs.iter().flat_map(|leg| searched_pieces(leg, step_m)).collect(),
        }
    }
}

/// A leg as points at the middle of its pieces.
fn searched_pieces(leg: &Traced<SurveyLeg>, step_m: f64) -> Vec<WeightedPoint> {
    let frame_m = path_length_m(&leg.ground);
    if !is_searched(leg) {
        return Vec::new();
    }
    let km_per_frame_m = path_length_geodesic_m(&leg.path) / frame_m * leg.what.passes / 1000.0;
    let mut pieces = Vec::new();
    for w in leg.ground.windows(2) {
        let length_m = w[0].distance_m(w[1]);
        let count = (length_m / step_m).ceil().max(1.0);
        for k in 0..count as usize {
            let middle = w[0].lerp(w[1], (k as f64 + 0.5) / count);
            pieces.push(WeightedPoint::new(middle, length_m / count * km_per_frame_m));
        }
    }
    pieces.retain(|p| p.weight > 0.0);
    pieces
}

/// Sign per plot and day of one season, where the same legs were searched on several days:
/// a row for every leg that was searched more than once, `None` where it was not searched.
/// `None` unless there are two such plots and two days, and most plots were searched on most
/// days.
pub fn plots_and_days(searches: &[Search]) -> Option<Vec<Vec<Option<f64>>>> {
    let mut plots: Vec<(&[GroundPoint], BTreeMap<Date, f64>)> = Vec::new();
    for search in searches {
        for (position, leg) in search.legs.iter().enumerate() {
            let Some(day) = leg.what.date else { continue };
            let found: f64 =
                search.sign.iter().filter(|(_, l)| *l == Some(position)).map(|(r, _)| r.what.count).sum();
            let known = plots.iter().position(|(path, _)| same_way(path, &leg.ground));
            let plot = known.unwrap_or_else(|| {
                plots.push((&leg.ground, BTreeMap::new()));
                plots.len() - 1
            });
            *plots[plot].1.entry(day).or_insert(0.0) += found;
        }
    }
    plots.retain(|(_, days)| days.len() > 1);
    let mut days: Vec<Date> = plots.iter().flat_map(|(_, days)| days.keys().copied()).collect();
    days.sort();
    days.dedup();
    let read: usize = plots.iter().map(|(_, read)| read.len()).sum();
    if plots.len() < 2 || 2 * read <= plots.len() * days.len() {
        return None;
    }
    Some(plots.iter().map(|(_, read)| days.iter().map(|day| read.get(day).copied()).collect()).collect())
}

/// Whether two ways are the same, perhaps walked the other way round, to a metre.
fn same_way(a: &[GroundPoint], b: &[GroundPoint]) -> bool {
    let near = |(p, q): (&GroundPoint, &GroundPoint)| p.distance_m(*q) <= 1.0;
    a.len() == b.len() && (a.iter().zip(b).all(near) || a.iter().zip(b.iter().rev()).all(near))
}
