//! Settings of the siting room, with their defaults and reasons.

use super::target::Target;
use super::wind::WindSettings;
use crate::frame::GroundPoint;
use crate::network::KindSet;
use crate::record::LineKind;

/// What is to be made greatest.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Objective {
    /// The sum of the sites' scores.
    #[default]
    Score,
    /// The activity within reach of some site.
    Coverage,
}

impl Objective {
    /// The word used in files and flags.
    pub fn word(self) -> &'static str {
        match self {
            Objective::Score => "score",
            Objective::Coverage => "coverage",
        }
    }

    /// Reads a word; `None` if it is not known.
    pub fn from_word(word: &str) -> Option<Objective> {
        [Objective::Score, Objective::Coverage].into_iter().find(|o| o.word() == word.trim().to_lowercase())
    }
}

/// How sites are chosen.
#[derive(Clone, PartialEq, Debug)]
pub struct SitingSettings {
    /// Least travel distance between two feet, in metres.
    pub spacing_m: f64,
    /// Least straight-line distance, in metres, between any two sites, and between a site and a
    /// station in the ground; half the spacing if `None`, 0 turns it off. Sites of one cluster keep
    /// [`SitingSettings::cluster_apart_m`] instead.
    pub min_straight_m: Option<f64>,
    /// Most sites.
    pub budget: Option<u32>,
    /// How far off the line a site stands, in metres.
    pub offset_m: f64,
    /// Error with which a station is placed, in metres, added to every keep-out distance.
    pub placement_error_m: f64,
    /// The kinds of line along which candidates stand.
    pub along: KindSet,
    /// How far a candidate on a line that carries no travel may be from one that does, in
    /// metres.
    pub walk_m: f64,
    /// Kinds that may lie between a line and its site.
    pub across: KindSet,
    /// How far a site reaches for `coverage`, and how far from the foot the sign that a
    /// reason speaks of lies at most, in metres.
    pub reach_m: f64,
    /// How much each part counts.
    pub weights: Weights,
    /// What each kind of line is worth, in 0..=1, in the order of [`LineKind::ALL`].
    pub kind_value: [f64; 7],
    /// How the wind is read.
    pub wind: WindSettings,
    /// Most sites at one hot node.
    pub cluster: u32,
    /// Least straight-line distance between sites of one cluster, in metres.
    pub cluster_apart_m: f64,
    /// Sites that must be: a name and a place in the frame.
    pub must: Vec<(String, GroundPoint)>,
    /// The animals that sites are meant for; without them all sign counts alike.
    pub targets: Vec<Target>,
    /// How far around it cover counts, in metres.
    pub cover_reach_m: f64,
    /// Records of non-target animals this near, in metres, bar a foot.
    pub non_target_keep_out_m: Option<f64>,
    /// What is to be made greatest.
    pub objective: Objective,
    /// How many random weightings the stability of sites is measured with; 0 for none.
    pub weightings: u64,
    /// Seed of those.
    pub seed: u64,
}

/// How much each part of a score counts; only the proportions matter.
#[derive(Clone, PartialEq, Debug)]
pub struct Weights {
    /// Activity, or the rate where effort is known.
    pub activity: f64,
    /// Ways that meet nearby.
    pub convergence: f64,
    /// The kind of line.
    pub line_kind: f64,
    /// Moving air.
    pub wind: f64,
    /// Cover.
    pub cover: f64,
}

impl Default for Weights {
    /// Sign found on the ground outweighs everything that is only inferred; where ways meet
    /// is next; the rest break ties. Common practice, no source for the numbers.
    fn default() -> Self {
        Self { activity: 5.0, convergence: 2.5, line_kind: 1.0, wind: 1.0, cover: 1.0 }
    }
}

