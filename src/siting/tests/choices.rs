//! Proposals on small country: fates, sides, stability, stations, fixed sites and reach.

use super::super::cluster::Item;
use super::super::layout::Layout;
use super::super::select::{Conflicts, Limits};
use super::super::stability::{Reweighting, stability};
use super::super::wind::SideValue;
use super::*;
use crate::network::Side;
use crate::record::{Station, StationState};

/// What a proposal is made from, beside the country.
struct Plan {
    candidates: Vec<Candidate>,
    parts: Vec<Part>,
    side_values: Option<Vec<[SideValue; 2]>>,
    stations: Vec<Placed<Station>>,
    non_target: Vec<GroundPoint>,
    demand: Vec<Demand>,
}

impl Plan {
    fn of(country: &Country, value: impl Fn(f64, f64) -> f64) -> Self {
        let candidates = country.candidates();
        let at = |c: &Candidate| value(c.foot.at.x_m - WEST_M, c.foot.at.y_m - SOUTH_M);
        let parts = vec![part("activity", 1.0, candidates.iter().map(at).collect())];
        Self { candidates, parts, side_values: None, stations: vec![], non_target: vec![], demand: vec![] }
    }

    fn with<R>(&self, country: &Country, use_it: impl Fn(&Choosing) -> R) -> R {
        let stations: Vec<&Placed<Station>> = self.stations.iter().collect();
        use_it(&Choosing {
            ground: &country.ground(),
            settings: &country.settings,
            travel: &country.travel,
            strokes: &country.strokes,
            candidates: &self.candidates,
            parts: &self.parts,
            side_values: self.side_values.as_deref(),
            convergence: &vec![0.0; country.network.nodes().len()],
            stations: &stations,
            non_target: &self.non_target,
            demand: &self.demand,
            limits: Limits::default(),
            scale: 1.0,
        })
    }

    fn propose(&self, country: &Country) -> Result<Proposal, SitingError> {
        self.with(country, propose)
    }

    fn x(&self, candidate: usize) -> f64 {
        (self.candidates[candidate].foot.at.x_m - WEST_M).round()
    }

    fn sites(&self, proposal: &Proposal) -> Vec<f64> {
        let mut found: Vec<f64> = proposal.sites.iter().map(|s| self.x(s.candidate)).collect();
        found.sort_by(f64::total_cmp);
        found
    }
}

fn station(id: &str, x: f64, y: f64) -> Placed<Station> {
    let ground = ground(x, y);
    let what = Station {
        station_id: id.into(),
        name: None,
        state: StationState::Set,
        set_on: None,
        lifted_on: None,
        set_by: None,
        batch: None,
        source: source(),
    };
    Placed { what, at: frame().to_lonlat(ground).unwrap(), ground }
}

/// One track of four kilometres; worth most at a few places.
fn long_track() -> Country {
    Country::new(vec![track(&[(0.0, 0.0), (4000.0, 0.0)])])
}

fn peaks(at: &'static [(f64, f64)]) -> impl Fn(f64, f64) -> f64 {
    move |x, _| at.iter().map(|&(p, h)| h * (1.0 - (x - p).abs() / 300.0).max(0.0)).fold(0.01, f64::max)
}

