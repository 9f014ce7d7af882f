//! The conflict graph: which items may not be chosen together, with their weights.

use super::conflicts::Conflicts;

/// Neighbours of a vertex, itself included, as 64-bit words of a bit set: (word, mask),
/// sorted by word, no mask empty. Items numbered along the lines have neighbours in few
/// words, so that subset tests touch little memory.
pub(super) type Row = Vec<(u32, u64)>;

/// An undirected graph with integer weights, whose vertices can be taken away.
#[derive(Clone)]
pub(super) struct Graph {
    pub weight: Vec<i64>,
    pub rows: Vec<Row>,
    pub alive: Vec<bool>,
    /// Neighbours alive, the vertex itself not counted.
    pub degree: Vec<u32>,
}

impl Graph {
    /// A graph from weights and who stands against whom.
    pub fn new(weight: Vec<i64>, conflicts: &Conflicts) -> Self {
        let n = weight.len() as u32;
        let rows: Vec<Row> = (0..n).map(|v| closed_row(v, conflicts)).collect();
        let size = |row: &Row| row.iter().map(|(_, mask)| mask.count_ones()).sum::<u32>();
        let degree = rows.iter().map(|row| size(row) - 1).collect();
        Self { weight, rows, alive: vec![true; n as usize], degree }
    }

    pub fn len(&self) -> usize {
        self.weight.len()
    }

    pub fn w(&self, v: u32) -> i64 {
        self.weight[v as usize]
    }

    pub fn row(&self, v: u32) -> &Row {
        &self.rows[v as usize]
    }

    pub fn adjacent(&self, a: u32, b: u32) -> bool {
        row_has(self.row(a), b)
    }

    /// The neighbours of `v`, ascending, `v` itself left out.
    pub fn neighbours(&self, v: u32) -> impl Iterator<Item = u32> + '_ {
        bits(self.row(v)).filter(move |&u| u != v)
    }

    /// Takes a vertex away.
    pub fn remove(&mut self, v: u32) {
        self.detach(v);
    }

    /// Takes a vertex away, and returns its row.
    pub fn detach(&mut self, v: u32) -> Row {
        self.alive[v as usize] = false;
        let row = std::mem::take(&mut self.rows[v as usize]);
        for u in bits(&row).filter(|&u| u != v) {
            row_clear(&mut self.rows[u as usize], v);
            self.degree[u as usize] -= 1;
        }
        row
    }

    /// The vertices alive, ascending.
    pub fn vertices(&self) -> Vec<u32> {
        (0..self.len() as u32).filter(|&v| self.alive[v as usize]).collect()
    }

    /// The graph on some vertices alone, numbered by their position in `keep`, which must
    /// be ascending.
    pub fn induced(&self, keep: &[u32]) -> Graph {
        let mut number = vec![u32::MAX; self.len()];
        for (i, &v) in keep.iter().enumerate() {
            number[v as usize] = i as u32;
        }
        let mut graph = Graph {
            weight: keep.iter().map(|&v| self.w(v)).collect(),
            rows: Vec::with_capacity(keep.len()),
            alive: vec![true; keep.len()],
            degree: Vec::with_capacity(keep.len()),
        };
        for &v in keep {
            let mut row = Row::new();
            let mut size = 0;
            for u in bits(self.row(v)).map(|u| number[u as usize]).filter(|&u| u != u32::MAX) {
                push_bit(&mut row, u);
                size += 1;
            }
            graph.rows.push(row);
            graph.degree.push(size - 1);
        }
        graph
    }

    /// The connected parts among the vertices alive, each ascending, in order of their
    /// smallest vertex.
    pub fn components(&self) -> Vec<Vec<u32>> {
        let mut seen = vec![false; self.len()];
        let mut parts = Vec::new();
        for start in self.vertices() {
            if std::mem::replace(&mut seen[start as usize], true) {
                continue;
            }
            let mut part = vec![start];
            let mut next = 0;
            while let Some(&v) = part.get(next) {
                next += 1;
                for u in bits(self.row(v)) {
                    if !std::mem::replace(&mut seen[u as usize], true) {
                        part.push(u);
                    }
                }
            }
            part.sort_unstable();
            parts.push(part);
        }
        parts
    }
}

fn closed_row(v: u32, conflicts: &Conflicts) -> Row {
    let words = conflicts.words(v);
    // Its own word may be one more.
    let mut row = Row::with_capacity(words.len() + 1);
    row.extend(words);
    row_set(&mut row, v);
    row
}

