//! Whether lines make a network at all, or a tangle of repeated recordings.

use super::Network;

/// Junctions joined by an edge shorter than this, in metres, are one place on the ground: no two
/// tracks fork twice within the length of a vehicle and its trailer. Common practice, no source.
const ONE_PLACE_M: f64 = 10.0;

/// Fewer junctions than this can be looked over by eye.
const FEW_JUNCTIONS: usize = 100;

/// How much of the travel lines is a tangle: what repeated recordings of the same tracks make, which
/// cross each other again and again.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Tangle {
    /// Nodes where three or more edges of travel lines end.
    pub junctions: usize,
    /// How many of them lie within 10 m of another along an edge.
    pub crowded: usize,
    /// The length of line that was merged as further passes, as a share of all input lines.
    pub merged_share: f64,
}

impl Tangle {
    /// The share of junctions that are crowded, in 0..=1.
    pub fn crowded_share(&self) -> f64 {
        if self.junctions == 0 { 0.0 } else { self.crowded as f64 / self.junctions as f64 }
    }

    /// Whether distances along these lines mean nothing.
    ///
    /// On street and track maps that people drew up to a third of the junctions are crowded, and next
    /// to nothing is merged; in recordings of the same tracks by tens and hundreds, half to all are,
    /// and most of the length is merged.
    pub fn is_no_network(&self) -> bool {
        self.junctions >= FEW_JUNCTIONS
            && self.crowded_share() >= if self.merged_share >= 0.3 { 0.5 } else { 0.8 }
    }

    /// Whether many junctions are likely to be false.
    pub fn is_doubtful(&self) -> bool {
        self.is_no_network()
            || self.crowded >= FEW_JUNCTIONS / 10 && self.merged_share >= 0.3 && self.crowded_share() >= 0.3
    }
}

impl Network {
    /// How much of the travel lines is a tangle.
    ///
    /// Cost: linear.
    pub fn tangle(&self) -> Tangle {
        let mut ends = vec![0_u32; self.nodes.len()];
        let travels = || self.edges.iter().filter(|e| e.kinds.meets(self.settings.travel));
        for e in travels() {
            ends[e.from as usize] += 1;
            ends[e.to as usize] += 1;
        }
        let is_junction = |node: u32| ends[node as usize] >= 3;
        let mut crowded = vec![false; self.nodes.len()];
        let short = |e: &&super::Edge| e.from != e.to && e.length_m <= ONE_PLACE_M;
        for e in travels().filter(short).filter(|e| is_junction(e.from) && is_junction(e.to)) {
            crowded[e.from as usize] = true;
            crowded[e.to as usize] = true;
        }
        let merged_m: f64 = self.report.merged.iter().map(|m| m.to_m - m.from_m).sum();
        let lines_m: f64 = (0..self.report.lines as u32).filter_map(|line| self.line_length_m(line)).sum();
        Tangle {
            junctions: ends.iter().filter(|&&n| n >= 3).count(),
            crowded: crowded.iter().filter(|&&c| c).count(),
            merged_share: if lines_m > 0.0 { merged_m / lines_m } else { 0.0 },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tangle_is_told_from_streets_by_its_junctions_and_by_what_was_merged() {
        let of = |junctions, crowded, merged_share| {
            let tangle = Tangle { junctions, crowded, merged_share };
            (tangle.is_no_network(), tangle.is_doubtful())
        };
        // Streets of a town, and of an island, drawn by people: a fifth and a thirtieth.
        assert_eq!([of(2718, 571, 0.0), of(462, 14, 0.0)], [(false, false); 2]);
        // Three hundred, forty-four and twelve recordings of one network of 36 junctions.
        assert_eq!(
            [of(2004, 1804, 0.93), of(210, 120, 0.68), of(36, 16, 0.26)],
            [(true, true), (true, true), (false, false)]
        );
        // As many, none of them merged.
        assert_eq!(of(5458, 4694, 0.0), (true, true));
        assert_eq!(
            [of(120, 45, 0.5), of(90, 80, 0.9), of(0, 0, 0.0)],
            [(false, true), (false, true), (false, false)]
        );
    }
}
