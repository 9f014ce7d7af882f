//! Every layer but the sign: does it lie where the job is, and each of its features?

use std::collections::HashSet;
use std::path::Path;
use std::sync::Arc;

use super::cause::slip_of;
use super::cells::{Cell, Lattice, reached};
use super::stray::stray_vertex;
use super::{CELLS_IN_REACH, FAR_M, LayerPlace, Slip, WAY_OUT, Whereabouts, file_name, km};
use crate::frame::LonLat;
use crate::job::Findings;
use crate::job::extent::Extent;
use crate::record::SourcePlace;

/// How many features of one layer are named before the rest is counted.
const NAMED: usize = 3;

/// So many stations apart from the others are no slip, but another property.
const NO_SLIP: usize = 3;

/// What a layer is for, which says how strict the check is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::job) enum Role {
    Area,
    KeepOut,
    Never,
    Must,
    Station,
    Line,
    Survey,
    Query,
}

impl Role {
    fn word(self) -> &'static str {
        match self {
            Role::Area => "area",
            Role::KeepOut => "keep_out",
            Role::Never => "never",
            Role::Must => "must",
            Role::Station => "station",
            Role::Line => "line",
            Role::Survey => "survey",
            Role::Query => "at",
        }
    }

    /// Whether a layer of which nothing lies near the job stops the run.
    fn stops_whole(self) -> bool {
        !matches!(self, Role::Survey | Role::Query)
    }

    /// Whether a feature that lies apart from all others stops the run, a slip being likely or not.
    fn stops_one(self, slip: bool, apart: usize) -> bool {
        match self {
            Role::Area | Role::Must => true,
            Role::Station => slip || apart < NO_SLIP,
            Role::KeepOut | Role::Never | Role::Line => slip,
            Role::Survey | Role::Query => false,
        }
    }

    /// Whether a vertex far from its own line or ring stops the run.
    fn stops_stray(self) -> bool {
        !matches!(self, Role::Query)
    }
}

/// A feature and the places that it has.
pub(in crate::job) struct Thing<'b> {
    pub source: &'b SourcePlace,
    /// Points, or the ways and rings of it.
    pub ways: Vec<std::borrow::Cow<'b, [LonLat]>>,
}

/// A feature of a layer as the check sees it.
struct Seen<'b> {
    source: &'b SourcePlace,
    extent: Extent,
    centre: LonLat,
    gap_m: f64,
}

/// Holds the things of one role against the job, file by file.
pub(in crate::job) fn check(
    role: Role,
    things: &[Thing],
    (about, home): (LonLat, &Extent),
    found: &mut Whereabouts,
    findings: &mut Findings,
) {
    let mut files: Vec<Arc<Path>> = Vec::new();
    for thing in things {
        if files.last() != Some(&thing.source.file) && !files.contains(&thing.source.file) {
            files.push(thing.source.file.clone());
        }
    }
    for file in files {
        let of_file: Vec<&Thing> = things.iter().filter(|t| t.source.file == file).collect();
        check_strays(role, &of_file, found, findings);
        let seen: Vec<Seen> = of_file.iter().filter_map(|thing| see(thing, about, home)).collect();
        check_layer(role, &seen, (about, home), found, findings);
    }
}

fn see<'b>(thing: &Thing<'b>, about: LonLat, home: &Extent) -> Option<Seen<'b>> {
    let places = thing.ways.iter().flat_map(|way| way.iter());
    let extent = Extent::of_pairs(places.map(|&at| super::cells::turned(at, about.lon_deg())))?;
    Some(Seen { source: thing.source, extent, centre: extent.centre()?, gap_m: extent.gap_m(home) })
}

