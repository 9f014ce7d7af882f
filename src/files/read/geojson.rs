//! GeoJSON (RFC 7946), streamed: features are passed on one by one while the text is read.
//!
//! Accepted as root: a feature collection, a feature, a bare geometry. Structure that
//! breaks the standard inside one feature spoils that feature only.

use std::fmt;
use std::io::{BufReader, Read};
use std::path::Path;
use std::sync::Arc;

use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;

use super::{FileError, Input};
use crate::files::{Properties, RawFeature, RawShape};
use crate::record::SourcePlace;

mod geometry;

use geometry::{GEOMETRY_TYPES, GeometryParts, OneGeometry};

pub(super) fn read(
    path: &Path,
    input: &mut Input,
    take: &mut dyn FnMut(RawFeature),
) -> Result<usize, FileError> {
    let mut sink = Sink { file: Arc::from(path), count: 0, take };
    let mut json = serde_json::Deserializer::from_reader(BufReader::with_capacity(1 << 16, input.by_ref()));
    let fault = Root { sink: &mut sink }.deserialize(&mut json).map_err(|e| explain(path, &e))?;
    json.end().map_err(|e| explain(path, &e))?;
    match fault {
        None => Ok(sink.count),
        Some(what) => Err(FileError::format(path, format!("is JSON but not GeoJSON: {what}"))),
    }
}

fn explain(path: &Path, error: &serde_json::Error) -> FileError {
    let place = format!("line {} column {}", error.line(), error.column());
    let text = error.to_string();
    let said = text.split(" at line ").next().unwrap_or(&text);
    match error.classify() {
        serde_json::error::Category::Io => {
            FileError::format(path, format!("cannot be read to its end: {said}"))
        }
        serde_json::error::Category::Eof => FileError::format(
            path,
            format!("ends at {place} before it is whole; it looks cut short, copy it again"),
        ),
        _ if said.contains("unicode") => {
            FileError::encoding(path, format!("{place} holds bytes that are not valid"))
        }
        _ if said.contains("recursion") => {
            FileError::format(path, format!("is nested deeper than 128 levels at {place}"))
        }
        _ => FileError::format(path, format!("is not valid JSON at {place}: {said}")),
    }
}

/// Visitor methods for JSON values of a kind that has no place here: each reads the value
/// to its end and answers with the same value, so that reading can go on.
macro_rules! otherwise {
    ($value:ty, $answer:expr) => {
        fn visit_seq<S: SeqAccess<'de>>(self, mut seq: S) -> Result<$value, S::Error> {
            while seq.next_element::<IgnoredAny>()?.is_some() {}
            Ok($answer("a list"))
        }
        otherwise!(scalars $value, $answer);
    };
    (map $value:ty, $answer:expr) => {
        fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<$value, M::Error> {
            while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
            Ok($answer("an object"))
        }
        otherwise!(scalars $value, $answer);
        fn visit_unit<E>(self) -> Result<$value, E> {
            Ok($answer("null"))
        }
    };
    (scalars $value:ty, $answer:expr) => {
        fn visit_str<E>(self, _: &str) -> Result<$value, E> {
            Ok($answer("a text"))
        }
        fn visit_bool<E>(self, _: bool) -> Result<$value, E> {
            Ok($answer("true or false"))
        }
        fn visit_f64<E>(self, _: f64) -> Result<$value, E> {
            Ok($answer("a number"))
        }
        fn visit_u64<E>(self, _: u64) -> Result<$value, E> {
            Ok($answer("a number"))
        }
        fn visit_i64<E>(self, _: i64) -> Result<$value, E> {
            Ok($answer("a number"))
        }
    };
}
use otherwise;

/// Makes a visitor a seed that takes any JSON value.
macro_rules! seed_any {
    ($seed:ty, $value:ty) => {
        impl<'de> DeserializeSeed<'de> for $seed {
            type Value = $value;
            fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<$value, D::Error> {
                d.deserialize_any(self)
            }
        }
    };
}
use seed_any;

struct Sink<'a> {
    file: Arc<Path>,
    count: usize,
    take: &'a mut dyn FnMut(RawFeature),
}

impl Sink<'_> {
    fn put(&mut self, parts: FeatureParts) {
        let source = SourcePlace { file: self.file.clone(), index: self.count, id: parts.id };
        let shape = match parts.fault {
            Some(fault) => RawShape::Broken(fault),
            None => parts.shape.unwrap_or_else(|| RawShape::Broken("has no member \"geometry\"".into())),
        };
        (self.take)(RawFeature { shape, properties: parts.properties, source });
        self.count += 1;
    }
}

/// Reads the root object; the answer says why it is not GeoJSON, if it is not.
struct Root<'s, 'a> {
    sink: &'s mut Sink<'a>,
}

seed_any!(Root<'_, '_>, Option<String>);

