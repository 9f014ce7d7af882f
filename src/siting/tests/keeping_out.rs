//! Keep-outs of every shape, and who is too near whom, against measuring everything.

use geo::Contains;
use geo_types::{
    Coord, Geometry, GeometryCollection, Line as Segment, LineString, MultiLineString, MultiPoint,
    MultiPolygon, Point, Polygon, Rect, Triangle, polygon,
};

use super::*;
use crate::frame::{LonLat, distance_m};

/// A piece of every kind of geometry around a place, with its segments and the polygons it holds.
fn every_shape(lon: f64, lat: f64) -> Vec<Geometry<f64>> {
    let at = |x: f64, y: f64| Coord { x: lon + x * 0.01, y: lat + y * 0.01 };
    let path = LineString::from(vec![at(0.0, 0.0), at(1.0, 0.5), at(1.5, -1.0)]);
    let holed = Polygon::new(
        LineString::from(vec![at(2.0, 2.0), at(5.0, 2.0), at(5.0, 5.0), at(2.0, 5.0), at(2.0, 2.0)]),
        vec![LineString::from(vec![at(3.0, 3.0), at(4.0, 3.0), at(4.0, 4.0), at(3.0, 4.0), at(3.0, 3.0)])],
    );
    let small = polygon![at(-5.0, -5.0), at(-4.0, -5.0), at(-4.5, -4.0)];
    vec![
        Geometry::Point(at(-3.0, 3.0).into()),
        Geometry::MultiPoint(MultiPoint::from(vec![Point::from(at(-1.0, 6.0)), Point::from(at(6.0, -1.0))])),
        Geometry::Line(Segment::new(at(-6.0, 0.0), at(-5.0, 2.0))),
        Geometry::LineString(path.clone()),
        Geometry::MultiLineString(MultiLineString::new(vec![
            path,
            LineString::from(vec![at(8.0, 8.0), at(9.0, 7.0)]),
        ])),
        Geometry::Polygon(holed.clone()),
        Geometry::MultiPolygon(MultiPolygon::new(vec![holed, small.clone()])),
        Geometry::GeometryCollection(GeometryCollection::from(vec![
            Geometry::Point(at(7.0, -7.0).into()),
            Geometry::Polygon(small),
        ])),
        Geometry::Rect(Rect::new(at(-8.0, 5.0), at(-7.0, 8.0))),
        Geometry::Triangle(Triangle::new(at(0.0, -8.0), at(2.0, -8.0), at(1.0, -6.0))),
    ]
}

/// Distance by every segment, and nothing inside; geometries as polygons and segments by hand.
fn measured(place: LonLat, geometry: &Geometry<f64>) -> f64 {
    let here = Point::new(place.lon_deg(), place.lat_deg());
    let ring = |line: &LineString<f64>| {
        line.lines().map(|l| distance_to_edge_m(place, l.start, l.end)).fold(f64::INFINITY, f64::min)
    };
    let polygon = |p: &Polygon<f64>| {
        let edges =
            std::iter::once(p.exterior()).chain(p.interiors()).map(ring).fold(f64::INFINITY, f64::min);
        if p.contains(&here) { 0.0 } else { edges }
    };
    let point = |p: &Point<f64>| distance_m(place, LonLat::new(p.x(), p.y()).unwrap());
    match geometry {
        Geometry::Point(p) => point(p),
        Geometry::MultiPoint(all) => all.iter().map(point).fold(f64::INFINITY, f64::min),
        Geometry::Line(l) => distance_to_edge_m(place, l.start, l.end),
        Geometry::LineString(line) => ring(line),
        Geometry::MultiLineString(lines) => lines.iter().map(ring).fold(f64::INFINITY, f64::min),
        Geometry::Polygon(p) => polygon(p),
        Geometry::MultiPolygon(all) => all.iter().map(polygon).fold(f64::INFINITY, f64::min),
        Geometry::GeometryCollection(all) => {
            all.iter().map(|g| measured(place, g)).fold(f64::INFINITY, f64::min)
        }
        Geometry::Rect(rect) => polygon(&rect.to_polygon()),
        Geometry::Triangle(triangle) => polygon(&triangle.to_polygon()),
    }
}

