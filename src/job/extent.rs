//! Boxes around places.

use crate::frame::{LonLat, distance_m};

/// A box in longitude and latitude.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Extent {
    pub west: f64,
    pub east: f64,
    pub south: f64,
    pub north: f64,
}

impl Extent {
    /// The box that holds nothing.
    pub(super) const NOTHING: Self =
        Self { west: f64::INFINITY, east: f64::NEG_INFINITY, south: f64::INFINITY, north: f64::NEG_INFINITY };

    /// The box of one place, as longitude and latitude.
    pub(super) fn at((lon, lat): (f64, f64)) -> Self {
        Self { west: lon, east: lon, south: lat, north: lat }
    }

    /// The box round two boxes.
    pub(super) fn and(&self, other: &Self) -> Self {
        Self {
            west: self.west.min(other.west),
            east: self.east.max(other.east),
            south: self.south.min(other.south),
            north: self.north.max(other.north),
        }
    }

    pub(super) fn of(places: impl Iterator<Item = LonLat>) -> Option<Self> {
        Self::of_pairs(places.map(|at| (at.lon_deg(), at.lat_deg())))
    }

    /// The box round places given as longitude and latitude.
    pub(super) fn of_pairs(places: impl Iterator<Item = (f64, f64)>) -> Option<Self> {
        let all = places.fold(Self::NOTHING, |all, at| all.and(&Self::at(at)));
        (all.west <= all.east).then_some(all)
    }

    pub(super) fn centre(&self) -> Option<LonLat> {
        let lon = (self.west + self.east) / 2.0;
        // A box in the turn about another longitude may lie beyond the antimeridian.
        let lon = if lon.abs() > 180.0 { (lon + 180.0).rem_euclid(360.0) - 180.0 } else { lon };
        LonLat::new(lon, (self.south + self.north) / 2.0).ok()
    }

    pub(super) fn corners(&self) -> Vec<LonLat> {
        [(self.west, self.south), (self.west, self.north), (self.east, self.south), (self.east, self.north)]
            .into_iter()
            .filter_map(|(lon, lat)| LonLat::new(lon, lat).ok())
            .chain(self.centre())
            .collect()
    }

    /// Metres from corner to corner.
    pub(super) fn across_m(&self) -> f64 {
        apart_m((self.west, self.south), (self.east, self.north))
    }

    /// Metres between the nearest places of two boxes, 0 where they meet.
    pub(super) fn gap_m(&self, other: &Extent) -> f64 {
        let nearest = |a0: f64, a1: f64, b0: f64, b1: f64| {
            let here = b0.max(a0).min(a1);
            (here, here.max(b0).min(b1))
        };
        let (lon_a, lon_b) = nearest(self.west, self.east, other.west, other.east);
        let (lat_a, lat_b) = nearest(self.south, self.north, other.south, other.north);
        apart_m((lon_a, lat_a), (lon_b, lat_b))
    }
}

/// Metres between two places, whose longitudes may lie beyond the antimeridian.
fn apart_m(a: (f64, f64), b: (f64, f64)) -> f64 {
    if a == b {
        return 0.0;
    }
    let place = |(lon, lat): (f64, f64)| {
        let lon = if lon.abs() > 180.0 { (lon + 180.0).rem_euclid(360.0) - 180.0 } else { lon };
        LonLat::new(lon, lat)
    };
    match (place(a), place(b)) {
        (Ok(a), Ok(b)) => distance_m(a, b),
        _ => 0.0,
    }
}