impl Default for SitingSettings {
    /// Spacing 1000 m: common practice, no source for control; published guides say 100 to
    /// 500 m, and a permit may say its own. Offset 5 m and placement error 10 m: common
    /// practice, no source. Tracks bear candidates; public roads only when listed.
    ///
    /// Kinds: tracks 1, as lightly used dirt roads show the most sign (Engeman et al. 2002);
    /// roads 0.8, wild dogs being recorded near roads more than expected, and ridges 0.7;
    /// creeks 0.4, dogs being recorded near watercourses less than expected (Robley et al.
    /// 2010), though foxes use vegetated creek lines (Carter & Luck 2013); fences 0.5.
    fn default() -> Self {
        Self {
            spacing_m: 1000.0,
            min_straight_m: None,
            budget: None,
            offset_m: 5.0,
            placement_error_m: 10.0,
            along: KindSet::of(LineKind::Track),
            walk_m: 100.0,
            across: KindSet::EMPTY,
            reach_m: 500.0,
            weights: Weights::default(),
            kind_value: [1.0, 0.8, 0.5, 0.4, 0.7, 0.4, 0.3],
            wind: WindSettings::default(),
            cluster: 1,
            cluster_apart_m: 50.0,
            must: Vec::new(),
            targets: Vec::new(),
            cover_reach_m: 100.0,
            non_target_keep_out_m: None,
            objective: Objective::Score,
            weightings: 1000,
            seed: 1,
        }
    }
}

impl SitingSettings {
    /// The straight-line distance that any two sites keep, in metres; 0 where the rule is off.
    pub fn straight_m(&self) -> f64 {
        self.straight_of_m(self.least_spacing_m())
    }

    /// What a site with a spacing of its own keeps in a straight line, in metres.
    pub fn straight_of_m(&self, spacing_m: f64) -> f64 {
        self.min_straight_m.unwrap_or(spacing_m / 2.0)
    }

    /// The least spacing that any target animal asks for, in metres, or the general one.
    pub fn least_spacing_m(&self) -> f64 {
        self.targets.iter().map(|t| t.spacing_m).min_by(f64::total_cmp).unwrap_or(self.spacing_m)
    }

    /// Says which setting makes no sense.
    ///
    /// # Errors
    /// The name of the setting and its value.
    pub fn check(&self) -> Result<(), SitingError> {
        if self.budget == Some(0) {
            return Err(SitingError::NoBudget);
        }
        let positive =
            [("spacing_m", self.spacing_m), ("offset_m", self.offset_m), ("reach_m", self.reach_m)];
        let not_negative = [
            ("cover_reach_m", self.cover_reach_m),
            ("placement_error_m", self.placement_error_m),
            ("min_straight_m", self.straight_m()),
            ("walk_m", self.walk_m),
            ("cluster_apart_m", self.cluster_apart_m),
        ];
        let fault = |&(name, value): &(&'static str, f64)| SitingError::Setting { name, value };
        let bad = positive.iter().find(|(_, v)| !(v.is_finite() && *v > 0.0));
        let bad = bad.or_else(|| not_negative.iter().find(|(_, v)| !(v.is_finite() && *v >= 0.0)));
        bad.map_or(Ok(()), |found| Err(fault(found)))
    }
}

/// Why no sites can be proposed.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum SitingError {
    /// A number that makes no sense.
    #[error("{name} must be a number of metres that makes sense, found {value}")]
    Setting {
        /// Which one.
        name: &'static str,
        /// What was given.
        value: f64,
    },
    /// So many candidates that they would not fit.
    #[error(
        "a spacing of {spacing_m} m over {length_km:.1} km of line gives {candidates} candidates, more than the {limit} that fit; ask for at least {fits_m:.0} m"
    )]
    TooMany {
        /// The spacing.
        spacing_m: f64,
        /// Length of the lines that bear candidates.
        length_km: f64,
        /// How many that would be.
        candidates: u64,
        /// How many fit.
        limit: u64,
        /// A spacing that fits.
        fits_m: f64,
    },
    /// A budget of nothing.
    #[error("a budget of 0 leaves nothing to propose; ask for at least 1, or leave it out")]
    NoBudget,
    /// No line of the kinds asked for.
    #[error(
        "no line of the kind {kinds} bears candidates; add one with --line, or list other kinds in [sites] along"
    )]
    NoLine {
        /// The kinds asked for.
        kinds: String,
    },
    /// Every candidate is refused.
    #[error("none of {candidates} candidates may bear a site: {reasons}")]
    NothingStands {
        /// How many there were.
        candidates: usize,
        /// How many for which reason.
        reasons: String,
    },
    /// What is asked for cannot be had together.
    #[error("the demands cannot be met: {0}")]
    Impossible(String),
    /// A place cannot be projected.
    #[error(transparent)]
    Frame(#[from] crate::frame::FrameError),
}
