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
    at: GroundPoint,
    spacing_m: f64,
    straight_m: f64,
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

    /// Spacing and straight-line distance of every two posts, and what clusters keep.
    ///
    /// # Errors
    /// [`FrameError`] for a place that the frame cannot hold.
    pub fn check(&self, breaches: &mut Vec<Breach>) -> Result<(), FrameError> {
        let posts = self.posts(breaches);
        let ways = self.ways(&posts);
        for (pair, way) in &ways {
            self.check_travel(&posts, *pair, *way, breaches);
        }
        self.check_straight(&posts, &ways, breaches)
    }

    fn posts(&self, breaches: &mut Vec<Breach>) -> Vec<Post> {
        let mut posts = Vec::new();
        let mut clusters: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (k, stand) in self.stands.iter().enumerate().filter(|(k, _)| self.stays[*k]) {
            match stand.site.and_then(|site| site.cluster.as_deref()) {
                Some(cluster) => clusters.entry(cluster).or_default().push(k),
                None => posts.push(self.post(vec![k], stand.feet.clone(), stand.ground)),
            }
        }
        for (name, members) in clusters {
            let node = self.roads.node(name);
            let kinds: Vec<_> = self.rules.travel.iter().chain(&self.rules.along).copied().collect();
            match node.and_then(|node| Some((node, self.roads.foot_at_node(node, &kinds)?))) {
                Some((node, foot)) => {
                    self.check_cluster(name, &foot, &members, breaches);
                    posts.push(self.post(members, vec![foot], self.roads.place(node)));
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
                        posts.push(self.post(vec![k], stand.feet.clone(), stand.ground));
                    }
                }
            }
        }
        posts
    }

    fn post(&self, stands: Vec<usize>, feet: Vec<RoadFoot>, at: GroundPoint) -> Post {
        let most = |of: fn(&Stand) -> f64| stands.iter().map(|&k| of(&self.stands[k])).fold(0.0, f64::max);
        let is_site = stands.iter().any(|&k| self.stands[k].site.is_some());
        // Sites are spaced by their feet, stations in a straight line by where they stand.
        let at = feet.first().filter(|_| is_site).map_or(at, |foot| foot.at);
        let (spacing_m, straight_m) = (most(|s| s.spacing_m), most(|s| s.straight_m));
        Post { stands, feet, at, spacing_m, straight_m, is_site }
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

    /// The way between every two posts that are joined by no more than twice the widest spacing; where
    /// lines are drawn twice, the longest, since files do not say on which of them a site stands.
    fn ways(&self, posts: &[Post]) -> BTreeMap<(usize, usize), Way> {
        let widest_m = posts.iter().map(|p| p.spacing_m).fold(0.0, f64::max);
        let within_m = 2.0 * widest_m * (1.0 + SCALE_VARIES) + LENGTH_WITHIN_M;
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
            self.tell(a, b, Promise::Spacing, expected, way.length_m, breaches);
        }
    }

    fn check_straight(
        &self,
        posts: &[Post],
        ways: &BTreeMap<(usize, usize), Way>,
        breaches: &mut Vec<Breach>,
    ) -> Result<(), FrameError> {
        let widest_m = posts.iter().map(|p| p.straight_m).fold(0.0, f64::max);
        let places = posts.iter().enumerate().map(|(k, p)| GeomWithData::new([p.at.x_m, p.at.y_m], k));
        let tree = RTree::bulk_load(places.collect());
        for (p, a) in posts.iter().enumerate() {
            // Frames differ from the ground by a share; what is measured is the ground.
            let reach_m = widest_m * 1.1;
            let near = tree.locate_within_distance([a.at.x_m, a.at.y_m], reach_m * reach_m);
            let mut near: Vec<usize> = near.map(|g| g.data).filter(|&q| q > p).collect();
            near.sort_unstable();
            for q in near {
                let b = &posts[q];
                let straight_m = a.straight_m.max(b.straight_m);
                if !(a.is_site || b.is_site) || straight_m <= 0.0 || self.is_one(a, b) {
                    continue;
                }
                let spacing_m = a.spacing_m.max(b.spacing_m);
                let joined_m = 2.0 * spacing_m * (1.0 + SCALE_VARIES) + LENGTH_WITHIN_M;
                if ways.get(&(p, q)).is_some_and(|way| way.length_m <= joined_m + way.rounding_m) {
                    continue;
                }
                let apart_m = distance_m(self.frame.to_lonlat(a.at)?, self.frame.to_lonlat(b.at)?);
                if apart_m < straight_m - LENGTH_WITHIN_M {
                    let expected = format!("at least {straight_m} m in a straight line");
                    self.tell(a, b, Promise::Straight, expected, apart_m, breaches);
                }
            }
        }
        Ok(())
    }

    /// A site that became a station is no second one.
    fn is_one(&self, a: &Post, b: &Post) -> bool {
        a.is_site != b.is_site
            && a.stands.iter().any(|&s| b.stands.iter().any(|&t| self.stands[s].id == self.stands[t].id))
    }

    fn tell(
        &self,
        a: &Post,
        b: &Post,
        promise: Promise,
        expected: String,
        found_m: f64,
        breaches: &mut Vec<Breach>,
    ) {
        if self.is_one(a, b) {
            return;
        }
        // Told of the later site; its file is the one that makes the promise.
        let (late, other) = if b.is_site { (b, a) } else { (a, b) };
        let (Some(&late), Some(&first)) = (late.stands.first(), other.stands.first()) else { return };
        let what = if other.is_site { "site" } else { "station" };
        let about = format!("{what} {}", self.stands[first].id);
        breaches.push(self.stands[late].breach(promise, about, expected, metres(found_m)));
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