#[test]
fn fates_say_why_a_candidate_is_not_chosen() {
    let mut country = long_track();
    country.settings.budget = Some(2);
    country.settings.non_target_keep_out_m = Some(100.0);
    let mut plan = Plan::of(&country, |x, y| {
        if x > 3900.0 { 0.0 } else { peaks(&[(400.0, 0.5), (1500.0, 0.9), (3000.0, 0.8)])(x, y) }
    });
    plan.non_target = vec![ground(2300.0, 60.0)];
    plan.stations = vec![station("G1", 220.0, 4.0)];
    let found = plan.propose(&country).unwrap();
    let near = |x: f64, from: f64| (x - from).abs() < 1000.25;
    for (i, fate) in found.fates.iter().enumerate() {
        let x = plan.candidates[i].foot.at.x_m - WEST_M;
        let site = |at: f64| {
            found.sites.iter().position(|s| near(plan.candidates[s.candidate].foot.at.x_m - WEST_M, at))
        };
        let wanted = if let Some(s) = found.sites.iter().position(|s| s.candidate == i) {
            Fate::Chosen(s)
        } else if (x - 2300.0).hypot(60.0) <= 100.0 {
            Fate::NonTarget
        } else if near(x, 220.0) {
            Fate::NearStation(0)
        } else if let Some(s) = site(x) {
            Fate::WithinSpacing(s)
        } else if x <= 3900.0 {
            Fate::OverBudget
        } else {
            Fate::NoScore
        };
        assert_eq!(*fate, wanted, "{x}");
    }
    assert_eq!(
        plan.sites(&found),
        [1504.0, 3008.0].map(|x: f64| plan
            .sites(&found)
            .into_iter()
            .min_by(|a, b| (a - x).abs().total_cmp(&(b - x).abs()))
            .unwrap())
    );
    // Ranked by gain; the nearest other site or station along the track.
    assert!(found.sites[0].gain > found.sites[1].gain && found.total == found.upper_bound);
    assert_eq!(found.gap(), 0.0);
    let apart = plan.candidates[found.sites[1].candidate].foot.at.x_m
        - plan.candidates[found.sites[0].candidate].foot.at.x_m;
    assert!((found.sites[1].nearest_site_m.unwrap() - apart).abs() < 1e-6);
    let to_station = plan.candidates[found.sites[0].candidate].foot.at.x_m - WEST_M - 220.0;
    assert!((found.sites[0].nearest_site_m.unwrap() - to_station.min(apart)).abs() < 1e-6);
    assert!(found.sites.iter().all(|s| s.stability.is_none() && s.keep_out.is_none() && s.cluster.is_none()));
    let half = Proposal { upper_bound: 2 * found.total, ..found };
    assert_eq!(half.gap(), 0.5);
}

/// Without wind sides alternate along the stroke; a barred one says why and turns the rest.
#[test]
fn sides_alternate_and_say_why_not() {
    let mut country = long_track();
    country.settings.spacing_m = 900.0;
    let plan = Plan::of(&country, |_, _| 0.5);
    let in_order = |found: &Proposal| {
        let mut sites = found.sites.clone();
        sites.sort_by(|a, b| plan.x(a.candidate).total_cmp(&plan.x(b.candidate)));
        sites
    };
    let free = in_order(&plan.propose(&country).unwrap());
    assert_eq!(free.len(), 5);
    assert!(free.windows(2).all(|w| w[0].side != w[1].side) && free[0].side == Side::Left);
    assert!(free.iter().all(|s| s.same_side_because.is_none()));
    // The second may stand only where the first does.
    let house = geo_types::Geometry::Point({
        let at = country
            .frame
            .to_lonlat(ground(
                plan.x(free[1].candidate),
                if free[1].side == Side::Left { 30.0 } else { -30.0 },
            ))
            .unwrap();
        geo_types::Point::new(at.lon_deg(), at.lat_deg())
    });
    let mut plan = plan;
    let c = &mut plan.candidates[free[1].candidate];
    let near = Near { keep_out: 0, distance_m: 25.4, limit_m: 20.0 };
    c.sides[free[1].side as usize].bar = Some(Bar::KeepOut(near));
    country.keep_outs = KeepOuts::of(&[(&house, 20.0)]);
    let barred = plan.propose(&country).unwrap();
    let mut sites = barred.sites.clone();
    sites.sort_by(|a, b| plan.x(a.candidate).total_cmp(&plan.x(b.candidate)));
    assert_eq!(sites[1].side, free[1].side.other());
    let told: Vec<&str> = sites.iter().filter_map(|s| s.same_side_because.as_deref()).collect();
    assert!(sites.windows(2).filter(|w| w[0].side == w[1].side).count() == told.len());
    assert!(told.iter().all(|why| why.contains("further along") || why.contains("25 m from")), "{told:?}");
    // Every site tells its nearest keep-out.
    assert!(sites.iter().all(|s| s.keep_out.is_some()));
    // Wind from one side all along keeps every site there.
    let value = |both: f64| SideValue { day: both, night: both, both };
    plan.side_values = Some(vec![[value(0.1), value(0.9)]; plan.candidates.len()]);
    plan.candidates.iter_mut().for_each(|c| c.sides.iter_mut().for_each(|s| s.bar = None));
    let windy = plan.propose(&country).unwrap();
    assert!(windy.sites.iter().all(|s| s.side == Side::Right));
    let told =
        windy.sites.iter().filter(|s| s.same_side_because.as_deref() == Some("the wind favours this side"));
    assert_eq!(told.count(), windy.sites.len() - 1);
}

