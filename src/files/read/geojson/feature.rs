//! One element of `features`, of whatever type it is.

use std::fmt;
use std::sync::Arc;

use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;

use super::geometry::OneGeometry;
use super::{otherwise, seed_any};
use crate::files::{Properties, RawShape};

/// A text as it is, any other value as JSON writes it.
pub(super) fn word_of(value: Value) -> String {
    match value {
        Value::String(s) => s,
        other => other.to_string(),
    }
}

/// What stands in a feature; `fault` says why it is none.
#[derive(Default)]
pub(super) struct FeatureParts {
    pub(super) shape: Option<RawShape>,
    pub(super) properties: Properties,
    pub(super) id: Option<Arc<str>>,
    pub(super) fault: Option<String>,
}

impl FeatureParts {
    pub(super) fn take<'de, M: MapAccess<'de>>(&mut self, key: &str, map: &mut M) -> Result<(), M::Error> {
        match key {
            "geometry" => self.shape = Some(map.next_value_seed(OneGeometry)?),
            "properties" => match map.next_value_seed(OneTable)? {
                Some(properties) => self.properties = properties,
                None => self.fault = Some("has \"properties\" that are neither an object nor null".into()),
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
pub(super) struct OneFeature;

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

/// Room for as many properties as most features have, so that the table need not grow.
const USUAL_PROPERTIES: usize = 8;

/// Reads the member `properties`; `None` for what is neither an object nor null.
struct OneTable;

seed_any!(OneTable, Option<Properties>);

impl<'de> Visitor<'de> for OneTable {
    type Value = Option<Properties>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("properties")
    }

    fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<Self::Value, M::Error> {
        let mut properties = Properties::with_capacity(USUAL_PROPERTIES);
        while let Some((key, value)) = map.next_entry()? {
            properties.insert(key, value);
        }
        Ok(Some(properties))
    }

    fn visit_unit<E>(self) -> Result<Self::Value, E> {
        Ok(Some(Properties::new()))
    }
    otherwise!(Option<Properties>, |_| None);
}
