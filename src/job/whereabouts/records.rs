//! Records of sign that lie far from everything else.

use std::collections::HashSet;

use super::cause::slip_of;
use super::cells::{Cell, DEGREE_M, Lattice, reached, turned};
use super::{CELLS_IN_REACH, FAR_M, Slip};
use crate::frame::LonLat;
use crate::job::extent::Extent;

/// Sign is searched for on neighbouring land too: so far from area, lines and other records it is
/// not odd on the smallest property.
const LEAST_REACH_M: f64 = 5_000.0;

/// On a larger one this share of its size.
const REACH_OF_SIZE: f64 = 0.5;

/// Where nothing but sign was read, so far from the other records is not odd.
const LEAST_REACH_ALONE_M: f64 = 10_000.0;

/// And so many times the size of what most of the records cover: animals wander.
const REACH_OF_SIZE_ALONE: f64 = 2.0;

/// The share of the records on either side that the size of most of them leaves out.
const TAILS: f64 = 0.05;

/// Fewer records than this alone say nothing of each other.
const LEAST_ALONE: usize = 10;

/// Where nothing but sign was read, more than this share of it is no slip.
const SLIPS_ALONE: f64 = 0.05;

/// More than this share of the records is no slip of single rows.
const TOO_MANY: f64 = 0.25;

/// A record that lies apart.
#[derive(Clone, PartialEq, Debug)]
pub(in crate::job) struct Apart {
    /// Its number among the records.
    pub index: usize,
    /// Metres, at least, from the rest.
    pub off_m: f64,
    /// It lies so far off that it is of another place.
    pub far: bool,
    /// What would put it among the others.
    pub likely: Option<String>,
}

/// The records apart from the job, in their order. `anchors` are the ways of area, lines and legs,
/// `core` the box of the area, or of the lines where there is none.
pub(in crate::job) fn apart(
    places: &[LonLat],
    anchors: &[&[LonLat]],
    core: Option<Extent>,
    home: &Extent,
    about: LonLat,
) -> Vec<Apart> {
    let far = |at: LonLat| {
        let here = turned(at, about.lon_deg());
        let inside =
            here.0 >= home.west && here.0 <= home.east && here.1 >= home.south && here.1 <= home.north;
        !inside && Extent::at(here).gap_m(home) > FAR_M
    };
    let mut found: Vec<Apart> = Vec::new();
    let mut rest: Vec<(usize, LonLat)> = Vec::with_capacity(places.len());
    for (index, &at) in places.iter().enumerate() {
        let slip = if far(at) { slip_of(at, home) } else { None };
        // Sign alone may be of several places; only a slip tells that one of them is none.
        let is_slip = slip.as_ref().is_some_and(|(slip, _)| *slip != Slip::Zone);
        if far(at) && (core.is_some() || is_slip) {
            let off_m = Extent::at(turned(at, about.lon_deg())).gap_m(home);
            found.push(Apart { index, off_m, far: true, likely: slip.map(|(_, words)| words) });
        } else {
            rest.push((index, at));
        }
    }
    let nearer = match core {
        Some(core) => {
            let reach_m = LEAST_REACH_M.max(core.across_m() * REACH_OF_SIZE);
            beyond(&rest, anchors, reach_m, about)
        }
        None => alone(&rest, about),
    };
    let most = if core.is_some() { TOO_MANY } else { SLIPS_ALONE };
    if nearer.len() as f64 <= (places.len() as f64 * most).max(1.0) {
        found.extend(nearer);
    }
    found.sort_by_key(|apart| apart.index);
    found
}

/// Records that no chain of records, each within a reach of the next, joins to an anchor.
fn beyond(rest: &[(usize, LonLat)], anchors: &[&[LonLat]], reach_m: f64, about: LonLat) -> Vec<Apart> {
    let lattice = Lattice::new(about, reach_m / CELLS_IN_REACH as f64);
    let mut start: HashSet<Cell> = HashSet::new();
    for way in anchors {
        lattice.along(way, |cell| {
            start.insert(cell);
        });
    }
    unreached(rest, &lattice, start, reach_m, about)
}

