//! A survey leg made ready for matching: fixes neither crowded nor far apart.

use crate::frame::GroundPoint;

/// Fixes closer than this to the last one kept say more of the receiver than of the way.
const LEAST_STEP_M: f64 = 8.0;
/// Fixes further apart get others between them.
const LARGEST_STEP_M: f64 = 15.0;
/// A leg whose kept fixes are further apart than this was drawn, not recorded: it is taken
/// as it is.
const RECORDED_STEP_M: f64 = 30.0;
/// Weights of the fixes around one, itself first. Together with those of the other side
/// they take noise of 5 m down to 2 m, and the length of a straight way grows by 0.4 %
/// where it grew by 20 %.
const WEIGHTS: [f64; 4] = [4.0, 3.0, 2.0, 1.0];

/// A leg's fixes, and the same with their noise smoothed.
pub(super) struct Trace {
    /// Fixes for matching. They are not smoothed: that would cut short every turn at a dead
    /// end by some 25 m.
    pub fixes: Vec<GroundPoint>,
    /// As many fixes for lengths off the network.
    pub smooth: Vec<GroundPoint>,
}

impl Trace {
    pub fn of(way: &[GroundPoint]) -> Self {
        let kept = thin(way);
        let recorded = median_step_m(&kept) <= RECORDED_STEP_M;
        let smooth = if recorded { smooth(&kept) } else { kept.clone() };
        let (mut trace, count) = (Self { fixes: Vec::new(), smooth: Vec::new() }, kept.len());
        for i in 0..count {
            let parts = match i {
                0 => 1,
                _ => (kept[i - 1].distance_m(kept[i]) / LARGEST_STEP_M).ceil().max(1.0) as usize,
            };
            for part in 1..=parts {
                let share = part as f64 / parts as f64;
                let before = i.saturating_sub(1);
                trace.fixes.push(kept[before].lerp(kept[i], share));
                trace.smooth.push(smooth[before].lerp(smooth[i], share));
            }
        }
        trace
    }
}

/// Drops fixes that lie close to the last one kept. First and last stay.
fn thin(way: &[GroundPoint]) -> Vec<GroundPoint> {
    let mut kept: Vec<GroundPoint> = Vec::with_capacity(way.len());
    for &fix in way {
        if kept.last().is_none_or(|last| last.distance_m(fix) >= LEAST_STEP_M) {
            kept.push(fix);
        }
    }
    if let Some(&end) = way.last()
        && kept.last() != Some(&end)
    {
        kept.push(end);
    }
    kept
}

fn median_step_m(way: &[GroundPoint]) -> f64 {
    let mut steps: Vec<f64> = way.windows(2).map(|pair| pair[0].distance_m(pair[1])).collect();
    steps.sort_unstable_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied().unwrap_or(0.0)
}

/// A weighted mean over the fixes around each; near the ends over fewer, evenly on both
/// sides, so that the ends stay.
fn smooth(way: &[GroundPoint]) -> Vec<GroundPoint> {
    (0..way.len())
        .map(|i| {
            let around = i.min(way.len() - 1 - i).min(WEIGHTS.len() - 1);
            let (mut x_m, mut y_m, mut sum) = (0.0, 0.0, 0.0);
            for j in i - around..=i + around {
                let weight = WEIGHTS[i.abs_diff(j)];
                x_m += weight * way[j].x_m;
                y_m += weight * way[j].y_m;
                sum += weight;
            }
            GroundPoint::new(x_m / sum, y_m / sum)
        })
        .collect()
}
