//! Names of lines on a figure: along the line, where neither a mark nor another name stands.

use std::fmt::Write as _;

use super::figure::{Paper, escaped};
use super::{Feature, Material};
use crate::frame::{GroundPoint, path_length_m};
use crate::record::{LineKind, StationState};

/// Height of the letters, and about how wide one is, in units of the figure.
const LETTER: f64 = 9.5;
const LETTER_WIDE: f64 = 5.4;
/// How near the middle line of a name may come to a mark or to another name's.
const APART: f64 = 12.0;
/// Where along its line a name is tried, as shares of the length.
const TRIED: [f64; 9] = [0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.12, 0.88];

/// A name on the paper: its middle, its direction, half its length.
struct Label {
    x: f64,
    y: f64,
    turn: f64,
    half: f64,
}

impl Label {
    /// Places along the middle of the letters, close enough to tell what they cover.
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let (s, c) = self.turn.sin_cos();
        (-3..=3).map(move |k| {
            let t = f64::from(k) / 3.0 * self.half;
            // The letters stand above the line.
            (self.x + t * c + 7.0 * s, self.y + t * s - 7.0 * c)
        })
    }
}

/// Writes the names of tracks and roads, each once, at its longest line; one that finds no room
/// is left out.
pub(super) fn draw_names(svg: &mut String, material: &Material, paper: &Paper) {
    let mut taken = marks(material, paper);
    for (name, way) in longest_by_name(material, paper) {
        let half = LETTER_WIDE * name.chars().count() as f64 / 2.0;
        let Some(label) = TRIED.iter().filter_map(|&share| label_at(&way, share, half)).find(|label| {
            let free = |(x, y): (f64, f64)| taken.iter().all(|(a, b)| (a - x).hypot(b - y) > APART);
            label.places().all(free)
        }) else {
            continue;
        };
        taken.extend(label.places());
        let _ = writeln!(
            svg,
            "<text transform=\"translate({:.1} {:.1}) rotate({:.1})\" y=\"-4\" text-anchor=\"middle\" font-size=\"{LETTER}\" fill=\"#3d2c1b\" stroke=\"#fffdf7\" stroke-width=\"2.6\" stroke-linejoin=\"round\" paint-order=\"stroke\">{}</text>",
            label.x,
            label.y,
            label.turn.to_degrees(),
            escaped(name)
        );
    }
}

/// Where sites and stations stand on the paper.
fn marks(material: &Material, paper: &Paper) -> Vec<(f64, f64)> {
    let sites = material.layers.sites.iter().filter_map(Feature::place);
    let sites = sites.filter_map(|at| material.frame.to_ground(at).ok());
    let standing = material.stations.iter().filter(|s| s.what.state != StationState::Lifted);
    sites.chain(standing.map(|s| s.ground)).map(|p| paper.at(p)).collect()
}

/// The longest line of every name, on the paper, in the order of the input.
fn longest_by_name<'a>(material: &'a Material, paper: &Paper) -> Vec<(&'a str, Vec<(f64, f64)>)> {
    let mut longest: Vec<(&str, f64, &[GroundPoint])> = Vec::new();
    for line in material.lines.iter().filter(|l| matches!(l.what.kind, LineKind::Track | LineKind::Road)) {
        let Some(name) = line.what.name.as_deref() else { continue };
        let length_m = path_length_m(&line.ground);
        match longest.iter_mut().find(|(own, ..)| *own == name) {
            Some(known) if known.1 < length_m => (known.1, known.2) = (length_m, &line.ground),
            Some(_) => {}
            None => longest.push((name, length_m, &line.ground)),
        }
    }
    longest.into_iter().map(|(name, _, way)| (name, way.iter().map(|p| paper.at(*p)).collect())).collect()
}

/// A name with its middle at a share of a way, turned as the way runs beneath it and never
/// upside down; `None` where the way is shorter than the name.
fn label_at(way: &[(f64, f64)], share: f64, half: f64) -> Option<Label> {
    let lengths: Vec<f64> = way.windows(2).map(|p| (p[1].0 - p[0].0).hypot(p[1].1 - p[0].1)).collect();
    let total: f64 = lengths.iter().sum();
    let middle = share * total;
    if middle < half || middle + half > total {
        return None;
    }
    let at = |along: f64| {
        let mut left = along;
        for (p, length) in way.windows(2).zip(&lengths) {
            if left <= *length && *length > 0.0 {
                let t = left / length;
                return (p[0].0 + t * (p[1].0 - p[0].0), p[0].1 + t * (p[1].1 - p[0].1));
            }
            left -= length;
        }
        way.last().copied().unwrap_or_default()
    };
    let (from, to) = (at(middle - half), at(middle + half));
    let mut turn = (to.1 - from.1).atan2(to.0 - from.0);
    if turn.abs() > std::f64::consts::FRAC_PI_2 {
        turn += std::f64::consts::PI;
    }
    let (x, y) = at(middle);
    Some(Label { x, y, turn, half })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_lies_along_its_way_and_reads_from_left_to_right() {
        let way = [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0)];
        let label = label_at(&way, 0.25, 20.0).unwrap();
        assert_eq!((label.x, label.y, label.turn), (50.0, 0.0, 0.0));
        let back: Vec<_> = way.iter().rev().copied().collect();
        let label = label_at(&back, 0.75, 20.0).unwrap();
        assert_eq!((label.x, label.y), (50.0, 0.0));
        assert!(label.turn.sin().abs() < 1e-12 && label.turn.cos() > 0.0);
        assert!(label_at(&way, 0.05, 20.0).is_none(), "it would hang over the end");
    }
}
