//! How far sites stand from each other and from stations, along the lines and straight.

use std::collections::{BTreeMap, HashMap};

use rayon::prelude::*;
use rstar::RTree;
use rstar::primitives::GeomWithData;

use super::breach::{Breach, Promise, metres};
use super::roads::{Road, RoadFoot, Roads, Search, Targets, Way};
use super::rules::Rules;
use super::stand::Stand;
use crate::frame::{Frame, FrameError, GroundPoint, distance_m};

/// Lengths are sums over coordinates that are written to a centimetre, in metres.
const LENGTH_WITHIN_M: f64 = 0.1;

/// Over a few kilometres the scale of a frame differs by no more than this from what it is at a site.
const SCALE_VARIES: f64 = 1e-4;

/// Where nothing is found within reach, the reach grows by this factor.
const REACH_GROWS: f64 = 8.0;

/// After growing to this many times the first reach, everything is searched.
const MOST_GROWN: f64 = 600.0;

/// What spacing counts from: a site, the node of a cluster, or a station.
struct Post {
    /// The stands that it speaks for: several at a cluster.
    stands: Vec<usize>,
    feet: Vec<RoadFoot>,
    spacing_m: f64,
    is_site: bool,
}

/// The nearest other stand: its index and metres.
pub(super) type Nearest = Option<(usize, f64)>;

/// What is known of who stands near whom.
pub(super) struct Neighbours {
    /// Along the lines, for each stand: the nearest, and how far it is at the most where lines are
    /// drawn twice.
    pub along: Vec<Option<(usize, Way, Way)>>,
    /// In a straight line, for each stand.
    pub straight: Vec<Nearest>,
}

pub(super) struct Apart<'a> {
    pub frame: &'a Frame,
    pub roads: &'a Roads,
    pub rules: &'a Rules,
    pub stands: &'a [Stand<'a>],
    /// Whether each stand may be where it is: a station that must go keeps nothing else away.
    pub stays: &'a [bool],
}

