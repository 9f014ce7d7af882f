//! Ways of travel between stops: a directed graph contracted to junctions and stops.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use rayon::prelude::*;

use crate::frame::GroundPoint;
use crate::network::{Edge, EdgePiece, Foot, KindSet, Network};
use crate::record::LineKind;

/// A vertex nearer to an end of a piece than this many metres is that end.
const ROUNDING_M: f64 = 1e-6;

/// Who may travel an edge, and how fast.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Passage {
    /// Whether it may be travelled from its `from` end to its `to` end.
    pub forward: bool,
    /// Whether it may be travelled the other way.
    pub back: bool,
    /// Speed in kilometres an hour.
    pub km_per_h: f64,
}

/// Speeds by kind of line, and the kinds that carry travel.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Speeds {
    /// The kinds travelled along.
    pub travel: KindSet,
    /// On roads, in kilometres an hour.
    pub road_km_h: f64,
    /// On every other kind of travel line, in kilometres an hour.
    pub track_km_h: f64,
    /// On foot, in kilometres an hour.
    pub walk_km_h: f64,
}

impl Default for Speeds {
    /// Roads 50, tracks 20, on foot 4 km/h (common practice, no source).
    fn default() -> Self {
        Self {
            travel: KindSet::from_kinds(&[LineKind::Track, LineKind::Road]),
            road_km_h: 50.0,
            track_km_h: 20.0,
            walk_km_h: 4.0,
        }
    }
}

impl Speeds {
    /// How an edge may be travelled when nothing bars it.
    pub fn passage(&self, edge: &Edge) -> Passage {
        let open = edge.kinds.meets(self.travel);
        let km_per_h = if edge.kinds.has(LineKind::Road) { self.road_km_h } else { self.track_km_h };
        Passage { forward: open, back: open, km_per_h }
    }

    /// Minutes to walk a number of metres.
    pub fn walk_minutes(&self, metres: f64) -> f64 {
        minutes(metres, self.walk_km_h)
    }
}

fn minutes(metres: f64, km_per_h: f64) -> f64 {
    metres * 0.06 / km_per_h
}

/// A place on an edge that cannot be passed: a locked gate.
pub type Barrier = Foot;

/// The passable edges of a network, contracted to junctions and stops.
pub struct TravelNet {
    /// Vertex of each stop.
    stops: Vec<u32>,
    /// First arc of each vertex, and the count at the end.
    starts: Vec<u32>,
    arcs: Vec<Arc>,
    chains: Vec<Chain>,
}

#[derive(Clone, Copy, Debug)]
struct Arc {
    to: u32,
    chain: u32,
    against: bool,
}

#[derive(Clone, Debug)]
struct Chain {
    metres: f64,
    minutes: f64,
    pieces: Vec<EdgePiece>,
}

/// A shortest way between two stops.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Leg {
    /// Its length along the lines, in frame metres.
    pub metres: f64,
    /// Minutes it takes at the speeds of its lines.
    pub minutes: f64,
    /// The pieces of edges in travel order.
    pub pieces: Vec<EdgePiece>,
}

impl Leg {
    /// Its way in the frame, with every vertex of the lines.
    pub fn path(&self, network: &Network) -> Vec<GroundPoint> {
        let mut path: Vec<GroundPoint> = Vec::new();
        for piece in &self.pieces {
            let points = piece_path(network, piece);
            let skip = usize::from(path.last() == points.first());
            path.extend_from_slice(&points[skip.min(points.len())..]);
        }
        path
    }
}

/// The points of part of an edge in travel order.
fn piece_path(network: &Network, piece: &EdgePiece) -> Vec<GroundPoint> {
    let (low_m, high_m) = (piece.from_m.min(piece.to_m), piece.from_m.max(piece.to_m));
    let mut points = vec![network.point_at(piece.edge, low_m)];
    let mut along_m = 0.0;
    for step in network.path(piece.edge).windows(2) {
        along_m += step[0].distance_m(step[1]);
        if along_m > low_m + ROUNDING_M && along_m < high_m - ROUNDING_M {
            points.push(step[1]);
        }
    }
    points.push(network.point_at(piece.edge, high_m));
    if piece.to_m < piece.from_m {
        points.reverse();
    }
    points
}

/// Part of an edge between two vertices before contraction.
#[derive(Clone, Copy)]
struct Segment {
    ends: [u32; 2],
    edge: u32,
    along_m: [f64; 2],
    open: [bool; 2],
    km_per_h: f64,
}

/// Segments on their way to chains between the vertices that are kept.
struct Contraction<'a> {
    segments: &'a [Segment],
    incident: &'a [Vec<u32>],
    kept: &'a [bool],
    walked: Vec<bool>,
}

