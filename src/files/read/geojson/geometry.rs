//! Geometry objects of GeoJSON, read without trusting their structure.

use std::fmt;

use geo_types::{
    Coord, Geometry, GeometryCollection, LineString, MultiLineString, MultiPoint, MultiPolygon, Point,
    Polygon,
};
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;

use super::member::{next_kind, next_name};
use super::system::own_system;
use super::{otherwise, seed_any};
use crate::files::RawShape;

/// The geometry types that RFC 7946 knows.
pub(super) const GEOMETRY_TYPES: [&str; 7] =
    ["Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection"];

/// Reads a geometry object or null.
pub(super) struct OneGeometry;

seed_any!(OneGeometry, RawShape);

impl<'de> Visitor<'de> for OneGeometry {
    type Value = RawShape;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a GeoJSON geometry")
    }

    fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<RawShape, M::Error> {
        let mut kind = None;
        let mut parts = GeometryParts::default();
        while let Some(key) = next_name(&mut map)? {
            match &*key {
                "type" if kind.is_some() => {
                    parts.fault = Some(twice("type"));
                    map.next_value::<IgnoredAny>()?;
                }
                "type" => kind = Some(next_kind(&mut map)?),
                _ => parts.take(&key, &mut map)?,
            }
        }
        Ok(match kind {
            Some(kind) => parts.build(&kind),
            None => RawShape::Broken("has a geometry without \"type\"".into()),
        })
    }

    fn visit_unit<E>(self) -> Result<RawShape, E> {
        Ok(RawShape::Null)
    }
    otherwise!(RawShape, |what| RawShape::Broken(format!("has {what} as its geometry")));
}

/// The members of a geometry object, in whatever order they came.
#[derive(Default)]
pub(super) struct GeometryParts {
    coordinates: Option<Nested>,
    geometries: Option<Vec<RawShape>>,
    fault: Option<String>,
}

/// Of a member that stands twice nobody knows which is meant.
pub(super) fn twice(member: &str) -> String {
    format!("has the member \"{member}\" twice; take one of them out")
}

impl GeometryParts {
    pub(super) fn take<'de, M: MapAccess<'de>>(&mut self, key: &str, map: &mut M) -> Result<(), M::Error> {
        match key {
            "coordinates" if self.coordinates.is_some() => self.fault = Some(twice(key)),
            "geometries" if self.geometries.is_some() => self.fault = Some(twice(key)),
            "crs" => self.fault = own_system(&map.next_value::<Value>()?).or(self.fault.take()),
            _ => return self.take_known(key, map),
        }
        if self.fault.is_some() && key != "crs" {
            map.next_value::<IgnoredAny>()?;
        }
        Ok(())
    }

    fn take_known<'de, M: MapAccess<'de>>(&mut self, key: &str, map: &mut M) -> Result<(), M::Error> {
        match key {
            "coordinates" => self.coordinates = Some(map.next_value_seed(NestedSeed)?),
            "geometries" => self.geometries = map.next_value_seed(GeometryList)?,
            _ => {
                map.next_value::<IgnoredAny>()?;
            }
        }
        Ok(())
    }

    pub(super) fn build(self, kind: &str) -> RawShape {
        if let Some(fault) = self.fault {
            return RawShape::Broken(fault);
        }
        let built = match kind {
            "GeometryCollection" => match self.geometries {
                Some(parts) => collection(parts),
                None => Err("has no list \"geometries\"".into()),
            },
            _ if GEOMETRY_TYPES.contains(&kind) => match self.coordinates {
                Some(nested) => from_coordinates(kind, nested),
                None => Err("has no \"coordinates\"".into()),
            },
            _ => Err("is no geometry type that GeoJSON knows".into()),
        };
        built.map_or_else(|why| RawShape::Broken(format!("{kind} {why}")), RawShape::Shape)
    }
}

fn collection(parts: Vec<RawShape>) -> Result<Geometry<f64>, String> {
    let mut shapes = Vec::with_capacity(parts.len());
    for part in parts {
        match part {
            RawShape::Shape(shape) => shapes.push(shape),
            RawShape::Null => return Err("holds a part that is null".into()),
            RawShape::Broken(why) => return Err(format!("holds a part that {why}")),
        }
    }
    Ok(Geometry::GeometryCollection(GeometryCollection::from(shapes)))
}

/// Reads the list `geometries`; `None` if it is no list.
struct GeometryList;

seed_any!(GeometryList, Option<Vec<RawShape>>);

impl<'de> Visitor<'de> for GeometryList {
    type Value = Option<Vec<RawShape>>;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of geometries")
    }
    fn visit_seq<S: SeqAccess<'de>>(self, mut seq: S) -> Result<Self::Value, S::Error> {
        let mut list = Vec::new();
        while let Some(shape) = seq.next_element_seed(OneGeometry)? {
            list.push(shape);
        }
        Ok(Some(list))
    }
    otherwise!(map Option<Vec<RawShape>>, |_| None);
}

/// Nested coordinate lists of any depth.
enum Nested {
    Number(f64),
    Position(Coord<f64>),
    List(Vec<Nested>),
    Wrong(String),
}

