//! Where a station could go: feet along the lines, each with its two sides.

use geo::Contains;
use geo_types::{MultiPolygon, Point};
use rayon::prelude::*;

use super::keep_out::{KeepOuts, Near};
use super::settings::{SitingError, SitingSettings};
use super::stroke::Strokes;
use crate::files::write::round_to;
use crate::frame::{Frame, GroundPoint, LonLat, Traced};
use crate::network::{Edge, Foot, KindSet, Network, NodeKind, Side};
use crate::record::{Line, LineKind};

/// Feet are stepped along the lines at this share of the spacing.
const STEPS_A_SPACING: f64 = 20.0;
/// A state of 200,000 km at a spacing of 5 km has 800,000, which with their conflicts and all else fit
/// in 8 GiB; more are refused.
const MOST_CANDIDATES: u64 = 1_000_000;
/// Two feet of one edge closer than this, in metres, are one.
const SAME_FOOT_M: f64 = 0.5;
/// A fixed place this far from any line that bears candidates, in metres, has no foot.
pub(super) const FIXED_REACH_M: f64 = 100.0;
/// A fixed place further off its line than this, in metres, fixes the side.
const ON_THE_LINE_M: f64 = 0.5;
/// Coordinates are written with 7 decimals: a place moves by up to 8 mm, and a line near it
/// as much.
const ROUNDING_M: f64 = 0.02;

/// A foot at which a station could go.
#[derive(Clone, PartialEq, Debug)]
pub struct Candidate {
    /// The foot.
    pub foot: Foot,
    /// The same place on the ellipsoid.
    pub place: LonLat,
    /// Index of the input line it stands on.
    pub line: u32,
    /// Kind of that line.
    pub kind: LineKind,
    /// Frame metres from the line's start.
    pub chainage_m: f64,
    /// Grid bearing of the line at the foot in its digitised direction, in degrees.
    pub grid_bearing_deg: f64,
    /// True bearing likewise.
    pub bearing_deg: f64,
    /// Whether the line runs against the edge.
    pub against: bool,
    /// The stroke that holds it and the frame metres along it.
    pub on_stroke: (u32, f64),
    /// The node it stands at.
    pub node: Option<u32>,
    /// The fixed place that it was laid for, by its number in the settings.
    pub fixed: Option<u32>,
    /// The place of the site on the left and on the right of the line.
    pub sides: [SidePlace; 2],
}

/// Where the site would stand on one side.
#[derive(Clone, PartialEq, Debug)]
pub struct SidePlace {
    /// The side in the line's digitised direction.
    pub side: Side,
    /// The place, rounded as it is written.
    pub place: LonLat,
    /// The rounded place in the frame.
    pub ground: GroundPoint,
    /// Why no station may stand there.
    pub bar: Option<Bar>,
}

/// Why no station may stand at a place.
#[derive(Clone, PartialEq, Debug)]
pub enum Bar {
    /// Outside the area under control.
    OutsideArea,
    /// Too near a keep-out.
    KeepOut(Near),
    /// The plan bars the place.
    Never(Near),
    /// A fixed place lies on the other side of the line.
    Fixed,
    /// A line of this kind lies nearer than the line of the foot, or between the two.
    OtherLine(LineKind),
}

impl Candidate {
    /// Whether a station may stand on at least one side.
    pub fn stands(&self) -> bool {
        self.sides.iter().any(|side| side.bar.is_none())
    }

    /// Where a station may come to stand, in the frame, as it is written: the place of every side
    /// that is open.
    pub fn open_places(&self) -> Vec<GroundPoint> {
        self.sides.iter().filter(|side| side.bar.is_none()).map(|side| side.ground).collect()
    }
}

/// Everything that stands around the candidates.
pub struct Ground<'a> {
    /// The metric frame.
    pub frame: &'a Frame,
    /// The lines as read.
    pub lines: &'a [Traced<Line>],
    /// The network of them.
    pub network: &'a Network,
    /// The area under control, in longitude and latitude degrees.
    pub area: Option<&'a MultiPolygon<f64>>,
    /// The keep-outs.
    pub keep_outs: &'a KeepOuts,
    /// What the plan bars by hand.
    pub never: &'a KeepOuts,
}

