//! Places where several ways converge, and how much they promise.

use std::collections::HashMap;

use rayon::prelude::*;

use super::{Foot, KindSet, Network, NodeKind};
use crate::frame::GroundPoint;
use crate::record::LineKind;

/// How convergence is scored. The three weights need not sum to one: the score is their
/// weighted mean.
#[derive(Clone, PartialEq, Debug)]
pub struct ConvergenceSettings {
    /// Weight of the number of ways.
    pub ways_weight: f64,
    /// Weight of the variety of kinds.
    pub variety_weight: f64,
    /// Weight of the sign along the ways; without any sign the other two share it.
    pub sign_weight: f64,
    /// This many ways or more count in full; two count nothing.
    pub full_ways: f64,
    /// What each kind adds to the variety, in the order of [`LineKind::ALL`].
    pub kind_values: [f64; 7],
    /// Sign is looked for along each way up to this travel distance from the node, in metres.
    pub sign_reach_m: f64,
    /// After this many days a record counts half, after twice as many a quarter.
    pub sign_half_life_days: f64,
}

impl Default for ConvergenceSettings {
    /// Ways 0.5, variety 0.2, sign 0.3; five ways count in full; sign within 500 m, half-life
    /// 60 days (all common practice, no source).
    ///
    /// Values of kinds: tracks and roads 1, since wild dogs are recorded within 25 m of roads
    /// more than expected, and creeks 0.25, since they are recorded within 25 m of watercourses
    /// less than expected (Robley et al. 2010); fences, ridges and boundaries 0.5, other lines
    /// 0.25 (common practice, no source). For foxes see [`ConvergenceSettings::for_foxes`].
    fn default() -> Self {
        Self {
            ways_weight: 0.5,
            variety_weight: 0.2,
            sign_weight: 0.3,
            full_ways: 5.0,
            kind_values: [1.0, 1.0, 0.5, 0.25, 0.5, 0.5, 0.25],
            sign_reach_m: 500.0,
            sign_half_life_days: 60.0,
        }
    }
}

impl ConvergenceSettings {
    /// As the default, but a creek counts in full and a fence 0.25: fox uptake was higher along
    /// roadside vegetation and vegetated creek lines than along fence lines and in open
    /// paddocks (Carter & Luck 2013, Wildl. Res. 40:184–195).
    pub fn for_foxes() -> Self {
        Self { kind_values: [1.0, 1.0, 0.25, 1.0, 0.5, 0.5, 0.25], ..Self::default() }
    }
}

/// A record of sign on the network.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SignOnLine {
    /// Its foot.
    pub foot: Foot,
    /// How many, as recorded.
    pub count: f64,
    /// Its age in days; a record without a date counts as one half-life old.
    pub age_days: Option<f64>,
}

/// The parts of a convergence score, each in 0..=1.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct ConvergenceParts {
    /// From the number of ways.
    pub ways: f64,
    /// From the variety of kinds.
    pub variety: f64,
    /// From the sign along each way: the mean over the ways of s/(s + 1), s being the sign
    /// along one way with its age counted in. `None` where no sign was given at all.
    pub sign: Option<f64>,
}

/// Nodes within reach of each other, as one.
#[derive(Clone, PartialEq, Debug)]
pub struct Place {
    /// Its middle: the node with most ways, then of highest degree.
    pub centre: u32,
    /// All its nodes, the centre included, ascending.
    pub nodes: Vec<u32>,
    /// Grid bearings of the ways at the centre, in degrees.
    pub ways_deg: Vec<f64>,
    /// The kinds that meet in it.
    pub kinds: KindSet,
    /// Sign along each way, with its age counted in.
    pub sign_by_way: Vec<f64>,
    /// The parts of its score.
    pub parts: ConvergenceParts,
    /// Its score, in 0..=1.
    pub score: f64,
}

/// The convergence of a whole network.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Convergence {
    /// The places, by falling score, then by centre.
    pub places: Vec<Place>,
    /// The place of each node; `None` where nothing converges.
    pub of_node: Vec<Option<u32>>,
}

impl Convergence {
    /// The score at a node: that of its place, or 0.
    pub fn score(&self, node: u32) -> f64 {
        self.place(node).map_or(0.0, |p| p.score)
    }

    /// The place that a node belongs to.
    pub fn place(&self, node: u32) -> Option<&Place> {
        let place = (*self.of_node.get(node as usize)?)?;
        self.places.get(place as usize)
    }
}

