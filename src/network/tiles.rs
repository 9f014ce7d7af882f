//! An order of places in which neighbours come together.

use super::rows::Rows;
use crate::frame::GroundPoint;

/// Places in a tile, on average.
const IN_A_TILE: f64 = 500.0;

/// The numbers of some places, tile by tile: row by row of tiles from the south-west, ascending in each
/// tile. Who looks at what lies around one place after another in this order finds most of it in the near
/// caches, whatever the order of the places.
///
/// Cost: linear.
pub(crate) fn by_tile(places: impl ExactSizeIterator<Item = GroundPoint> + Clone) -> Vec<u32> {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for p in places.clone() {
        low = [low[0].min(p.x_m), low[1].min(p.y_m)];
        high = [high[0].max(p.x_m), high[1].max(p.y_m)];
    }
    let (width_m, height_m) = (high[0] - low[0], high[1] - low[1]);
    let share = IN_A_TILE / places.len() as f64;
    // No narrower than the second, so that places along a line get no more tiles than others.
    let side_m =
        (width_m * height_m * share).sqrt().max(width_m.max(height_m) * share).max(f64::MIN_POSITIVE);
    let tiles = |length_m: f64| (length_m / side_m) as u32 + 1;
    let (columns, rows) = (tiles(width_m), tiles(height_m));
    let tile = |p: GroundPoint| (tiles(p.y_m - low[1]) - 1) * columns + tiles(p.x_m - low[0]) - 1;
    let sorted = Rows::sorted((columns * rows) as usize, 0, |add| {
        (0..).zip(places.clone()).for_each(|(number, p)| add(tile(p), number));
    });
    sorted.into_items()
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};

    use super::by_tile;
    use crate::frame::GroundPoint;

    fn ordered(places: &[GroundPoint]) -> Vec<u32> {
        by_tile(places.iter().copied())
    }

    #[test]
    fn every_place_comes_once_and_neighbours_together() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let mut place = |_| GroundPoint::new(rng.random_range(-9e4..9e4), rng.random_range(0.0..2e4));
        let places: Vec<GroundPoint> = (0..50_000).map(&mut place).collect();
        let order = ordered(&places);
        let mut numbers = order.clone();
        numbers.sort_unstable();
        assert!(numbers.into_iter().eq(0..50_000));
        let step_m = |w: &[u32]| places[w[0] as usize].distance_m(places[w[1] as usize]);
        let mean_m = order.windows(2).map(step_m).sum::<f64>() / 49_999.0;
        // A hundred tiles of 6 km; two places at random in a square are 0.52 of its side apart.
        assert!(mean_m < 4000.0, "{mean_m} m from one to the next");
    }

    #[test]
    fn places_on_a_line_at_one_place_and_none_at_all_are_in_order_too() {
        let line: Vec<GroundPoint> = (0..3000).map(|k| GroundPoint::new(0.0, f64::from(k))).collect();
        assert!(ordered(&line).into_iter().eq(0..3000));
        assert!(ordered(&[line[7]; 40]).into_iter().eq(0..40));
        assert_eq!(ordered(&[]), Vec::<u32>::new());
    }
}