/// Lays candidates at every node and along every line of the kinds asked for, at multiples
/// of a twentieth of `required_m` from the line's start, and at the foot of every fixed
/// place; and checks their sides. A fixed place off its line fixes the side as well.
///
/// They are ordered along the strokes, so that neighbours in number are neighbours on the
/// ground.
///
/// # Errors
/// [`SitingError::NoLine`] if no edge bears candidates, [`SitingError::TooMany`] if the
/// spacing is so small that they would not fit; frame errors.
pub fn lay_candidates(
    ground: &Ground,
    settings: &SitingSettings,
    strokes: &Strokes,
    required_m: f64,
) -> Result<Vec<Candidate>, SitingError> {
    check_number(ground, settings, required_m)?;
    let mut feet = lay_feet(ground, settings, required_m / STEPS_A_SPACING);
    feet.extend((0..settings.must.len()).filter_map(|k| lay_fixed(ground, settings, k)));
    if feet.is_empty() {
        let kinds: Vec<&str> = settings.along.kinds().map(LineKind::word).collect();
        return Err(SitingError::NoLine { kinds: kinds.join(", ") });
    }
    let mut candidates: Vec<Candidate> = feet
        .into_par_iter()
        .map(|laid| candidate(ground, settings, strokes, laid))
        .collect::<Result<_, SitingError>>()?;
    candidates.sort_by(|a, b| {
        let place = |c: &Candidate| c.on_stroke;
        place(a)
            .0
            .cmp(&place(b).0)
            .then(place(a).1.total_cmp(&place(b).1))
            .then(a.foot.edge.cmp(&b.foot.edge))
            .then(a.fixed.cmp(&b.fixed))
    });
    Ok(candidates)
}

/// Refuses a spacing so small that the candidates would not fit, before any is laid.
fn check_number(ground: &Ground, settings: &SitingSettings, required_m: f64) -> Result<(), SitingError> {
    let bears = |e: &&Edge| e.kinds.meets(settings.along);
    let length_m: f64 = ground.network.edges().iter().filter(bears).map(|e| e.length_m).sum();
    let candidates = (length_m * STEPS_A_SPACING / required_m) as u64;
    if candidates <= MOST_CANDIDATES {
        return Ok(());
    }
    Err(SitingError::TooMany {
        spacing_m: settings.spacing_m,
        length_km: length_m / 1000.0,
        candidates,
        limit: MOST_CANDIDATES,
        fits_m: (length_m * STEPS_A_SPACING / MOST_CANDIDATES as f64).ceil() + 1.0,
    })
}

#[derive(Clone, Copy)]
struct Laid {
    edge: u32,
    along_m: f64,
    node: Option<u32>,
    stretch: usize,
    fixed: Option<u32>,
}

/// The foot of a fixed place on the nearest line that bears candidates, if one is near.
fn lay_fixed(ground: &Ground, settings: &SitingSettings, fixed: usize) -> Option<Laid> {
    let bears = |line: u32| settings.along.has(ground.lines[line as usize].what.kind);
    let stretch_of = |edge: u32| ground.network.stretches(edge).iter().position(|s| bears(s.line));
    let (_, at) = &settings.must[fixed];
    let foot = ground.network.nearest_foot_on(*at, FIXED_REACH_M, |edge| stretch_of(edge).is_some())?;
    let stretch = stretch_of(foot.edge)?;
    Some(Laid { edge: foot.edge, along_m: foot.along_m, node: None, stretch, fixed: Some(fixed as u32) })
}

fn lay_feet(ground: &Ground, settings: &SitingSettings, step_m: f64) -> Vec<Laid> {
    let network = ground.network;
    let travel = network.settings().travel;
    let mut feet = Vec::new();
    let mut has_foot = vec![false; network.nodes().len()];
    for (e, edge) in network.edges().iter().enumerate() {
        let bears = |line: u32| settings.along.has(ground.lines[line as usize].what.kind);
        let stretches = network.stretches(e as u32);
        let Some(stretch) = stretches.iter().position(|s| bears(s.line)) else { continue };
        let mut along: Vec<(f64, Option<u32>)> = Vec::new();
        for (node, along_m) in [(edge.from, 0.0), (edge.to, edge.length_m)] {
            if !std::mem::replace(&mut has_foot[node as usize], true) {
                along.push((along_m, Some(node)));
            }
            // Beside a junction a foot on each way, far enough out for a site to belong to it.
            let out_m = 2.0 * settings.offset_m;
            let near = if along_m == 0.0 { out_m } else { along_m - out_m };
            if network.node_kind(node) == NodeKind::Junction && edge.length_m > 2.0 * out_m {
                along.push((near, Some(node)));
            }
        }
        let s = stretches[stretch];
        let (low, high) = (s.start_m.min(s.end_m), s.start_m.max(s.end_m));
        for k in (low / step_m).ceil() as u64..=(high / step_m).floor() as u64 {
            let share =
                if high > low { (k as f64 * step_m - s.start_m) / (s.end_m - s.start_m) } else { 0.0 };
            along.push((share * edge.length_m, None));
        }
        along.sort_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)));
        along.dedup_by(|next, kept| {
            let same = next.0 - kept.0 < SAME_FOOT_M;
            if same && kept.1.is_none() {
                *kept = *next;
            }
            same
        });
        let within_a_walk = |along_m: f64| {
            edge.kinds.meets(travel) || {
                let at = network.point_at(e as u32, along_m);
                network.nearest_foot(at, settings.walk_m, |other| other.kinds.meets(travel)).is_some()
            }
        };
        along.retain(|&(along_m, _)| within_a_walk(along_m));
        feet.extend(along.into_iter().map(|(along_m, node)| Laid {
            edge: e as u32,
            along_m,
            node,
            stretch,
            fixed: None,
        }));
    }
    feet
}