impl Network {
    /// Forms the places at which lines converge and scores them. `sign` is `None` where there
    /// is none to judge by; an empty list says that it was looked for and nothing was found.
    ///
    /// Nodes at which three ways or two kinds meet, and near misses, are taken from the
    /// one with most ways down; each that belongs to no place yet makes one and takes in every
    /// node within the reach in a straight line. So places do not chain together in a dense
    /// network: all nodes of one lie within reach of its centre.
    ///
    /// Cost: for each place the edges within `sign_reach_m`.
    pub fn convergence(&self, sign: Option<&[SignOnLine]>, settings: &ConvergenceSettings) -> Convergence {
        let groups = self.group_nodes();
        let by_edge = sign.map(|s| sign_by_edge(s, settings.sign_half_life_days));
        let mut places: Vec<Place> = groups
            .into_par_iter()
            .map(|(centre, nodes)| self.place(centre, nodes, by_edge.as_ref(), settings))
            .collect();
        places.sort_by(|p, q| q.score.total_cmp(&p.score).then(p.centre.cmp(&q.centre)));
        let mut of_node = vec![None; self.nodes().len()];
        for (k, place) in places.iter().enumerate() {
            place.nodes.iter().for_each(|&n| of_node[n as usize] = Some(k as u32));
        }
        Convergence { places, of_node }
    }

    /// Whether something converges at a node.
    fn converges(&self, node: u32) -> bool {
        let kind = self.node_kind(node);
        self.ways_deg(node).len() >= 3 || kind == NodeKind::Crossing || kind == NodeKind::NearMiss
    }

    /// Centres with the nodes of their places.
    fn group_nodes(&self) -> Vec<(u32, Vec<u32>)> {
        let reach_m = self.settings().reach_m;
        let cell = |p: GroundPoint| ((p.x_m / reach_m).floor() as i64, (p.y_m / reach_m).floor() as i64);
        let mut cells: HashMap<(i64, i64), Vec<u32>> = HashMap::new();
        for (k, node) in self.nodes().iter().enumerate() {
            cells.entry(cell(node.at)).or_default().push(k as u32);
        }
        let mut seeds: Vec<u32> = (0..self.nodes().len() as u32).filter(|&n| self.converges(n)).collect();
        seeds.sort_by(|&i, &j| {
            let (p, q) = (&self.nodes()[i as usize], &self.nodes()[j as usize]);
            (self.ways_deg(j).len(), q.degree, q.kinds.len())
                .cmp(&(self.ways_deg(i).len(), p.degree, p.kinds.len()))
                .then(p.at.x_m.total_cmp(&q.at.x_m))
                .then(p.at.y_m.total_cmp(&q.at.y_m))
                .then(i.cmp(&j))
        });
        let mut taken = vec![false; self.nodes().len()];
        let mut groups = Vec::new();
        for centre in seeds {
            if taken[centre as usize] {
                continue;
            }
            let at = self.nodes()[centre as usize].at;
            let (column, row) = cell(at);
            let mut nodes = Vec::new();
            for key in (column - 1..=column + 1).flat_map(|c| (row - 1..=row + 1).map(move |r| (c, r))) {
                let near = cells.get(&key).into_iter().flatten().copied();
                nodes.extend(near.filter(|&n| {
                    !taken[n as usize] && self.nodes()[n as usize].at.distance_m(at) <= reach_m
                }));
            }
            nodes.sort_unstable();
            nodes.iter().for_each(|&n| taken[n as usize] = true);
            groups.push((centre, nodes));
        }
        groups
    }

    fn place(
        &self,
        centre: u32,
        nodes: Vec<u32>,
        sign: Option<&SignByEdge>,
        settings: &ConvergenceSettings,
    ) -> Place {
        let ways_deg = self.ways_deg(centre).to_vec();
        let kinds = nodes.iter().fold(KindSet::EMPTY, |set, &n| set.with(self.nodes()[n as usize].kinds));
        let sign_by_way = match sign {
            Some(sign) => SignSearch::run(self, centre, &ways_deg, sign, settings.sign_reach_m),
            None => vec![0.0; ways_deg.len()],
        };
        let parts = ConvergenceParts {
            ways: ((ways_deg.len() as f64 - 2.0) / (settings.full_ways - 2.0).max(1.0)).clamp(0.0, 1.0),
            variety: variety(kinds, &settings.kind_values),
            sign: sign.map(|_| {
                let total: f64 = sign_by_way.iter().map(|s| s / (s + 1.0)).sum();
                total / ways_deg.len().max(1) as f64
            }),
        };
        let score = score(&parts, settings);
        Place { centre, nodes, ways_deg, kinds, sign_by_way, parts, score }
    }
}

/// What the kinds beyond the best are worth together; two full kinds more count in full.
fn variety(kinds: KindSet, values: &[f64; 7]) -> f64 {
    let met: Vec<f64> =
        LineKind::ALL.iter().zip(values).filter(|(k, _)| kinds.has(**k)).map(|(_, v)| *v).collect();
    let best = met.iter().copied().fold(0.0, f64::max);
    ((met.iter().sum::<f64>() - best) / 2.0).clamp(0.0, 1.0)
}

fn score(parts: &ConvergenceParts, settings: &ConvergenceSettings) -> f64 {
    let mut sum = settings.ways_weight * parts.ways + settings.variety_weight * parts.variety;
    let mut weight = settings.ways_weight + settings.variety_weight;
    if let Some(sign) = parts.sign {
        sum += settings.sign_weight * sign;
        weight += settings.sign_weight;
    }
    if weight > 0.0 { (sum / weight).clamp(0.0, 1.0) } else { 0.0 }
}

