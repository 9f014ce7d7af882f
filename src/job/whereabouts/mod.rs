//! Places held against each other: whether every layer lies where the others do. A slip in a
//! hemisphere, a zone, the order of axes or one digit puts a keep-out, a record or a vertex far
//! off, and nothing later would notice.

mod cause;
mod cells;
mod layers;
mod records;
mod stray;

use crate::frame::LonLat;
use crate::record::SourcePlace;

use super::extent::Extent;
pub(super) use layers::{Role, Thing, check, layer_of_points};
pub(super) use records::{Apart, apart, box_of};

/// What lies farther than this from everything else is of another place: neighbours, huts and
/// waters that matter to a property are nearer, the next UTM zone and a degree mistyped are
/// farther.
pub(super) const FAR_M: f64 = 50_000.0;

/// The kinds of slip that a place can be mistyped by.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Slip {
    Sign,
    Axes,
    Magnitude,
    Zone,
}

/// What to do about a thing in the wrong place that is meant to lie there.
const WAY_OUT: &str = "mend the file, or say far_apart = true in [place] if that is meant";

/// Where the layers of a job lie, and what is odd about it.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Whereabouts {
    /// Every layer that was read, in the order of the roles and files.
    pub layers: Vec<LayerPlace>,
    /// What no result may rest on, in words.
    pub refusals: Vec<String>,
    /// Records that are not used, since they lie far from everything else.
    pub set_aside: usize,
}

/// Where one layer lies.
#[derive(Clone, PartialEq, Debug)]
pub struct LayerPlace {
    /// What it was read as.
    pub role: &'static str,
    /// Its file, without folders.
    pub file: String,
    /// How many features it has.
    pub features: usize,
    /// West, south, east and north in degrees.
    pub extent_deg: [f64; 4],
    /// Metres from corner to corner of that.
    pub across_m: f64,
    /// Metres from the job to its nearest feature; the job is where most of the layers agree.
    pub nearest_m: f64,
    /// Metres from the job to its farthest feature.
    pub farthest_m: f64,
    /// How many of its features lie apart from the job and from the others of the layer.
    pub apart: usize,
    /// What slip would explain that.
    pub likely: Option<String>,
}

/// Where the job is: a box in which most kinds of layer have something.
pub(super) fn home_of(about: LonLat, ways: &[(usize, Vec<&[LonLat]>)], records: &[LonLat]) -> Option<Extent> {
    let lattice = cells::Lattice::new(about, FAR_M / CELLS_IN_REACH as f64);
    let mut crowd = cells::Crowd::default();
    for (kind, ways) in ways {
        for way in ways.iter().filter(|way| stray::stray_vertex(way).is_none()) {
            for &at in *way {
                crowd.add(lattice.cell(at), Some(cells::turned(at, about.lon_deg())), *kind);
            }
            lattice.along(way, |cell| crowd.add(cell, None, *kind));
        }
    }
    for &at in records {
        crowd.add(lattice.cell(at), Some(cells::turned(at, about.lon_deg())), SIGN);
    }
    let weight = |group: &cells::Group| {
        let kinds = group.counts.iter().filter(|&&n| n > 0).count();
        let lines = group.counts.get(LINE).is_some_and(|&n| n > 0);
        (kinds, lines, group.counts.iter().sum::<usize>())
    };
    let mut groups = crowd.groups(CELLS_IN_REACH);
    groups.retain(|group| group.extent != Extent::NOTHING);
    // Of equals the first, so that the choice is the same every time.
    groups.into_iter().rev().max_by_key(weight).map(|group| group.extent)
}

/// How many cells a reach is wide: the finer, the nearer the reach is to what it says.
const CELLS_IN_REACH: i64 = 4;

/// The kinds that say where a job is, by number.
pub(super) const AREA: usize = 0;
pub(super) const LINE: usize = 1;
pub(super) const SURVEY: usize = 2;
pub(super) const STATION: usize = 3;
const SIGN: usize = 4;

/// The name of a file without its folders.
fn file_name(source: &SourcePlace) -> String {
    source.file.file_name().map_or_else(|| source.file.display().to_string(), |n| n.to_string_lossy().into())
}

/// A distance in words: tenths of a kilometre below a hundred.
pub(super) fn km(metres: f64) -> String {
    if metres < 100_000.0 {
        format!("{:.1} km", metres / 1000.0)
    } else {
        format!("{:.0} km", metres / 1000.0)
    }
}
