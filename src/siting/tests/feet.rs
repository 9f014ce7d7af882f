//! Candidates and strokes on tracks of known shape.

use geo_types::{MultiPolygon, Point, polygon};

use super::*;
use crate::network::Side;

/// Every twentieth of the spacing from the line's start, at its ends, two offsets beside junctions; sides
/// at right angles to the line.
#[test]
fn candidates_stand_along_a_track() {
    let mut country = Country::new(vec![track(&[(0.0, 0.0), (1010.0, 0.0)])]);
    country.settings.spacing_m = 999.75;
    let found = country.candidates();
    let along: Vec<f64> = found.iter().map(|c| (c.foot.at.x_m - WEST_M).round()).collect();
    let mut wanted: Vec<f64> = (0..=20).map(|k| f64::from(k) * 50.0).collect();
    wanted.push(1010.0);
    assert_eq!(along, wanted);
    for c in &found {
        assert!((c.chainage_m - (c.foot.at.x_m - WEST_M)).abs() < 1e-6);
        assert!((c.grid_bearing_deg - 90.0).abs() < 1e-6 && (c.bearing_deg - 90.0).abs() < 0.01);
        assert!((c.on_stroke.1 - c.chainage_m).abs() < 1e-6 && c.on_stroke.0 == 0);
        for (side, north) in c.sides.iter().zip([5.0, -5.0]) {
            assert!((side.ground.x_m - c.foot.at.x_m).abs() < 0.02);
            assert!((side.ground.y_m - SOUTH_M - north).abs() < 0.02, "{side:?}");
            assert!(side.bar.is_none());
        }
        assert_eq!(
            (c.sides[0].side, c.sides[1].side, c.line, c.kind),
            (Side::Left, Side::Right, 0, LineKind::Track)
        );
    }
    let nodes = found.iter().filter(|c| c.node.is_some()).count();
    assert_eq!(nodes, 2);
}

#[test]
fn candidates_stand_beside_junctions_on_every_way() {
    let country = crossing();
    let found = country.candidates();
    for (x, y) in [(0.0, 0.0), (600.0, 0.0)] {
        let near = |c: &&Candidate| (c.foot.at.distance_m(ground(x, y)) - 10.0).abs() < 1e-3;
        let at: Vec<&Candidate> = found.iter().filter(near).collect();
        assert_eq!(at.len(), if x == 0.0 { 4 } else { 3 }, "{x}");
        assert!(at.iter().all(|c| c.node.is_some() && c.stands()));
    }
    // Between them at twentieths of the spacing from the line's own start, wherever the line is cut.
    let step_m = 1000.25 / 20.0;
    let plain: Vec<&Candidate> = found.iter().filter(|c| c.node.is_none() && c.line == 0).collect();
    assert!(plain.len() > 35, "{}", plain.len());
    for c in plain {
        let steps = c.chainage_m / step_m;
        assert!((steps - steps.round()).abs() < 1e-6, "{}", c.chainage_m);
        assert!(c.foot.at.distance_m(ground(c.chainage_m - 1000.0, 0.0)) < 1e-6);
    }
    // At the junction itself both sides lie on another way or beside it.
    let middle = found.iter().find(|c| c.foot.at.distance_m(ground(0.0, 0.0)) < 0.1).unwrap();
    assert!(!middle.stands() && middle.sides[0].bar == Some(Bar::OtherLine(LineKind::Track)));
    assert!(found.is_sorted_by(|a, b| (a.on_stroke.0, a.on_stroke.1) <= (b.on_stroke.0, b.on_stroke.1)));
}

/// A creek beside a track bars that side unless it may lie between; a bearing south has its left east.
#[test]
fn another_line_nearer_than_the_foot_bars_a_side() {
    let lines =
        || vec![track(&[(0.0, 1000.0), (0.0, 0.0)]), line(LineKind::Creek, &[(3.0, -50.0), (3.0, 1050.0)])];
    let mut country = Country::new(lines());
    let found = country.candidates();
    assert!(found.len() > 20 && found.iter().all(|c| c.kind == LineKind::Track));
    for c in &found {
        assert!((c.grid_bearing_deg - 180.0).abs() < 1e-6, "{c:?}");
        assert!(c.sides[0].ground.x_m > WEST_M && c.sides[1].ground.x_m < WEST_M);
        assert_eq!(c.sides[0].bar, Some(Bar::OtherLine(LineKind::Creek)));
        assert_eq!(c.sides[1].bar, None);
    }
    country.settings.across = KindSet::of(LineKind::Creek);
    // Its ends are joined to the creek by a piece of track.
    let inner = |c: &Candidate| (20.0..980.0).contains(&(c.foot.at.y_m - SOUTH_M));
    for c in country.candidates().iter().filter(|c| inner(c)) {
        assert!(c.sides.iter().all(|side| side.bar.is_none()), "{c:?}");
    }
    let far =
        vec![track(&[(0.0, 1000.0), (0.0, 0.0)]), line(LineKind::Creek, &[(10.1, -50.0), (10.1, 1050.0)])];
    assert!(Country::new(far).candidates().iter().all(|c| c.sides[0].bar.is_none()));
}