impl Contraction<'_> {
    /// Walks one chain from a kept vertex to the next: the chain, where it ends, and whether it
    /// is open forward and back.
    fn walk(&mut self, from: u32, first: u32) -> (Chain, u32, [bool; 2]) {
        let mut chain = Chain { metres: 0.0, minutes: 0.0, pieces: Vec::new() };
        let (mut here, mut at) = (from, first);
        let mut open = [true; 2];
        loop {
            self.walked[at as usize] = true;
            let s = &self.segments[at as usize];
            let i = usize::from(s.ends[0] != here);
            let metres = (s.along_m[1] - s.along_m[0]).abs();
            chain.metres += metres;
            chain.minutes += minutes(metres, s.km_per_h);
            chain.pieces.push(EdgePiece { edge: s.edge, from_m: s.along_m[i], to_m: s.along_m[1 - i] });
            open = [open[0] && s.open[i], open[1] && s.open[1 - i]];
            here = s.ends[1 - i];
            if self.kept[here as usize] {
                break;
            }
            match self.incident[here as usize].iter().find(|&&next| !self.walked[next as usize]) {
                Some(&next) => at = next,
                None => break,
            }
        }
        chain.pieces.retain(|p| p.from_m != p.to_m);
        (chain, here, open)
    }
}

impl TravelNet {
    /// Contracts the edges that `passage` opens (one entry an edge), cut at barriers. Linear
    /// in the edges.
    pub fn new(network: &Network, passages: &[Passage], stops: &[Foot], barriers: &[Barrier]) -> Self {
        let (segments, vertices, stop_vertices) = split(network, passages, stops, barriers);
        let mut kept = vec![false; vertices];
        stop_vertices.iter().for_each(|&v| kept[v as usize] = true);
        let incident = incidence(&segments, vertices);
        for (v, at) in incident.iter().enumerate() {
            kept[v] |= at.len() != 2 || !passes_alike(&segments, at, v as u32);
        }
        let mut net = Self { stops: stop_vertices, starts: Vec::new(), arcs: Vec::new(), chains: Vec::new() };
        let mut arcs: Vec<(u32, Arc)> = Vec::new();
        let walked = vec![false; segments.len()];
        let mut contraction = Contraction { segments: &segments, incident: &incident, kept: &kept, walked };
        for v in (0..vertices as u32).filter(|&v| kept[v as usize]) {
            for &first in &incident[v as usize] {
                if contraction.walked[first as usize] {
                    continue;
                }
                let (chain, end, open) = contraction.walk(v, first);
                let index = net.chains.len() as u32;
                net.chains.push(chain);
                if open[0] {
                    arcs.push((v, Arc { to: end, chain: index, against: false }));
                }
                if open[1] {
                    arcs.push((end, Arc { to: v, chain: index, against: true }));
                }
            }
        }
        net.index(vertices, &arcs);
        net
    }

    fn index(&mut self, vertices: usize, arcs: &[(u32, Arc)]) {
        let mut by_vertex = arcs.to_vec();
        by_vertex.sort_by_key(|(from, arc)| (*from, arc.chain, arc.against));
        self.starts = vec![0; vertices + 1];
        by_vertex.iter().for_each(|(from, _)| self.starts[*from as usize + 1] += 1);
        for v in 0..vertices {
            self.starts[v + 1] += self.starts[v];
        }
        self.arcs = by_vertex.into_iter().map(|(_, arc)| arc).collect();
    }

    fn arcs_of(&self, vertex: u32) -> std::ops::Range<usize> {
        self.starts[vertex as usize] as usize..self.starts[vertex as usize + 1] as usize
    }

    /// Metres and minutes of a shortest way from every stop (row) to every stop (column);
    /// infinite where there is none. Of equally short ways the same one is taken every time.
    ///
    /// One search a stop, after Dijkstra (1959), in parallel.
    pub fn table(&self) -> Vec<(f64, f64)> {
        let rows: Vec<Vec<(f64, f64)>> = self
            .stops
            .par_iter()
            .map(|&from| {
                let found = self.search(from);
                let at = |&stop: &u32| (found.metres[stop as usize], found.minutes[stop as usize]);
                self.stops.iter().map(at).collect()
            })
            .collect();
        rows.concat()
    }

    /// The legs from one stop to some others; `None` where there is no way.
    pub fn legs(&self, from: usize, to: &[usize]) -> Vec<Option<Leg>> {
        let found = self.search(self.stops[from]);
        to.iter().map(|&stop| self.leg(&found, self.stops[from], self.stops[stop])).collect()
    }

