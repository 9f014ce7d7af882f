//! Which places on strands hang together close by.

use std::collections::{BTreeMap, HashMap};

use super::gap_search::micrometres;

/// Places on strands, in sets that hang together within a short way of each other.
///
/// Two places of one strand hang together where the way along it is short: a strand leads far
/// away, and that its other end is joined somewhere says nothing of this one.
pub(super) struct Joints {
    parent: Vec<u32>,
    /// The places on each strand, by micrometres along it.
    on: HashMap<usize, BTreeMap<i64, u32>>,
    /// Greatest way along a strand between two places that hang together by it, in micrometres.
    reach: i64,
}

impl Joints {
    /// No places yet; `reach_m` is the greatest way along a strand that counts as close by.
    pub(super) fn new(reach_m: f64) -> Self {
        Self { parent: Vec::new(), on: HashMap::new(), reach: micrometres(reach_m) }
    }

    /// The number of a place so many metres along a strand; it hangs together with those beside it.
    pub(super) fn place(&mut self, strand: usize, along_m: f64) -> u32 {
        let along = micrometres(along_m);
        let places = self.on.entry(strand).or_default();
        if let Some(&known) = places.get(&along) {
            return known;
        }
        let fresh = self.parent.len() as u32;
        // Those farther off hang together with these two, if they do at all.
        let before = places.range(along - self.reach..along).next_back().map(|(_, &k)| k);
        let after = places.range(along..=along + self.reach).next().map(|(_, &k)| k);
        places.insert(along, fresh);
        self.parent.push(fresh);
        for beside in [before, after].into_iter().flatten() {
            self.unite(fresh, beside);
        }
        fresh
    }

    /// Notes that two places hang together.
    pub(super) fn unite(&mut self, a: u32, b: u32) {
        let (a, b) = (self.root(a), self.root(b));
        self.parent[a.max(b) as usize] = a.min(b);
    }

    /// Whether a place hangs together with a strand at so many metres along it.
    pub(super) fn is_joined(&mut self, place: u32, strand: usize, along_m: f64) -> bool {
        let there = self.place(strand, along_m);
        self.root(place) == self.root(there)
    }

    fn root(&mut self, mut k: u32) -> u32 {
        while self.parent[k as usize] != k {
            let above = self.parent[self.parent[k as usize] as usize];
            self.parent[k as usize] = above;
            k = above;
        }
        k
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_of_a_strand_hang_together_where_the_way_between_them_is_short() {
        let mut joints = Joints::new(20.0);
        let first = joints.place(7, 100.0);
        assert!(joints.is_joined(first, 7, 120.0) && joints.is_joined(first, 7, 80.0));
        assert!(!joints.is_joined(first, 7, 141.0), "beyond the place at 120 m");
        assert!(joints.is_joined(first, 7, 139.0), "by way of that place");
        assert!(!joints.is_joined(first, 8, 100.0), "another strand");
        assert_eq!(joints.place(7, 100.0), first);
    }

    #[test]
    fn what_is_united_hangs_together_by_any_number_of_steps() {
        let mut joints = Joints::new(20.0);
        let places: Vec<u32> = (0..6).map(|strand| joints.place(strand, 0.0)).collect();
        for (a, b) in [(4, 5), (0, 1), (2, 3), (3, 5), (1, 4)] {
            assert!(!joints.is_joined(places[a], b, 0.0), "{a} {b}");
            joints.unite(places[a], places[b]);
            assert!(joints.is_joined(places[a], b, 0.0));
        }
        assert!(joints.is_joined(places[0], 3, 10.0));
    }
}