/// Sign on each edge: distance from the edge's `from` end, and weight.
type SignByEdge = HashMap<u32, Vec<(f64, f64)>>;

fn sign_by_edge(sign: &[SignOnLine], half_life_days: f64) -> SignByEdge {
    let mut by_edge = SignByEdge::new();
    for s in sign {
        let half_lives = s.age_days.map_or(1.0, |days| days.max(0.0) / half_life_days);
        let weight = s.count * (-half_lives).exp2();
        by_edge.entry(s.foot.edge).or_default().push((s.foot.along_m, weight));
    }
    by_edge
}

/// The search from the centre of a place outwards that says by which way each edge leaves.
struct SignSearch<'a> {
    network: &'a Network,
    kinds: KindSet,
    at: GroundPoint,
    ways_deg: &'a [f64],
    reach_m: f64,
    /// Nearest distance of each edge end reached, and the way by which; `None` within reach.
    settled: HashMap<u32, (f64, Option<usize>)>,
    order: Vec<u32>,
}

impl<'a> SignSearch<'a> {
    fn run(
        network: &'a Network,
        centre: u32,
        ways_deg: &'a [f64],
        sign: &SignByEdge,
        within_m: f64,
    ) -> Vec<f64> {
        let node = &network.nodes()[centre as usize];
        let settings = network.settings();
        let mut search = Self {
            network,
            kinds: if node.gate {
                settings.travel.with(KindSet::of(LineKind::Fence))
            } else {
                settings.travel
            },
            at: node.at,
            ways_deg,
            reach_m: settings.reach_m,
            settled: HashMap::new(),
            order: Vec::new(),
        };
        if ways_deg.is_empty() {
            return Vec::new();
        }
        search.settle(centre, within_m);
        search.gather(sign, within_m)
    }

    fn settle(&mut self, centre: u32, within_m: f64) {
        let mut queue = std::collections::BinaryHeap::new();
        queue.push(std::cmp::Reverse((0_u64, centre, None::<usize>)));
        while let Some(std::cmp::Reverse((bits, n, way))) = queue.pop() {
            if self.settled.contains_key(&n) {
                continue;
            }
            let d = f64::from_bits(bits);
            self.settled.insert(n, (d, way));
            self.order.push(n);
            for end in self.network.ends_at(n) {
                let edge = &self.network.edges()[end.edge as usize];
                let other = if end.at_to { edge.from } else { edge.to };
                let other_m = d + edge.length_m;
                if other_m <= within_m && edge.kinds.meets(self.kinds) {
                    let way = way.or_else(|| self.way_on(end.edge, end.at_to, d, edge.length_m));
                    queue.push(std::cmp::Reverse((other_m.to_bits(), other, way)));
                }
            }
        }
    }

    /// The way that an edge leaves by, where it reaches the reach: the one whose bearing is
    /// nearest to the place at the reach.
    fn way_on(&self, edge: u32, at_to: bool, start_m: f64, length_m: f64) -> Option<usize> {
        let left_m = self.reach_m - start_m;
        (left_m <= length_m).then(|| {
            self.nearest_way(self.network.point_at(edge, if at_to { length_m - left_m } else { left_m }))
        })
    }

    fn nearest_way(&self, place: GroundPoint) -> usize {
        let bearing = self.at.grid_bearing_deg(place);
        let off = |w: f64| {
            let d = (w - bearing).rem_euclid(360.0);
            d.min(360.0 - d)
        };
        (0..self.ways_deg.len())
            .min_by(|&i, &j| off(self.ways_deg[i]).total_cmp(&off(self.ways_deg[j])))
            .unwrap_or(0)
    }

    /// Adds up the sign by way, each record once, by its nearer edge end.
    fn gather(&self, sign: &SignByEdge, within_m: f64) -> Vec<f64> {
        let mut by_way = vec![0.0; self.ways_deg.len()];
        for &n in &self.order {
            let (d, way) = self.settled[&n];
            for end in self.network.ends_at(n) {
                let edge = &self.network.edges()[end.edge as usize];
                if !edge.kinds.meets(self.kinds) {
                    continue;
                }
                let other = if end.at_to { edge.from } else { edge.to };
                let other_m = self.settled.get(&other).map_or(f64::INFINITY, |s| s.0);
                for &(along_m, weight) in sign.get(&end.edge).into_iter().flatten() {
                    let off_m = if end.at_to { edge.length_m - along_m } else { along_m };
                    let (here_m, there_m) = (d + off_m, other_m + edge.length_m - off_m);
                    // Each record once: by the nearer end, and of equals by the `from` end.
                    if here_m > within_m || here_m > there_m || (here_m == there_m && end.at_to) {
                        continue;
                    }
                    let leaves = way.or_else(|| {
                        (here_m >= self.reach_m)
                            .then(|| self.way_on(end.edge, end.at_to, d, edge.length_m))?
                    });
                    let way =
                        leaves.unwrap_or_else(|| self.nearest_way(self.network.point_at(end.edge, along_m)));
                    by_way[way] += weight;
                }
            }
        }
        by_way
    }
}