/// Area, keep-outs with the error of placement, what the plan bars without it: in this order.
#[test]
fn sides_are_barred_for_their_reasons() {
    let country = Country::new(vec![track(&[(0.0, 0.0), (1000.0, 0.0)])]);
    let lonlat = |x: f64, y: f64| {
        let at = country.frame.to_lonlat(ground(x, y)).unwrap();
        Point::new(at.lon_deg(), at.lat_deg())
    };
    let (house, camp) = (lonlat(400.0, 60.0).into(), lonlat(700.0, 60.0).into());
    let keep_outs = KeepOuts::of(&[(&house, 50.0)]);
    let never = KeepOuts::of(&[(&camp, 58.0)]);
    let [a, b, c, d] =
        [(-50.0, -100.0), (910.0, -100.0), (910.0, 100.0), (-50.0, 100.0)].map(|(x, y)| lonlat(x, y).0);
    let area: MultiPolygon<f64> = polygon![a, b, c, d].into();
    let ground = Ground { area: Some(&area), keep_outs: &keep_outs, never: &never, ..country.ground() };
    let found = lay_candidates(&ground, &country.settings, &country.strokes, 1000.0).unwrap();
    let side = |c: &Candidate, y: f64, from: f64| {
        ((c.foot.at.x_m - WEST_M - from).powi(2) + (60.0 - y).powi(2)).sqrt()
    };
    for c in &found {
        for (place, y) in c.sides.iter().zip([5.0, -5.0]) {
            let wanted = if c.foot.at.x_m - WEST_M > 910.0 {
                "area"
            } else if side(c, y, 400.0) < 60.0 {
                "keep-out"
            } else if side(c, y, 700.0) < 58.0 {
                "plan"
            } else {
                ""
            };
            let told = match &place.bar {
                Some(Bar::OutsideArea) => "area",
                Some(Bar::KeepOut(near)) if near.limit_m == 50.0 => "keep-out",
                Some(Bar::Never(near)) if near.limit_m == 58.0 => "plan",
                None => "",
                _ => "another",
            };
            assert_eq!(told, wanted, "{}", c.foot.at.x_m - WEST_M);
        }
    }
    let bars = |word: fn(&Bar) -> bool| {
        found.iter().flat_map(|c| &c.sides).filter(|s| s.bar.as_ref().is_some_and(word)).count()
    };
    assert!(bars(|b| matches!(b, Bar::KeepOut(_))) > 0 && bars(|b| matches!(b, Bar::Never(_))) > 0);
}

#[test]
fn fixed_places_have_a_foot_and_a_side() {
    let mut country = Country::new(vec![track(&[(1000.0, 0.0), (0.0, 0.0)])]);
    let must = [(321.0, 8.0), (517.0, -0.4), (733.0, -30.0), (200.0, 101.0)];
    country.settings.must = must.iter().map(|&(x, y)| (format!("{x}"), ground(x, y))).collect();
    let found = country.candidates();
    let of = |k: u32| found.iter().find(|c| c.fixed == Some(k));
    for (k, &(x, _)) in must[..3].iter().enumerate() {
        assert!((of(k as u32).unwrap().foot.at.x_m - WEST_M - x).abs() < 1e-6);
    }
    // The line runs west: north of it is its right.
    let bars = |k: u32| of(k).unwrap().sides.clone().map(|side| side.bar);
    assert_eq!(bars(0), [Some(Bar::Fixed), None]);
    assert_eq!(bars(1), [None, None]);
    assert_eq!(bars(2), [None, Some(Bar::Fixed)]);
    assert!(of(3).is_none());
}

/// A ridge carries no travel: candidates only within a walk of a track.
#[test]
fn candidates_off_the_tracks_stay_within_a_walk() {
    let ridge = line(LineKind::Ridge, &[(0.0, 50.0), (1000.0, 350.0)]);
    let mut country = Country::new(vec![track(&[(0.0, 0.0), (1000.0, 0.0)]), ridge]);
    country.settings.along = KindSet::of(LineKind::Ridge);
    country.settings.walk_m = 200.0;
    let found = country.candidates();
    let off = |c: &Candidate| c.foot.at.y_m - SOUTH_M;
    assert!(found.len() > 8 && found.iter().all(|c| c.kind == LineKind::Ridge && off(c) <= 200.0));
    assert!(found.iter().any(|c| off(c) > 185.0));
}

