//! Which side of the line each site takes: alternating in travel order, the best sequence
//! over the whole line.

use crate::network::Side;

/// A site on a stroke, in travel order, with what its sides are worth. Sides are those of
/// the stroke's direction, left first.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Choice {
    /// The value of each side in 0..=1; `None` where no station may stand.
    pub value: [Option<f64>; 2],
}

/// What the sides of two neighbours in a row lose when they are the same. A line stays on
/// one side throughout where that side is worth more than twice as much above the other.
pub const BREAK_COST: f64 = 0.25;

/// Two sequences closer than this are equally good; the one that starts on the left is
/// taken.
const EVEN: f64 = 1e-9;

/// The best sequence of sides: the greatest sum of values, less [`BREAK_COST`] for each
/// neighbour on the same side. Dynamic programming over the sequence, linear in its length.
/// Every choice must have at least one side; one that has none is taken to be left.
pub fn best_sides(choices: &[Choice]) -> Vec<Side> {
    const NONE: f64 = -1e9;
    let value = |c: &Choice| c.value.map(|v| v.unwrap_or(NONE));
    // From the far end: the best sum from here on, for either side here.
    let mut onward: Vec<[f64; 2]> = vec![[0.0; 2]; choices.len()];
    for i in (0..choices.len()).rev() {
        let here = value(&choices[i]);
        for side in 0..2 {
            let rest = onward.get(i + 1).map_or(0.0, |next| (next[1 - side]).max(next[side] - BREAK_COST));
            onward[i][side] = here[side] + rest;
        }
    }
    let mut sides = Vec::with_capacity(choices.len());
    let mut before: Option<usize> = None;
    for sums in &onward {
        let cost = |side: usize| if before == Some(side) { BREAK_COST } else { 0.0 };
        let (left, right) = (sums[0] - cost(0), sums[1] - cost(1));
        let take = match before {
            // Where both are even, alternate; at the start, left.
            Some(last) if (left - right).abs() <= EVEN => 1 - last,
            _ => usize::from(right > left + EVEN),
        };
        sides.push(if take == 0 { Side::Left } else { Side::Right });
        before = Some(take);
    }
    sides
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    fn worth(choices: &[Choice], sides: &[Side]) -> f64 {
        let values: f64 = choices.iter().zip(sides).map(|(c, s)| c.value[*s as usize].unwrap_or(-1e9)).sum();
        values - BREAK_COST * sides.windows(2).filter(|w| w[0] == w[1]).count() as f64
    }

    #[test]
    fn without_wind_sides_alternate() {
        let free = Choice { value: [Some(0.5); 2] };
        let sides = best_sides(&[free; 5]);
        assert!(sides.windows(2).all(|w| w[0] != w[1]));
        assert_eq!(sides[0], Side::Left);
    }

    #[test]
    fn a_barred_side_turns_the_whole_sequence() {
        let free = Choice { value: [Some(0.5); 2] };
        let barred = Choice { value: [None, Some(0.5)] };
        let sides = best_sides(&[free, barred, free, free]);
        assert_eq!(sides[1], Side::Right);
        assert!(sides.windows(2).all(|w| w[0] != w[1]));
    }

    #[test]
    fn the_sequence_is_the_best_of_all() {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        for _ in 0..300 {
            let n = rng.random_range(1..9);
            let mut choices = Vec::new();
            for _ in 0..n {
                let mut value = [Some(rng.random_range(0.0..1.0)), Some(rng.random_range(0.0..1.0))];
                if rng.random_bool(0.3) {
                    value[usize::from(rng.random_bool(0.5))] = None;
                }
                choices.push(Choice { value });
            }
            let all = (0..1_u32 << n).map(|bits| {
                let sides: Vec<Side> =
                    (0..n).map(|i| if bits >> i & 1 == 0 { Side::Left } else { Side::Right }).collect();
                worth(&choices, &sides)
            });
            let best = all.fold(f64::NEG_INFINITY, f64::max);
            assert!((worth(&choices, &best_sides(&choices)) - best).abs() < 1e-9);
        }
    }
}