/// Sides are those of the line as drawn: a stroke of two lines drawn towards each other alternates all
/// the same.
#[test]
fn sides_alternate_over_lines_drawn_either_way() {
    let mut country =
        Country::new(vec![track(&[(0.0, 0.0), (2000.0, 0.0)]), track(&[(4000.0, 0.0), (2000.0, 0.0)])]);
    country.settings.spacing_m = 900.0;
    let plan = Plan::of(&country, |_, _| 0.5);
    let found = plan.propose(&country).unwrap();
    let mut north: Vec<(f64, bool)> = found
        .sites
        .iter()
        .map(|s| {
            let c = &plan.candidates[s.candidate];
            (c.foot.at.x_m, c.sides[s.side as usize].ground.y_m > c.foot.at.y_m)
        })
        .collect();
    north.sort_by(|a, b| a.0.total_cmp(&b.0));
    assert_eq!(north.len(), 5);
    assert!(north.windows(2).all(|w| w[0].1 != w[1].1), "{north:?}");
}

#[test]
fn stations_are_reviewed_by_what_the_layer_gains() {
    let mut country = long_track();
    let mut plan = Plan::of(&country, peaks(&[(600.0, 0.9), (2000.0, 0.7), (3400.0, 0.6)]));
    // At a peak, off one, and where it must not be; and one beside the second that keeps it from standing.
    plan.stations = vec![station("A", 600.0, 5.0), station("B", 1500.0, 5.0), station("C", 3400.0, -5.0)];
    let at = country.frame.to_lonlat(ground(3400.0, -20.0)).unwrap();
    let house = geo_types::Geometry::Point(geo_types::Point::new(at.lon_deg(), at.lat_deg()));
    country.keep_outs = KeepOuts::of(&[(&house, 20.0)]);
    let found = plan.propose(&country).unwrap();
    let told: Vec<(usize, Verdict, bool)> =
        found.reviews.iter().map(|r| (r.station, r.verdict, r.must_go)).collect();
    assert_eq!(told, [(2, Verdict::Lift, true), (1, Verdict::Move, false), (0, Verdict::Keep, false)]);
    assert!(found.reviews[0].because.starts_with("it stands 15.0 m from"), "{}", found.reviews[0].because);
    let moved = &found.reviews[1];
    // B stands at a place worth nearly nothing and keeps 0.7 from being chosen.
    let to = plan.x(moved.to.unwrap());
    assert!((1000.0..2500.0).contains(&to) && (0.5..0.75).contains(&moved.gain), "{to} {}", moved.gain);
    assert_eq!([Verdict::Keep, Verdict::Move, Verdict::Lift].map(Verdict::word), ["keep", "move", "lift"]);
    country.settings.objective = Objective::Coverage;
    let reviews = plan.propose(&country).unwrap().reviews;
    assert!(reviews.iter().filter(|r| !r.must_go).all(|r| r.verdict == Verdict::Keep && r.gain == 0.0));
}

