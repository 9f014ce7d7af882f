//! What sites and stations are held to, as the plan has it.

use crate::record::{Animal, LineKind};

/// The rules of one job.
#[derive(Clone, PartialEq, Debug)]
pub struct Rules {
    /// Least travel distance between two sites, in metres.
    pub spacing_m: f64,
    /// Least straight-line distance in metres between any two sites; 0 for none.
    pub straight_m: Option<f64>,
    /// The animals that sites may be meant for, each with its own spacing in metres.
    pub targets: Vec<(Animal, f64)>,
    /// Error with which a station is placed, in metres, added to every keep-out distance of a site.
    pub placement_error_m: f64,
    /// Most sites, if there is such a number.
    pub budget: Option<usize>,
    /// Most sites at one node.
    pub cluster: usize,
    /// Least straight-line distance between sites of one cluster, in metres.
    pub cluster_apart_m: f64,
    /// Kinds of line that bear sites.
    pub along: Vec<LineKind>,
    /// Kinds of line that carry travel.
    pub travel: Vec<LineKind>,
    /// Kinds of line that may lie between a line and its site.
    pub across: Vec<LineKind>,
    /// Gaps up to this many metres are closed.
    pub snap_m: f64,
    /// Passes within this many metres are one line.
    pub merge_m: f64,
}

impl Rules {
    /// The spacing in metres of a site that is meant for an animal; where animals have spacings and
    /// the site does not say which it is meant for, the widest.
    pub(super) fn spacing_of(&self, target: Option<&Animal>) -> f64 {
        if self.targets.is_empty() {
            return self.spacing_m;
        }
        let own = target.and_then(|t| self.targets.iter().find(|(animal, _)| animal == t)).map(|(_, m)| *m);
        own.unwrap_or_else(|| self.targets.iter().map(|(_, m)| *m).fold(0.0, f64::max))
    }

    /// The least straight-line distance in metres that goes with a spacing.
    pub(super) fn straight_of(&self, spacing_m: f64) -> f64 {
        self.straight_m.unwrap_or(spacing_m / 2.0)
    }

    /// The least spacing of any site, in metres.
    pub(super) fn least_spacing_m(&self) -> f64 {
        let least = self.targets.iter().map(|(_, m)| *m).min_by(f64::total_cmp);
        least.unwrap_or(self.spacing_m)
    }
}
