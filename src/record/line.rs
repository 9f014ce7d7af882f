//! Linear features: tracks, roads, fences, creeks, ridges, boundaries.

use std::sync::Arc;

use std::fmt;

use super::SourcePlace;

/// What kind of line it is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum LineKind {
    /// A vehicle or walking track inside the property.
    Track,
    /// A road, as a rule public.
    Road,
    /// A fence.
    Fence,
    /// A creek, river or drainage line.
    Creek,
    /// The crest of a ridge or spur.
    Ridge,
    /// A property or reserve boundary.
    Boundary,
    /// Any other line.
    Other,
}

impl LineKind {
    /// Every kind, in the order used for output and for ties.
    pub const ALL: [LineKind; 7] = [
        LineKind::Track,
        LineKind::Road,
        LineKind::Fence,
        LineKind::Creek,
        LineKind::Ridge,
        LineKind::Boundary,
        LineKind::Other,
    ];

    /// The word used in files and flags.
    pub fn word(self) -> &'static str {
        match self {
            LineKind::Track => "track",
            LineKind::Road => "road",
            LineKind::Fence => "fence",
            LineKind::Creek => "creek",
            LineKind::Ridge => "ridge",
            LineKind::Boundary => "boundary",
            LineKind::Other => "other",
        }
    }

    /// Reads a word without regard to case; common plurals and spellings are accepted.
    /// `None` if the word is not known.
    pub fn from_word(word: &str) -> Option<LineKind> {
        Some(match word.trim().to_lowercase().as_str() {
            "track" | "tracks" | "trail" | "trails" | "path" | "firetrail" | "fire trail" => LineKind::Track,
            "road" | "roads" | "street" | "streets" | "highway" => LineKind::Road,
            "fence" | "fences" | "barrier" => LineKind::Fence,
            "creek" | "creeks" | "stream" | "river" | "water" | "waterway" | "drain" => LineKind::Creek,
            "ridge" | "ridges" | "spur" | "spurs" => LineKind::Ridge,
            "boundary" | "boundaries" | "border" => LineKind::Boundary,
            "other" => LineKind::Other,
            _ => return None,
        })
    }

    /// Whether people and animals travel along it unless the plan says otherwise.
    pub fn is_travel(self) -> bool {
        matches!(self, LineKind::Track | LineKind::Road)
    }
}

impl fmt::Display for LineKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// One linear feature; a `MultiLineString` becomes one `Line` a part. The digitised way
/// is held beside it, in a [`Traced`](crate::frame::Traced).
#[derive(Clone, PartialEq, Debug)]
pub struct Line {
    /// What it is.
    pub kind: LineKind,
    /// Its name, if it has one.
    pub name: Option<Arc<str>>,
    /// On a bridge: passes over what it crosses without joining it.
    pub bridge: bool,
    /// In a tunnel: passes under what it crosses without joining it.
    pub tunnel: bool,
    /// Vertical order at crossings: lines of different layers do not join there.
    pub layer: i32,
    /// Where it came from.
    pub source: SourcePlace,
}

impl Line {
    /// A line without a name that lies on the ground and joins what it crosses.
    pub fn new(kind: LineKind, source: SourcePlace) -> Self {
        Self { kind, name: None, bridge: false, tunnel: false, layer: 0, source }
    }
}

/// A gate: a point at which a fence can be passed, so that it joins what it crosses.
#[derive(Clone, PartialEq, Debug)]
pub struct Gate {
    /// Its name, if it has one.
    pub name: Option<Arc<str>>,
    /// Where it came from.
    pub source: SourcePlace,
}