fn check_layer(
    role: Role,
    seen: &[Seen],
    (about, home): (LonLat, &Extent),
    found: &mut Whereabouts,
    findings: &mut Findings,
) {
    let Some(first) = seen.first() else { return };
    let extent = seen.iter().fold(Extent::NOTHING, |all, one| all.and(&one.extent));
    let nearest_m = seen.iter().map(|s| s.gap_m).fold(f64::INFINITY, f64::min);
    let farthest_m = seen.iter().map(|s| s.gap_m).fold(0.0, f64::max);
    let apart = apart_of(seen, about);
    let slips: Vec<Option<(Slip, String)>> = apart.iter().map(|s| slip_of(s.centre, home)).collect();
    let likely = slips.iter().flatten().next().map(|(_, words)| words.clone());
    let whole = nearest_m > FAR_M;
    let file = first.source.file.display();
    let fit = |likely: &Option<String>| {
        likely.as_ref().map_or(String::new(), |words| format!(" and would fit {words}"))
    };
    if whole {
        let what = format!(
            "all of it lies far from the rest of the inputs ({}, {} or more away){}; {WAY_OUT}",
            counted(seen.len()),
            km(nearest_m),
            fit(&likely)
        );
        tell(role.stops_whole(), format!("{file}"), what, found, findings);
    } else if !apart.is_empty() {
        // A zone off is a slip of whole files; among the features of one it is chance.
        let is_slip = |slip: &Option<(Slip, String)>| slip.as_ref().is_some_and(|(s, _)| *s != Slip::Zone);
        let slipped = slips.iter().any(is_slip);
        for (one, slip) in apart.iter().zip(&slips).take(NAMED) {
            let words = slip.as_ref().filter(|_| is_slip(slip)).map(|(_, words)| words.clone());
            let what = format!(
                "lies {} from the rest of the inputs, apart from the other features of its file{}; {WAY_OUT}",
                km(one.gap_m),
                fit(&words)
            );
            tell(role.stops_one(is_slip(slip), apart.len()), one.source.to_string(), what, found, findings);
        }
        if apart.len() > NAMED {
            let what = format!("{} more features lie as far from the rest; {WAY_OUT}", apart.len() - NAMED);
            tell(role.stops_one(slipped, apart.len()), format!("{file}"), what, found, findings);
        }
    }
    found.layers.push(LayerPlace {
        role: role.word(),
        file: file_name(first.source),
        features: seen.len(),
        extent_deg: [extent.west, extent.south, extent.east, extent.north],
        across_m: extent.across_m(),
        nearest_m,
        farthest_m,
        apart: apart.len(),
        likely,
    });
}

/// The features that lie neither near the job nor near others of the layer that do.
fn apart_of<'s, 'b>(seen: &'s [Seen<'b>], about: LonLat) -> Vec<&'s Seen<'b>> {
    if seen.iter().all(|s| s.gap_m <= FAR_M) {
        return Vec::new();
    }
    let lattice = Lattice::new(about, FAR_M / CELLS_IN_REACH as f64);
    let cells: HashSet<Cell> = seen.iter().map(|s| lattice.cell(s.centre)).collect();
    let near = seen.iter().filter(|s| s.gap_m <= FAR_M).map(|s| lattice.cell(s.centre));
    let linked = reached(&cells, near, CELLS_IN_REACH);
    seen.iter().filter(|s| s.gap_m > FAR_M && !linked.contains(&lattice.cell(s.centre))).collect()
}

fn check_strays(role: Role, things: &[&Thing], found: &mut Whereabouts, findings: &mut Findings) {
    let strays: Vec<_> = things
        .iter()
        .filter_map(|thing| {
            let stray = thing.ways.iter().find_map(|way| stray_vertex(way))?;
            Some((thing.source, stray))
        })
        .collect();
    for (source, stray) in strays.iter().take(NAMED) {
        let what = format!(
            "its vertex {} lies {} from the rest of it, which is no way on the ground; {WAY_OUT}",
            stray.vertex + 1,
            km(stray.off_m)
        );
        tell(role.stops_stray(), source.to_string(), what, found, findings);
    }
    if let Some((source, _)) = strays.get(NAMED) {
        let what =
            format!("{} more features have a vertex as far from the rest; {WAY_OUT}", strays.len() - NAMED);
        tell(role.stops_stray(), source.file.display().to_string(), what, found, findings);
    }
}

fn tell(stops: bool, place: String, what: String, found: &mut Whereabouts, findings: &mut Findings) {
    match stops {
        true => found.refusals.push(format!("{place}: {what}")),
        false => findings.warn_at(place, what),
    }
}

fn counted(features: usize) -> String {
    if features == 1 { "1 feature".to_string() } else { format!("{features} features") }
}

/// Where the points of one file lie.
pub(in crate::job) fn layer_of_points(
    role: &'static str,
    file: &Path,
    places: &[LonLat],
    (about, home): (LonLat, &Extent),
    apart: usize,
    likely: Option<String>,
) -> Option<LayerPlace> {
    let turn = |&at: &LonLat| super::cells::turned(at, about.lon_deg());
    let extent = Extent::of_pairs(places.iter().map(turn))?;
    let gaps = || places.iter().map(|at| Extent::at(turn(at)).gap_m(home));
    Some(LayerPlace {
        role,
        file: file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default(),
        features: places.len(),
        extent_deg: [extent.west, extent.south, extent.east, extent.north],
        across_m: extent.across_m(),
        nearest_m: gaps().fold(f64::INFINITY, f64::min),
        farthest_m: gaps().fold(0.0, f64::max),
        apart,
        likely: likely.filter(|_| apart > 0),
    })
}