impl<'de> Visitor<'de> for Root<'_, '_> {
    type Value = Option<String>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a GeoJSON object")
    }

    fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<Option<String>, M::Error> {
        let mut kind: Option<String> = None;
        let mut has_features = false;
        let mut foreign_crs = None;
        let mut parts = FeatureParts::default();
        let mut geometry = GeometryParts::default();
        while let Some(key) = map.next_key::<String>()? {
            match key.as_str() {
                "type" => kind = Some(word_of(map.next_value()?)),
                "features" => has_features = map.next_value_seed(Features { sink: self.sink })?,
                "crs" => foreign_crs = other_crs(&map.next_value::<Value>()?),
                "coordinates" | "geometries" => geometry.take(&key, &mut map)?,
                _ => parts.take(&key, &mut map)?,
            }
        }
        if let Some(name) = foreign_crs {
            return Ok(Some(format!(
                "it declares the coordinate system {name}, and RFC 7946 allows only WGS84 longitude and latitude; reproject it"
            )));
        }
        Ok(match kind.as_deref() {
            Some("FeatureCollection") if has_features => None,
            Some("FeatureCollection") => Some("the collection has no list \"features\"".into()),
            Some("Feature") => {
                self.sink.put(parts);
                None
            }
            Some(name) if GEOMETRY_TYPES.contains(&name) => {
                self.sink.put(FeatureParts { shape: Some(geometry.build(name)), ..Default::default() });
                None
            }
            Some(other) => Some(format!("its type is \"{other}\"")),
            None => Some("the root object has no \"type\"".into()),
        })
    }

    fn visit_unit<E>(self) -> Result<Option<String>, E> {
        Ok(Some("the root is null".into()))
    }
    otherwise!(Option<String>, |what| Some(format!("the root is {what}, not an object")));
}

/// The name of an old `crs` member that means anything but WGS84 longitude and latitude.
fn other_crs(value: &Value) -> Option<String> {
    let name = value.pointer("/properties/name")?.as_str()?;
    let upper = name.to_uppercase();
    let is_wgs84 = upper.ends_with("CRS84") || upper.ends_with(":4326") || upper == "WGS84";
    (!is_wgs84).then(|| name.to_string())
}

fn word_of(value: Value) -> String {
    match value {
        Value::String(s) => s,
        other => other.to_string(),
    }
}

/// Reads the list `features`; the answer says whether it was a list.
struct Features<'s, 'a> {
    sink: &'s mut Sink<'a>,
}

seed_any!(Features<'_, '_>, bool);

impl<'de> Visitor<'de> for Features<'_, '_> {
    type Value = bool;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of features")
    }

    fn visit_seq<S: SeqAccess<'de>>(self, mut seq: S) -> Result<bool, S::Error> {
        while let Some(parts) = seq.next_element_seed(OneFeature)? {
            self.sink.put(parts);
        }
        Ok(true)
    }

    otherwise!(map bool, |_| false);
}

#[derive(Default)]
struct FeatureParts {
    shape: Option<RawShape>,
    properties: Properties,
    id: Option<Arc<str>>,
    fault: Option<String>,
}

impl FeatureParts {
    fn take<'de, M: MapAccess<'de>>(&mut self, key: &str, map: &mut M) -> Result<(), M::Error> {
        match key {
            "geometry" => self.shape = Some(map.next_value_seed(OneGeometry)?),
            "properties" => match map.next_value::<Value>()? {
                Value::Object(properties) => self.properties = properties,
                Value::Null => {}
                _ => self.fault = Some("has \"properties\" that are neither an object nor null".into()),
            },
            "id" => match map.next_value::<Value>()? {
                Value::String(id) => self.id = Some(id.into()),
                Value::Number(id) => self.id = Some(id.to_string().into()),
                Value::Null => {}
                _ => self.fault = Some("has an \"id\" that is neither a text nor a number".into()),
            },
            _ => {
                map.next_value::<IgnoredAny>()?;
            }
        }
        Ok(())
    }
}

/// Reads one element of `features`.
struct OneFeature;

seed_any!(OneFeature, FeatureParts);

impl<'de> Visitor<'de> for OneFeature {
    type Value = FeatureParts;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a GeoJSON feature")
    }

    fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<FeatureParts, M::Error> {
        let mut parts = FeatureParts::default();
        let mut kind = None;
        while let Some(key) = map.next_key::<String>()? {
            match key.as_str() {
                "type" => kind = Some(word_of(map.next_value()?)),
                _ => parts.take(&key, &mut map)?,
            }
        }
        match kind.as_deref() {
            Some("Feature") => {}
            Some(other) => {
                parts.fault = Some(format!("has the type \"{other}\" where \"Feature\" is wanted"))
            }
            None => parts.fault = Some("has no member \"type\"".into()),
        }
        Ok(parts)
    }

    fn visit_unit<E>(self) -> Result<FeatureParts, E> {
        Ok(FeatureParts { fault: Some("is null, not a feature".into()), ..Default::default() })
    }
    otherwise!(FeatureParts, |what| FeatureParts {
        fault: Some(format!("is {what}, not a feature")),
        ..Default::default()
    });
}
