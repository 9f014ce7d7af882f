//! A vertex that a slip has put far from the rest of its line or ring.

use super::FAR_M;
use super::cells::DEGREE_M;
use crate::frame::LonLat;

/// A way that goes out and back over this many metres in two strides is looked at: drawn lines
/// have vertices closer than that where they turn back, and receivers stray less.
const SPIKE_M: f64 = 5_000.0;

/// How many times as long as every other segment the strides to a stray vertex are.
const TIMES_LONGER: f64 = 10.0;

/// The strides of a spike end within this share of the shorter of them from each other.
const BACK_AGAIN: f64 = 1.0 / 3.0;

/// No segment of a line on the ground is as long as this: straight from one vertex to the next.
const LONGEST_SEGMENT_M: f64 = 500_000.0;

/// A vertex, by its number from 0, and the metres from it to the rest of its way.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Stray {
    pub vertex: usize,
    pub off_m: f64,
}

/// The stray vertex of a way, if it has one: one that is reached and left by two strides far
/// longer than every other segment, or an end that one such stride leads to.
pub(super) fn stray_vertex(way: &[LonLat]) -> Option<Stray> {
    let lengths: Vec<f64> = way.iter().zip(way.iter().skip(1)).map(|(&a, &b)| rough_m(a, b)).collect();
    let longest = lengths.iter().copied().fold(0.0, f64::max);
    if longest < SPIKE_M {
        return None;
    }
    let closed = way.len() > 3 && way.first() == way.last();
    let at = |k: usize| lengths.get(k).copied().unwrap_or(0.0);
    let last = lengths.len().saturating_sub(1);
    let rest = |a: usize, b: usize| {
        let others = lengths.iter().enumerate().filter(|&(k, _)| k != a && k != b).map(|(_, &m)| m);
        others.fold(None, |most: Option<f64>, m| Some(most.map_or(m, |most| most.max(m))))
    };
    for (vertex, _) in way.iter().enumerate() {
        let (before, after) = match vertex {
            0 if closed => (last, 0),
            0 => continue,
            v if v > last => continue,
            v => (v - 1, v),
        };
        let shorter = at(before).min(at(after));
        let (from, to) = (way.get(if vertex == 0 { last } else { vertex - 1 }), way.get(vertex + 1));
        let (Some(&from), Some(&to), Some(rest)) = (from, to, rest(before, after)) else { continue };
        let is_spike =
            shorter > SPIKE_M && shorter > TIMES_LONGER * rest && rough_m(from, to) < BACK_AGAIN * shorter;
        if is_spike {
            return Some(Stray { vertex, off_m: shorter });
        }
    }
    // An end: one stride alone.
    let end = |segment: usize, vertex: usize| {
        let stride = at(segment);
        let far = stride > FAR_M && rest(segment, segment).is_some_and(|rest| stride > TIMES_LONGER * rest);
        (far && !closed).then_some(Stray { vertex, off_m: stride })
    };
    let ends = end(0, 0).or_else(|| end(last, last + 1));
    let too_long = || {
        let segment = lengths.iter().position(|&m| m > LONGEST_SEGMENT_M)?;
        Some(Stray { vertex: segment + 1, off_m: at(segment) })
    };
    ends.or_else(too_long)
}

/// Metres between two places, near enough to tell far from near.
fn rough_m(a: LonLat, b: LonLat) -> f64 {
    let cosine = ((a.lat_deg() + b.lat_deg()) / 2.0).to_radians().cos();
    let east = ((b.lon_deg() - a.lon_deg() + 180.0).rem_euclid(360.0) - 180.0) * cosine;
    east.hypot(b.lat_deg() - a.lat_deg()) * DEGREE_M
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stray(way: &[(f64, f64)]) -> Option<usize> {
        let way: Vec<LonLat> = way.iter().map(|&(lon, lat)| LonLat::new(lon, lat).unwrap()).collect();
        stray_vertex(&way).map(|stray| stray.vertex)
    }

    #[test]
    fn a_vertex_far_from_its_own_line_is_found_wherever_it_stands() {
        let good = [(148.70, -36.2), (148.71, -36.2), (148.72, -36.21), (148.73, -36.2), (148.74, -36.2)];
        assert_eq!(stray(&good), None);
        for vertex in 0..good.len() {
            for slip in [(148.72, 36.2), (148.72, -35.2), (-148.72, -36.2), (149.72, -36.2)] {
                let mut way = good;
                way[vertex] = slip;
                assert_eq!(stray(&way), Some(vertex), "{slip:?}");
            }
        }
    }

    #[test]
    fn a_corner_of_a_ring_is_found_too() {
        let square = [(148.70, -36.2), (148.71, -36.2), (148.71, -36.21), (148.70, -36.21), (148.70, -36.2)];
        assert_eq!(stray(&square), None);
        let mut way = square;
        way[2] = (148.71, 36.21);
        assert_eq!(stray(&way), Some(2));
        let mut way = square;
        (way[0], way[4]) = ((148.80, -36.2), (148.80, -36.2));
        assert_eq!(stray(&way), None, "nine kilometres are no ten times the side");
        (way[0], way[4]) = ((149.70, -36.2), (149.70, -36.2));
        assert_eq!(stray(&way), Some(0));
    }

    #[test]
    fn long_straight_fences_and_wide_polygons_are_no_slips() {
        assert_eq!(stray(&[(148.0, -36.0), (148.4, -36.0)]), None);
        assert_eq!(stray(&[(148.0, -36.0), (148.01, -36.0), (148.4, -36.0)]), None);
        let state = [(141.0, -26.0), (144.0, -26.0), (144.0, -29.0), (141.0, -29.0), (141.0, -26.0)];
        assert_eq!(stray(&state), None);
        assert_eq!(stray(&[(148.0, -36.0), (148.0, 36.0)]), Some(1));
    }
}