/// Far north, over thirteen degrees of latitude, and near home: all that is within, what is nearest, what
/// holds a place, and what is violated most.
#[test]
fn every_shape_is_found_as_by_measuring_it() {
    let mut rng = ChaCha8Rng::seed_from_u64(41);
    for corners in [
        vec![(15.0, 55.0), (15.1, 68.0), (14.8, 61.0)],
        vec![(148.0, -35.0), (148.05, -35.02)],
        vec![(20.0, 0.5), (20.1, -0.4)],
    ] {
        let shapes: Vec<Geometry<f64>> =
            corners.iter().flat_map(|&(lon, lat)| every_shape(lon, lat)).collect();
        let limits: Vec<f64> = shapes.iter().map(|_| rng.random_range(10.0..2000.0)).collect();
        let index = KeepOuts::of(&shapes.iter().zip(&limits).map(|(g, m)| (g, *m)).collect::<Vec<_>>());
        for round in 0..150 {
            let (lon, lat) = corners[round % corners.len()];
            let wide = if round % 10 == 0 { 0.5 } else { 0.1 };
            let (x, y) = (lon + rng.random_range(-wide..wide), lat + rng.random_range(-wide..wide));
            let place = LonLat::new(x, y).unwrap();
            let distance: Vec<f64> = shapes.iter().map(|g| measured(place, g)).collect();
            let reach = rng.random_range(500.0..6000.0);
            let within: Vec<usize> = (0..shapes.len()).filter(|&i| distance[i] <= reach).collect();
            let found = index.within(place, reach);
            assert_eq!(found.iter().map(|near| near.keep_out).collect::<Vec<_>>(), within);
            for near in &found {
                assert!((near.distance_m - distance[near.keep_out]).abs() < 1e-6);
                assert_eq!(near.limit_m, limits[near.keep_out]);
            }
            let nearest = index.nearest(place).unwrap();
            assert!(
                (nearest.distance_m - distance.iter().copied().fold(f64::INFINITY, f64::min)).abs() < 1e-6
            );
            let mut holding: Vec<u32> = index.holding(place).collect();
            holding.sort_unstable();
            holding.dedup();
            let inside: Vec<u32> =
                (0..shapes.len() as u32).filter(|&i| distance[i as usize] == 0.0).collect();
            assert_eq!(holding, inside);
            let error = [0.0, 7.0][round % 2];
            let lack = |&i: &usize| limits[i] - distance[i];
            let near = |&i: &usize| distance[i] < limits[i] + error || distance[i] == 0.0;
            let most = (0..shapes.len()).filter(near).max_by(|a, b| lack(a).total_cmp(&lack(b)));
            assert_eq!(
                index.violated(place, error).map(|near| limits[near.keep_out] - near.distance_m > 0.0),
                most.map(|i| lack(&i) > 0.0)
            );
            let told = index.violated(place, error).map(|near| near.limit_m - near.distance_m);
            assert!(told.is_none_or(|told| (told - lack(&most.unwrap())).abs() < 1e-6));
        }
    }
    let none = KeepOuts::of(&[]);
    let place = LonLat::new(10.0, 50.0).unwrap();
    assert!(none.nearest(place).is_none() && none.within(place, 1e6).is_empty());
    assert_eq!(none.name(3), "without a name");
}

/// Both sides of the date line are near each other.
#[test]
fn shapes_across_the_date_line_are_near() {
    let square: Geometry<f64> =
        polygon![(x: 179.99, y: -17.0), (x: 180.01, y: -17.0), (x: 180.01, y: -16.98), (x: 179.99, y: -16.98)].into();
    let post: Geometry<f64> = Geometry::Point(Point::new(-179.95, -17.0));
    let index = KeepOuts::of(&[(&square, 5.0), (&post, 5.0)]);
    let at = |lon: f64, lat: f64| LonLat::new(lon, lat).unwrap();
    assert_eq!(index.nearest(at(-179.995, -16.99)).unwrap().distance_m, 0.0);
    assert_eq!(index.nearest(at(179.995, -16.99)).unwrap().distance_m, 0.0);
    let to_post = distance_m(at(179.98, -17.05), at(-179.95, -17.0));
    assert_eq!(index.within(at(179.98, -17.05), to_post + 0.01).len(), 2);
    assert_eq!(index.within(at(179.98, -17.05), to_post - 0.01).len(), 1);
}