impl Apart<'_> {
    fn carries(&self, road: &Road) -> bool {
        road.is_any(&self.rules.travel) || road.is_any(&self.rules.along)
    }

    /// Spacing of every two posts, straight-line distance of every two stands, and what clusters keep.
    pub fn check(&self, breaches: &mut Vec<Breach>) {
        let posts = self.posts(breaches);
        for (pair, way) in self.ways(&posts) {
            self.check_travel(&posts, pair, way, breaches);
        }
        self.check_straight(breaches);
    }

    fn posts(&self, breaches: &mut Vec<Breach>) -> Vec<Post> {
        let mut posts = Vec::new();
        let mut clusters: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (k, stand) in self.stands.iter().enumerate().filter(|(k, _)| self.stays[*k]) {
            match stand.site.and_then(|site| site.cluster.as_deref()) {
                Some(cluster) => clusters.entry(cluster).or_default().push(k),
                None => posts.push(self.post(vec![k], stand.feet.clone())),
            }
        }
        for (name, members) in clusters {
            let node = self.roads.node(name);
            let kinds: Vec<_> = self.rules.travel.iter().chain(&self.rules.along).copied().collect();
            match node.and_then(|node| self.roads.foot_at_node(node, &kinds)) {
                Some(foot) => {
                    self.check_cluster(name, &foot, &members, breaches);
                    posts.push(self.post(members, vec![foot]));
                }
                None => {
                    for k in members {
                        let stand = &self.stands[k];
                        breaches.push(stand.breach(
                            Promise::Cluster,
                            "property \"cluster_id\"".into(),
                            "a node of the network that lines lead to".into(),
                            format!("\"{name}\""),
                        ));
                        posts.push(self.post(vec![k], stand.feet.clone()));
                    }
                }
            }
        }
        posts
    }

    fn post(&self, stands: Vec<usize>, feet: Vec<RoadFoot>) -> Post {
        let spacing_m = stands.iter().map(|&k| self.stands[k].spacing_m).fold(0.0, f64::max);
        let is_site = stands.iter().any(|&k| self.stands[k].site.is_some());
        Post { stands, feet, spacing_m, is_site }
    }

    fn check_cluster(&self, name: &str, node: &RoadFoot, members: &[usize], breaches: &mut Vec<Breach>) {
        let rules = self.rules;
        let reach_m = rules.least_spacing_m() / 6.0;
        let within_m = reach_m * (1.0 + SCALE_VARIES) + 0.5;
        let feet: Vec<Vec<RoadFoot>> = members.iter().map(|&k| self.stands[k].feet.clone()).collect();
        let (targets, owner) = targets_of(&feet);
        let found = Search::new(self.roads).from(node, &targets, 2.0 * within_m, |r| self.carries(r));
        for (m, &k) in members.iter().enumerate() {
            let stand = &self.stands[k];
            let ways = found.iter().filter(|(target, _)| owner[**target as usize].0 == m);
            let way = ways.map(|(_, way)| *way).min();
            let breach = |about: String, expected: String, found: String| {
                stand.breach(Promise::Cluster, about, expected, found)
            };
            if way.is_none_or(|way| way.length_m > within_m + way.rounding_m) {
                breaches.push(breach(
                    format!("the node {name} of its cluster"),
                    format!("at most {reach_m:.1} m along the lines"),
                    way.map_or("farther".into(), |way| metres(way.length_m)),
                ));
            }
            for &other in &members[..m] {
                let apart_m = distance_m(stand.spot.at, self.stands[other].spot.at);
                if apart_m < rules.cluster_apart_m - LENGTH_WITHIN_M {
                    let about = format!("site {} of the same cluster", self.stands[other].id);
                    let expected = format!("at least {} m in a straight line", rules.cluster_apart_m);
                    breaches.push(breach(about, expected, metres(apart_m)));
                }
            }
        }
        if members.len() > rules.cluster
            && let Some(last) = members.last()
        {
            breaches.push(self.stands[*last].breach(
                Promise::Cluster,
                format!("the cluster at node {name}"),
                format!("at most {} sites", rules.cluster),
                members.len().to_string(),
            ));
        }
    }

    /// The way between every two posts that are joined by no more than the widest spacing; where lines
    /// are drawn twice, the longest, since files do not say on which of them a site stands.
    fn ways(&self, posts: &[Post]) -> BTreeMap<(usize, usize), Way> {
        let widest_m = posts.iter().map(|p| p.spacing_m).fold(0.0, f64::max);
        let within_m = widest_m + LENGTH_WITHIN_M;
        let feet: Vec<Vec<RoadFoot>> = posts.iter().map(|p| p.feet.clone()).collect();
        let (targets, owner) = targets_of(&feet);
        let rows: Vec<Vec<((usize, usize), Way)>> = (0..posts.len())
            .into_par_iter()
            .map_init(
                || Search::new(self.roads),
                |search, p| {
                    if !posts[p].is_site {
                        return Vec::new();
                    }
                    let row = self.row(search, &feet[p], &targets, &owner, within_m);
                    let all = row.into_iter().filter(|(q, _)| *q > p || (*q < p && !posts[*q].is_site));
                    all.filter(|(q, (_, _, ways))| *ways == feet[p].len() * feet[*q].len())
                        .map(|(q, (_, most, _))| ((p.min(q), p.max(q)), most))
                        .collect()
                },
            )
            .collect();
        rows.into_iter().flatten().collect()
    }

    /// From one post to each other within reach: the least and the longest way between their feet,
    /// and between how many of these there is one.
    fn row(
        &self,
        search: &mut Search,
        feet: &[RoadFoot],
        targets: &Targets,
        owner: &[(usize, usize)],
        within_m: f64,
    ) -> BTreeMap<usize, (Way, Way, usize)> {
        let mut row: BTreeMap<usize, (Way, Way, usize)> = BTreeMap::new();
        for foot in feet {
            for (target, way) in search.from(foot, targets, within_m, |road| self.carries(road)) {
                let known = row.entry(owner[target as usize].0).or_insert((way, way, 0));
                *known = (known.0.min(way), known.1.max(way), known.2 + 1);
            }
        }
        row
    }

    fn check_travel(&self, posts: &[Post], pair: (usize, usize), way: Way, breaches: &mut Vec<Breach>) {
        let (a, b) = (&posts[pair.0], &posts[pair.1]);
        let spacing_m = a.spacing_m.max(b.spacing_m);
        if way.length_m < spacing_m - LENGTH_WITHIN_M - way.rounding_m {
            let expected = format!("at least {spacing_m} m along the lines");
            let (Some(&first), Some(&late)) = (a.stands.first(), b.stands.first()) else { return };
            let (first, late) = (&self.stands[first], &self.stands[late]);
            self.tell(first, late, Promise::Spacing, expected, way.length_m, breaches);
        }
    }

    /// No two sites, and no site and station, stand nearer in a straight line than is asked, by lines or
    /// not. Sites of one cluster keep their own distance; of what a person fixed by name only the way
    /// counts among each other and to stations.
    fn check_straight(&self, breaches: &mut Vec<Breach>) {
        let widest_m = self.stands.iter().map(|s| s.straight_m).fold(0.0, f64::max);
        let staying = self.stands.iter().enumerate().filter(|(k, _)| self.stays[*k]);
        let tree = RTree::bulk_load(staying.map(|(k, s)| GeomWithData::new(s.spot.position, k)).collect());
        for (q, late) in self.stands.iter().enumerate().filter(|(q, _)| self.stays[*q]) {
            // A straight line through the ground is never longer than the way over it.
            let near = tree.locate_within_distance(late.spot.position, widest_m * widest_m);
            let mut near: Vec<usize> = near.map(|g| g.data).filter(|&p| p < q).collect();
            near.sort_unstable();
            for p in near {
                let first = &self.stands[p];
                let straight_m = first.straight_m.max(late.straight_m);
                if straight_m <= 0.0 || !self.keep_apart(first, late) {
                    continue;
                }
                let apart_m = distance_m(first.spot.at, late.spot.at);
                if apart_m < straight_m - LENGTH_WITHIN_M {
                    let expected = format!("at least {straight_m} m in a straight line");
                    self.tell(first, late, Promise::Straight, expected, apart_m, breaches);
                }
            }
        }
    }

    /// Whether two stands keep a straight-line distance from each other.
    fn keep_apart(&self, a: &Stand, b: &Stand) -> bool {
        let cluster = |s: &Stand| s.site.and_then(|site| site.cluster.clone());
        let is_given = |s: &Stand| s.fixed || s.site.is_none();
        let together = cluster(a).is_some() && cluster(a) == cluster(b);
        !(together || is_given(a) && is_given(b))
    }

    /// Tells of two that are too near, at the later site, whose file makes the promise. A site that
    /// became a station is no second one.
    fn tell(
        &self,
        a: &Stand,
        b: &Stand,
        promise: Promise,
        expected: String,
        found_m: f64,
        breaches: &mut Vec<Breach>,
    ) {
        if a.site.is_some() != b.site.is_some() && a.id == b.id {
            return;
        }
        let (late, other) = if b.site.is_some() { (b, a) } else { (a, b) };
        let what = if other.site.is_some() { "site" } else { "station" };
        breaches.push(late.breach(promise, format!("{what} {}", other.id), expected, metres(found_m)));
    }

    /// The nearest other of each stand, along the lines and straight.
    pub fn neighbours(&self) -> Neighbours {
        let feet: Vec<Vec<RoadFoot>> = self.stands.iter().map(|s| s.feet.clone()).collect();
        let (targets, owner) = targets_of(&feet);
        let first_m = 2.0 * self.rules.spacing_m.max(1.0);
        let along = (0..feet.len())
            .into_par_iter()
            .map_init(
                || Search::new(self.roads),
                |search, k| {
                    let mut reach_m = first_m;
                    loop {
                        let row = self.row(search, &feet[k], &targets, &owner, reach_m);
                        let others = || row.iter().filter(|(q, _)| **q != k && self.counts(k, **q));
                        let nearest = others().min_by_key(|(q, (least, ..))| (*least, **q));
                        if let Some((&q, &(least, ..))) = nearest {
                            let most = others().map(|(_, (_, most, _))| *most).min().unwrap_or(least);
                            return Some((q, least, most));
                        }
                        if reach_m == f64::INFINITY {
                            return None;
                        }
                        reach_m = if reach_m < first_m * MOST_GROWN {
                            reach_m * REACH_GROWS
                        } else {
                            f64::INFINITY
                        };
                    }
                },
            )
            .collect();
        Neighbours { along, straight: self.straight() }
    }

    /// Whether `q` counts as a neighbour of `k`: it stays, and is not the same thing.
    fn counts(&self, k: usize, q: usize) -> bool {
        self.stays[q]
            && (self.stands[k].site.is_some() == self.stands[q].site.is_some()
                || self.stands[k].id != self.stands[q].id)
    }

    fn straight(&self) -> Vec<Nearest> {
        let places = self.stands.iter().enumerate().map(|(k, s)| GeomWithData::new(s.spot.position, k));
        let tree = RTree::bulk_load(places.collect());
        let nearest = |(k, stand): (usize, &Stand)| {
            let others = tree.nearest_neighbor_iter(&stand.spot.position);
            let other = others.map(|g| g.data).find(|&q| q != k && self.counts(k, q))?;
            Some((other, distance_m(stand.spot.at, self.stands[other].spot.at)))
        };
        self.stands.par_iter().enumerate().map(nearest).collect()
    }

    /// What a site says of its nearest neighbour is so.
    ///
    /// # Errors
    /// [`FrameError`] for a place that the frame cannot hold.
    pub fn check_said(&self, neighbours: &Neighbours, breaches: &mut Vec<Breach>) -> Result<(), FrameError> {
        for (k, stand) in self.stands.iter().enumerate() {
            let Some(site) = stand.site else { continue };
            let (least_scale, most_scale) = scale_at(self.frame, stand)?;
            let said = site.nearest_site_m;
            let within = |(_, least, most): (usize, Way, Way)| {
                let low_m =
                    least.length_m * (least_scale - SCALE_VARIES) - LENGTH_WITHIN_M - least.rounding_m;
                let high_m = most.length_m * (most_scale + SCALE_VARIES) + LENGTH_WITHIN_M + most.rounding_m;
                (low_m, high_m)
            };
            let is_so = match (said, neighbours.along[k].map(within)) {
                (None, None) => true,
                (Some(said_m), Some((low_m, high_m))) => (low_m..=high_m).contains(&said_m),
                _ => false,
            };
            if !is_so {
                let found = neighbours.along[k];
                breaches.push(stand.breach(
                    Promise::Number,
                    "property \"nearest_site_m\"".into(),
                    found.map_or("null: no way leads to another".into(), |(q, way, _)| {
                        format!("{} along the lines, to {}", metres(way.length_m), self.stands[q].id)
                    }),
                    said.map_or("null".into(), metres),
                ));
            }
        }
        Ok(())
    }
}

/// All feet as targets of a search, and whose foot each target is.
fn targets_of(feet: &[Vec<RoadFoot>]) -> (Targets, Vec<(usize, usize)>) {
    let (mut targets, mut owner): (Targets, _) = (HashMap::new(), Vec::new());
    for (k, own) in feet.iter().enumerate() {
        for (f, foot) in own.iter().enumerate() {
            targets.entry(foot.edge).or_default().push((foot.along_m, owner.len() as u32));
            owner.push((k, f));
        }
    }
    (targets, owner)
}

/// Metres of the frame to a metre on the ground at a stand: the least and the most of the two axes.
fn scale_at(frame: &Frame, stand: &Stand) -> Result<(f64, f64), FrameError> {
    let mut scales = (f64::INFINITY, 0.0_f64);
    for (east_m, north_m) in [(100.0, 0.0), (0.0, 100.0)] {
        let there = GroundPoint::new(stand.ground.x_m + east_m, stand.ground.y_m + north_m);
        let scale = 100.0 / distance_m(stand.spot.at, frame.to_lonlat(there)?);
        scales = (scales.0.min(scale), scales.1.max(scale));
    }
    Ok(scales)
}
