//! What a density is made of.

use crate::frame::GroundPoint;

/// A place with the weight of the sign found there.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct WeightedPoint {
    /// The place in the frame.
    pub at: GroundPoint,
    /// Its weight in sign: finite, not negative.
    pub weight: f64,
}

impl WeightedPoint {
    /// A point of a weight.
    pub const fn new(at: GroundPoint, weight: f64) -> Self {
        Self { at, weight }
    }
}