#[test]
fn fixed_sites_stand_or_say_why_not() {
    let mut country = long_track();
    let must = |country: &mut Country, at: &[(f64, f64)]| {
        country.settings.must = at.iter().map(|&(x, y)| (format!("F{x}"), ground(x, y))).collect();
    };
    must(&mut country, &[(1234.0, 0.0), (2300.0, 8.0)]);
    let plan = Plan::of(&country, peaks(&[(600.0, 0.9), (3400.0, 0.6)]));
    let found = plan.propose(&country).unwrap();
    let sites = plan.sites(&found);
    assert!(sites.contains(&1234.0) && sites.contains(&2300.0) && sites.len() == 4, "{sites:?}");
    let fixed = found.sites.iter().find(|s| plan.x(s.candidate) == 2300.0).unwrap();
    assert_eq!(fixed.side, Side::Left);
    let gains: i64 = found.sites.iter().map(|s| s.gain).sum();
    assert_eq!((gains, found.upper_bound), (found.total, found.total));
    let refused = |country: &Country| match Plan::of(country, |_, _| 0.5).propose(country) {
        Err(SitingError::Impossible(why)) => why,
        other => panic!("{:?}", other.map(|p| p.total)),
    };
    must(&mut country, &[(1000.0, 0.0), (1900.0, 0.0)]);
    assert_eq!(
        refused(&country),
        "the fixed site F1900 is within the spacing of the fixed site F1000 (900 m away)"
    );
    must(&mut country, &[(1000.0, 0.0), (2001.0, 0.0)]);
    country.settings.budget = Some(1);
    assert_eq!(refused(&country), "2 sites are fixed and the budget is 1");
    country.settings.budget = Some(2);
    assert_eq!(Plan::of(&country, |_, _| 0.5).propose(&country).unwrap().sites.len(), 2);
    must(&mut country, &[(1000.0, 101.0)]);
    assert!(
        refused(&country)
            .contains("no track lies within 100 m of the fixed site F1000; no line of any kind does")
    );
    must(&mut country, &[(1000.0, 8.0)]);
    let at = country.frame.to_lonlat(ground(1000.0, 20.0)).unwrap();
    let house = geo_types::Geometry::Point(geo_types::Point::new(at.lon_deg(), at.lat_deg()));
    country.keep_outs = KeepOuts::of(&[(&house, 20.0)]);
    let why = refused(&country);
    assert!(
        why.contains("on the left it is 15.0 m from") && why.contains("10 m more for the error of placement"),
        "{why}"
    );
}

#[test]
fn where_nothing_may_stand_the_reasons_are_counted() {
    let country = long_track();
    let mut plan = Plan::of(&country, |_, _| 0.5);
    let near = Near { keep_out: 0, distance_m: 1.0, limit_m: 2.0 };
    let bars = [
        [Some(Bar::OutsideArea), Some(Bar::OutsideArea)],
        [Some(Bar::OutsideArea), Some(Bar::KeepOut(near))],
        [Some(Bar::Never(near)), Some(Bar::OtherLine(LineKind::Creek))],
        [Some(Bar::OtherLine(LineKind::Creek)), Some(Bar::OutsideArea)],
        [Some(Bar::OtherLine(LineKind::Creek)), Some(Bar::Fixed)],
    ];
    plan.candidates.truncate(7);
    plan.parts[0] = part("activity", 1.0, vec![0.5; 7]);
    for (i, c) in plan.candidates.iter_mut().enumerate() {
        let pair = &bars[i.min(4)];
        (c.sides[0].bar, c.sides[1].bar) = (pair[0].clone(), pair[1].clone());
    }
    let Err(SitingError::NothingStands { candidates, reasons }) = plan.propose(&country) else { panic!() };
    assert_eq!(candidates, 7);
    let wanted = "1 barred by the plan, 2 outside the area, 1 within a keep-out, 3 without a right side: another line lies nearer or between";
    assert_eq!(reasons, wanted);
}

/// Two places, far apart on one stroke, and two parts that differ on them; in conflict or not.
struct TwoPlaces {
    candidates: Vec<Candidate>,
    a: usize,
    b: usize,
    parts: [Part; 2],
}

impl TwoPlaces {
    fn new() -> Self {
        let candidates = long_track().candidates();
        let n = candidates.len();
        let (a, b) = (2, n - 3);
        let value = |at_a: f64, at_b: f64| {
            let mut values = vec![0.0; n];
            (values[a], values[b]) = (at_a, at_b);
            values
        };
        let parts = [part("one", 5.0, value(0.9, 0.3)), part("two", 1.0, value(0.2, 0.5))];
        Self { candidates, a, b, parts }
    }

