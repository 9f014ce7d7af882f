//! Lists of numbers, one after the other.

/// Which numbers each of many things has.
pub(super) struct Lists {
    start: Vec<usize>,
    all: Vec<u32>,
}

impl Lists {
    pub fn new<'a>(lists: impl IntoIterator<Item = &'a [u32]>) -> Self {
        let mut made = Self { start: vec![0], all: Vec::new() };
        for list in lists {
            made.all.extend_from_slice(list);
            made.start.push(made.all.len());
        }
        made
    }

    pub fn len(&self) -> usize {
        self.start.len() - 1
    }

    /// How many numbers there are in all lists together.
    pub fn entries(&self) -> usize {
        self.all.len()
    }

    pub fn of(&self, list: usize) -> &[u32] {
        &self.all[self.start[list]..self.start[list + 1]]
    }

    pub fn iter(&self) -> impl Iterator<Item = &[u32]> {
        (0..self.len()).map(|list| self.of(list))
    }

    /// For each number below `numbers` the lists that have it, ascending.
    pub fn turned(&self, numbers: usize) -> Self {
        let mut start = vec![0; numbers + 1];
        self.all.iter().for_each(|&v| start[v as usize + 1] += 1);
        for k in 0..numbers {
            start[k + 1] += start[k];
        }
        let (mut next, mut all) = (start.clone(), vec![0; self.all.len()]);
        for (list, numbers) in self.iter().enumerate() {
            for &v in numbers {
                all[next[v as usize]] = list as u32;
                next[v as usize] += 1;
            }
        }
        Self { start, all }
    }

    /// The sum of what a list's numbers stand for. Four sums side by side: one would wait for each
    /// addition.
    pub fn sum(&self, list: usize, value: &[f64]) -> f64 {
        let (fours, rest) = self.of(list).as_chunks::<4>();
        let mut sums = [0.0; 4];
        for four in fours {
            for k in 0..4 {
                sums[k] += value[four[k] as usize];
            }
        }
        sums.iter().sum::<f64>() + rest.iter().map(|&v| value[v as usize]).sum::<f64>()
    }
}
