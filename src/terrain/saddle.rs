//! Saddles: where two hills meet, and how far the lesser of them stands above.

use super::basin::{Basins, Joined, NOWHERE};

/// Where two hills meet.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Meeting {
    /// The cell of the saddle.
    pub(super) cell: u32,
    /// How far the summit of the lesser hill stands above the saddle (its prominence).
    pub(super) prominence_m: f64,
    /// Height of the saddle.
    pub(super) height_m: f64,
}

/// The saddles of the ground whose upside-down drainage has these basins (a hill each), with a
/// prominence of at least `least_m`, by cell. Hills are joined from the highest saddle
/// down; a summit's prominence is its height above the saddle at which its hill is joined to
/// one with a higher summit. A summit beyond the field is not known of, so prominences near the
/// border may be too small.
pub(super) fn meetings(heights: &[f32], hills: &Basins, least_m: f64) -> Vec<Meeting> {
    let mut joined = Joined::new(hills.sinks.len() + 1);
    let mut summit: Vec<f32> =
        std::iter::once(f32::NAN).chain(hills.sinks.iter().map(|&s| heights[s as usize])).collect();
    let mut found = Vec::new();
    for pass in hills.passes.iter().filter(|pass| pass.beyond != NOWHERE) {
        let (a, b) = (joined.root(hills.at(pass.inside)), joined.root(hills.at(pass.beyond)));
        if !joined.join(a, b) {
            continue;
        }
        let (one, other) = (summit[a as usize], summit[b as usize]);
        summit[a.min(b) as usize] = one.max(other);
        let (inside, beyond) = (heights[pass.inside as usize], heights[pass.beyond as usize]);
        let height_m = f64::from(inside.min(beyond));
        let prominence_m = f64::from(one.min(other)) - height_m;
        if prominence_m >= least_m {
            let cell = if inside <= beyond { pass.inside } else { pass.beyond };
            found.push(Meeting { cell, prominence_m, height_m });
        }
    }
    found.sort_by_key(|meeting| meeting.cell);
    found
}
