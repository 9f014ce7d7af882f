//! `[compare]`.

use std::fmt;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How two seasons are compared. Absent keys take the defaults of the season room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct CompareTable {
    /// The first season: a name from `[seasons]`, a label that records carry, or a file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub before: Option<SeasonOrFile>,
    /// The second season, likewise.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<SeasonOrFile>,
    /// Block size of the headline and the local tests: `record`, `outing`, `day`, `week` or
    /// `month`; left out, the coarsest that has enough blocks.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub block: Option<String>,
    /// Relabellings of every test.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub runs: Option<usize>,
    /// Seed of all randomness.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seed: Option<u64>,
    /// Polygons of ground that was searched but not controlled, to hold the rest against.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub untreated: Option<PathBuf>,
}

/// A season by name, or a file that holds its sign.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(from = "String", into = "String")]
#[schemars(with = "String")]
pub enum SeasonOrFile {
    /// A name from `[seasons]`, or a label that records carry.
    Season(String),
    /// A file: anything with a file extension or a folder in it.
    File(PathBuf),
}

impl From<String> for SeasonOrFile {
    fn from(text: String) -> Self {
        let extension = Path::new(&text).extension().and_then(|e| e.to_str()).unwrap_or("");
        let is_file = text.contains(['/', '\\']) || extension.starts_with(|c: char| c.is_ascii_alphabetic());
        if is_file { SeasonOrFile::File(text.into()) } else { SeasonOrFile::Season(text) }
    }
}

impl FromStr for SeasonOrFile {
    type Err = std::convert::Infallible;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Ok(Self::from(text.to_string()))
    }
}

impl fmt::Display for SeasonOrFile {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SeasonOrFile::Season(name) => f.write_str(name),
            SeasonOrFile::File(file) => write!(f, "{}", file.display()),
        }
    }
}

impl From<SeasonOrFile> for String {
    fn from(value: SeasonOrFile) -> Self {
        value.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_told_from_names() {
        let is_file = |text: &str| matches!(SeasonOrFile::from(text.to_string()), SeasonOrFile::File(_));
        assert!(is_file("autumn.geojson") && is_file("2024/sign") && is_file("fixes.csv"));
        assert!(!is_file("autumn") && !is_file("2024.5") && !is_file("Autumn 2024"));
    }
}
