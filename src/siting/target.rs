//! The animals that sites are meant for.

use super::conflict::Apart;
use super::propose::WRITING_MARGIN_M;
use super::score::Part;
use super::settings::SitingSettings;
use crate::record::Animal;

/// What one animal asks for.
#[derive(Clone, PartialEq, Debug)]
pub struct Target {
    /// The animal.
    pub animal: Animal,
    /// How much its activity counts against that of the others.
    pub weight: f64,
    /// How far a site reaches for it, in metres.
    pub reach_m: f64,
    /// Least travel distance that a site meant for it keeps, in metres.
    pub spacing_m: f64,
}

impl Target {
    /// The name of its part of the score.
    pub fn part_name(&self) -> String {
        format!("activity_{}", self.animal.word().replace(' ', "_"))
    }
}

/// The target that each candidate is meant for: the one whose activity gives most of the
/// score there, the first of equals. Empty without targets.
pub fn leads(targets: &[Target], parts: &[Part], candidates: usize) -> Vec<u32> {
    if targets.is_empty() {
        return Vec::new();
    }
    let of_target: Vec<Option<&Part>> =
        targets.iter().map(|t| parts.iter().find(|p| p.name == t.part_name())).collect();
    let given = |t: usize, i: usize| of_target[t].map_or(0.0, |part| part.weight * part.value[i]);
    let lead = |i: usize| {
        (0..targets.len()).fold(0, |best, t| if given(t, i) > given(best, i) { t } else { best }) as u32
    };
    (0..candidates).map(lead).collect()
}

/// How far apart each candidate keeps, in frame metres, so that distances hold both in the
/// frame and on the ground, in the files as written. `scale` is frame metres to a metre on
/// the ground, at the most.
pub fn aparts(settings: &SitingSettings, leads: &[u32], candidates: usize, scale: f64) -> Vec<Apart> {
    let general = apart(settings, settings.spacing_m, scale);
    let of_target: Vec<Apart> =
        settings.targets.iter().map(|t| apart(settings, t.spacing_m, scale)).collect();
    let of = |i: usize| leads.get(i).and_then(|&t| of_target.get(t as usize)).copied();
    (0..candidates).map(|i| of(i).unwrap_or(general)).collect()
}

fn apart(settings: &SitingSettings, spacing_m: f64, scale: f64) -> Apart {
    let written = |metres: f64| metres * scale.max(1.0) + WRITING_MARGIN_M;
    let straight_m = settings.straight_of_m(spacing_m);
    Apart {
        travel_m: written(spacing_m),
        straight_m: if straight_m > 0.0 { written(straight_m) } else { 0.0 },
    }
}