/// Where a site may stand off its foot: on one side, or either, or those of a cluster.
fn places_about(rng: &mut ChaCha8Rng, foot: &crate::network::Foot) -> Vec<GroundPoint> {
    let count = if foot.edge.is_multiple_of(2) { 1 } else { 3 };
    let mut off = || rng.random_range(-90.0..90.0);
    (0..count).map(|_| GroundPoint::new(foot.at.x_m + off(), foot.at.y_m + off())).collect()
}

/// Random tracks, feet anywhere on them, each foot with its own distances: pair by pair from all travel
/// distances.
#[test]
fn conflicts_are_those_of_every_pair() {
    let mut rng = ChaCha8Rng::seed_from_u64(42);
    let (mut by_way, mut by_line) = (0, 0);
    for case in 0..12 {
        let mut at = || (rng.random_range(0.0..3000.0), rng.random_range(0.0..3000.0));
        let lines: Vec<Traced<Line>> = (0..5).map(|_| track(&[at(), at(), at()])).collect();
        let network = network(&lines);
        let travel = TravelGraph::new(&network, KindSet::of(LineKind::Track));
        let feet: Vec<_> = (0..40)
            .map(|_| {
                let edge = rng.random_range(0..network.edges().len() as u32);
                network.foot_at(edge, rng.random_range(0.0..1.0) * network.edges()[edge as usize].length_m)
            })
            .collect();
        let straight = [0.0, 1.0][usize::from(case % 4 != 0)];
        let apart: Vec<Apart> = (0..40)
            .map(|_| Apart {
                travel_m: rng.random_range(200.0..500.0),
                straight_m: straight * rng.random_range(50.0..400.0),
            })
            .collect();
        let sites: Vec<Vec<GroundPoint>> = feet.iter().map(|foot| places_about(&mut rng, foot)).collect();
        let all = travel.distances(&feet, &feet, f64::INFINITY);
        let mut wanted = Vec::new();
        for a in 0..40_u32 {
            for b in a + 1..40 {
                let (i, j) = (a as usize, b as usize);
                let keep = apart[i].travel_m.max(apart[j].travel_m);
                let way = all.get(i, j).unwrap_or(f64::INFINITY);
                let mut line = f64::INFINITY;
                for p in &sites[i] {
                    line = sites[j].iter().map(|q| p.distance_m(*q)).fold(line, f64::min);
                }
                assert_eq!(straight_m(&sites[i], &sites[j]), line);
                let too_near = line < apart[i].straight_m.max(apart[j].straight_m);
                let near = way < keep || too_near;
                let rule = apart[i].wider(apart[j]);
                assert_eq!(rule.forbids(all.get(i, j), line), near);
                by_way += usize::from(way < keep && !too_near);
                by_line += usize::from(way >= keep && too_near);
                if near {
                    wanted.push((a, b));
                }
            }
        }
        let found = conflicts(&travel, &feet, &sites, &apart);
        let told: Vec<(u32, u32)> =
            (0..40).flat_map(|a| found.of(a).filter(move |&b| b > a).map(move |b| (a, b))).collect();
        assert_eq!(told, wanted, "case {case}");
        // Without places there is no straight line.
        let bare = conflicts(&travel, &feet, &[], &apart);
        assert!((0..40).all(|a| bare.of(a).all(|b| all.get(a as usize, b as usize).is_some())));
    }
    assert!(by_way > 100 && by_line > 100, "{by_way} {by_line}");
    let rule = Apart { travel_m: 100.0, straight_m: 30.0 };
    assert!(rule.forbids(Some(99.9), 99.9) && !rule.forbids(Some(100.0), 30.0) && !rule.forbids(None, 30.0));
    assert!(rule.forbids(Some(100.0), 29.9) && rule.forbids(Some(200.1), 29.9) && rule.forbids(None, 29.9));
    assert!(!Apart { straight_m: 0.0, ..rule }.forbids(Some(100.0), 0.0));
}
