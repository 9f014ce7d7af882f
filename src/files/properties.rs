//! The properties of a feature.

use std::sync::Arc;

use serde_json::{Map, Value};

/// The properties of a feature, in file order, each name once. Features that have the same names
/// share them, so that a file of a million rows does not hold its header a million times.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Properties {
    names: Arc<Vec<Box<str>>>,
    /// One for each name.
    values: Vec<Value>,
}

impl Properties {
    /// No properties.
    pub fn new() -> Self {
        Self::default()
    }

    /// Values under names that other features share; `None` where there are not as many.
    pub(super) fn shared(names: &Arc<Vec<Box<str>>>, values: Vec<Value>) -> Option<Self> {
        (names.len() == values.len()).then(|| Self { names: names.clone(), values })
    }

    /// The names, to be shared.
    pub(super) fn names(&self) -> &Arc<Vec<Box<str>>> {
        &self.names
    }

    /// The value under a name. Costs a look at every name before it.
    pub fn get(&self, name: &str) -> Option<&Value> {
        self.place(name).and_then(|at| self.values.get(at))
    }

    /// The value under a name, with the name as it stands here.
    pub fn get_key_value(&self, name: &str) -> Option<(&str, &Value)> {
        let at = self.place(name)?;
        Some((self.names.get(at)?, self.values.get(at)?))
    }

    /// Whether there is a value under a name.
    pub fn contains_key(&self, name: &str) -> bool {
        self.place(name).is_some()
    }

    /// Puts a value under a name, in the place of one that stood there.
    pub fn insert(&mut self, name: String, value: Value) {
        match self.place(&name).and_then(|at| self.values.get_mut(at)) {
            Some(place) => *place = value,
            None => {
                Arc::make_mut(&mut self.names).push(name.into());
                self.values.push(value);
            }
        }
    }

    /// The names in order.
    pub fn keys(&self) -> impl Iterator<Item = &str> {
        self.names.iter().map(|name| &**name)
    }

    /// Names and values in order.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &Value)> {
        self.keys().zip(&self.values)
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.values.is_empty()
    }

    /// The same as a JSON object.
    pub fn to_map(&self) -> Map<String, Value> {
        self.iter().map(|(name, value)| (name.to_string(), value.clone())).collect()
    }

    fn place(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|own| **own == *name)
    }
}

impl From<Map<String, Value>> for Properties {
    fn from(map: Map<String, Value>) -> Self {
        map.into_iter().collect()
    }
}

impl FromIterator<(String, Value)> for Properties {
    fn from_iter<I: IntoIterator<Item = (String, Value)>>(pairs: I) -> Self {
        let mut properties = Self::new();
        properties.extend(pairs);
        properties
    }
}

impl Extend<(String, Value)> for Properties {
    fn extend<I: IntoIterator<Item = (String, Value)>>(&mut self, pairs: I) {
        for (name, value) in pairs {
            self.insert(name, value);
        }
    }
}

impl std::ops::Index<&str> for Properties {
    type Output = Value;

    /// The value under a name, null where there is none.
    fn index(&self, name: &str) -> &Value {
        self.get(name).unwrap_or(&Value::Null)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_stands_once_and_sharing_does_not_show() {
        let mut a: Properties = [("n".to_string(), 1.into()), ("m".into(), 2.into()), ("n".into(), 3.into())]
            .into_iter()
            .collect();
        assert_eq!(a.keys().collect::<Vec<_>>(), ["n", "m"]);
        assert_eq!((&a["n"], &a["m"], &a["o"]), (&3.into(), &2.into(), &Value::Null));
        let b = Properties::shared(a.names(), vec![5.into(), 6.into()]).unwrap();
        a.insert("o".into(), 7.into());
        assert_eq!(b.keys().count(), 2);
        assert_eq!(Value::Object(a.to_map()), serde_json::json!({ "n": 3, "m": 2, "o": 7 }));
        assert_eq!(Properties::shared(a.names(), vec![1.into()]), None);
    }
}