struct NestedSeed;

seed_any!(NestedSeed, Nested);

impl<'de> Visitor<'de> for NestedSeed {
    type Value = Nested;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("coordinates")
    }

    fn visit_seq<S: SeqAccess<'de>>(self, mut seq: S) -> Result<Nested, S::Error> {
        match seq.next_element_seed(NestedSeed)? {
            None => Ok(Nested::List(Vec::new())),
            Some(Nested::Number(x)) => position(x, seq),
            Some(first) => {
                let mut list = vec![first];
                while let Some(next) = seq.next_element_seed(NestedSeed)? {
                    list.push(next);
                }
                Ok(Nested::List(list))
            }
        }
    }
    fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<Nested, M::Error> {
        while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
        Ok(not_a_number("an object"))
    }
    fn visit_f64<E>(self, x: f64) -> Result<Nested, E> {
        Ok(Nested::Number(x))
    }
    fn visit_u64<E>(self, x: u64) -> Result<Nested, E> {
        Ok(Nested::Number(x as f64))
    }
    fn visit_i64<E>(self, x: i64) -> Result<Nested, E> {
        Ok(Nested::Number(x as f64))
    }
    fn visit_str<E>(self, _: &str) -> Result<Nested, E> {
        Ok(not_a_number("a text"))
    }
    fn visit_unit<E>(self) -> Result<Nested, E> {
        Ok(not_a_number("null"))
    }
    fn visit_bool<E>(self, _: bool) -> Result<Nested, E> {
        Ok(not_a_number("true or false"))
    }
}

fn not_a_number(what: &str) -> Nested {
    Nested::Wrong(format!("has {what} among its coordinates, where numbers are wanted"))
}

/// The rest of a position; heights and further numbers are left out, as RFC 7946 suggests.
fn position<'de, S: SeqAccess<'de>>(x: f64, mut seq: S) -> Result<Nested, S::Error> {
    let mut y = None;
    let mut wrong = None;
    while let Some(next) = seq.next_element_seed(NestedSeed)? {
        match next {
            Nested::Number(value) => y = y.or(Some(value)),
            Nested::Wrong(why) => wrong = Some(why),
            _ => wrong = Some("mixes numbers and lists among its coordinates".into()),
        }
    }
    Ok(match (wrong, y) {
        (Some(why), _) => Nested::Wrong(why),
        (None, Some(y)) => Nested::Position(Coord { x, y }),
        (None, None) => {
            Nested::Wrong("has a position of one number; two are wanted, longitude and latitude".into())
        }
    })
}

fn from_coordinates(kind: &str, nested: Nested) -> Result<Geometry<f64>, String> {
    Ok(match kind {
        "Point" => Geometry::Point(Point(as_position(nested)?)),
        "MultiPoint" => {
            Geometry::MultiPoint(MultiPoint(as_list(nested, as_position)?.into_iter().map(Point).collect()))
        }
        "LineString" => Geometry::LineString(as_line(nested)?),
        "MultiLineString" => Geometry::MultiLineString(MultiLineString(as_list(nested, as_line)?)),
        "Polygon" => Geometry::Polygon(as_polygon(nested)?),
        _ => Geometry::MultiPolygon(MultiPolygon(as_list(nested, as_polygon)?)),
    })
}

fn as_position(nested: Nested) -> Result<Coord<f64>, String> {
    match nested {
        Nested::Position(c) => Ok(c),
        Nested::Wrong(why) => Err(why),
        Nested::List(list) if list.is_empty() => Err("has an empty position".into()),
        Nested::List(list) => Err(list
            .into_iter()
            .find_map(|item| if let Nested::Wrong(why) = item { Some(why) } else { None })
            .unwrap_or_else(|| "is nested to the wrong depth".into())),
        _ => Err("is nested to the wrong depth".into()),
    }
}

fn as_list<T>(nested: Nested, each: impl Fn(Nested) -> Result<T, String>) -> Result<Vec<T>, String> {
    match nested {
        Nested::List(list) => list.into_iter().map(each).collect(),
        Nested::Wrong(why) => Err(why),
        _ => Err("is nested to the wrong depth".into()),
    }
}

fn as_line(nested: Nested) -> Result<LineString<f64>, String> {
    let positions = as_list(nested, as_position)?;
    match positions.len() {
        n @ (0 | 1) => Err(format!("has {n} position(s), where a line needs two")),
        _ => Ok(LineString(positions)),
    }
}

fn as_ring(nested: Nested) -> Result<LineString<f64>, String> {
    let positions = as_list(nested, as_position)?;
    if positions.len() < 4 {
        return Err(format!("has a ring of {} position(s), where four are needed", positions.len()));
    }
    if positions.first() != positions.last() {
        return Err("has a ring whose first and last positions differ".into());
    }
    Ok(LineString(positions))
}

fn as_polygon(nested: Nested) -> Result<Polygon<f64>, String> {
    let mut rings = as_list(nested, as_ring)?.into_iter();
    match rings.next() {
        Some(outer) => Ok(Polygon::new(outer, rings.collect())),
        None => Err("has no ring".into()),
    }
}
