//! What places are worth: parts, scores, wind, country, reach, targets and settings.

use approx::assert_relative_eq;
use geo_types::{MultiPolygon, polygon};

use super::super::conflict::Apart;
use super::super::target::{aparts, leads};
use super::super::wind::{HORIZON_DEG, Sun, WindRecord, WindSettings};
use super::*;
use crate::frame::LonLat;
use crate::record::{Animal, NumberedArea, SectorTable, Wind, WindHour};
use crate::surface::{DensitySettings, EdgeRule, Grid, Kernel, Surface, WeightedPoint, density, density_at};

#[test]
fn scores_are_weighted_means_in_millionths() {
    let parts = [part("a", 3.0, vec![0.5, 1.0, 0.0]), part("b", 1.0, vec![0.25, 0.0, 0.000_002])];
    assert_eq!(scores(&parts, 3), [437_500, 750_000, 1]);
    assert_eq!(scores_with(&parts, &[0.0, 2.0], 2), [250_000, 0]);
    assert_eq!(scores_with(&parts, &[0.0, 0.0], 2), [0, 0]);
    assert_eq!(against_greatest(&[1.0, 4.0, 8.0], |i| i < 2), [0.25, 1.0, 1.0]);
    assert_eq!(against_greatest(&[0.0, 0.0], |_| true), [0.0, 0.0]);
    assert_eq!(against_greatest(&[-1.0, 2.0], |_| true), [0.0, 1.0]);
}

/// Half a kilometre from a node of 0.8 with a reach of one: 0.4; the better of two nodes.
#[test]
fn convergence_falls_off_along_the_lines() {
    let country = crossing();
    let candidates = country.candidates();
    let of_node: Vec<f64> = country
        .network
        .nodes()
        .iter()
        .map(|node| match node.at {
            at if at.distance_m(ground(0.0, 0.0)) < 1.0 => 0.8,
            at if at.distance_m(ground(600.0, 0.0)) < 1.0 => 0.5,
            _ => 0.0,
        })
        .collect();
    let (part, meetings) =
        convergence_part(&candidates, &country.network, &country.travel, &of_node, 1000.0, 2.5);
    for (i, c) in candidates.iter().enumerate() {
        let (x, y) = (c.foot.at.x_m - WEST_M, c.foot.at.y_m - SOUTH_M);
        let branch = x > 600.0 && y > 0.1;
        let to_branch = if branch { (x - 600.0).hypot(y) } else { (x - 600.0).abs() + y.abs() };
        let to_middle = if branch { 600.0 + to_branch } else { x.abs() + y.abs() };
        let value = |worth: f64, metres: f64| worth * (1.0 - metres / 1000.0).max(0.0);
        let (a, b) = (value(0.8, to_middle), value(0.5, to_branch));
        assert_relative_eq!(part.raw[i], a.max(b), epsilon = 1e-9);
        assert_eq!(part.raw[i], part.value[i]);
        match meetings[i] {
            None => assert!(a.max(b) <= 1e-9),
            Some(meeting) => assert_relative_eq!(
                meeting.distance_m,
                if a > b { to_middle } else { to_branch },
                epsilon = 1e-6
            ),
        }
    }
    assert_eq!((part.weight, part.name.as_str()), (2.5, "convergence"));
}