/// Records far from what most of them cover, where nothing but sign was read.
fn alone(rest: &[(usize, LonLat)], about: LonLat) -> Vec<Apart> {
    if rest.len() < LEAST_ALONE {
        return Vec::new();
    }
    let middle = |pick: fn(&(f64, f64)) -> f64| {
        let mut values: Vec<f64> = rest.iter().map(|&(_, at)| pick(&turned(at, about.lon_deg()))).collect();
        values.sort_by(f64::total_cmp);
        let at = |share: f64| values.get((share * (values.len() - 1) as f64).round() as usize).copied();
        Some((at(TAILS)?, at(1.0 - TAILS)?))
    };
    let (Some((west, east)), Some((south, north))) = (middle(|p| p.0), middle(|p| p.1)) else {
        return Vec::new();
    };
    let most = Extent { west, east, south, north };
    let reach_m = LEAST_REACH_ALONE_M.max(most.across_m() * REACH_OF_SIZE_ALONE);
    let lattice = Lattice::new(about, reach_m / CELLS_IN_REACH as f64);
    let within = |at: LonLat| {
        let (lon, lat) = turned(at, about.lon_deg());
        lon >= west && lon <= east && lat >= south && lat <= north
    };
    let start = rest.iter().filter(|&&(_, at)| within(at)).map(|&(_, at)| lattice.cell(at)).collect();
    unreached(rest, &lattice, start, reach_m, about)
}

fn unreached(
    rest: &[(usize, LonLat)],
    lattice: &Lattice,
    start: HashSet<Cell>,
    reach_m: f64,
    about: LonLat,
) -> Vec<Apart> {
    let cells: HashSet<Cell> = rest.iter().map(|&(_, at)| lattice.cell(at)).collect();
    if cells.is_subset(&start) {
        return Vec::new();
    }
    let linked = reached(&cells, start.iter().copied(), CELLS_IN_REACH);
    let is_apart = |at: LonLat| !linked.contains(&lattice.cell(at));
    let used =
        Extent::of_pairs(rest.iter().filter(|r| !is_apart(r.1)).map(|&(_, at)| turned(at, about.lon_deg())));
    rest.iter()
        .filter(|&&(_, at)| is_apart(at))
        .map(|&(index, at)| {
            let gap_m = used.map_or(0.0, |used| Extent::at(turned(at, about.lon_deg())).gap_m(&used));
            Apart { index, off_m: gap_m.max(reach_m), far: false, likely: None }
        })
        .collect()
}

/// The box of ways, in the turn about a longitude.
pub(in crate::job) fn box_of(ways: &[&[LonLat]], about: LonLat, home: &Extent) -> Option<Extent> {
    let near = |at: &(f64, f64)| Extent::at(*at).gap_m(home) <= DEGREE_M;
    Extent::of_pairs(
        ways.iter().flat_map(|way| way.iter()).map(|&at| turned(at, about.lon_deg())).filter(near),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alone_of(records: &[(f64, f64)]) -> Vec<usize> {
        let places: Vec<LonLat> = records.iter().map(|&(lon, lat)| LonLat::new(lon, lat).unwrap()).collect();
        let home = crate::job::whereabouts::home_of(places[0], &[], &places).unwrap();
        apart(&places, &[], None, &home, places[0]).iter().map(|a| a.index).collect()
    }

    #[test]
    fn sign_alone_may_be_of_several_places_and_one_row_of_another_hemisphere_is_a_slip() {
        let mut records: Vec<(f64, f64)> =
            (0..30).map(|k| (4.0 + 0.01 * f64::from(k % 6), 51.0 + 0.01 * f64::from(k / 6))).collect();
        records.extend([(5.2, 51.4); 5]);
        assert_eq!(alone_of(&records), Vec::<usize>::new());
        records.push((4.02, -51.02));
        assert_eq!(alone_of(&records), [35]);
    }

    #[test]
    fn one_row_a_degree_off_is_a_slip_where_the_others_lie_together() {
        let mut records: Vec<(f64, f64)> = (0..162)
            .map(|k| (148.0 + 0.005 * f64::from(k % 18), -36.0 + 0.005 * f64::from(k / 18)))
            .collect();
        assert_eq!(alone_of(&records), Vec::<usize>::new());
        records[77].0 += 1.0;
        assert_eq!(alone_of(&records), [77]);
    }
}
