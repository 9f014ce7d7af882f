//! The noded network: edges that meet only at nodes.

use crate::frame::GroundPoint;
use crate::record::LineKind;

/// A set of line kinds, as one bit a kind.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct KindSet(u8);

impl KindSet {
    /// The empty set.
    pub const EMPTY: KindSet = KindSet(0);

    /// The set of one kind.
    pub fn of(kind: LineKind) -> Self {
        KindSet(1 << kind as u8)
    }

    /// The set of the kinds given.
    pub fn from_kinds(kinds: &[LineKind]) -> Self {
        kinds.iter().fold(Self::EMPTY, |set, &kind| set.with(KindSet::of(kind)))
    }

    /// This set and another together.
    pub fn with(self, other: KindSet) -> Self {
        KindSet(self.0 | other.0)
    }

    /// Whether a kind is in the set.
    pub fn has(self, kind: LineKind) -> bool {
        self.0 & KindSet::of(kind).0 != 0
    }

    /// Whether the two sets share a kind.
    pub fn meets(self, other: KindSet) -> bool {
        self.0 & other.0 != 0
    }

    /// How many kinds are in it.
    pub fn len(self) -> usize {
        self.0.count_ones() as usize
    }

    /// Whether it holds nothing.
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Its kinds in the order of [`LineKind::ALL`].
    pub fn kinds(self) -> impl Iterator<Item = LineKind> {
        LineKind::ALL.into_iter().filter(move |&kind| self.has(kind))
    }
}

/// A stretch of an input line that an edge carries.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stretch {
    /// Index of the input line.
    pub line: u32,
    /// Where on that line the edge's `from` end lies, in frame metres from the line's start.
    pub start_m: f64,
    /// Where on that line the edge's `to` end lies, in frame metres from the line's start;
    /// less than `start_m` where the edge runs against the line.
    pub end_m: f64,
}

/// A stretch of line between two nodes. Coincident stretches of several lines are one edge.
#[derive(Clone, PartialEq, Debug)]
pub struct Edge {
    /// Index of the node it starts at.
    pub from: u32,
    /// Index of the node it ends at; equal to `from` for a loop.
    pub to: u32,
    /// Its way in the frame, both ends included, in the direction of the first input line
    /// that holds it.
    pub path: Vec<GroundPoint>,
    /// Its length in frame metres.
    pub length_m: f64,
    /// The kind of the first input line that holds it.
    pub kind: LineKind,
    /// The kinds of all input lines that hold it.
    pub kinds: KindSet,
    /// The stretches of input lines that it carries, in input order; never empty, save for
    /// a connector that closes a gap.
    pub stretches: Vec<Stretch>,
}

/// Left or right of an edge or line in its digitised direction.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Side {
    /// Left of the line.
    Left,
    /// Right of the line.
    Right,
}

impl Side {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Side::Left => "left",
            Side::Right => "right",
        }
    }

    /// The other side.
    pub fn other(self) -> Side {
        match self {
            Side::Left => Side::Right,
            Side::Right => Side::Left,
        }
    }
}

/// The point of the network nearest to some place.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Foot {
    /// Index of the edge.
    pub edge: u32,
    /// Frame metres from the edge's `from` end, in 0..=length.
    pub along_m: f64,
    /// The point itself.
    pub at: GroundPoint,
    /// Frame metres from the place to the foot.
    pub offset_m: f64,
}
