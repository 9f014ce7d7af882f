//! The auditor: what was promised is worked out anew, from the layers as written and the inputs as
//! read.
//!
//! The planner measures as it plans, in memory. What people walk to is what stands in the files. This
//! room shares nothing with the planner but the plain types of `record`, `frame` and `job`: distances
//! to keep-outs are bounded in space from both sides (`edge`), insides are counted by a ray
//! (`inside`), and ways are found by a plain Dijkstra over the written network (`roads`).
//!
//! Cost: (k + e) log (k + e) to index k edges of keep-outs and e steps of the network; for each of n
//! places the logarithm of that, the kinds of keep-outs, and the edges within twice the spacing.

#![expect(
    clippy::indexing_slicing,
    reason = "indices are counted by this room itself, over arrays of its own making; none comes from a file"
)]

mod apart;
mod breach;
mod edge;
mod inside;
mod joined;
mod keep;
mod roads;
mod rules;
mod shapes;
mod sources;
mod space;
mod stand;
mod written;

pub use breach::{Breach, Promise};
pub use edge::{Measured, distance_to_edge};
pub use rules::Rules;
pub use written::{NEAR_MISSES, NETWORK, SITES, Said, Written};

use geo_types::MultiPolygon;
use rayon::prelude::*;

use crate::frame::{FrameError, LonLat};
use crate::job::Job;
use apart::{Apart, Neighbours};
use keep::Ground;
use roads::Roads;
use sources::Sources;
use stand::Stand;

/// Neighbouring land.
#[derive(Clone, PartialEq, Debug)]
pub struct Parcel {
    /// Its name.
    pub name: String,
    /// Its ground, in degrees.
    pub shape: MultiPolygon<f64>,
}

/// The nearest keep-out of a kind.
#[derive(Clone, PartialEq, Debug)]
pub struct NearKeepOut {
    /// What it is called.
    pub name: String,
    /// The file and the feature in it.
    pub from: String,
    /// Distance in metres on the ellipsoid; 0 inside a polygon.
    pub distance_m: f64,
    /// The true distance is less by no more than this, in metres.
    pub error_m: f64,
    /// The distance to keep in metres; for a site with the error of placement.
    pub limit_m: f64,
}

/// One site or station and what is around it.
#[derive(Clone, PartialEq, Debug)]
pub struct Row {
    /// Its id.
    pub id: String,
    /// Whether it is a proposed site; else it is a station in the ground.
    pub is_site: bool,
    /// Where it stands.
    pub at: LonLat,
    /// The nearest of each kind of keep-out, in the order of [`Audit::kinds`].
    pub keep_outs: Vec<Option<NearKeepOut>>,
    /// Whether it lies in the area, and metres to the boundary.
    pub area: Option<(bool, f64)>,
    /// The parcels that hold it, by name.
    pub parcels: Vec<String>,
    /// The nearest other parcel: name and metres.
    pub next_parcel: Option<(String, f64)>,
    /// The nearest other site or station along the lines: id and metres on the ellipsoid.
    pub along: Option<(String, f64)>,
    /// The nearest other in a straight line: id and metres on the ellipsoid.
    pub straight: Option<(String, f64)>,
    /// What speaks against its place: keep-outs, barred places, the area. Of a station that the files
    /// say must go this is no breach.
    pub against: Vec<String>,
}

/// What an audit found.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Audit {
    /// The kinds of keep-outs: their reasons, or else their files; `never` for what the plan bars.
    pub kinds: Vec<String>,
    /// Every site and every station in the ground, by id.
    pub rows: Vec<Row>,
    /// Every promise that is not kept, in the order of the files.
    pub breaches: Vec<Breach>,
    /// How many gaps that are called closed were looked at.
    pub gaps: usize,
}

/// Holds a set as written against the inputs as read.
///
/// # Errors
/// [`FrameError`] for a place that the frame of the job cannot hold.
pub fn audit(job: &Job, rules: &Rules, parcels: &[Parcel], written: &Written) -> Result<Audit, FrameError> {
    let roads = Roads::new(&written.edges, &job.frame)?;
    let stands = stand::stands(job, written, &roads, rules)?;
    let ground = Ground::new(job, rules, parcels);
    let mut breaches = written.faults.clone();
    let faults = keep::check_ground(&ground, &stands);
    // A site keeps others away wherever it stands; a station only where it may.
    let fits: Vec<bool> = faults.iter().map(Vec::is_empty).collect();
    let stays: Vec<bool> = stands.iter().zip(&fits).map(|(s, fits)| s.site.is_some() || *fits).collect();
    let against: Vec<Vec<String>> =
        faults.iter().map(|faults| faults.iter().map(Breach::what).collect()).collect();
    for (stand, faults) in stands.iter().zip(faults) {
        let unfit = stand.site.is_none() && written.stations.get(stand.id) == Some(&Said::Unfit);
        if !unfit {
            breaches.extend(faults);
        }
        ground.check_named(stand, &mut breaches);
    }
    stand::check_ids(&stands, job, rules, &mut breaches);
    let sources = Sources::new(job);
    joined::check_edges(written, &roads, &mut breaches);
    joined::check_gaps(written, job, &sources, &roads, rules, &mut breaches)?;
    let apart = Apart { frame: &job.frame, roads: &roads, rules, stands: &stands, stays: &stays };
    let neighbours = apart.neighbours();
    if !roads.edges.is_empty() {
        stand::check_sides(job, &sources, &stands, &roads, rules, &mut breaches)?;
        apart.check(&mut breaches);
        apart.check_said(&neighbours, &mut breaches)?;
    }
    breaches.sort_by(|a, b| {
        let key = |b: &Breach| (b.file != SITES, b.file.clone(), b.feature, b.id.clone(), b.promise);
        key(a).cmp(&key(b))
    });
    let mut rows = rows(&ground, rules, &stands, against, &neighbours);
    rows.sort_by(|a, b| a.id.cmp(&b.id).then(b.is_site.cmp(&a.is_site)));
    let kinds = ground.kinds.iter().map(|k| k.name.clone()).collect();
    Ok(Audit { kinds, rows, breaches, gaps: written.gaps.len() })
}

fn rows(
    ground: &Ground,
    rules: &Rules,
    stands: &[Stand],
    against: Vec<Vec<String>>,
    neighbours: &Neighbours,
) -> Vec<Row> {
    let id = |k: usize| stands[k].id.to_string();
    let row = |((k, stand), against): ((usize, &Stand), Vec<String>)| {
        let (holding, next) = ground.parcels_at(&stand.spot);
        let name = |p: usize| ground.parcels[p].name.clone();
        Row {
            id: id(k),
            is_site: stand.site.is_some(),
            at: stand.spot.at,
            keep_outs: ground.nearest_of_kinds(stand, rules),
            area: ground.in_area(&stand.spot),
            parcels: holding.into_iter().map(name).collect(),
            next_parcel: next.map(|(p, m)| (name(p), m)),
            along: neighbours.along[k].map(|(q, way, _)| (id(q), way.length_m)),
            straight: neighbours.straight[k].map(|(q, m)| (id(q), m)),
            against,
        }
    };
    stands.par_iter().enumerate().zip(against).map(row).collect()
}
