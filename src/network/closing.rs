//! Which gaps at line ends are closed, and which ends overshoot.

use std::collections::HashSet;

use super::gap::{Gaps, NearMiss, NearMissKind, Overshoot, ROUND_OFF_M};
use super::gap_search::{Beside, CLOSE_BY_FACTOR, End, Search, Seen, micrometres};
use super::joints::Joints;
use super::lattice::{Lattice, Pixel};
use super::strand::Strands;
use super::strips::Strips;
use super::{KindSet, NetworkError, NetworkSettings};

/// Of more lines than this at one end it is not looked whether they meet each other there: all of
/// them are joined to the end, which joins them to each other as well.
const MOST_AT_AN_END: usize = 16;

/// Looks at every strand end for other lines within three times the snap distance and decides what
/// to do.
///
/// 1. An end of a line that carries travel joins every line that carries travel within the snap
///    distance, unless it hangs together with it there already: it touches or has just crossed it,
///    or both are joined to a third close by. Links are made shortest first (Kruskal 1956), so that
///    ends in a cluster are joined by as few as it takes. What does not carry travel does the same
///    among lines of its own kind.
/// 2. An end that touches no line joins the nearest of any kind as well, so that a fence that ends
///    at a track meets it.
/// 3. An end that has just crossed the nearest line, and that nothing joins, is an overshoot.
/// 4. An end that touches a line of its own class is as it should be, and joins only other such
///    ends: a line that merely passes by stays apart.
///
/// Nothing but line ends is ever joined, and no vertex is moved: lines that merely run close
/// together stay apart.
///
/// Cost: n log n for n ends plus the segments near each.
///
/// # Errors
/// [`NetworkError::TooManyCrossings`].
pub(crate) fn find_gaps(
    strands: &Strands,
    strips: &Strips,
    lattice: &Lattice,
    settings: &NetworkSettings,
) -> Result<Closing, NetworkError> {
    let search = Search::new(strands, strips, lattice, settings.snap_m);
    let seen = search.run()?;
    let mut closing = Closing::new(settings);
    let on = On { strands, lattice, travel: settings.travel };
    let mut links = Vec::new();
    for (k, seen) in seen.iter().enumerate() {
        closing.note_joints(&on, &search, seen);
        links.extend(links_of(&on, &search, k, seen));
    }
    // The last two only part links between the same places, which make the same connector.
    links.sort_by_key(|l| {
        (micrometres(l.gap_m), l.from.min(l.foot), l.from.max(l.foot), l.kind, l.end, l.strand)
    });
    for link in &links {
        closing.close(&on, link, &seen[link.end]);
    }
    for seen in &seen {
        closing.near_misses_of(&on, &search, seen);
    }
    closing.listed.sort_by_key(|l| (l.end, micrometres(l.near_miss.gap_m), l.foot));
    Ok(closing)
}

/// The lines whose ends are looked at.
pub(super) struct On<'a> {
    pub strands: &'a Strands,
    pub lattice: &'a Lattice,
    pub travel: KindSet,
}

impl On<'_> {
    /// Whether lines join each other before any other: both carry travel, or both are of a kind
    /// that does not.
    pub(super) fn are_alike(&self, a: usize, b: usize) -> bool {
        let [a, b] = [a, b].map(|k| self.strands.strands[k].kinds);
        match [a, b].map(|kinds| kinds.meets(self.travel)) {
            [true, true] => true,
            [false, false] => a.meets(b),
            _ => false,
        }
    }

    fn level(&self, strand: usize) -> i32 {
        self.strands.strands[strand].level
    }

    fn at(&self, end: End) -> Pixel {
        self.strands.vertices[end.vertex as usize]
    }

    fn end_m(&self, end: End) -> f64 {
        self.strands.vertex_chainage_m(end.strand, 0, end.vertex)
    }

    fn foot_m(&self, beside: &Beside) -> f64 {
        self.strands.chainage_m(beside.strand, 0, beside.nearest, beside.foot)
    }

    /// The first input line on a strand.
    pub(super) fn line(&self, strand: usize) -> u32 {
        self.strands.lines_on(strand).first().copied().unwrap_or(u32::MAX)
    }
}