fn candidate(
    ground: &Ground,
    settings: &SitingSettings,
    strokes: &Strokes,
    laid: Laid,
) -> Result<Candidate, SitingError> {
    let network = ground.network;
    let foot = network.foot_at(laid.edge, laid.along_m);
    let edge = &network.edges()[laid.edge as usize];
    let stretch = network.stretches(laid.edge)[laid.stretch];
    let share = if edge.length_m > 0.0 { foot.along_m / edge.length_m } else { 0.0 };
    let against = stretch.end_m < stretch.start_m;
    let along_edge = network.grid_bearing_deg(laid.edge, foot.along_m);
    let grid_bearing_deg = if against { along_edge + 180.0 } else { along_edge }.rem_euclid(360.0);
    let convergence = ground.frame.convergence_deg(foot.at)?;
    let wanted = laid.fixed.and_then(|k| side_of_fixed(ground, settings, &foot, against, k));
    let beside = |side: Side| {
        side_place(ground, settings, &foot, grid_bearing_deg, side).map(|place| match wanted {
            Some(wanted) if wanted != side => SidePlace { bar: Some(Bar::Fixed), ..place },
            _ => place,
        })
    };
    Ok(Candidate {
        foot,
        place: ground.frame.to_lonlat(foot.at)?,
        line: stretch.line,
        kind: ground.lines[stretch.line as usize].what.kind,
        chainage_m: stretch.start_m + (stretch.end_m - stretch.start_m) * share,
        grid_bearing_deg,
        bearing_deg: (grid_bearing_deg + convergence).rem_euclid(360.0),
        against,
        on_stroke: strokes.place(&foot).unwrap_or((u32::MAX, 0.0)),
        node: laid.node,
        fixed: laid.fixed,
        sides: [beside(Side::Left)?, beside(Side::Right)?],
    })
}

/// The side of the line on which a fixed place lies; `None` where it lies on the line.
fn side_of_fixed(
    ground: &Ground,
    settings: &SitingSettings,
    foot: &Foot,
    against: bool,
    fixed: u32,
) -> Option<Side> {
    let at = settings.must.get(fixed as usize)?.1;
    if at.distance_m(foot.at) <= ON_THE_LINE_M {
        return None;
    }
    let side = ground.network.side_of(foot, at)?;
    Some(if against { side.other() } else { side })
}

fn side_place(
    ground: &Ground,
    settings: &SitingSettings,
    foot: &Foot,
    grid_bearing_deg: f64,
    side: Side,
) -> Result<SidePlace, SitingError> {
    let turn = if side == Side::Left { -90.0 } else { 90.0 };
    let out = (grid_bearing_deg + turn).to_radians();
    let exact = GroundPoint::new(
        foot.at.x_m + settings.offset_m * out.sin(),
        foot.at.y_m + settings.offset_m * out.cos(),
    );
    let exact = ground.frame.to_lonlat(exact)?;
    let place = LonLat::new(round_to(exact.lon_deg(), 7), round_to(exact.lat_deg(), 7))?;
    let at = ground.frame.to_ground(place)?;
    let bar = bar(ground, settings, foot, place, at);
    Ok(SidePlace { side, place, ground: at, bar })
}

fn bar(
    ground: &Ground,
    settings: &SitingSettings,
    foot: &Foot,
    place: LonLat,
    at: GroundPoint,
) -> Option<Bar> {
    let inside = |area: &MultiPolygon<f64>| area.contains(&Point::new(place.lon_deg(), place.lat_deg()));
    if ground.area.is_some_and(|area| !inside(area)) {
        return Some(Bar::OutsideArea);
    }
    if let Some(near) = ground.keep_outs.violated(place, settings.placement_error_m) {
        return Some(Bar::KeepOut(near));
    }
    if let Some(near) = ground.never.violated(place, 0.0) {
        return Some(Bar::Never(near));
    }
    let own = foot.edge;
    let counts = |kinds: KindSet| kinds.kinds().any(|kind| !settings.across.has(kind));
    // A line nearer than the foot is another line, another part of the same one, or one that
    // lies between: a line between two places is nearer to each than they are to each other.
    let nearest = ground.network.nearest_foot(at, settings.offset_m - ROUNDING_M, |e| counts(e.kinds));
    if let Some(other) = nearest {
        let kinds = ground.network.edges()[other.edge as usize].kinds;
        let kind = kinds.kinds().find(|&kind| !settings.across.has(kind));
        return Some(Bar::OtherLine(kind.unwrap_or(ground.network.edges()[own as usize].kind)));
    }
    None
}
