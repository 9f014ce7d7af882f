//! The whole-number lattice on which all noding is done.

use super::NetworkError;
use crate::frame::GroundPoint;

/// A step this near to a whole part of a metre is one.
const ROUNDING: f64 = 1e-15;

/// A point of the lattice: whole steps east and north of its origin. Ordered by x, then y.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub(crate) struct Pixel {
    pub x: i32,
    pub y: i32,
}

impl Pixel {
    pub(crate) const fn new(x: i32, y: i32) -> Self {
        Self { x, y }
    }
}

/// A square lattice over the frame.
///
/// Its origin is a whole multiple of the step from the frame's origin, so that a point
/// rounds to the same place whatever else is in the job; shifting all input by whole steps
/// shifts the output by the same. The extent is kept below 2³⁰ steps, so that every
/// orientation of three lattice points is exact in 64-bit integers.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lattice {
    step_m: f64,
    /// Steps a metre where that is a whole number: dividing by it gives back the decimal
    /// coordinate exactly, multiplying by the step would not.
    per_m: Option<f64>,
    origin_x: i64,
    origin_y: i64,
}

/// The extent of some points, in metres.
#[derive(Clone, Copy)]
pub(crate) struct Extent {
    west: f64,
    south: f64,
    east: f64,
    north: f64,
}

impl Extent {
    pub(crate) const NONE: Extent =
        Extent { west: f64::MAX, south: f64::MAX, east: f64::MIN, north: f64::MIN };

    pub(crate) fn of(points: &[GroundPoint]) -> Self {
        points.iter().fold(Self::NONE, |all, p| {
            all.with(Extent { west: p.x_m, south: p.y_m, east: p.x_m, north: p.y_m })
        })
    }

    pub(crate) fn with(self, other: Extent) -> Self {
        Self {
            west: self.west.min(other.west),
            south: self.south.min(other.south),
            east: self.east.max(other.east),
            north: self.north.max(other.north),
        }
    }
}

/// The greatest whole number not above `v`, which is far below 2⁶³ in size. Faster than
/// [`f64::floor`], which is a call where the processor is not known to round.
#[inline]
fn floor(v: f64) -> i64 {
    let towards_zero = v as i64;
    towards_zero - i64::from(towards_zero as f64 > v)
}

/// Extent limit in steps along either axis: 10,737 km at 1 cm.
const EXTENT_LIMIT: i64 = 1 << 30;

impl Lattice {
    /// The lattice of a step that covers points of an extent.
    ///
    /// # Errors
    /// [`NetworkError::TooWide`] where the points span 2³⁰ steps or more.
    pub(crate) fn covering(step_m: f64, extent: Extent) -> Result<Self, NetworkError> {
        let Extent { mut west, mut south, mut east, mut north } = extent;
        if west > east {
            (west, south, east, north) = (0.0, 0.0, 0.0, 0.0);
        }
        let per_m =
            Some((1.0 / step_m).round()).filter(|&n| n >= 1.0 && (1.0 / n - step_m).abs() <= ROUNDING);
        let extent_m = (east - west).max(north - south);
        let largest = [west, south, east, north].into_iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        if !(extent_m / step_m < (EXTENT_LIMIT - 2) as f64 && largest / step_m < 1e15) {
            return Err(NetworkError::TooWide { extent_m, step_m });
        }
        let mut lattice = Self { step_m, per_m, origin_x: 0, origin_y: 0 };
        lattice.origin_x = lattice.steps(west);
        lattice.origin_y = lattice.steps(south);
        Ok(lattice)
    }

    /// The distance between neighbouring lattice points in metres.
    pub(crate) fn step_m(&self) -> f64 {
        self.step_m
    }

    /// The lattice point nearest to a point; ties go north and east.
    pub(crate) fn pixel(&self, p: GroundPoint) -> Pixel {
        Pixel::new((self.steps(p.x_m) - self.origin_x) as i32, (self.steps(p.y_m) - self.origin_y) as i32)
    }

    /// The place of a lattice point in the frame.
    pub(crate) fn ground(&self, p: Pixel) -> GroundPoint {
        GroundPoint::new(self.metres(self.origin_x + p.x as i64), self.metres(self.origin_y + p.y as i64))
    }

    fn steps(&self, v_m: f64) -> i64 {
        let steps = self.per_m.map_or_else(|| v_m / self.step_m, |n| v_m * n);
        floor(steps + 0.5)
    }