/// A gap that may be closed.
struct Link {
    /// The end, as its place in the list of what was seen.
    end: usize,
    kind: u8,
    from: Pixel,
    strand: usize,
    foot: Pixel,
    along_m: f64,
    gap_m: f64,
    /// Whether it joins lines that are alike.
    alike: bool,
}

/// A near miss, and what puts it in its place.
struct Listed {
    end: End,
    foot: Pixel,
    near_miss: NearMiss,
    overshoot: Option<(usize, bool)>,
}

/// Sorts behind every end.
const BEHIND_ALL: End = End { strand: usize::MAX, last: true, vertex: u32::MAX };

/// What is decided about line ends.
pub(crate) struct Closing {
    pub(super) joints: Joints,
    pub(super) snap_m: f64,
    connectors: Vec<(usize, Pixel, Pixel)>,
    /// Ends and feet of what is listed, the lesser first.
    known: HashSet<(Pixel, Pixel)>,
    listed: Vec<Listed>,
    ends: Vec<Pixel>,
}

/// The stretches that an end may join before any other.
fn alike<'a>(on: &'a On, seen: &'a Seen) -> impl Iterator<Item = &'a Beside> {
    seen.near.iter().filter(|b| on.are_alike(b.strand, seen.end.strand))
}

/// The gaps at an end that may be closed.
fn links_of(on: &On, search: &Search, end: usize, seen: &Seen) -> Vec<Link> {
    let own = seen.end;
    let meets_one = alike(on, seen).any(|b| b.touches);
    let changes_level = seen.near.iter().any(|b| b.touches && on.level(b.strand) != on.level(own.strand));
    let kind = on.strands.strands[own.strand].kind as u8;
    let link = |b: &Beside, is_alike: bool| {
        let at_end = search.end_near(own, b);
        if b.touches || b.gap_m > search.snap_m() + ROUND_OFF_M {
            return None;
        }
        let (foot, along_m, gap_m) = match at_end {
            Some((vertex, gap_m)) => {
                let foot = on.strands.vertices[vertex as usize];
                (foot, on.strands.vertex_chainage_m(b.strand, 0, vertex), gap_m)
            }
            None if is_alike && meets_one => return None,
            None => (b.foot, on.foot_m(b), b.gap_m),
        };
        let from = on.at(own);
        (foot != from).then_some(Link {
            end,
            kind,
            from,
            strand: b.strand,
            foot,
            along_m,
            gap_m,
            alike: is_alike,
        })
    };
    let mut links = Vec::new();
    if !(meets_one && changes_level) {
        links.extend(alike(on, seen).filter(|b| !b.crossed).filter_map(|b| link(b, true)));
    }
    let nearest = nearest_of_any_kind(seen).filter(|b| !on.are_alike(b.strand, own.strand));
    links.extend(nearest.filter(|b| !is_crossed(seen, b.strand)).and_then(|b| link(b, false)));
    links
}

/// What is nearest to an end that touches nothing.
fn nearest_of_any_kind(seen: &Seen) -> Option<&Beside> {
    if seen.near.iter().any(|b| b.touches) {
        return None;
    }
    seen.near.iter().min_by_key(|b| b.rank())
}

fn is_crossed(seen: &Seen, strand: usize) -> bool {
    seen.near.iter().any(|b| b.strand == strand && b.crossed)
}

impl Closing {
    fn new(settings: &NetworkSettings) -> Self {
        Self {
            joints: Joints::new(CLOSE_BY_FACTOR * settings.snap_m),
            snap_m: settings.snap_m,
            connectors: Vec::new(),
            known: HashSet::new(),
            listed: Vec::new(),
            ends: Vec::new(),
        }
    }

