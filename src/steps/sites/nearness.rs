//! How near sites and stations in the ground stand to each other in a straight line.

use rstar::primitives::GeomWithData;
use rstar::{PointDistance, RTree};

use crate::frame::{GroundPoint, LonLat, Placed, path_length_geodesic_m};
use crate::record::Station;
use crate::siting::{Candidate, Proposal, SitingSettings};

/// What is told of straight-line distances.
pub(super) struct Nearness {
    /// For each site how far the nearest other site or station in the ground is, in metres on the
    /// ellipsoid.
    pub nearest_m: Vec<Option<f64>>,
    /// For each site what stands nearer than any two should: only what was asked for by name does.
    pub cautions: Vec<Vec<String>>,
    /// Pairs of stations in the ground that stand nearer than sites should.
    pub stations: Vec<String>,
}

/// A site or a station in the ground.
struct Stand {
    name: String,
    place: LonLat,
    ground: GroundPoint,
    cluster: Option<u32>,
    /// How far it keeps from others in a straight line, in metres.
    keeps_m: f64,
}

type Tree = RTree<GeomWithData<[f64; 2], usize>>;

/// Looks at all sites and at the stations that stay.
///
/// Cost: n log n.
pub(super) fn nearness(
    settings: &SitingSettings,
    candidates: &[Candidate],
    proposal: &Proposal,
    ids: &[String],
    stations: &[&Placed<Station>],
) -> Nearness {
    let mut stands: Vec<Stand> = Vec::new();
    for (rank, site) in proposal.sites.iter().enumerate() {
        let side = &candidates[site.candidate].sides[site.side as usize];
        let target = proposal.leads.get(site.candidate).and_then(|&t| settings.targets.get(t as usize));
        stands.push(Stand {
            name: format!("site {}", ids[rank]),
            place: side.place,
            ground: side.ground,
            cluster: site.cluster,
            keeps_m: settings.straight_of_m(target.map_or(settings.spacing_m, |t| t.spacing_m)),
        });
    }
    let sites = stands.len();
    let gone = |s: usize| proposal.reviews.iter().any(|r| r.must_go && r.station == s);
    stands.extend(stations.iter().enumerate().filter(|(s, _)| !gone(*s)).map(|(_, station)| Stand {
        name: format!("station {}", station.what.station_id),
        place: station.at,
        ground: station.ground,
        cluster: None,
        keeps_m: settings.straight_m(),
    }));
    let of = |(k, stand): (usize, &Stand)| GeomWithData::new(xy(stand.ground), k);
    let tree = Tree::bulk_load(stands.iter().enumerate().map(of).collect());
    let widest_m = stands.iter().map(|s| s.keeps_m).fold(0.0, f64::max);
    let mut told = Nearness { nearest_m: Vec::new(), cautions: Vec::new(), stations: Vec::new() };
    for k in 0..stands.len() {
        let too_near = too_near(&tree, &stands, k, widest_m);
        if k < sites {
            told.nearest_m.push(nearest_m(&tree, &stands, k));
            told.cautions.push(
                too_near
                    .into_iter()
                    .map(|(j, said)| format!("{said} of {}; both were asked for by name", stands[j].name))
                    .collect(),
            );
        } else {
            let pairs = too_near.into_iter().filter(|&(j, _)| j >= sites && j > k);
            told.stations
                .extend(pairs.map(|(j, said)| format!("{}: {said} of {}", stands[k].name, stands[j].name)));
        }
    }
    told
}

fn xy(at: GroundPoint) -> [f64; 2] {
    [at.x_m, at.y_m]
}

fn apart_m(a: &Stand, b: &Stand) -> f64 {
    path_length_geodesic_m(&[a.place, b.place])
}

fn nearest_m(tree: &Tree, stands: &[Stand], k: usize) -> Option<f64> {
    let mut others = tree.nearest_neighbor_iter(&xy(stands[k].ground)).filter(|other| other.data != k);
    others.next().map(|other| apart_m(&stands[k], &stands[other.data]))
}

/// Those that stand nearer than either keeps, by number, with how near that is in words; not those
/// of one cluster.
fn too_near(tree: &Tree, stands: &[Stand], k: usize, widest_m: f64) -> Vec<(usize, String)> {
    let own = &stands[k];
    // A little wider, since the frame is not the ground.
    let reach_m = 1.01 * widest_m;
    let around = tree.nearest_neighbor_iter(&xy(own.ground));
    let near = around.take_while(|other| other.distance_2(&xy(own.ground)) < reach_m * reach_m);
    let mut found: Vec<(usize, String)> = near
        .filter(|other| other.data != k)
        .filter_map(|other| {
            let stand = &stands[other.data];
            let (keeps_m, far_m) = (own.keeps_m.max(stand.keeps_m), apart_m(own, stand));
            let together = own.cluster.is_some() && own.cluster == stand.cluster;
            (!together && far_m < keeps_m).then(|| {
                let said =
                    format!("within {far_m:.0} m in a straight line, where {keeps_m:.0} m are the least,");
                (other.data, said)
            })
        })
        .collect();
    found.sort_by_key(|f| f.0);
    found
}
