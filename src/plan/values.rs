//! Values that are checked when they are read, from a plan and from a flag alike.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Serialize};

/// A value that a key or flag cannot have.
#[derive(thiserror::Error, Clone, PartialEq, Eq, Debug)]
#[error("expected {expected}, found {found}")]
pub struct ValueError {
    expected: &'static str,
    found: String,
}

/// A finite number more than 0.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug, Serialize, Deserialize)]
#[serde(try_from = "f64")]
pub struct Positive(f64);

/// A finite number of 0 or more.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug, Serialize, Deserialize)]
#[serde(try_from = "f64")]
pub struct NonNegative(f64);

macro_rules! checked_number {
    ($name:ident, $words:literal, $test:expr) => {
        impl $name {
            /// The number.
            pub fn get(self) -> f64 {
                self.0
            }
        }
        impl TryFrom<f64> for $name {
            type Error = ValueError;
            fn try_from(value: f64) -> Result<Self, ValueError> {
                let test: fn(f64) -> bool = $test;
                if value.is_finite() && test(value) {
                    Ok(Self(value))
                } else {
                    Err(ValueError { expected: $words, found: value.to_string() })
                }
            }
        }
        impl FromStr for $name {
            type Err = ValueError;
            fn from_str(text: &str) -> Result<Self, ValueError> {
                let fault = || ValueError { expected: $words, found: format!("\"{text}\"") };
                text.trim().parse::<f64>().map_err(|_| fault()).and_then(|v| Self::try_from(v).map_err(|_| fault()))
            }
        }
        impl JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }
            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!({ "type": "number", "description": $words })
            }
        }
    };
}

checked_number!(Positive, "a number more than 0", |v| v > 0.0);
checked_number!(NonNegative, "a number of 0 or more", |v| v >= 0.0);

/// A bandwidth: metres, or the name of the rule that finds it.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(
    untagged,
    expecting = "expected a bandwidth in metres (a number more than 0), or the name of a rule such as \"lscv\""
)]
pub enum MetresOrRule {
    /// Metres, per axis.
    Metres(Positive),
    /// The name of a rule.
    Rule(String),
}

impl FromStr for MetresOrRule {
    type Err = ValueError;
    fn from_str(text: &str) -> Result<Self, ValueError> {
        let looks_like_number =
            text.trim().starts_with(|c: char| c.is_ascii_digit() || matches!(c, '-' | '+' | '.'));
        if looks_like_number {
            text.parse().map(Self::Metres)
        } else {
            Ok(Self::Rule(text.trim().to_lowercase()))
        }
    }
}

impl fmt::Display for MetresOrRule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Metres(metres) => write!(f, "{} m", metres.get()),
            Self::Rule(rule) => f.write_str(rule),
        }
    }
}

/// A calendar day, written `2026-05-01`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct DayText(pub Date);

impl TryFrom<String> for DayText {
    type Error = ValueError;
    fn try_from(text: String) -> Result<Self, ValueError> {
        text.parse()
    }
}

impl From<DayText> for String {
    fn from(day: DayText) -> String {
        day.0.to_string()
    }
}

impl FromStr for DayText {
    type Err = ValueError;
    fn from_str(text: &str) -> Result<Self, ValueError> {
        let fault = || ValueError { expected: "a day such as 2026-05-01", found: format!("\"{text}\"") };
        text.trim().parse::<Date>().map(DayText).map_err(|_| fault())
    }
}

impl JsonSchema for DayText {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Day".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "format": "date" })
    }
}

/// A day of every year, written `06-15`; 29 February is one of them.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct DayOfYear {
    month: i8,
    day: i8,
}

impl DayOfYear {
    /// Month and day, both from 1.
    pub fn month_and_day(self) -> (i8, i8) {
        (self.month, self.day)
    }
}

impl TryFrom<String> for DayOfYear {
    type Error = ValueError;
    fn try_from(text: String) -> Result<Self, ValueError> {
        let fault = || ValueError { expected: "month and day such as 06-15", found: format!("\"{text}\"") };
        let (month, day) = text.trim().split_once('-').ok_or_else(fault)?;
        let (month, day) = (month.parse().map_err(|_| fault())?, day.parse().map_err(|_| fault())?);
        // 2024 was a leap year.
        Date::new(2024, month, day).map_err(|_| fault())?;
        Ok(Self { month, day })
    }
}

impl From<DayOfYear> for String {
    fn from(day: DayOfYear) -> String {
        format!("{:02}-{:02}", day.month, day.day)
    }
}

impl JsonSchema for DayOfYear {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "DayOfYear".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "pattern": "^[0-9]{2}-[0-9]{2}$" })
    }
}
