//! The sides of the chosen sites: alternating along each stroke, with the reason where not.

use super::candidate::Bar;
use super::propose::Choosing;
use super::side::{Choice, best_sides};
use crate::network::Side;

/// The side of each site in the line's digitised direction, and why it is the side of the
/// site before it, where it is.
pub(super) fn sides(from: &Choosing, ranked: &[usize]) -> Vec<(Side, Option<String>)> {
    let mut order: Vec<usize> = (0..ranked.len()).collect();
    let place = |s: usize| from.candidates[ranked[s]].on_stroke;
    order.sort_by(|&a, &b| place(a).0.cmp(&place(b).0).then(place(a).1.total_cmp(&place(b).1)));
    let mut told = vec![(Side::Left, None); ranked.len()];
    for run in order.chunk_by(|&a, &b| place(a).0 == place(b).0) {
        let choices: Vec<Choice> = run.iter().map(|&s| choice(from, ranked[s])).collect();
        let taken = best_sides(&choices);
        for (k, &s) in run.iter().enumerate() {
            let same = k > 0 && taken[k] == taken[k - 1];
            let because = same.then(|| because(from, ranked[s], turned(from, ranked[s], taken[k].other())));
            told[s] = (turned(from, ranked[s], taken[k]), because);
        }
    }
    told
}

/// A side of the stroke as a side of the line, or the other way round.
fn turned(from: &Choosing, candidate: usize, side: Side) -> Side {
    let c = &from.candidates[candidate];
    let edge_against = from.strokes.of(c.foot.edge).is_some_and(|on| on.against);
    if edge_against == c.against { side } else { side.other() }
}

fn choice(from: &Choosing, candidate: usize) -> Choice {
    let c = &from.candidates[candidate];
    let value = |stroke_side: Side| {
        let side = turned(from, candidate, stroke_side) as usize;
        let wind = from.side_values.map_or(0.0, |values| values[candidate][side].both);
        c.sides[side].bar.is_none().then_some(wind)
    };
    Choice { value: [value(Side::Left), value(Side::Right)] }
}

fn because(from: &Choosing, candidate: usize, other: Side) -> String {
    let other_word = other.word();
    match &from.candidates[candidate].sides[other as usize].bar {
        Some(Bar::OutsideArea) => format!("the {other_word} is outside the area"),
        Some(Bar::KeepOut(near)) => format!(
            "the {other_word} is {:.0} m from {}, whose distance is {} m",
            near.distance_m,
            from.ground.keep_outs.name(near.keep_out),
            near.limit_m
        ),
        Some(Bar::Never(near)) => {
            format!("the plan bars the {other_word}: {}", from.ground.never.name(near.keep_out))
        }
        Some(Bar::Fixed) => "the plan fixes it".to_string(),
        Some(Bar::OtherLine(kind)) => format!("a {kind} lies nearer or between on the {other_word}"),
        None if from.side_values.is_some() => "the wind favours this side".to_string(),
        None => "sides further along the line call for it".to_string(),
    }
}