    /// Notes what hangs together at an end as the lines are drawn: what it touches, what it has just
    /// crossed, and what of all that lies near it meets each other.
    fn note_joints(&mut self, on: &On, search: &Search, seen: &Seen) {
        let end = seen.end;
        let own = self.joints.place(end.strand, on.end_m(end));
        let near: Vec<&Beside> = alike(on, seen)
            .filter(|b| b.touches || b.crossed || b.gap_m <= self.snap_m + ROUND_OFF_M)
            .collect();
        if near.iter().all(|b| b.strand == end.strand && !b.touches) && near.len() < 2 {
            return;
        }
        let places: Vec<u32> = near.iter().map(|b| self.joints.place(b.strand, on.foot_m(b))).collect();
        for (b, &place) in near.iter().zip(&places) {
            if b.touches || b.crossed {
                self.joints.unite(own, place);
            }
        }
        if near.len() > MOST_AT_AN_END {
            return;
        }
        for (i, a) in near.iter().enumerate() {
            for (b, &place) in near.iter().zip(&places).skip(i + 1) {
                if on.level(a.strand) == on.level(b.strand) && search.stretches_meet(end, a, b) {
                    self.joints.unite(places[i], place);
                }
            }
        }
    }

    /// Closes a gap unless both sides hang together there already.
    fn close(&mut self, on: &On, link: &Link, seen: &Seen) {
        self.ends.push(link.from);
        if link.alike {
            let own = self.joints.place(seen.end.strand, on.end_m(seen.end));
            if self.joints.is_joined(own, link.strand, link.along_m) {
                return;
            }
            let there = self.joints.place(link.strand, link.along_m);
            self.joints.unite(own, there);
        }
        if !self.is_new(link.from, link.foot) {
            return;
        }
        self.connectors.push((seen.end.strand, link.from, link.foot));
        let near_miss =
            near_miss(on, NearMissKind::Gap, (seen.end.strand, link.from), (link.strand, link.foot));
        let near_miss = NearMiss { gap_m: link.gap_m, closed: true, ..near_miss };
        self.listed.push(Listed { end: seen.end, foot: link.foot, near_miss, overshoot: None });
    }

    /// Joins two places of strands that were within the snap distance before passes were merged.
    pub(super) fn close_as_drawn(&mut self, on: &On, from: (usize, Pixel), to: (usize, Pixel)) {
        if from.1 == to.1 || !self.is_new(from.1, to.1) {
            return;
        }
        self.connectors.push((from.0, from.1, to.1));
        let near_miss = near_miss(on, NearMissKind::Gap, from, to);
        let gap_m = near_miss.at.distance_m(near_miss.foot);
        let near_miss = NearMiss { gap_m, closed: true, ..near_miss };
        self.listed.push(Listed { end: BEHIND_ALL, foot: to.1, near_miss, overshoot: None });
    }

    /// Two ends that face each other find each other: one gap.
    fn is_new(&mut self, from: Pixel, foot: Pixel) -> bool {
        self.known.insert((from.min(foot), from.max(foot)))
    }

    /// Lists the gaps of an end that stay open, and whether it overshoots.
    fn near_misses_of(&mut self, on: &On, search: &Search, seen: &Seen) {
        let own = seen.end;
        let is_open = |b: &&Beside| b.gap_m > search.snap_m() + ROUND_OFF_M;
        let lacks = alike(on, seen).all(|b| !b.touches && !b.crossed);
        let nearest_alike = alike(on, seen).filter(|_| lacks).min_by_key(|b| b.rank());
        let nearest = nearest_of_any_kind(seen);
        let just_crossed = |strand: usize| seen.near.iter().any(|b| b.strand == strand && b.just_crossed);
        if let Some(b) = nearest.filter(|b| just_crossed(b.strand)) {
            let overshoot = Some((own.strand, own.last));
            let near_miss =
                near_miss(on, NearMissKind::Overshoot, (own.strand, on.at(own)), (b.strand, b.foot));
            let near_miss = NearMiss { gap_m: b.gap_m, ..near_miss };
            self.listed.push(Listed { end: own, foot: b.foot, near_miss, overshoot });
        }
        let other = nearest.filter(|b| !is_crossed(seen, b.strand) && !on.are_alike(b.strand, own.strand));
        for b in [nearest_alike, other].into_iter().flatten().filter(is_open) {
            self.ends.push(on.at(own));
            if self.is_new(on.at(own), b.foot) {
                let near_miss =
                    near_miss(on, NearMissKind::Gap, (own.strand, on.at(own)), (b.strand, b.foot));
                let near_miss = NearMiss { gap_m: b.gap_m, ..near_miss };
                self.listed.push(Listed { end: own, foot: b.foot, near_miss, overshoot: None });
            }
        }
    }