#[test]
fn activity_kind_and_wind_are_read_at_the_feet() {
    let mut country = crossing();
    country.settings.kind_value[LineKind::Track as usize] = 1.7;
    country.settings.weights.line_kind = 0.3;
    let mut candidates = country.candidates();
    let points: Vec<WeightedPoint> = [(100.0, 50.0, 2.0), (-400.0, 10.0, 1.0)]
        .map(|(x, y, w)| WeightedPoint::new(ground(x, y), w))
        .to_vec();
    let found = activity_part("activity", 5.0, "sign".into(), &candidates, &points, Kernel::Gaussian, 200.0);
    let standing = |i: usize| candidates[i].stands();
    let most = (0..candidates.len()).filter(|&i| standing(i)).map(|i| found.raw[i]).fold(0.0, f64::max);
    for (i, c) in candidates.iter().enumerate() {
        assert_relative_eq!(
            found.raw[i],
            density_at(&points, c.foot.at, Kernel::Gaussian, 200.0),
            max_relative = 1e-9
        );
        assert_relative_eq!(found.value[i], (found.raw[i] / most).min(1.0));
    }
    let kind = line_kind_part(&candidates, &country.settings);
    assert!(kind.raw.iter().all(|r| *r == 1.7) && kind.value.iter().all(|v| *v == 1.0) && kind.weight == 0.3);
    // Steady wind from the north: on a track that runs east only the north side is worth anything.
    let mut often = vec![0.0; 16];
    often[0] = 100.0;
    let table = SectorTable { often, calm: 0.0, hours: None };
    let wind = Wind::Sectors { day: table.clone(), night: table };
    let wind = WindRecord::new(&wind, LonLat::new(147.0, -35.2).unwrap(), WindSettings::default());
    let values = side_values(&candidates, &wind, 5.0, |_| None);
    let east =
        candidates.iter().position(|c| (c.grid_bearing_deg - 90.0).abs() < 1e-3 && c.stands()).unwrap();
    assert!(values[east][0].both > 0.999 && values[east][1].both < 0.001);
    // Where the land drains south, so do the nights.
    let drained = side_values(&candidates, &wind, 5.0, |_| Some(0.0));
    assert!(drained[east][0].night < 0.001 && drained[east][0].day > 0.999);
    let best = wind_part(&candidates, &values, 1.5);
    assert_eq!((best.raw[east], best.weight), (values[east][0].both, 1.5));
    candidates[east].sides[0].bar = Some(Bar::OutsideArea);
    assert_eq!(wind_part(&candidates, &values, 1.5).raw[east], values[east][1].both);
}

/// Hours by night and by day, calm ones apart; a table in other units comes to its hours.
#[test]
fn wind_is_parted_into_day_and_night() {
    let place = LonLat::new(148.0, -35.0).unwrap();
    let hour = |text: &str, from_deg: f64, speed_m_s: f64| WindHour {
        at: text.parse().unwrap(),
        from_deg,
        speed_m_s,
    };
    // Noon, and midnight, at 148 degrees east.
    let hours = vec![
        hour("2026-03-01T02:00:00Z", 360.0, 3.0),
        hour("2026-03-01T03:00:00Z", 0.0, 2.0),
        hour("2026-03-01T02:30:00Z", 90.0, 0.4),
        hour("2026-03-01T14:00:00Z", 180.0, 0.5),
    ];
    let record = WindRecord::new(&Wind::Hours(hours), place, WindSettings::default());
    assert_eq!((record.day.hours, record.night.hours), (2.0, 1.0));
    assert_eq!(record.day.directions, [(0.0, 2.0)]);
    assert_relative_eq!(record.day.calm_share, 1.0 / 3.0);
    assert_eq!((record.day.rose.hours[0], record.day.rose.calm, record.night.rose.hours[8]), (2.0, 1.0, 1.0));
    assert!(!record.decides() && record.settings() == &WindSettings::default());
    let table = SectorTable { often: vec![30.0, 0.0, 10.0, 0.0], calm: 10.0, hours: Some(500.0) };
    let none = SectorTable { often: vec![0.0; 4], calm: 0.0, hours: Some(10.0) };
    let record = WindRecord::new(&Wind::Sectors { day: table, night: none }, place, WindSettings::default());
    assert_relative_eq!(record.day.hours, 400.0, max_relative = 1e-12);
    assert_relative_eq!(record.day.calm_share, 0.2, max_relative = 1e-12);
    assert!(record.decides());
    // Nine steps across each quarter: 5 degrees from its edge, 10 apart.
    let degrees: Vec<f64> = record.day.directions.iter().map(|d| d.0.round()).collect();
    let wanted = [
        0.0, 10.0, 20.0, 30.0, 40.0, 140.0, 150.0, 160.0, 170.0, 180.0, 190.0, 200.0, 210.0, 220.0, 320.0,
        330.0, 340.0, 350.0,
    ];
    assert_eq!(degrees, wanted);
    assert_eq!((record.night.hours, record.night.calm_share), (0.0, 1.0));
    // No wind at all by night: a half either way; nights count two thirds.
    let value = record.side_value(180.0, 5.0, None);
    assert_eq!(value.night, 0.5);
    assert_relative_eq!(value.both, (2.0 * value.night + value.day) / 3.0, max_relative = 1e-12);
    let edge = WindSettings { least_hours: 400.0, ..WindSettings::default() };
    let again = SectorTable { often: vec![400.0], calm: 0.0, hours: None };
    let wind = Wind::Sectors { day: again, night: SectorTable::default() };
    assert!(WindRecord::new(&wind, place, edge).decides());
    assert!(
        !Sun { altitude_deg: HORIZON_DEG, ..Sun::at("2026-03-01T02:00:00Z".parse().unwrap(), place) }.is_up()
    );
}

