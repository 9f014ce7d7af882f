//! One bounded search on the travel graph, and the room it works in.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// How a hub was reached: straight from the start along the first chain to its `from` end,
/// or to its `to` end; otherwise the number of a chain end.
pub(super) const NO_END: u32 = u32::MAX;
pub(super) const FIRST_TO: u32 = u32::MAX - 1;

/// Buffers of one search. Marks with the number of the search spare clearing them.
pub(super) struct Workspace {
    search: u32,
    hub_mark: Vec<u32>,
    hub_m: Vec<f64>,
    settled: Vec<u32>,
    pub by: Vec<u32>,
    target_mark: Vec<u32>,
    target_m: Vec<f64>,
    reached: Vec<u32>,
    /// Distance as ordered bits (distances are not negative), and hub.
    queue: BinaryHeap<Reverse<(u64, u32)>>,
}

impl Workspace {
    pub fn new(hubs: usize, targets: usize) -> Self {
        Self {
            search: 0,
            hub_mark: vec![0; hubs],
            hub_m: vec![0.0; hubs],
            settled: vec![0; hubs],
            by: vec![NO_END; hubs],
            target_mark: vec![0; targets],
            target_m: vec![0.0; targets],
            reached: Vec::new(),
            queue: BinaryHeap::new(),
        }
    }

    pub fn begin(&mut self) {
        self.search += 1;
        self.reached.clear();
        self.queue.clear();
    }

    pub fn offer_hub(&mut self, hub: u32, d: f64, within_m: f64, by: u32) {
        let h = hub as usize;
        if d <= within_m && (self.hub_mark[h] != self.search || d < self.hub_m[h]) {
            self.hub_mark[h] = self.search;
            self.hub_m[h] = d;
            self.by[h] = by;
            self.queue.push(Reverse((d.to_bits(), hub)));
        }
    }

    pub fn settle(&mut self) -> Option<(u32, f64)> {
        while let Some(Reverse((bits, hub))) = self.queue.pop() {
            if self.settled[hub as usize] != self.search {
                self.settled[hub as usize] = self.search;
                return Some((hub, f64::from_bits(bits)));
            }
        }
        None
    }

    /// Notes a distance to a target; false if it is too far.
    pub fn offer_target(&mut self, k: u32, d: f64, within_m: f64) -> bool {
        if d > within_m {
            return false;
        }
        let t = k as usize;
        if self.target_mark[t] != self.search {
            self.target_mark[t] = self.search;
            self.target_m[t] = d;
            self.reached.push(k);
        } else if d < self.target_m[t] {
            self.target_m[t] = d;
        }
        true
    }

    pub fn take_row(&mut self) -> Vec<(u32, f64)> {
        self.reached.sort_unstable();
        self.reached.iter().map(|&k| (k, self.target_m[k as usize])).collect()
    }
}