    /// What was decided.
    pub(crate) fn into_gaps(mut self) -> Gaps {
        self.ends.sort_unstable();
        self.ends.dedup();
        let overshoots = self.listed.iter().enumerate().filter_map(|(near_miss, listed)| {
            let (strand, last) = listed.overshoot?;
            Some(Overshoot { strand, last, near_miss })
        });
        Gaps {
            overshoots: overshoots.collect(),
            near_misses: self.listed.into_iter().map(|l| l.near_miss).collect(),
            ends: self.ends,
            connectors: self.connectors,
        }
    }
}

/// A near miss between places of two strands; its distance is not known yet, and it is not closed.
fn near_miss(on: &On, kind: NearMissKind, from: (usize, Pixel), to: (usize, Pixel)) -> NearMiss {
    let (at, foot) = (on.lattice.ground(from.1), on.lattice.ground(to.1));
    NearMiss { kind, at, foot, gap_m: 0.0, closed: false, line: on.line(from.0), other: on.line(to.0) }
}

#[cfg(test)]
mod tests {
    use super::NearMissKind::{Gap, Overshoot};
    use super::*;
    use crate::frame::Traced;
    use crate::network::lattice::Extent;
    use crate::network::tests::{line, track};
    use crate::record::{Line, LineKind};

    fn listed(lines: &[Traced<Line>]) -> Vec<Listed> {
        let extent = lines.iter().map(|l| Extent::of(&l.ground)).fold(Extent::NONE, Extent::with);
        let lattice = Lattice::covering(0.01, extent).unwrap();
        let strands = Strands::from_lines(&lattice, lines, true, true);
        let strips = Strips::new(&strands);
        let mut closing = find_gaps(&strands, &strips, &lattice, &NetworkSettings::default()).unwrap();
        closing.listed.sort_by_key(|l| (l.end, micrometres(l.near_miss.gap_m), l.foot));
        closing.listed
    }

    /// (strand, whether its last end, kind, metres, closed), with gaps closed up to 5 m.
    fn told(lines: &[Traced<Line>]) -> Vec<(usize, bool, NearMissKind, f64, bool)> {
        let told = |l: Listed| {
            let metres = (l.near_miss.gap_m * 1e6).round() / 1e6;
            (l.end.strand, l.end.last, l.near_miss.kind, metres, l.near_miss.closed)
        };
        listed(lines).into_iter().map(told).collect()
    }

    #[test]
    fn an_end_finds_its_own_line_only_where_that_has_turned_back() {
        // A lollipop: 100 m up its stem, round, and back to 3 m from the stem.
        let lollipop = |end: (f64, f64)| {
            track(&[(0.0, 0.0), (0.0, 100.0), (40.0, 140.0), (80.0, 100.0), (40.0, 60.0), end])
        };
        assert_eq!(told(&[lollipop((3.0, 60.0))]), [(0, true, Gap, 3.0, true)]);
        assert_eq!(told(&[lollipop((8.0, 60.0))]), [(0, true, Gap, 8.0, false)]);
        assert_eq!(told(&[lollipop((16.0, 60.0))]), []);
        // A hook whose end is 4 m from its stem: the way round to the foot is 8 m + 2·reach, and counts
        // beyond 20 m.
        let hook = |reach_m: f64| track(&[(0.0, 0.0), (0.0, 100.0), (4.0, 100.0), (4.0, 100.0 - reach_m)]);
        assert_eq!(told(&[hook(7.9)]), []);
        assert_eq!(told(&[hook(8.1)]), [(0, true, Gap, 4.0, true)]);
        // The other end too.
        let mut back = hook(8.1);
        back.ground.reverse();
        assert_eq!(told(&[back]), [(0, false, Gap, 4.0, true)]);
    }