/// A cone of 30 degrees either side of the wind meets a line 150 m off within 60 of 300 m's reach.
#[test]
fn scent_crosses_by_the_share_of_its_cone() {
    use super::super::wind::Scent;
    let scent = Scent::new(150.0, &WindSettings::default());
    let crosses = |off: f64| scent.crosses(off);
    for (off, share) in [
        (0.0, 1.0),
        (30.0, 1.0),
        (60.0, 0.5),
        (75.0, 0.25),
        (90.0, 0.0),
        (180.0, 0.0),
        (-60.0, 0.5),
        (345.0, 1.0),
        (300.0, 0.5),
        (-285.0, 0.25),
    ] {
        assert_relative_eq!(crosses(off), share, epsilon = 1e-12);
    }
    assert_eq!(Scent::new(300.0, &WindSettings::default()).crosses(0.0), 0.0);
    let wide = WindSettings { half_angle_deg: 90.0, ..WindSettings::default() };
    assert_relative_eq!(Scent::new(150.0, &wide).crosses(0.0), 2.0 / 3.0, max_relative = 1e-12);
    let sharp = WindSettings { half_angle_deg: 0.0, ..WindSettings::default() };
    assert!(
        Scent::new(150.0, &sharp).crosses(59.9) > 0.999 && Scent::new(150.0, &sharp).crosses(60.1) == 0.0
    );
}

/// The formulas far from today, where their higher terms count: by independent code, as above.
#[test]
fn the_sun_keeps_to_the_formulas_in_other_millennia() {
    let place = LonLat::new(0.0, 0.0).unwrap();
    for (utc, declination, equation) in [
        ("0031-05-04T03:02:01Z", 15.670850185332633, 6.303973021548586),
        ("3999-10-11T17:16:15Z", -7.359867616700481, 12.147268626275986),
    ] {
        let sun = Sun::at(utc.parse().unwrap(), place);
        assert!((sun.declination_deg - declination).abs() < 1e-8, "{sun:?}");
        assert!((sun.equation_of_time_min - equation).abs() < 1e-8, "{sun:?}");
    }
}

fn square(country: &Country, (x, y): (f64, f64), half: f64) -> MultiPolygon<f64> {
    let at = |dx: f64, dy: f64| {
        let at = country.frame.to_lonlat(ground(x + dx * half, y + dy * half)).unwrap();
        geo_types::Coord { x: at.lon_deg(), y: at.lat_deg() }
    };
    let [a, b, c, d] = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(dx, dy)| at(dx, dy));
    polygon![a, b, c, d].into()
}

