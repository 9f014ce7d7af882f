//! Members of JSON objects: their names without a copy where one is not needed.

use std::borrow::Cow;
use std::fmt;
use std::sync::Arc;

use serde::Deserialize;
use serde::de::value::{MapAccessDeserializer, SeqAccessDeserializer};
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;

use super::otherwise;
use crate::files::Properties;

/// A text as the parser lends it: borrowed from the file where it holds no escapes.
struct Lent;

impl<'de> DeserializeSeed<'de> for Lent {
    type Value = Cow<'de, str>;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Cow<'de, str>, D::Error> {
        d.deserialize_str(self)
    }
}

impl<'de> Visitor<'de> for Lent {
    type Value = Cow<'de, str>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a text")
    }
    fn visit_borrowed_str<E>(self, text: &'de str) -> Result<Cow<'de, str>, E> {
        Ok(Cow::Borrowed(text))
    }
    fn visit_str<E>(self, text: &str) -> Result<Cow<'de, str>, E> {
        Ok(Cow::Owned(text.to_string()))
    }
}

/// The name of the next member.
pub(super) fn next_name<'de, M: MapAccess<'de>>(map: &mut M) -> Result<Option<Cow<'de, str>>, M::Error> {
    map.next_key_seed(Lent)
}

/// The value of a member `type`: a text as it is, any other value as JSON writes it.
pub(super) fn next_kind<'de, M: MapAccess<'de>>(map: &mut M) -> Result<Cow<'de, str>, M::Error> {
    map.next_value_seed(Kind)
}

struct Kind;

impl<'de> DeserializeSeed<'de> for Kind {
    type Value = Cow<'de, str>;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Cow<'de, str>, D::Error> {
        d.deserialize_any(self)
    }
}

/// Any other value, written as JSON.
fn other<E>(value: Value) -> Result<Cow<'static, str>, E> {
    Ok(Cow::Owned(value.to_string()))
}

impl<'de> Visitor<'de> for Kind {
    type Value = Cow<'de, str>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a type")
    }
    fn visit_borrowed_str<E>(self, text: &'de str) -> Result<Cow<'de, str>, E> {
        Ok(Cow::Borrowed(text))
    }
    fn visit_str<E>(self, text: &str) -> Result<Cow<'de, str>, E> {
        Ok(Cow::Owned(text.to_string()))
    }
    fn visit_bool<E>(self, value: bool) -> Result<Cow<'de, str>, E> {
        other(value.into())
    }
    fn visit_f64<E>(self, value: f64) -> Result<Cow<'de, str>, E> {
        other(value.into())
    }
    fn visit_u64<E>(self, value: u64) -> Result<Cow<'de, str>, E> {
        other(value.into())
    }
    fn visit_i64<E>(self, value: i64) -> Result<Cow<'de, str>, E> {
        other(value.into())
    }
    fn visit_unit<E>(self) -> Result<Cow<'de, str>, E> {
        other(Value::Null)
    }
    fn visit_seq<S: SeqAccess<'de>>(self, seq: S) -> Result<Cow<'de, str>, S::Error> {
        other(Value::deserialize(SeqAccessDeserializer::new(seq))?)
    }
    fn visit_map<M: MapAccess<'de>>(self, map: M) -> Result<Cow<'de, str>, M::Error> {
        other(Value::deserialize(MapAccessDeserializer::new(map))?)
    }
}

/// The names of the properties of the feature before, which most often are those of the next.
#[derive(Default)]
pub(super) struct Names(Arc<Vec<Box<str>>>);

/// Reads the member `properties`; `None` for what is neither an object nor null, a fault where a
/// name stands twice with different values.
pub(super) struct Table<'n>(pub &'n mut Names);

impl<'de> DeserializeSeed<'de> for Table<'_> {
    type Value = Option<Result<Properties, String>>;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Option<Result<Properties, String>>, D::Error> {
        d.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Table<'_> {
    type Value = Option<Result<Properties, String>>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("properties")
    }

    fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<Self::Value, M::Error> {
        let Names(names) = self.0;
        let mut values = Vec::with_capacity(names.len());
        let differs = loop {
            let Some(name) = next_name(&mut map)? else { break None };
            match names.get(values.len()) {
                Some(known) if **known == *name => values.push(map.next_value()?),
                _ => break Some(name),
            }
        };
        if differs.is_none() && values.len() == names.len() {
            return Ok(Properties::shared(names, values).map(Ok));
        }
        let known = names.iter().map(|name| name.to_string());
        let mut properties: Properties = known.zip(values).collect();
        let mut next = differs;
        let mut fault = None;
        while let Some(name) = next {
            let value: Value = map.next_value()?;
            if let Some(before) = properties.get(&name).filter(|before| **before != value) {
                fault = Some(format!(
                    "has the property \"{name}\" twice, as {before} and as {value}; take one of them out"
                ));
            }
            properties.insert(name.into_owned(), value);
            next = next_name(&mut map)?;
        }
        *names = properties.names().clone();
        Ok(Some(fault.map_or(Ok(properties), Err)))
    }

    fn visit_unit<E>(self) -> Result<Self::Value, E> {
        Ok(Some(Ok(Properties::new())))
    }
    otherwise!(Option<Result<Properties, String>>, |_| None);
}
