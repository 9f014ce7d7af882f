//! The root object of a file, from which the features have been taken out.

use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;

use super::feature::FeatureParts;
use super::geometry::{GEOMETRY_TYPES, GeometryParts, twice};
use super::member::{Names, next_kind, next_name};
use super::{otherwise, seed_any};

/// What the root object is: its type and, if it is no collection, the one feature in it.
type RootParts = (String, Option<FeatureParts>);

/// Reads the root object, from which the features have been taken out; or says why it is not
/// GeoJSON.
pub(super) struct Root;

seed_any!(Root, Result<RootParts, String>);

impl<'de> Visitor<'de> for Root {
    type Value = Result<RootParts, String>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a GeoJSON object")
    }

    fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<Self::Value, M::Error> {
        let mut kind = None;
        let (mut has_features, mut has_crs, mut fault) = (false, false, None);
        let mut parts = FeatureParts::default();
        let mut geometry = GeometryParts::default();
        while let Some(key) = next_name(&mut map)? {
            match &*key {
                "type" if kind.is_some() => {
                    next_kind(&mut map)?;
                    fault = Some(twice("type"));
                }
                "type" => kind = Some(next_kind(&mut map)?.into_owned()),
                "features" if has_features => {
                    map.next_value::<IgnoredAny>()?;
                    fault = Some(twice("features"));
                }
                "features" => match map.next_value::<Value>()? {
                    Value::Array(left) if left.is_empty() => has_features = true,
                    Value::Array(_) => fault = Some("its list \"features\" is written with escapes".into()),
                    _ => {}
                },
                // Read already, for the file as a whole.
                "crs" if has_crs => {
                    map.next_value::<IgnoredAny>()?;
                    fault = Some(twice("crs"));
                }
                "crs" => {
                    map.next_value::<IgnoredAny>()?;
                    has_crs = true;
                }
                "coordinates" | "geometries" => geometry.take(&key, &mut map)?,
                _ => parts.take(&key, &mut map, &mut Names::default())?,
            }
        }
        if let Some(fault) = fault {
            return Ok(Err(fault));
        }
        Ok(match kind {
            Some(kind) if kind == "FeatureCollection" && has_features => Ok((kind, None)),
            Some(kind) if kind == "FeatureCollection" => {
                Err("the collection has no list \"features\"".into())
            }
            Some(kind) if kind == "Feature" => Ok((kind, Some(parts))),
            Some(kind) if GEOMETRY_TYPES.contains(&kind.as_str()) => {
                let shape = Some(geometry.build(&kind));
                Ok((kind, Some(FeatureParts { shape, ..Default::default() })))
            }
            Some(kind) => Err(format!("its type is \"{kind}\"")),
            None => Err("the root object has no \"type\"".into()),
        })
    }

    fn visit_unit<E>(self) -> Result<Self::Value, E> {
        Ok(Err("the root is null".into()))
    }
    otherwise!(Result<RootParts, String>, |what| Err(format!("the root is {what}, not an object")));
}