#[test]
fn cover_and_layers_at_the_feet() {
    let country = Country::new(vec![track(&[(0.0, 0.0), (1000.0, 0.0)])]);
    let candidates = country.candidates();
    let x = |i: usize| candidates[i].foot.at.x_m - WEST_M;
    let cover = cover_part(&candidates, &square(&country, (500.0, 0.0), 100.0), 200.0, 1.5, "woods".into());
    let sharp = cover_part(&candidates, &square(&country, (500.0, 0.0), 100.0), 0.0, 1.0, String::new());
    for i in 0..candidates.len() {
        let off = ((x(i) - 500.0).abs() - 100.0).max(0.0);
        // A metre of the frame is 1/0.9996 m here.
        assert!((cover.raw[i] - off / 0.9996).abs() < 0.02, "{} {}", x(i), cover.raw[i]);
        assert!((cover.value[i] - (1.0 - off / 200.0).max(0.0)).abs() < 1e-3);
        assert_eq!(sharp.value[i], f64::from(u8::from(sharp.raw[i] <= 0.0)));
    }
    let none = cover_part(&candidates, &MultiPolygon::new(vec![]), 200.0, 1.0, String::new());
    assert!(none.raw.iter().all(|r| r.is_nan()) && none.value.iter().all(|v| *v == 0.0));
    let areas = [
        NumberedArea { polygons: square(&country, (300.0, 0.0), 120.0), number: 8.0 },
        NumberedArea { polygons: square(&country, (400.0, 0.0), 120.0), number: 2.0 },
    ];
    let numbers = numbers_at(&candidates, &areas);
    for (i, number) in numbers.iter().enumerate() {
        let wanted = if (181.0..419.0).contains(&x(i)) {
            Some(8.0)
        } else if (421.0..519.0).contains(&x(i)) {
            Some(2.0)
        } else {
            None
        };
        assert_eq!(*number, wanted, "{}", x(i));
    }
    let layer = |scale: LayerScale| layer_part("rock", 2.0, "r".into(), &candidates, &numbers, &scale);
    let open = LayerScale { worst: None, best: None, elsewhere: None };
    let found = layer(open.clone());
    for (i, number) in numbers.iter().enumerate() {
        let value = match number {
            Some(8.0) => 1.0,
            _ => 0.0,
        };
        assert_eq!((found.value[i], found.raw[i].is_nan()), (value, number.is_none()));
    }
    let found = layer(LayerScale { worst: Some(10.0), best: Some(4.0), elsewhere: Some(7.0) });
    for (i, number) in numbers.iter().enumerate() {
        let value: f64 = match number {
            Some(8.0) => 1.0 / 3.0,
            Some(_) => 1.0,
            None => 0.5,
        };
        assert_relative_eq!(found.value[i], value, epsilon = 1e-12);
        assert_eq!(found.raw[i], number.unwrap_or(7.0));
    }
    let flat = layer(LayerScale { worst: Some(3.0), best: Some(3.0), ..open });
    assert!(flat.value.iter().all(|v| *v == 0.0));
}

#[test]
fn targets_lead_where_their_activity_gives_most() {
    let target = |word: &str, spacing_m: f64| Target {
        animal: Animal::from_word(word),
        weight: 1.0,
        reach_m: 400.0,
        spacing_m,
    };
    let targets = [target("dog", 800.0), target("feral pig", 500.0), target("fox", 300.0)];
    assert_eq!(
        targets.each_ref().map(Target::part_name),
        ["activity_dog", "activity_feral_pig", "activity_fox"]
    );
    let parts = [
        part("activity_fox", 1.0, vec![0.9, 0.2, 0.5, 0.0]),
        part("activity_dog", 2.0, vec![0.4, 0.3, 0.25, 0.0]),
    ];
    assert_eq!(leads(&targets, &parts, 4), [2, 0, 0, 0]);
    assert!(leads(&[], &parts, 4).is_empty());
    let mut settings = SitingSettings { targets: targets.to_vec(), ..SitingSettings::default() };
    let keeps = |settings: &SitingSettings, leads: &[u32], scale: f64| {
        aparts(settings, leads, 3, scale).iter().map(|a| (a.travel_m, a.straight_m)).collect::<Vec<_>>()
    };
    assert_eq!(keeps(&settings, &[2, 0, 1], 1.0), [(300.25, 150.25), (800.25, 400.25), (500.25, 250.25)]);
    assert_eq!(keeps(&settings, &[2, 0, 1], 1.01)[0], (303.25, 151.75));
    assert_eq!(keeps(&settings, &[], 0.99)[0], (1000.25, 500.25));
    assert_eq!((settings.least_spacing_m(), settings.straight_m()), (300.0, 150.0));
    assert_eq!((required_m(&settings, 2.0), required_m(&settings, 0.5)), (600.25, 300.25));
    settings.min_straight_m = Some(0.0);
    assert_eq!(keeps(&settings, &[2], 1.0)[0], (300.25, 0.0));
    settings.min_straight_m = Some(70.0);
    assert_eq!((keeps(&settings, &[0], 1.0)[0], settings.straight_m()), ((800.25, 70.25), 70.0));
}

