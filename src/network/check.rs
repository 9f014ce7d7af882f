//! The invariants of a network, checked.

use std::collections::{HashMap, HashSet};

use super::exact::{Hit, crossing, hit, in_box};
use super::lattice::{Extent, Lattice, Pixel};
use super::strand::{Strand, Strands, way_length_m};
use super::strips::{Strips, reaches};
use super::{KindSet, Network, NetworkError};

/// What sums of lengths may differ by from rounding alone, in metres.
const ROUNDING_M: f64 = 1e-6;

impl Network {
    /// Every invariant that the network breaks, in words; an empty list is a sound network.
    ///
    /// 1. Every edge names two nodes, and its path begins and ends there.
    /// 2. A node's degree is the number of edge ends there, and every node has one.
    /// 3. An edge's length is that of its path, and is not zero.
    /// 4. Edges meet only at nodes: no two cross, none enters the pixel of another's vertex, and
    ///    a vertex that two edges share is an end of both. Places where lines on different
    ///    levels were parted are exempt.
    /// 5. No two edges are the same.
    /// 6. A stretch is as long as its edge, to within √2 lattice steps for every vertex.
    /// 7. Stretches lie in order on their line without overlap, and what a line lacks is no
    ///    longer than the overshoots cut from it.
    ///
    /// Cost: that of noding the edges once more.
    pub fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        self.check_graph(&mut faults);
        self.check_lines(&mut faults);
        if let Err(e) = self.check_meetings(&mut faults) {
            faults.push(e.to_string());
        }
        faults
    }

    fn check_graph(&self, faults: &mut Vec<String>) {
        let mut seen = HashSet::new();
        let mut degree = vec![0; self.nodes().len()];
        for (k, e) in self.edges().iter().enumerate() {
            let path = self.path(k as u32);
            for (node, at, which) in [(e.from, path.first(), "from"), (e.to, path.last(), "to")] {
                match self.nodes().get(node as usize) {
                    None => faults.push(format!("edge {k}: its {which} node {node} does not exist")),
                    Some(n) => {
                        degree[node as usize] += 1;
                        if at != Some(&n.at) {
                            faults.push(format!("edge {k}: its path does not touch its {which} node {node}"));
                        }
                    }
                }
            }
            let length_m = way_length_m(path);
            if e.length_m != length_m || length_m <= 0.0 {
                faults.push(format!("edge {k}: length {} m, its path {length_m} m", e.length_m));
            }
            let bits: Vec<(u64, u64)> = path.iter().map(|p| (p.x_m.to_bits(), p.y_m.to_bits())).collect();
            let backward: Vec<_> = bits.iter().rev().copied().collect();
            if !seen.insert(bits.min(backward)) && self.report().parted.is_empty() {
                faults.push(format!("edge {k}: another edge has the same path"));
            }
        }
        for (k, node) in self.nodes().iter().enumerate() {
            if node.degree != degree[k]
                || degree[k] as usize != self.ends_at(k as u32).len()
                || degree[k] == 0
            {
                faults.push(format!("node {k}: degree {}, edge ends there {}", node.degree, degree[k]));
            }
        }
    }

    fn check_lines(&self, faults: &mut Vec<String>) {
        let slack_m =
            |vertices: usize| std::f64::consts::SQRT_2 * self.report().lattice_step_m * vertices as f64;
        for (k, e) in self.edges().iter().enumerate() {
            for s in self.stretches(k as u32).iter().filter(|s| !self.report().is_merged(s.line)) {
                let stretch_m = (s.end_m - s.start_m).abs();
                if (stretch_m - e.length_m).abs() > slack_m(self.path(k as u32).len()) + ROUNDING_M {
                    faults.push(format!(
                        "edge {k}: {} m long, carries {stretch_m} m of line {}",
                        e.length_m, s.line
                    ));
                }
            }
        }
        let mut missing_m = 0.0;
        for line in 0..self.report().lines as u32 {
            if self.report().vanished.contains(&line) || self.report().is_merged(line) {
                continue;
            }
            let mut reached_m = 0.0;
            for p in self.line_pieces(line) {
                if p.low_m < reached_m - slack_m(2) {
                    faults.push(format!("line {line}: pieces overlap at chainage {} m", p.low_m));
                }
                missing_m += (p.low_m - reached_m).max(0.0);
                reached_m = p.high_m;
            }
            missing_m += self.line_length_m(line).unwrap_or(0.0) - reached_m;
        }
        let allowed_m = self.report().cut_m + slack_m(2 * self.report().lines) + ROUNDING_M;
        if missing_m > allowed_m {
            faults.push(format!("{missing_m} m of line carry no edge, {} m were cut", self.report().cut_m));
        }
    }

    fn check_meetings(&self, faults: &mut Vec<String>) -> Result<(), NetworkError> {
        let paths = (0..self.paths.len()).map(|edge| Extent::of(self.paths.row(edge)));
        let extent = paths.fold(Extent::NONE, Extent::with);
        let lattice = Lattice::covering(self.report().lattice_step_m, extent)?;
        let mut strands = Strands::with_capacity(self.edges().len(), 0, false);
        for (k, e) in self.edges().iter().enumerate() {
            let strand = Strand { kind: e.kind, kinds: KindSet::EMPTY, level: 0 };
            strands.push(&lattice, strand, &[], self.path(k as u32));
        }
        let parted: HashSet<Pixel> = self.report().parted.iter().map(|&p| lattice.pixel(p)).collect();
        let mut interior: HashMap<Pixel, usize> = HashMap::new();
        for edge in 0..strands.len() {
            let range = strands.range(edge);
            for v in &strands.vertices[range.start + 1..range.end - 1] {
                if interior.insert(*v, edge).is_some() && !parted.contains(v) {
                    faults.push(format!("two edges share the vertex {:?} inside", lattice.ground(*v)));
                }
            }
        }
        for node in self.nodes() {
            let at = lattice.pixel(node.at);
            if interior.contains_key(&at) && !parted.contains(&at) {
                faults.push(format!("an edge passes through the node at {:?}", node.at));
            }
        }
        check_pairs(&strands, faults);
        Ok(())
    }
}

