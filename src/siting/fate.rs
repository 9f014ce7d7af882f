//! What became of every candidate.

use super::candidate::{Bar, Candidate};
use super::field::Field;
use super::propose::Choosing;
use super::settings::SitingError;

/// What became of a candidate.
#[derive(Clone, PartialEq, Debug)]
pub enum Fate {
    /// It is the site of this index.
    Chosen(usize),
    /// No side may bear a station; the bars of both sides.
    Barred([Option<Bar>; 2]),
    /// A non-target animal was recorded too near.
    NonTarget,
    /// A station in the ground is nearer than the spacing; its index.
    NearStation(usize),
    /// The site of this index is nearer than the spacing.
    WithinSpacing(usize),
    /// It would fit, but the budget is used up.
    OverBudget,
    /// Its score is nothing.
    NoScore,
}

impl Fate {
    /// The reason in a few words, the same for all candidates of a kind.
    pub fn reason(&self) -> &'static str {
        match self {
            Fate::Chosen(_) => "chosen",
            Fate::Barred(bars) => match bars.each_ref().map(Option::as_ref) {
                [Some(Bar::OutsideArea), Some(Bar::OutsideArea)] => "outside the area",
                [Some(Bar::KeepOut(_)), _] | [_, Some(Bar::KeepOut(_))] => "within a keep-out",
                [Some(Bar::Never(_)), _] | [_, Some(Bar::Never(_))] => "barred by the plan",
                [Some(Bar::OutsideArea), _] | [_, Some(Bar::OutsideArea)] => "outside the area",
                _ => "without a right side: another line lies nearer or between",
            },
            Fate::NonTarget => "near a record of a non-target animal",
            Fate::NearStation(_) => "within the spacing of a station in the ground",
            Fate::WithinSpacing(_) => "within the spacing of a site",
            Fate::OverBudget => "over budget",
            Fate::NoScore => "without any score",
        }
    }
}

/// What is known of each candidate before anything is chosen; `NoScore` where nothing speaks
/// against it.
pub(super) fn first_fates(from: &Choosing) -> Vec<Fate> {
    let fate = |candidate: &Candidate| {
        let at = candidate.foot.at;
        let heard = |m: f64| from.non_target.iter().any(|place| place.distance_m(at) <= m);
        if !candidate.stands() {
            Fate::Barred(candidate.sides.clone().map(|side| side.bar))
        } else if from.settings.non_target_keep_out_m.is_some_and(heard) {
            Fate::NonTarget
        } else {
            Fate::NoScore
        }
    };
    from.candidates.iter().map(fate).collect()
}

/// Tells those that stand and were not chosen why. `ranked` are the chosen ones with their
/// gain and the node of their cluster.
pub(super) fn tell_fates(
    from: &Choosing,
    field: &Field,
    ranked: &[(usize, i64, Option<u32>)],
    scores: &[i64],
    fates: &mut [Fate],
) {
    let mut site_at = vec![None; field.blocked.len()];
    for (s, &(i, _, node)) in ranked.iter().enumerate() {
        if let Some(p) = field.counts_from(i, node) {
            site_at[p].get_or_insert(s);
        }
        fates[i] = Fate::Chosen(s);
    }
    for (p, &i) in field.standing.iter().enumerate() {
        if fates[i] != Fate::NoScore {
            continue;
        }
        let against = field.near.of(p as u32).filter_map(|q| site_at[q as usize]).min();
        fates[i] = match (field.blocked[p].first(), against) {
            (Some(&station), _) => Fate::NearStation(station as usize),
            (None, Some(site)) => Fate::WithinSpacing(site),
            (None, None) if scores[i] > 0 && from.settings.budget.is_some() => Fate::OverBudget,
            (None, None) => Fate::NoScore,
        };
    }
}

pub(super) fn nothing_stands(fates: &[Fate]) -> SitingError {
    let mut counts = std::collections::BTreeMap::new();
    for fate in fates {
        *counts.entry(fate.reason()).or_insert(0_usize) += 1;
    }
    let reasons: Vec<String> = counts.into_iter().map(|(reason, n)| format!("{n} {reason}")).collect();
    SitingError::NothingStands { candidates: fates.len(), reasons: reasons.join(", ") }
}