    fn told(
        &self,
        against: &[(u32, u32)],
        sites: &[usize],
        weightings: u64,
        spacing_m: f64,
    ) -> Vec<Stability> {
        let item = |i: usize| Item { members: vec![i], node: None };
        let layout = Layout {
            items: vec![item(self.a), item(self.b)],
            conflicts: Conflicts::from_pairs(2, against).into(),
            fixed: vec![],
            budget: None,
        };
        let reweighting = Reweighting {
            layout: &layout,
            candidates: &self.candidates,
            parts: &self.parts,
            sites,
            weightings,
            seed: 3,
            spacing_m,
            limits: Limits::default(),
        };
        stability(&reweighting, &|done, of| assert!(done <= of && of == weightings))
    }
}

/// Under most weights the first place, which hangs on its part.
#[test]
fn stability_is_the_share_of_weightings() {
    let places = TwoPlaces::new();
    let (a, b) = (places.a, places.b);
    let told = |sites: &[usize], weightings: u64, spacing_m: f64| {
        places.told(&[(0, 1)], sites, weightings, spacing_m)
    };
    // 0.9 w + 0.2 (1 − w) is the greater from w = 1/3 on.
    let found = &told(&[a], 3000, 1000.0)[0];
    assert!((found.share - 2.0 / 3.0).abs() < 0.03, "{found:?}");
    assert_eq!((found.mean_rank, found.hangs_on.clone()), (1.0, vec!["one".to_string()]));
    let both = told(&[b, a], 3000, 1000.0);
    assert!((both[0].share + both[1].share - 1.0).abs() < 1e-12);
    assert_eq!(both[0].hangs_on, ["two"]);
    // A site within a tenth of the spacing of the one chosen counts as the same.
    let along = |i: usize| places.candidates[i].on_stroke.1 - places.candidates[a].on_stroke.1;
    let beside = (a + 1..b).find(|&i| along(i) > 60.0).unwrap();
    assert_eq!(told(&[beside], 200, along(beside) * 9.9)[0].share, 0.0);
    assert!(told(&[beside], 200, along(beside) * 10.1)[0].share > 0.5);
    assert!(told(&[], 10, 1000.0).is_empty() && told(&[a], 0, 1000.0)[0].share == 0.0);
    // Two that do not conflict are ranked by what they gain.
    let ranks = places.told(&[], &[a, b], 3000, 1000.0);
    assert!(ranks.iter().all(|r| r.share == 1.0 && r.hangs_on.is_empty()));
    let near = |rank: f64, wanted: f64| (rank - wanted).abs() < 0.03;
    assert!(near(ranks[0].mean_rank, 4.0 / 3.0) && near(ranks[1].mean_rank, 5.0 / 3.0), "{ranks:?}");
}

/// Demand in three heaps: the budget takes the heaviest, what a station reaches counts no more, and gains
/// add up.
#[test]
fn coverage_takes_what_nobody_reaches_yet() {
    let mut country = long_track();
    country.settings.objective = Objective::Coverage;
    country.settings.budget = Some(2);
    let mut plan = Plan::of(&country, |_, _| 0.5);
    let heap = |x: f64, y: f64, share: f64| Demand { at: ground(x, y), share, reach_m: 300.0 };
    plan.demand = vec![
        heap(500.0, 290.0, 0.2),
        heap(2000.0, 0.0, 0.5),
        heap(2100.0, 100.0, 0.1),
        heap(3500.0, 0.0, 0.15),
        heap(3500.0, 301.0, 0.05),
    ];
    let found = plan.propose(&country).unwrap();
    assert_eq!((found.total, found.upper_bound), (800_000, 800_000));
    let gains: Vec<i64> = found.sites.iter().map(|s| s.gain).collect();
    assert_eq!(gains, [600_000, 200_000]);
    plan.stations = vec![station("A", 2000.0, 10.0)];
    let found = plan.propose(&country).unwrap();
    assert_eq!(
        (found.total, found.sites.iter().map(|s| s.gain).collect::<Vec<_>>()),
        (350_000, vec![200_000, 150_000])
    );
    plan.stations.clear();
    country.settings.must = vec![("F".into(), ground(3500.0, 0.0))];
    let plan = Plan { demand: plan.demand, ..Plan::of(&country, |_, _| 0.5) };
    let found = plan.propose(&country).unwrap();
    let mut gains: Vec<i64> = found.sites.iter().map(|s| s.gain).collect();
    gains.sort_unstable();
    assert_eq!((found.total, gains), (750_000, vec![150_000, 600_000]));
}
