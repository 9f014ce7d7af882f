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

#[cfg(test)]
mod tests {
    use super::Rows;

    fn told(rows: &Rows<char>) -> Vec<String> {
        (0..rows.len()).map(|k| rows.row(k).iter().collect()).collect()
    }

    fn words() -> Rows<char> {
        let mut rows = Rows::with_capacity(4, 9);
        ["fox", "", "dingo", "d"].iter().for_each(|word| rows.push(word.chars()));
        rows
    }

    #[test]
    fn rows_are_as_they_were_put_in() {
        let mut rows = words();
        assert_eq!(told(&rows), ["fox", "", "dingo", "d"]);
        assert_eq!((rows.range(2), rows.range(1), rows.items().len()), (3..8, 3..3, 9));
        rows.shrink_to_fit();
        assert_eq!(told(&rows), ["fox", "", "dingo", "d"]);
        rows.sort_rows_by(|p, q| p.cmp(q));
        assert_eq!(told(&rows), ["fox", "", "dgino", "d"]);
        assert_eq!(rows.into_items().into_iter().collect::<String>(), "foxdginod");
        assert_eq!(Rows::<char>::with_capacity(0, 0).len(), 0);
    }

    #[test]
    fn items_sorted_into_rows_keep_their_order() {
        let items =
            [(2, 'd'), (0, 'f'), (2, 'i'), (2, 'n'), (0, 'o'), (2, 'g'), (0, 'x'), (2, 'o'), (3, 'd')];
        let rows = Rows::sorted(4, ' ', |add| items.iter().for_each(|&(row, item)| add(row, item)));
        assert_eq!(rows, words());
        assert_eq!(told(&Rows::sorted(2, ' ', |_| ())), ["", ""]);
    }

    #[test]
    fn parts_are_the_items_of_so_many_rows_each() {
        for (rows, wanted) in [
            (1, vec!["fox", "", "dingo", "d"]),
            (2, vec!["fox", "dingod"]),
            (3, vec!["foxdingo", "d"]),
            (9, vec!["foxdingod"]),
        ] {
            let mut blank = Rows::blank([3, 0, 5, 1].into_iter(), ' ');
            assert_eq!(told(&blank), ["   ", "", "     ", " "]);
            let parts = blank.parts_mut(rows);
            assert_eq!(
                parts.iter().map(|p| p.len()).collect::<Vec<_>>(),
                wanted.iter().map(|w| w.len()).collect::<Vec<_>>()
            );
            for (part, word) in parts.into_iter().zip(&wanted) {
                part.iter_mut().zip(word.chars()).for_each(|(slot, c)| *slot = c);
            }
            assert_eq!(blank, words(), "{rows} at a time");
        }
    }
}