    fn metres(&self, steps: i64) -> f64 {
        self.per_m.map_or_else(|| steps as f64 * self.step_m, |n| steps as f64 / n)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn covering(step_m: f64, low: (f64, f64), high: (f64, f64)) -> Result<Lattice, NetworkError> {
        let ends = [low, high].map(|(x_m, y_m)| GroundPoint::new(x_m, y_m));
        Lattice::covering(step_m, Extent::of(&ends))
    }

    #[test]
    fn a_point_goes_to_the_nearest_lattice_point_ties_north_and_east() {
        let lattice = covering(0.5, (100.0, -30.0), (180.0, 20.0)).unwrap();
        let pixel = |x_m: f64, y_m: f64| {
            let p = lattice.pixel(GroundPoint::new(x_m, y_m));
            (p.x, p.y)
        };
        assert_eq!(pixel(100.0, -30.0), (0, 0));
        assert_eq!(pixel(103.7, -28.8), (7, 2));
        assert_eq!(pixel(100.25, -29.75), (1, 1), "ties");
        assert_eq!(pixel(100.24, -29.76), (0, 0));
        assert_eq!(pixel(99.75, -30.25), (0, 0));
        assert_eq!(pixel(180.0, 20.0), (160, 100));
    }

    #[test]
    fn decimal_places_come_back_exactly_whatever_the_origin() {
        for (step_m, low) in [(0.01, (613_000.37, -81.02)), (0.001, (-5.0, 6_100_000.123)), (1.0, (7.0, 8.0))]
        {
            let lattice = covering(step_m, low, (low.0 + 900.0, low.1 + 900.0)).unwrap();
            let decimals = (1.0 / step_m).round();
            for k in 0..2000 {
                let at = |from: f64| ((from * decimals).round() + f64::from(k * 7)) / decimals;
                let place = GroundPoint::new(at(low.0), at(low.1));
                let pixel = lattice.pixel(place);
                assert_eq!((pixel.x, pixel.y), (k * 7, k * 7));
                assert_eq!(lattice.ground(pixel), place);
            }
        }
        // A step that no metre holds a whole number of.
        let lattice = covering(0.003, (0.0, 0.0), (9.0, 9.0)).unwrap();
        assert_eq!(lattice.ground(Pixel::new(1000, -1)), GroundPoint::new(3.0, -0.003));
        assert_eq!(lattice.pixel(GroundPoint::new(0.0046, 2.998)), Pixel::new(2, 999));
        assert_eq!(lattice.step_m(), 0.003);
        let coarse = covering(2.5, (-10.0, -10.0), (90.0, 90.0)).unwrap();
        assert_eq!(coarse.ground(Pixel::new(3, 1)), GroundPoint::new(-2.5, -7.5));
    }

    #[test]
    fn whole_numbers_are_rounded_down() {
        let found = [-2.0, -1.5, -0.1, 0.0, 0.9, 1.0, 7.5e9].map(floor);
        assert_eq!(found, [-2, -2, -1, 0, 0, 1, 7_500_000_000]);
    }

    #[test]
    fn what_spans_too_many_steps_or_lies_too_far_off_is_refused() {
        // Fewer than 2³⁰ less two steps, here of a quarter of a metre.
        let steps = |count: f64| covering(0.25, (0.0, 0.0), (0.25 * count, 1.0));
        assert!(steps(1_073_741_821.0).is_ok() && steps(1_073_741_822.0).is_err());
        // And of 1 cm.
        let most_m = 10_737_418.22;
        assert!(covering(0.01, (0.0, 0.0), (most_m - 0.02, 0.0)).is_ok());
        let wide = Err(NetworkError::TooWide { extent_m: most_m + 0.02, step_m: 0.01 });
        assert_eq!(covering(0.01, (0.0, 0.0), (most_m + 0.02, 0.0)).map(|l| l.step_m()), wide);
        assert_eq!(covering(0.01, (0.0, 0.0), (0.0, most_m + 0.02)).map(|l| l.step_m()), wide);
        assert!(
            covering(0.01, (9e12, 0.0), (9e12, 1.0)).is_ok()
                && covering(0.01, (0.0, 0.0), (1.0, 0.0)).is_ok()
        );
        for far in [(1.1e13, 0.0), (-1.1e13, 0.0), (0.0, 1.1e13), (0.0, -1.1e13)] {
            assert!(covering(0.01, far, far).is_err(), "{far:?}");
        }
        assert!(covering(0.01, (f64::NAN, f64::INFINITY), (0.0, 0.0)).is_err());
        let none = Lattice::covering(0.01, Extent::NONE).unwrap();
        assert_eq!(none.ground(Pixel::new(0, 0)), GroundPoint::new(0.0, 0.0));
    }

    #[test]
    fn an_extent_holds_all_points() {
        let points = [(3.0, -1.0), (-2.0, 5.0), (0.5, 0.5)].map(|(x, y)| GroundPoint::new(x, y));
        let e = Extent::of(&points);
        assert_eq!((e.west, e.south, e.east, e.north), (-2.0, -1.0, 3.0, 5.0));
        let e = e.with(Extent::of(&[GroundPoint::new(9.0, -8.0)]));
        assert_eq!((e.west, e.south, e.east, e.north), (-2.0, -8.0, 9.0, 5.0));
    }
}
