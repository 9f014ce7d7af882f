//! Sets of line kinds.

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