#[test]
fn what_cannot_be_laid_is_refused() {
    let mut country = Country::new(vec![track(&[(0.0, 0.0), (10_000.0, 0.0)])]);
    country.settings.spacing_m = 0.01;
    let refused = lay_candidates(&country.ground(), &country.settings, &country.strokes, 0.199);
    let Err(SitingError::TooMany { candidates, limit, fits_m, length_km, .. }) = refused else {
        panic!("{refused:?}")
    };
    assert_eq!((candidates, limit, fits_m), (1_005_025, 1_000_000, 2.0));
    assert!((length_km - 10.0).abs() < 1e-9);
    let fits = lay_candidates(&country.ground(), &SitingSettings::default(), &country.strokes, 500.0);
    assert_eq!(fits.unwrap().len(), 401);
    country.settings.along = KindSet::of(LineKind::Fence);
    let refused = lay_candidates(&country.ground(), &country.settings, &country.strokes, 1000.0);
    assert_eq!(refused, Err(SitingError::NoLine { kinds: "fence".into() }));
}

/// The straightest pair at a crossing goes on, a bend of more than sixty degrees ends a stroke, and a
/// bend within one line does not.
#[test]
fn strokes_go_straight_on() {
    let country = crossing();
    let stroke = |x: f64, y: f64| {
        let foot = country.network.nearest_foot(ground(x, y), 1.0, |_| true).unwrap();
        (country.strokes.of(foot.edge).unwrap(), country.strokes.place(&foot).unwrap())
    };
    let (west, east, north, south) =
        (stroke(-500.0, 0.0), stroke(800.0, 0.0), stroke(0.0, 500.0), stroke(0.0, -500.0));
    assert_eq!(west.1.0, east.1.0);
    assert_eq!(north.1.0, south.1.0);
    let branch = stroke(750.0, 250.0);
    assert!(branch.1.0 != west.1.0 && branch.1.0 != north.1.0 && west.1.0 != north.1.0);
    // Metres along a stroke are those along the ground.
    assert!(
        (east.1.1 - west.1.1).abs() - 1300.0 < 1e-6 && ((east.1.1 - west.1.1).abs() - 1300.0).abs() < 1e-6
    );
    assert!(((north.1.1 - south.1.1).abs() - 1000.0).abs() < 1e-6);
    let whole = |ways: &[&[(f64, f64)]]| {
        let country = Country::new(ways.iter().map(|way| track(way)).collect());
        let strokes: std::collections::BTreeSet<u32> = (0..country.network.edges().len() as u32)
            .map(|e| country.strokes.of(e).unwrap().stroke)
            .collect();
        strokes.len()
    };
    let bent = |deg: f64| [(0.0, 0.0), (500.0 * deg.to_radians().cos(), 500.0 * deg.to_radians().sin())];
    // Ways from the west that meet one going on at an angle.
    for (deg, count) in [(0.0, 1), (59.0, 1), (61.0, 2), (-59.0, 1), (-61.0, 2), (120.0, 2)] {
        assert_eq!(whole(&[&[(-500.0, 0.0), (0.0, 0.0)], &bent(deg)]), count, "{deg}");
    }
    // One line that turns back sharply at a junction stays one; the way that joins there is another.
    assert_eq!(whole(&[&[(-500.0, 0.0), (0.0, 0.0), (-400.0, 300.0)], &bent(-85.0)]), 2);
    // A ring, and a ring with a way to it.
    let ring = [(0.0, 0.0), (300.0, 0.0), (300.0, 300.0), (0.0, 300.0), (0.0, 0.0)];
    assert_eq!(whole(&[&ring]), 1);
    // Of two ways on, the straighter: ten degrees against thirty.
    let country =
        Country::new(vec![track(&[(-500.0, 0.0), (0.0, 0.0)]), track(&bent(30.0)), track(&bent(-10.0))]);
    let of = |at: (f64, f64)| {
        country
            .strokes
            .of(country.network.nearest_foot(ground(at.0, at.1), 1.0, |_| true).unwrap().edge)
            .unwrap()
            .stroke
    };
    assert_eq!(of((-250.0, 0.0)), of((bent(-10.0)[1].0 / 2.0, bent(-10.0)[1].1 / 2.0)));
    assert_ne!(of((-250.0, 0.0)), of((bent(30.0)[1].0 / 2.0, bent(30.0)[1].1 / 2.0)));
}