/// Adds a member greater than all others.
pub(super) fn push_bit(row: &mut Row, v: u32) {
    match row.last_mut() {
        Some((word, mask)) if *word == v / 64 => *mask |= 1 << (v % 64),
        _ => row.push((v / 64, 1 << (v % 64))),
    }
}

/// The members of a row, ascending.
pub(super) fn bits(row: &[(u32, u64)]) -> Bits<'_> {
    Bits { row, base: 0, mask: 0 }
}

/// Iterator of [`bits`].
pub(super) struct Bits<'a> {
    row: &'a [(u32, u64)],
    base: u32,
    mask: u64,
}

impl Bits<'_> {
    /// The members of a single word.
    pub fn of(word: u32, mask: u64) -> Self {
        Self { row: &[], base: word * 64, mask }
    }
}

impl Iterator for Bits<'_> {
    type Item = u32;

    fn next(&mut self) -> Option<u32> {
        if self.mask == 0 {
            let (&(word, mask), rest) = self.row.split_first()?;
            (self.row, self.base, self.mask) = (rest, word * 64, mask);
        }
        let bit = self.mask.trailing_zeros();
        self.mask &= self.mask - 1;
        Some(self.base + bit)
    }
}

pub(super) fn row_has(row: &[(u32, u64)], v: u32) -> bool {
    match row.binary_search_by_key(&(v / 64), |&(word, _)| word) {
        Ok(i) => row[i].1 >> (v % 64) & 1 == 1,
        Err(_) => false,
    }
}

pub(super) fn row_clear(row: &mut Row, v: u32) {
    if let Ok(i) = row.binary_search_by_key(&(v / 64), |&(word, _)| word) {
        row[i].1 &= !(1 << (v % 64));
        if row[i].1 == 0 {
            row.remove(i);
        }
    }
}

pub(super) fn row_set(row: &mut Row, v: u32) {
    match row.binary_search_by_key(&(v / 64), |&(word, _)| word) {
        Ok(i) => row[i].1 |= 1 << (v % 64),
        Err(i) => row.insert(i, (v / 64, 1 << (v % 64))),
    }
}

/// Whether every member of `a` is in `b`.
pub(super) fn is_subset(a: &[(u32, u64)], b: &[(u32, u64)]) -> bool {
    let mut rest = b.iter();
    // A row with more words has one that the other lacks.
    a.len() <= b.len()
        && a.iter().all(|&(word, mask)| {
            rest.find(|(other, _)| *other >= word)
                .is_some_and(|&(other, its)| other == word && mask & !its == 0)
        })
}

/// The members that two rows share.
pub(super) fn intersection(a: &[(u32, u64)], b: &[(u32, u64)]) -> Row {
    let (mut i, mut j) = (0, 0);
    let mut both = Row::new();
    while i < a.len() && j < b.len() {
        match a[i].0.cmp(&b[j].0) {
            std::cmp::Ordering::Less => i += 1,
            std::cmp::Ordering::Greater => j += 1,
            std::cmp::Ordering::Equal => {
                let mask = a[i].1 & b[j].1;
                if mask != 0 {
                    both.push((a[i].0, mask));
                }
                i += 1;
                j += 1;
            }
        }
    }
    both
}

/// Keeps the members of `a` that are also in `b`.
pub(super) fn intersect(a: &mut Row, b: &[(u32, u64)]) {
    let mut j = 0;
    a.retain_mut(|(word, mask)| {
        while j < b.len() && b[j].0 < *word {
            j += 1;
        }
        *mask &= if j < b.len() && b[j].0 == *word { b[j].1 } else { 0 };
        *mask != 0
    });
}

/// Takes the members of `b` out of `a`.
pub(super) fn subtract(a: &mut Row, b: &[(u32, u64)]) {
    let mut j = 0;
    a.retain_mut(|(word, mask)| {
        while j < b.len() && b[j].0 < *word {
            j += 1;
        }
        *mask &= if j < b.len() && b[j].0 == *word { !b[j].1 } else { u64::MAX };
        *mask != 0
    });
}

/// The least member that two rows share.
pub(super) fn first_shared(a: &[(u32, u64)], b: &[(u32, u64)]) -> Option<u32> {
    let mut j = 0;
    a.iter().find_map(|&(word, mask)| {
        while j < b.len() && b[j].0 < word {
            j += 1;
        }
        let both = mask & if j < b.len() && b[j].0 == word { b[j].1 } else { 0 };
        (both != 0).then(|| word * 64 + both.trailing_zeros())
    })
}
