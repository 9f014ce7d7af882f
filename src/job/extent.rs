//! Boxes around places.

use crate::frame::{LonLat, distance_m};

/// A box in longitude and latitude.
pub(super) struct Extent {
    pub west: f64,
    pub east: f64,
    pub south: f64,
    pub north: f64,
}

impl Extent {
    pub(super) fn of(places: impl Iterator<Item = LonLat>) -> Option<Self> {
        places.fold(None, |extent, at| {
            let (lon, lat) = (at.lon_deg(), at.lat_deg());
            Some(match extent {
                None => Extent { west: lon, east: lon, south: lat, north: lat },
                Some(e) => Extent {
                    west: e.west.min(lon),
                    east: e.east.max(lon),
                    south: e.south.min(lat),
                    north: e.north.max(lat),
                },
            })
        })
    }

    pub(super) fn centre(&self) -> Option<LonLat> {
        LonLat::new((self.west + self.east) / 2.0, (self.south + self.north) / 2.0).ok()
    }

    pub(super) fn corners(&self) -> Vec<LonLat> {
        [(self.west, self.south), (self.west, self.north), (self.east, self.south), (self.east, self.north)]
            .into_iter()
            .filter_map(|(lon, lat)| LonLat::new(lon, lat).ok())
            .chain(self.centre())
            .collect()
    }

    /// Metres between the nearest places of two boxes, 0 where they meet.
    pub(super) fn gap_m(&self, other: &Extent) -> f64 {
        let nearest = |a0: f64, a1: f64, b0: f64, b1: f64| {
            let here = b0.max(a0).min(a1);
            (here, here.max(b0).min(b1))
        };
        let (lon_a, lon_b) = nearest(self.west, self.east, other.west, other.east);
        let (lat_a, lat_b) = nearest(self.south, self.north, other.south, other.north);
        match (LonLat::new(lon_a, lat_a), LonLat::new(lon_b, lat_b)) {
            (Ok(a), Ok(b)) => distance_m(a, b),
            _ => 0.0,
        }
    }
}
