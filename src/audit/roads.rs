//! The network as it was written, and ways along it: a plain Dijkstra (1959).

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};

use rstar::RTree;
use rstar::primitives::{GeomWithData, Line};

use super::space::{chord_m, longest_way_m, position};
use super::written::WrittenEdge;
use crate::frame::{Frame, FrameError, GroundPoint, LonLat};
use crate::record::LineKind;

/// Feet this much farther than the nearest, in metres, are as near: where lines are drawn twice, files
/// do not say on which of them a thing stands, and places are written to a centimetre.
const AS_NEAR_M: f64 = 0.05;

/// A step of a way is written with ends that are off by as much, in metres: rounding to 7 decimals
/// and to the lattice.
const ROUNDING_M: f64 = 0.015;

/// A step of an edge in the frame, with the numbers of the edge and of the step.
type Step = GeomWithData<Line<[f64; 2]>, (u32, u32)>;

/// The network. Edges are straight in the frame, where they were made; lengths are those on the
/// ellipsoid.
pub(super) struct Roads {
    pub edges: Vec<Road>,
    /// The edges that leave each node.
    leaving: Vec<Vec<u32>>,
    nodes: HashMap<String, u32>,
    places: Vec<GroundPoint>,
    steps: RTree<Step>,
}

/// An edge.
pub(super) struct Road {
    pub from: u32,
    pub to: u32,
    pub kinds: Vec<LineKind>,
    /// In the frame.
    pub path: Vec<GroundPoint>,
    /// Metres on the ellipsoid from the start to each vertex.
    along_m: Vec<f64>,
    /// By how much rounding may have changed its length, in metres.
    rounding_m: f64,
}

impl Road {
    /// Metres on the ellipsoid.
    pub fn length_m(&self) -> f64 {
        self.along_m.last().copied().unwrap_or(0.0)
    }

    /// Whether the edge has one of some kinds.
    pub fn is_any(&self, kinds: &[LineKind]) -> bool {
        self.kinds.iter().any(|kind| kinds.contains(kind))
    }
}

/// A place on the network.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct RoadFoot {
    pub edge: u32,
    /// Metres on the ellipsoid from the edge's start.
    pub along_m: f64,
    pub at: GroundPoint,
    /// Metres in the frame from the place that it is the foot of.
    pub off_m: f64,
    /// The vertex before it.
    pub step: usize,
}

impl Roads {
    /// # Errors
    /// [`FrameError`] for a place that the frame cannot hold.
    pub fn new(written: &[WrittenEdge], frame: &Frame) -> Result<Self, FrameError> {
        let mut nodes: HashMap<String, u32> = HashMap::new();
        let (mut edges, mut places, mut steps) = (Vec::new(), Vec::new(), Vec::new());
        for (number, edge) in written.iter().enumerate() {
            let path = frame.path_to_ground(&edge.path)?;
            let mut node = |name: &str, at: Option<&GroundPoint>| {
                *nodes.entry(name.to_string()).or_insert_with(|| {
                    places.push(at.copied().unwrap_or_default());
                    places.len() as u32 - 1
                })
            };
            let (from, to) = (node(&edge.from, path.first()), node(&edge.to, path.last()));
            let mut along_m = vec![0.0];
            let (mut so_far_m, mut rounding_m) = (0.0, 0.0);
            for (k, step) in edge.path.windows(2).enumerate() {
                let step_m = over_ground_m(step[0], step[1]);
                so_far_m += step_m;
                rounding_m += ROUNDING_M.min(ROUNDING_M * ROUNDING_M / step_m.max(ROUNDING_M));
                along_m.push(so_far_m);
                let ends = [path[k], path[k + 1]].map(|p| [p.x_m, p.y_m]);
                steps.push(GeomWithData::new(Line::new(ends[0], ends[1]), (number as u32, k as u32)));
            }
            edges.push(Road { from, to, kinds: edge.kinds.clone(), path, along_m, rounding_m });
        }
        let mut leaving = vec![Vec::new(); places.len()];
        for (number, edge) in edges.iter().enumerate() {
            leaving[edge.from as usize].push(number as u32);
            if edge.to != edge.from {
                leaving[edge.to as usize].push(number as u32);
            }
        }
        Ok(Self { edges, leaving, nodes, places, steps: RTree::bulk_load(steps) })
    }

    /// The node of a name.
    pub fn node(&self, name: &str) -> Option<u32> {
        self.nodes.get(name).copied()
    }

    /// Where a node lies.
    pub fn place(&self, node: u32) -> GroundPoint {
        self.places[node as usize]
    }

    /// The node as a foot on one of its edges of some kinds.
    pub fn foot_at_node(&self, node: u32, kinds: &[LineKind]) -> Option<RoadFoot> {
        let edge = *self.leaving[node as usize].iter().find(|&&e| self.edges[e as usize].is_any(kinds))?;
        let road = &self.edges[edge as usize];
        let along_m = if road.from == node { 0.0 } else { road.length_m() };
        Some(RoadFoot { edge, along_m, at: self.place(node), off_m: 0.0, step: 0 })
    }