    #[test]
    fn ends_that_touch_lie_on_rings_or_above_find_nothing() {
        let level = track(&[(0.0, 0.0), (100.0, 0.0)]);
        let up = |y_m: f64| track(&[(50.0, y_m), (50.0, 80.0)]);
        assert_eq!(told(&[level.clone(), up(0.0)]), [], "it lies on the line");
        assert_eq!(told(&[level.clone(), up(0.01)]), [(1, false, Gap, 0.01, true)]);
        assert_eq!(told(&[level.clone(), track(&[(100.0, 0.0), (180.0, 40.0)])]), [], "end to end");
        let ring = track(&[(50.0, 3.0), (90.0, 40.0), (10.0, 40.0), (50.0, 3.0)]);
        assert_eq!(told(&[level.clone(), ring]), [], "a ring has no end");
        let mut bridge = up(4.0);
        bridge.what.bridge = true;
        assert_eq!(told(&[level, bridge]), [], "it ends above the line");
    }

    #[test]
    fn only_the_tail_within_the_snap_distance_overshoots() {
        let level = track(&[(0.0, 0.0), (100.0, 0.0)]);
        let tail = |corners: &[(f64, f64)]| told(&[level.clone(), track(corners)]);
        assert_eq!(tail(&[(50.0, 80.0), (50.0, -3.0)]), [(1, true, Overshoot, 3.0, false)]);
        assert_eq!(tail(&[(50.0, -3.0), (50.0, 80.0)]), [(1, false, Overshoot, 3.0, false)]);
        // The piece that crosses begins 4 m, or 5 m, from the end along the line.
        assert_eq!(tail(&[(50.0, 80.0), (50.0, -2.0), (54.0, -2.0)]), [(1, true, Overshoot, 2.0, false)]);
        assert_eq!(tail(&[(50.0, 80.0), (50.0, -2.0), (55.0, -2.0)]), [(1, true, Gap, 2.0, true)]);
        assert_eq!(tail(&[(54.0, -2.0), (50.0, -2.0), (50.0, 80.0)]), [(1, false, Overshoot, 2.0, false)]);
        assert_eq!(tail(&[(55.0, -2.0), (50.0, -2.0), (50.0, 80.0)]), [(1, false, Gap, 2.0, true)]);
    }

    /// A long straight line may cross another far behind its end, and end beside it.
    #[test]
    fn what_was_crossed_far_behind_an_end_is_not_joined_there() {
        let level = track(&[(-1000.0, 0.0), (1000.0, 0.0)]);
        let slanting = |back_m: f64| {
            track(&[(0.0, 900.0), (500.0 - back_m - 300.0, 300.0 * 4.0 / back_m), (500.0, -4.0)])
        };
        assert_eq!(told(&[level.clone(), slanting(200.0)]), [(1, true, Gap, 4.0, true)]);
        assert_eq!(told(&[level.clone(), slanting(15.0)]), [], "crossed close by, but too long to cut");
        assert_eq!(told(&[level, slanting(2.0)]), [(1, true, Overshoot, 4.0, false)]);
    }

    #[test]
    fn the_end_of_a_line_is_preferred_where_it_is_near_both_foot_and_end() {
        let meets = |x_m: f64, y_m: f64| {
            let found = listed(&[track(&[(0.0, 0.0), (100.0, 0.0)]), track(&[(x_m, y_m), (x_m, 90.0)])]);
            // Of two ends that face each other the first is named; one farther off stays open.
            let miss = found.iter().min_by(|p, q| p.near_miss.gap_m.total_cmp(&q.near_miss.gap_m)).unwrap();
            let [at, foot] = [miss.near_miss.at, miss.near_miss.foot].map(|p| (p.x_m, p.y_m));
            let foot = if at == (x_m, y_m) { foot } else { at };
            (foot.0, foot.1, miss.near_miss.closed)
        };
        assert_eq!(meets(97.0, 3.9), (100.0, 0.0, true));
        assert_eq!(meets(3.0, 4.0), (0.0, 0.0, true), "just 5 m from the end");
        assert_eq!(meets(3.0, 4.02), (3.0, 0.0, true), "farther from the end than the snap distance");
        assert_eq!(meets(50.0, 4.0), (50.0, 0.0, true));
        assert_eq!(meets(100.0, 5.0), (100.0, 0.0, true));
        assert_eq!(meets(100.0, 5.01), (100.0, 0.0, false));
    }