    fn leg(&self, found: &Found, from: u32, to: u32) -> Option<Leg> {
        let metres = found.metres[to as usize];
        if !metres.is_finite() {
            return None;
        }
        let mut arcs = Vec::new();
        let mut here = to;
        while here != from {
            let (before, arc) = found.by[here as usize]?;
            arcs.push(self.arcs[arc as usize]);
            here = before;
        }
        let mut pieces = Vec::new();
        for arc in arcs.iter().rev() {
            let chain = &self.chains[arc.chain as usize].pieces;
            if arc.against {
                let turned = |p: &EdgePiece| EdgePiece { edge: p.edge, from_m: p.to_m, to_m: p.from_m };
                pieces.extend(chain.iter().rev().map(turned));
            } else {
                pieces.extend_from_slice(chain);
            }
        }
        Some(Leg { metres, minutes: found.minutes[to as usize], pieces })
    }

    fn search(&self, from: u32) -> Found {
        let vertices = self.starts.len() - 1;
        let mut found = Found {
            metres: vec![f64::INFINITY; vertices],
            minutes: vec![f64::INFINITY; vertices],
            by: vec![None; vertices],
        };
        (found.metres[from as usize], found.minutes[from as usize]) = (0.0, 0.0);
        // Distances are not negative, so their bits order as they do.
        let mut queue = BinaryHeap::from([Reverse((0_u64, from))]);
        while let Some(Reverse((bits, here))) = queue.pop() {
            let metres = f64::from_bits(bits);
            if metres > found.metres[here as usize] {
                continue;
            }
            for k in self.arcs_of(here) {
                let arc = self.arcs[k];
                let chain = &self.chains[arc.chain as usize];
                let (onward, to) = (metres + chain.metres, arc.to as usize);
                if onward < found.metres[to] {
                    found.metres[to] = onward;
                    found.minutes[to] = found.minutes[here as usize] + chain.minutes;
                    found.by[to] = Some((here, k as u32));
                    queue.push(Reverse((onward.to_bits(), arc.to)));
                }
            }
        }
        found
    }
}

/// What a search found, by vertex.
struct Found {
    metres: Vec<f64>,
    minutes: Vec<f64>,
    by: Vec<Option<(u32, u32)>>,
}

/// Splits the open edges at stops and barriers; gives the segments, the count of vertices
/// and the vertex of each stop.
fn split(
    network: &Network,
    passages: &[Passage],
    stops: &[Foot],
    barriers: &[Barrier],
) -> (Vec<Segment>, usize, Vec<u32>) {
    let mut vertices = network.nodes().len() as u32;
    let mut cuts: Vec<Vec<(f64, Option<usize>)>> = vec![Vec::new(); passages.len()];
    stops.iter().enumerate().for_each(|(k, f)| cuts[f.edge as usize].push((f.along_m, Some(k))));
    barriers.iter().for_each(|f| cuts[f.edge as usize].push((f.along_m, None)));
    let mut stop_vertices = vec![0; stops.len()];
    let mut segments = Vec::new();
    for (edge, (e, passage)) in network.edges().iter().zip(passages).enumerate() {
        cuts[edge].sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let open = [passage.forward, passage.back];
        let (mut here, mut along_m) = (e.from, 0.0);
        let mut add = |from: u32, to: u32, low_m: f64, high_m: f64| {
            if open[0] || open[1] {
                segments.push(Segment {
                    ends: [from, to],
                    edge: edge as u32,
                    along_m: [low_m, high_m],
                    open,
                    km_per_h: passage.km_per_h,
                });
            }
        };
        for &(at_m, stop) in &cuts[edge] {
            let vertex = vertices;
            vertices += 1;
            add(here, vertex, along_m, at_m);
            along_m = at_m;
            here = vertex;
            match stop {
                Some(k) => stop_vertices[k] = vertex,
                // The far side of a barrier is another vertex.
                None => {
                    here = vertices;
                    vertices += 1;
                }
            }
        }
        add(here, e.to, along_m, e.length_m);
    }
    (segments, vertices as usize, stop_vertices)
}

/// The segments at each vertex; a loop is there twice.
fn incidence(segments: &[Segment], vertices: usize) -> Vec<Vec<u32>> {
    let mut incident = vec![Vec::new(); vertices];
    for (k, s) in segments.iter().enumerate() {
        s.ends.iter().for_each(|&v| incident[v as usize].push(k as u32));
    }
    incident
}

/// Whether travel passes a vertex of two segments the same way on both.
fn passes_alike(segments: &[Segment], at: &[u32], vertex: u32) -> bool {
    if at[0] == at[1] {
        return false;
    }
    let inward = |k: u32| {
        let s = &segments[k as usize];
        let i = usize::from(s.ends[0] == vertex);
        [s.open[i], s.open[1 - i]]
    };
    let (a, b) = (inward(at[0]), inward(at[1]));
    a[0] == b[1] && a[1] == b[0]
}