/// No two segments may cross, and none may enter the pixel of another's end.
fn check_pairs(strands: &Strands, faults: &mut Vec<String>) {
    let strips = Strips::new(strands);
    for strip in 0..strips.len() {
        let swept = strips.sweep(strands, strip, (0..).zip(strips.segments(strip)));
        for (i, (first, reach)) in swept.iter().zip(reaches(&swept, |s| (s.west, s.east))).enumerate() {
            for second in &swept[i + 1..reach as usize] {
                check_pair((first.a, first.b), (second.a, second.b), faults);
            }
        }
    }
}

fn check_pair((a, b): (Pixel, Pixel), (c, d): (Pixel, Pixel), faults: &mut Vec<String>) {
    let enters = |a, b, p: Pixel| p != a && p != b && in_box(a, b, p) && hit(a, b, p) == Hit::Inside;
    if crossing(a, b, c, d).is_some() {
        faults.push(format!("segments {a:?}-{b:?} and {c:?}-{d:?} cross"));
    } else if enters(a, b, c) || enters(a, b, d) || enters(c, d, a) || enters(c, d, b) {
        faults.push(format!("of segments {a:?}-{b:?} and {c:?}-{d:?} one enters the other's end"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn says(first: [(i32, i32); 2], second: [(i32, i32); 2]) -> &'static str {
        let ends = |s: [(i32, i32); 2]| (Pixel::new(s[0].0, s[0].1), Pixel::new(s[1].0, s[1].1));
        let mut faults = Vec::new();
        check_pair(ends(first), ends(second), &mut faults);
        match &faults[..] {
            [] => "nothing",
            [fault] if fault.ends_with("cross") => "cross",
            [fault] if fault.ends_with("one enters the other's end") => "enters",
            _ => "more",
        }
    }

    #[test]
    fn segments_may_neither_cross_nor_enter_each_others_ends() {
        let level = [(0, 0), (100, 0)];
        // Its first or last end on the other, whichever is named first and whichever way it runs.
        for (other, wanted) in [
            ([(40, 0), (60, 70)], "enters"),
            ([(40, -30), (60, 70)], "cross"),
            ([(40, 1), (60, 70)], "nothing"),
            ([(0, 0), (60, 70)], "nothing"),
            ([(100, 0), (100, 70)], "nothing"),
            ([(100, 0), (0, 0)], "nothing"),
            ([(-50, 0), (50, 0)], "enters"),
            ([(101, 0), (150, 0)], "nothing"),
        ] {
            let turned = [other[1], other[0]];
            for (first, second) in [(level, other), (other, level), (level, turned), (turned, level)] {
                assert_eq!(says(first, second), wanted, "{first:?} {second:?}");
            }
        }
    }
}