    /// The nearest foot on each edge of some kinds that is as near as the nearest of all, no farther
    /// than `within_m` frame metres; nearest first.
    pub fn feet(&self, at: GroundPoint, within_m: f64, takes: impl Fn(&Road) -> bool) -> Vec<RoadFoot> {
        let here = [at.x_m, at.y_m];
        let mut feet: Vec<RoadFoot> = Vec::new();
        for (step, distance_2) in self.steps.nearest_neighbor_iter_with_distance_2(&here) {
            let off_m = distance_2.sqrt();
            let most_m = feet.first().map_or(within_m, |f| (f.off_m + AS_NEAR_M).min(within_m));
            if off_m > most_m {
                break;
            }
            let (edge, k) = step.data;
            if takes(&self.edges[edge as usize]) && feet.iter().all(|f| f.edge != edge) {
                feet.push(self.foot_on(edge, k as usize, at));
            }
        }
        feet
    }

    fn foot_on(&self, edge: u32, k: usize, p: GroundPoint) -> RoadFoot {
        let road = &self.edges[edge as usize];
        let (a, b) = (road.path[k], road.path[k + 1]);
        let (dx, dy) = (b.x_m - a.x_m, b.y_m - a.y_m);
        let length_2 = dx * dx + dy * dy;
        let t = ((p.x_m - a.x_m) * dx + (p.y_m - a.y_m) * dy) / length_2;
        let t = if length_2 > 0.0 { t.clamp(0.0, 1.0) } else { 0.0 };
        let at = a.lerp(b, t);
        let along_m = road.along_m[k] + t * (road.along_m[k + 1] - road.along_m[k]);
        RoadFoot { edge, along_m, at, off_m: at.distance_m(p), step: k }
    }
}

/// Metres on the ellipsoid between the ends of a step that is straight on the ground.
fn over_ground_m(a: LonLat, b: LonLat) -> f64 {
    let chord = chord_m(position(a.lon_deg(), a.lat_deg()), position(b.lon_deg(), b.lat_deg()));
    longest_way_m(chord)
}

/// A way along the network.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Way {
    /// Metres on the ellipsoid.
    pub length_m: f64,
    /// By how much rounding may have changed that, in metres.
    pub rounding_m: f64,
}

impl Way {
    const NONE: Way = Way { length_m: f64::INFINITY, rounding_m: 0.0 };

    fn then(self, length_m: f64, rounding_m: f64) -> Way {
        Way { length_m: self.length_m + length_m, rounding_m: self.rounding_m + rounding_m }
    }
}

/// Shorter ways come first; lengths are never NaN.
impl Eq for Way {}
impl PartialOrd for Way {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Way {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.length_m.total_cmp(&other.length_m).then(self.rounding_m.total_cmp(&other.rounding_m))
    }
}

/// Feet on edges, to be looked for: by edge, each with its metres along it and its own number.
pub(super) type Targets = HashMap<u32, Vec<(f64, u32)>>;

/// A search over the network, reused from source to source.
pub(super) struct Search<'r> {
    roads: &'r Roads,
    best: Vec<Way>,
    touched: Vec<u32>,
    open: BinaryHeap<Reverse<(Way, u32)>>,
}

impl<'r> Search<'r> {
    pub fn new(roads: &'r Roads) -> Self {
        let best = vec![Way::NONE; roads.places.len()];
        Self { roads, best, touched: Vec::new(), open: BinaryHeap::new() }
    }

    /// The targets no farther than `within_m` along edges that `takes` takes, by number, and the
    /// shortest way to each. Cost: the edges within reach times the logarithm of the nodes there.
    pub fn from(
        &mut self,
        foot: &RoadFoot,
        targets: &Targets,
        within_m: f64,
        takes: impl Fn(&Road) -> bool,
    ) -> HashMap<u32, Way> {
        let mut found: HashMap<u32, Way> = HashMap::new();
        let mut offer = |target: u32, way: Way| {
            if way.length_m <= within_m {
                let known = found.entry(target).or_insert(way);
                *known = way.min(*known);
            }
        };
        let own = &self.roads.edges[foot.edge as usize];
        if !takes(own) {
            return found;
        }
        let start = Way { length_m: 0.0, rounding_m: own.rounding_m };
        for &(along_m, target) in targets.get(&foot.edge).into_iter().flatten() {
            offer(target, start.then((along_m - foot.along_m).abs(), 0.0));
        }
        self.reach(own.from, start.then(foot.along_m, 0.0), within_m);
        self.reach(own.to, start.then(own.length_m() - foot.along_m, 0.0), within_m);
        while let Some(Reverse((way, node))) = self.open.pop() {
            if way > self.best[node as usize] {
                continue;
            }
            for &edge in &self.roads.leaving[node as usize] {
                let road = &self.roads.edges[edge as usize];
                if !takes(road) {
                    continue;
                }
                let length_m = road.length_m();
                for &(along_m, target) in targets.get(&edge).into_iter().flatten() {
                    if road.from == node {
                        offer(target, way.then(along_m, road.rounding_m));
                    }
                    if road.to == node {
                        offer(target, way.then(length_m - along_m, road.rounding_m));
                    }
                }
                let other = if road.from == node { road.to } else { road.from };
                self.reach(other, way.then(length_m, road.rounding_m), within_m);
            }
        }
        for node in self.touched.drain(..) {
            self.best[node as usize] = Way::NONE;
        }
        found
    }

    fn reach(&mut self, node: u32, way: Way, within_m: f64) {
        let known = &mut self.best[node as usize];
        if way.length_m <= within_m && way < *known {
            if *known == Way::NONE {
                self.touched.push(node);
            }
            *known = way;
            self.open.push(Reverse((way, node)));
        }
    }
}
