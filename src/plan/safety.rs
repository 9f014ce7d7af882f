//! `[safety]`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Whom to call, in your own words, printed on what a crew takes along; what is left out is a blank to
/// fill in by hand. Nothing is looked up and nothing is checked.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct SafetyTable {
    /// The emergency number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub emergency: Option<String>,
    /// The doctor or hospital.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub doctor: Option<String>,
    /// The vet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vet: Option<String>,
    /// The poisons line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub poisons_line: Option<String>,
    /// With whom the crew checks in, and when.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub check_in: Option<String>,
}
