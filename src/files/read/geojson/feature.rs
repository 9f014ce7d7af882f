//! One element of `features`, of whatever type it is.

use std::fmt;
use std::sync::Arc;

use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;

use super::geometry::{OneGeometry, twice};
use super::member::{Names, Table, next_kind, next_name};
use super::otherwise;
use super::system::own_system;
use crate::files::{Properties, RawShape};

/// What stands in a feature; `fault` says why it is none.
#[derive(Default)]
pub(super) struct FeatureParts {
    pub(super) shape: Option<RawShape>,
    pub(super) properties: Properties,
    pub(super) id: Option<Arc<str>>,
    pub(super) fault: Option<String>,
}

impl FeatureParts {
    /// Whether a member was there already.
    fn has(&self, key: &str) -> bool {
        match key {
            "geometry" => self.shape.is_some(),
            "properties" => !self.properties.is_empty(),
            "id" => self.id.is_some(),
            _ => false,
        }
    }

    pub(super) fn take<'de, M: MapAccess<'de>>(
        &mut self,
        key: &str,
        map: &mut M,
        names: &mut Names,
    ) -> Result<(), M::Error> {
        if self.has(key) {
            self.fault = Some(twice(key));
        }
        match key {
            "crs" => self.fault = own_system(&map.next_value::<Value>()?).or(self.fault.take()),
            "geometry" => self.shape = Some(map.next_value_seed(OneGeometry)?),
            "properties" => match map.next_value_seed(Table(names))? {
                Some(Ok(properties)) => self.properties = properties,
                Some(Err(fault)) => self.fault = Some(fault),
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
pub(super) struct OneFeature<'n>(pub &'n mut Names);

impl<'de> DeserializeSeed<'de> for OneFeature<'_> {
    type Value = FeatureParts;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<FeatureParts, D::Error> {
        d.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for OneFeature<'_> {
    type Value = FeatureParts;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a GeoJSON feature")
    }

    fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<FeatureParts, M::Error> {
        let mut parts = FeatureParts::default();
        let mut kind = None;
        while let Some(key) = next_name(&mut map)? {
            match &*key {
                "type" if kind.is_some() => {
                    parts.fault = Some(twice("type"));
                    map.next_value::<IgnoredAny>()?;
                }
                "type" => kind = Some(next_kind(&mut map)?),
                _ => parts.take(&key, &mut map, self.0)?,
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
