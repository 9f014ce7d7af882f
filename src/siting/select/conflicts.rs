//! Who may not stand beside whom.

use super::graph::{Bits, Row, bits, push_bit};

/// Pairs of items that may not be chosen together.
///
/// Kept as words of bit sets, one item's after another's: items are numbered along the lines,
/// so those that an item conflicts with come in runs, and a word of 12 bytes holds some twenty
/// of them. A state of sites has some hundred million pairs.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Conflicts {
    start: Vec<usize>,
    words: Vec<u32>,
    masks: Vec<u64>,
}

/// The items of a greater number that an item conflicts with.
#[derive(Clone, Default)]
pub struct Later(Row);

impl Later {
    /// From items in ascending order.
    pub fn new(items: impl IntoIterator<Item = u32>) -> Self {
        let mut row = Row::new();
        items.into_iter().for_each(|item| push_bit(&mut row, item));
        row.shrink_to_fit();
        Self(row)
    }

    /// Adds those of another list.
    pub fn join(&mut self, other: &Later) {
        for &(word, mask) in &other.0 {
            match self.0.binary_search_by_key(&word, |&(word, _)| word) {
                Ok(i) => self.0[i].1 |= mask,
                Err(i) => self.0.insert(i, (word, mask)),
            }
        }
    }
}

impl Conflicts {
    /// From pairs in any order, repeats and loops allowed, among `items` items.
    pub fn from_pairs(items: usize, pairs: &[(u32, u32)]) -> Self {
        let apart = pairs.iter().filter(|(a, b)| a != b);
        let mut ordered: Vec<(u32, u32)> = apart.map(|&(a, b)| (a.min(b), a.max(b))).collect();
        ordered.sort_unstable();
        let mut rest = ordered.as_slice();
        let later = (0..items as u32).map(|a| {
            let (own, others) = rest.split_at(rest.partition_point(|pair| pair.0 <= a));
            rest = others;
            Later::new(own.iter().map(|&(_, b)| b))
        });
        Self::from_later(&later.collect::<Vec<_>>())
    }

    /// From the later items that each conflicts with.
    ///
    /// Cost: two passes over the pairs; memory of the result, beside that of `later`.
    pub fn from_later(later: &[Later]) -> Self {
        let mut start = vec![0; later.len() + 1];
        each_word(later, |item, _, is_new, _| start[item as usize + 1] += usize::from(is_new));
        for item in 0..later.len() {
            start[item + 1] += start[item];
        }
        let all = start[later.len()];
        let (mut words, mut masks) = (vec![0; all], vec![0; all]);
        let mut next = start.clone();
        each_word(later, |item, word, is_new, mask| {
            let next = &mut next[item as usize];
            *next += usize::from(is_new);
            words[*next - 1] = word;
            masks[*next - 1] |= mask;
        });
        Self { start, words, masks }
    }

    /// The items that conflict with an item, ascending.
    pub fn of(&self, item: u32) -> impl Iterator<Item = u32> + '_ {
        let of = self.start[item as usize]..self.start[item as usize + 1];
        self.words[of.clone()].iter().zip(&self.masks[of]).flat_map(|(&word, &mask)| Bits::of(word, mask))
    }

    /// The words of an item's row, without the item itself.
    pub(super) fn words(&self, item: u32) -> impl ExactSizeIterator<Item = (u32, u64)> + '_ {
        let of = self.start[item as usize]..self.start[item as usize + 1];
        self.words[of.clone()].iter().copied().zip(self.masks[of].iter().copied())
    }

    /// Number of items.
    pub fn items(&self) -> usize {
        self.start.len().saturating_sub(1)
    }

    /// Number of conflicting pairs.
    pub fn pairs(&self) -> usize {
        self.masks.iter().map(|mask| mask.count_ones() as usize).sum::<usize>() / 2
    }
}

/// Tells of every pair on both of its sides: `tell(item, word, is_new, mask)`, where `is_new` says
/// whether the word is another than the one told of before for the item. Words of an item ascend,
/// since those of a smaller number come first.
fn each_word(later: &[Later], mut tell: impl FnMut(u32, u32, bool, u64)) {
    let mut last = vec![u32::MAX; later.len()];
    let mut tell = |item: u32, word: u32, mask: u64| {
        let is_new = std::mem::replace(&mut last[item as usize], word) != word;
        tell(item, word, is_new, mask);
    };
    for (item, Later(row)) in (0..).zip(later) {
        row.iter().for_each(|&(word, mask)| tell(item, word, mask));
        bits(row).for_each(|other| tell(other, item / 64, 1 << (item % 64)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// Against a set of ordered pairs, with repeats, loops and either order among what is given.
    #[test]
    fn conflicts_are_the_pairs_given_from_both_sides() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        for items in [0, 1, 63, 64, 65, 300] {
            let draw = |rng: &mut ChaCha8Rng| rng.random_range(0..items.max(1)) as u32;
            let pairs: Vec<(u32, u32)> = (0..items * 3).map(|_| (draw(&mut rng), draw(&mut rng))).collect();
            let conflicts = Conflicts::from_pairs(items, &pairs);
            let both = pairs.iter().flat_map(|&(a, b)| [(a, b), (b, a)]).filter(|(a, b)| a != b);
            let wanted: std::collections::BTreeSet<(u32, u32)> = both.collect();
            let told: Vec<(u32, u32)> =
                (0..items as u32).flat_map(|a| conflicts.of(a).map(move |b| (a, b))).collect();
            assert_eq!(told, wanted.iter().copied().collect::<Vec<_>>(), "{items} items");
            assert_eq!(conflicts.pairs(), wanted.len() / 2);
            assert_eq!(conflicts.items(), items);
        }
    }

    /// Items beside each other in number share words: 12 bytes for up to 64 of them.
    #[test]
    fn runs_of_items_share_words() {
        let near: Vec<(u32, u32)> =
            (0..6400).flat_map(|a| (a + 1..(a + 33).min(6400)).map(move |b| (a, b))).collect();
        let conflicts = Conflicts::from_pairs(6400, &near);
        assert!(conflicts.words.len() <= 6400 * 2, "{} words", conflicts.words.len());
        assert_eq!(conflicts.pairs(), near.len());
    }
}
