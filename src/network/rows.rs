//! Lists of different lengths, one after another in one list.

/// Row `k` is `items[starts[k]..starts[k + 1]]`. One allocation for all rows, where a list of
/// lists would make one each.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Rows<T> {
    starts: Vec<u32>,
    items: Vec<T>,
}

impl<T> Rows<T> {
    /// No rows, with room for some.
    pub(crate) fn with_capacity(rows: usize, items: usize) -> Self {
        let mut starts = Vec::with_capacity(rows + 1);
        starts.push(0);
        Self { starts, items: Vec::with_capacity(items) }
    }

    /// Adds a row.
    pub(crate) fn push(&mut self, row: impl IntoIterator<Item = T>) {
        self.items.extend(row);
        self.starts.push(self.items.len() as u32);
    }

    /// Gives back room that no row takes.
    pub(crate) fn shrink_to_fit(&mut self) {
        self.starts.shrink_to_fit();
        self.items.shrink_to_fit();
    }

    /// The row with a number that exists.
    #[inline]
    pub(crate) fn row(&self, k: usize) -> &[T] {
        &self.items[self.range(k)]
    }

    /// Where a row lies in the list of all items.
    #[inline]
    pub(crate) fn range(&self, k: usize) -> std::ops::Range<usize> {
        self.starts[k] as usize..self.starts[k + 1] as usize
    }

    /// How many rows there are.
    pub(crate) fn len(&self) -> usize {
        self.starts.len() - 1
    }

    /// The items alone.
    pub(crate) fn into_items(self) -> Vec<T> {
        self.items
    }

    /// All items, row by row.
    pub(crate) fn items(&self) -> &[T] {
        &self.items
    }
}

impl<T: Copy> Rows<T> {
    /// Rows of the lengths given, to be filled in.
    pub(crate) fn blank(lengths: impl ExactSizeIterator<Item = usize>, blank: T) -> Self {
        let mut starts = Vec::with_capacity(lengths.len() + 1);
        let mut total = 0;
        starts.push(0);
        starts.extend(lengths.map(|length| {
            total += length as u32;
            total
        }));
        Self { starts, items: vec![blank; total as usize] }
    }

    /// The items of so many rows at a time.
    pub(crate) fn parts_mut(&mut self, rows: usize) -> Vec<&mut [T]> {
        let mut parts = Vec::with_capacity(self.len().div_ceil(rows));
        let mut left = self.items.as_mut_slice();
        for first in (0..self.starts.len() - 1).step_by(rows) {
            let end = (first + rows).min(self.starts.len() - 1);
            let (part, later) = left.split_at_mut((self.starts[end] - self.starts[first]) as usize);
            parts.push(part);
            left = later;
        }
        parts
    }

    /// Sorts items into rows and keeps their order within each. `each` is called twice and
    /// gives every item with its row; `blank` fills the room in between.
    pub(crate) fn sorted(rows: usize, blank: T, each: impl Fn(&mut dyn FnMut(u32, T))) -> Self {
        let mut starts = vec![0_u32; rows + 1];
        each(&mut |row, _| starts[row as usize + 1] += 1);
        for k in 1..starts.len() {
            starts[k] += starts[k - 1];
        }
        let mut next = starts.clone();
        let mut items = vec![blank; starts[rows] as usize];
        each(&mut |row, item| {
            let at = &mut next[row as usize];
            items[*at as usize] = item;
            *at += 1;
        });
        Self { starts, items }
    }

    /// Sorts every row.
    pub(crate) fn sort_rows_by(&mut self, order: impl Fn(&T, &T) -> std::cmp::Ordering) {
        for k in 0..self.len() {
            let range = self.range(k);
            self.items[range].sort_by(&order);
        }
    }
}