    /// A track that ends short of another, with a line of another kind nearer, or right through it.
    #[test]
    fn a_track_joins_the_track_whatever_else_is_nearer() {
        let level = track(&[(-300.0, 0.0), (300.0, 0.0)]);
        let short = track(&[(0.0, 1.5), (0.0, 300.0)]);
        let across = |y_m: f64| [(-40.0, y_m), (40.0, y_m)];
        let told = |lines: &[Traced<Line>]| told(lines).into_iter().filter(|f| f.0 == 1).collect::<Vec<_>>();
        for kind in [LineKind::Fence, LineKind::Creek, LineKind::Ridge, LineKind::Boundary, LineKind::Other] {
            let beside = line(kind, &across(1.48));
            let found = told(&[level.clone(), short.clone(), beside]);
            let both = [(1, false, Gap, 0.02, true), (1, false, Gap, 1.5, true)];
            assert_eq!(found, both, "{kind:?}");
            // It touches, or crosses: nothing more is joined to it.
            let on_it = line(kind, &across(1.5));
            assert_eq!(
                told(&[level.clone(), short.clone(), on_it]),
                [(1, false, Gap, 1.5, true)],
                "{kind:?}"
            );
            let crossed = line(kind, &across(2.0));
            let found = told(&[level.clone(), short.clone(), crossed]);
            let joined: Vec<_> = found.into_iter().filter(|f| f.4).collect();
            assert_eq!(joined, [(1, false, Gap, 1.5, true)], "{kind:?}");
        }
        // A road carries travel as well: to be joined is the nearer, and the other with it.
        let road = line(LineKind::Road, &across(1.0));
        let found = told(&[level, short, road]);
        assert_eq!(found, [(1, false, Gap, 0.5, true), (1, false, Gap, 1.5, true)]);
    }

    /// Two pairs of ends, and the pairs within reach of each other; what is joined close by is not
    /// joined again.
    #[test]
    fn ends_in_a_cluster_are_joined_by_as_few_as_it_takes() {
        let way = |x_m: f64, y_m: f64| track(&[(x_m, y_m), (x_m * 100.0, y_m * 100.0)]);
        let pairs = [way(2.0, 0.5), way(2.0, -0.5), way(-2.0, 0.5), way(-2.0, -0.5)];
        let closed = told(&pairs);
        assert!(closed.iter().all(|c| c.2 == Gap && c.4), "{closed:?}");
        let metres: Vec<f64> = closed.iter().map(|c| c.3).collect();
        assert_eq!((metres.len(), metres.iter().sum::<f64>()), (3, 6.0), "1 m, 1 m and 4 m: {closed:?}");
        // Exact pairs, too, join each other.
        let exact = [
            way(2.0, 0.0),
            track(&[(2.0, 0.0), (90.0, 200.0)]),
            way(-2.0, 0.0),
            track(&[(-2.0, 0.0), (-90.0, 200.0)]),
        ];
        assert_eq!(told(&exact).iter().map(|c| (c.3, c.4)).collect::<Vec<_>>(), [(4.0, true)]);
        // An end at a corner of a cross joins one way of it.
        let cross = [track(&[(-90.0, 0.0), (90.0, 0.0)]), track(&[(0.0, -90.0), (0.0, 90.0)]), way(2.0, 3.0)];
        assert_eq!(told(&cross).len(), 1);
    }

    /// The road under a bridge, within the snap distance of both abutments.
    #[test]
    fn what_passes_below_a_bridge_is_not_joined_at_its_abutments() {
        let mut bridge = track(&[(-4.0, 0.0), (4.0, 0.0)]);
        bridge.what.bridge = true;
        let below = track(&[(0.0, -200.0), (0.0, 200.0)]);
        let ways = [track(&[(-200.0, 0.0), (-4.0, 0.0)]), bridge, track(&[(4.0, 0.0), (200.0, 0.0)]), below];
        assert_eq!(told(&ways), []);
    }
}