#[test]
fn settings_that_make_no_sense_are_named() {
    assert_eq!(SitingSettings::default().check(), Ok(()));
    type Field = fn(&mut SitingSettings) -> &mut f64;
    let positive: [(&str, Field); 3] = [
        ("spacing_m", |s| &mut s.spacing_m),
        ("offset_m", |s| &mut s.offset_m),
        ("reach_m", |s| &mut s.reach_m),
    ];
    let others: [(&str, Field); 4] = [
        ("cover_reach_m", |s| &mut s.cover_reach_m),
        ("placement_error_m", |s| &mut s.placement_error_m),
        ("walk_m", |s| &mut s.walk_m),
        ("cluster_apart_m", |s| &mut s.cluster_apart_m),
    ];
    let checked = |field: Field, value: f64| {
        let mut settings = SitingSettings { min_straight_m: Some(0.0), ..SitingSettings::default() };
        *field(&mut settings) = value;
        settings.check().err().map(|fault| match fault {
            SitingError::Setting { name, .. } => name,
            _ => "another",
        })
    };
    for (name, field) in positive {
        assert_eq!(
            [0.0, -1.0, f64::INFINITY, f64::NAN, 1.0].map(|v| checked(field, v)),
            [Some(name), Some(name), Some(name), Some(name), None]
        );
    }
    for (name, field) in others {
        assert_eq!(
            [0.0, -1.0, f64::INFINITY, f64::NAN].map(|v| checked(field, v)),
            [None, Some(name), Some(name), Some(name)]
        );
    }
    assert_eq!(
        SitingSettings { budget: Some(0), ..SitingSettings::default() }.check(),
        Err(SitingError::NoBudget)
    );
    let straight = SitingSettings { min_straight_m: Some(-1.0), ..SitingSettings::default() };
    assert!(straight.check().is_err());
    assert_eq!(Objective::from_word(" Coverage"), Some(Objective::Coverage));
    assert_eq!(
        [Objective::Score, Objective::Coverage].map(|o| Objective::from_word(o.word())),
        [Some(Objective::Score), Some(Objective::Coverage)]
    );
    assert_eq!(Objective::from_word("sum"), None);
}

/// Blocks of cells at the mean place of what they hold, sharing out the activity.
#[test]
fn activity_becomes_demand() {
    let settings = DensitySettings {
        kernel: Kernel::Gaussian,
        bandwidth_m: 50.0,
        edge: EdgeRule::None,
        adaptive: false,
    };
    let surface = |columns: usize, rows: usize, values: Vec<f32>| {
        let grid = Grid { west_m: 100.0, north_m: 900.0, cell_m: 10.0, columns, rows };
        let any = [WeightedPoint::new(grid.centre(0, 0), 1.0)];
        Surface { values, ..density(&any, &grid, settings, None).unwrap() }
    };
    let found = demand_of(&surface(3, 2, vec![1.0, 0.0, f32::NAN, 3.0, 0.0, 4.0]), 0.5, 70.0);
    let told: Vec<_> = found.iter().map(|d| (d.at.x_m, d.at.y_m, d.share, d.reach_m)).collect();
    assert_eq!(
        told,
        [(105.0, 895.0, 0.0625, 70.0), (105.0, 885.0, 0.1875, 70.0), (125.0, 885.0, 0.25, 70.0)]
    );
    // 90,000 cells come to blocks of five by five.
    let values: Vec<f32> = (0..303 * 300).map(|i| if i % 303 == 302 { 2.0 } else { 1.0 }).collect();
    let found = demand_of(&surface(303, 300, values), 1.0, 70.0);
    assert_eq!(found.len(), 61 * 60);
    assert_relative_eq!(found.iter().map(|d| d.share).sum::<f64>(), 1.0, max_relative = 1e-12);
    assert_relative_eq!(found[0].share, 25.0 / (304.0 * 300.0), max_relative = 1e-12);
    assert_eq!((found[0].at.x_m, found[0].at.y_m), (125.0, 875.0));
    // The last block has three columns, of which the last counts twice.
    assert_relative_eq!(found[60].at.x_m, 3100.0 + (5.0 + 15.0 + 50.0) / 4.0, max_relative = 1e-12);
    assert_relative_eq!(found[60].share, 20.0 / (304.0 * 300.0), max_relative = 1e-12);
}

/// Each item after the first of a cluster adds half of what one more would have added before it.
#[test]
fn gains_of_a_cluster_halve() {
    use super::super::cluster::Item;
    let item = Item { members: vec![2, 0, 1], node: Some(4) };
    assert_eq!(item.gains(&[300, 101, 500]), [500, 150, 25]);
}

#[test]
fn the_wider_rule_decides() {
    let (a, b) = (Apart { travel_m: 10.0, straight_m: 9.0 }, Apart { travel_m: 12.0, straight_m: 3.0 });
    assert_eq!(a.wider(b), Apart { travel_m: 12.0, straight_m: 9.0 });
    assert_eq!(a.wider(b), b.wider(a));
}
