//! The sign around a place.

use jiff::civil::Date;

use crate::frame::{GroundPoint, Placed};
use crate::record::{Animal, Record, Sign};

/// What was found around a place.
#[derive(Clone, PartialEq, Debug)]
pub struct SignNear {
    /// The sign found most and how much of it.
    pub most: Option<(Sign, f64)>,
    /// All sign.
    pub count: f64,
    /// The animals that it names, in order.
    pub animals: Vec<Animal>,
    /// The earliest day of any of it.
    pub since: Option<Date>,
    /// The latest day of any of it.
    pub until: Option<Date>,
}

/// Records sorted from west to east in the frame, to find those around a place.
pub struct SignAround<'a> {
    from_west: Vec<&'a Placed<Record>>,
}

impl<'a> SignAround<'a> {
    /// Sorts the records: n log n.
    pub fn new(records: impl IntoIterator<Item = &'a Placed<Record>>) -> Self {
        let mut from_west: Vec<_> = records.into_iter().collect();
        from_west.sort_by(|a, b| a.ground.x_m.total_cmp(&b.ground.x_m));
        Self { from_west }
    }

    /// All records, from west to east.
    pub fn all(&self) -> &[&'a Placed<Record>] {
        &self.from_west
    }

    /// The records within `reach_m` frame metres of a place. Linear in the records of the strip
    /// from north to south that is twice the reach wide.
    pub fn within(&self, at: GroundPoint, reach_m: f64) -> impl Iterator<Item = &'a Placed<Record>> + '_ {
        let first = self.from_west.partition_point(|r| r.ground.x_m < at.x_m - reach_m);
        let east = self.from_west.iter().skip(first).copied();
        let strip = east.take_while(move |r| r.ground.x_m <= at.x_m + reach_m);
        strip.filter(move |r| r.ground.distance_m(at) <= reach_m)
    }

    /// What was found within `reach_m` frame metres of a place.
    pub fn near(&self, at: GroundPoint, reach_m: f64) -> SignNear {
        let near: Vec<&Record> = self.within(at, reach_m).map(|r| &r.what).collect();
        let of = |sign: Sign| near.iter().filter(|r| r.sign == sign).map(|r| r.count).sum::<f64>();
        let counts = Sign::ALL.into_iter().map(|sign| (sign, of(sign))).filter(|(_, n)| *n > 0.0);
        let most = counts.fold(None, |best: Option<(Sign, f64)>, next| match best {
            Some(b) if b.1 >= next.1 => best,
            _ => Some(next),
        });
        let mut animals: Vec<Animal> = near.iter().filter_map(|r| r.animal.clone()).collect();
        animals.sort();
        animals.dedup();
        SignNear {
            most,
            count: near.iter().map(|r| r.count).sum(),
            animals,
            since: near.iter().filter_map(|r| r.date).min(),
            until: near.iter().filter_map(|r| r.date).max(),
        }
    }
}
