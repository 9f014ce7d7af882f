//! Places on the network: feet of points, and chainages of input lines.

use super::rows::Rows;
use super::strand::step_m;
use super::{Edge, Network, Orientation, orientation};
use crate::frame::GroundPoint;

/// Left or right of an edge or line in its digitised direction.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Side {
    /// Left of the line.
    Left,
    /// Right of the line.
    Right,
}

impl Side {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Side::Left => "left",
            Side::Right => "right",
        }
    }

    /// The other side.
    pub fn other(self) -> Side {
        match self {
            Side::Left => Side::Right,
            Side::Right => Side::Left,
        }
    }
}

/// The point of the network nearest to some place.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Foot {
    /// Index of the edge.
    pub edge: u32,
    /// Frame metres from the edge's `from` end, in 0..=length.
    pub along_m: f64,
    /// The point itself.
    pub at: GroundPoint,
    /// Frame metres from the place to the foot.
    pub offset_m: f64,
}

/// A place on an input line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct OnLine {
    /// Index of the input line.
    pub line: u32,
    /// Frame metres from the line's start.
    pub chainage_m: f64,
    /// Whether the edge runs against the line.
    pub against: bool,
}

/// Where on an input line an edge lies.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LinePiece {
    /// Lesser chainage on the line, in frame metres.
    pub low_m: f64,
    /// Greater chainage on the line, in frame metres.
    pub high_m: f64,
    /// The edge.
    pub edge: u32,
    /// Whether the edge runs against the line.
    pub against: bool,
}

impl Network {
    /// The pieces of an input line, by chainage; empty for a line that carries no edge.
    pub fn line_pieces(&self, line: u32) -> &[LinePiece] {
        let pieces = self.line_pieces.get_or_init(|| self.pieces_by_line());
        if (line as usize) < pieces.len() { pieces.row(line as usize) } else { &[] }
    }

    fn pieces_by_line(&self) -> Rows<LinePiece> {
        let blank = LinePiece { low_m: 0.0, high_m: 0.0, edge: 0, against: false };
        let mut pieces = Rows::sorted(self.report().lines, blank, |add| {
            for edge in 0..self.edges.len() as u32 {
                for s in self.stretches(edge) {
                    let (low_m, high_m) = (s.start_m.min(s.end_m), s.start_m.max(s.end_m));
                    add(s.line, LinePiece { low_m, high_m, edge, against: s.end_m < s.start_m });
                }
            }
        });
        pieces.sort_rows_by(|p, q| {
            p.low_m.total_cmp(&q.low_m).then(p.high_m.total_cmp(&q.high_m)).then(p.edge.cmp(&q.edge))
        });
        pieces
    }

    /// The place a number of frame metres from an edge's `from` end; beyond either end, that
    /// end.
    pub fn point_at(&self, edge: u32, along_m: f64) -> GroundPoint {
        let path = self.path(edge);
        let (k, left_m) = segment_at(path, along_m);
        let whole_m = step_m(path[k], path[k + 1]);
        path[k].lerp(path[k + 1], if whole_m > 0.0 { (left_m / whole_m).clamp(0.0, 1.0) } else { 0.0 })
    }

    /// Grid bearing of an edge at a distance from its `from` end, in its own direction:
    /// degrees clockwise from grid north. At a vertex, of the piece that follows it.
    pub fn grid_bearing_deg(&self, edge: u32, along_m: f64) -> f64 {
        let path = self.path(edge);
        let (k, _) = segment_at(path, along_m);
        path[k].grid_bearing_deg(path[k + 1])
    }

    /// The foot on an edge at a distance from its `from` end; the distance is kept within
    /// the edge, and the offset is 0.
    pub fn foot_at(&self, edge: u32, along_m: f64) -> Foot {
        let along_m = along_m.clamp(0.0, self.edges[edge as usize].length_m);
        Foot { edge, along_m, at: self.point_at(edge, along_m), offset_m: 0.0 }
    }

    /// The foot at a chainage of an input line, in frame metres from the line's start.
    /// `None` where the line carries no edge there: it does not exist, the chainage is
    /// outside it, or an overshoot was cut.
    pub fn foot_on_line(&self, line: u32, chainage_m: f64) -> Option<Foot> {
        let pieces = self.line_pieces(line);
        let next = pieces.partition_point(|p| p.low_m <= chainage_m);
        let piece = pieces[..next].iter().rev().find(|p| p.high_m >= chainage_m)?;
        let length_m = self.edges[piece.edge as usize].length_m;
        let span_m = piece.high_m - piece.low_m;
        let share = if span_m > 0.0 { (chainage_m - piece.low_m) / span_m } else { 0.0 };
        let share = if piece.against { 1.0 - share } else { share };
        Some(self.foot_at(piece.edge, share * length_m))
    }

    /// The first input line that carries the edge of a foot, and the chainage there in frame
    /// metres from the line's start. `None` on a connector.
    pub fn line_at(&self, foot: &Foot) -> Option<OnLine> {
        let edge = &self.edges[foot.edge as usize];
        let stretch = self.stretches(foot.edge).first()?;
        let share = if edge.length_m > 0.0 { foot.along_m / edge.length_m } else { 0.0 };
        Some(OnLine {
            line: stretch.line,
            chainage_m: stretch.start_m + (stretch.end_m - stretch.start_m) * share,
            against: stretch.end_m < stretch.start_m,
        })
    }

    /// The foot nearest to a point within a number of frame metres, on the edges that
    /// `accept` takes. Of equally near feet, the one on the lowest edge, nearest its start.
    ///
    /// Cost: the segments in the cells within that distance.
    pub fn nearest_foot(
        &self,
        point: GroundPoint,
        within_m: f64,
        accept: impl Fn(&Edge) -> bool,
    ) -> Option<Foot> {
        self.nearest_foot_on(point, within_m, |edge| accept(&self.edges[edge as usize]))
    }

    /// As [`Network::nearest_foot`], on the edges whose numbers `accept` takes.
    pub fn nearest_foot_on(
        &self,
        point: GroundPoint,
        within_m: f64,
        accept: impl Fn(u32) -> bool,
    ) -> Option<Foot> {
        self.index().nearest(&self.paths, &self.edges, point, within_m, accept)
    }

    /// On which side of the edge, in its own direction, a point lies whose foot is given.
    /// `None` where the point is on the line. Beyond the end of a dead end, and at a bend, the
    /// side of the segment that holds the foot decides.
    pub fn side_of(&self, foot: &Foot, point: GroundPoint) -> Option<Side> {
        let path = self.path(foot.edge);
        let (k, _) = segment_at(path, foot.along_m);
        match orientation(path[k], path[k + 1], point) {
            Orientation::Left => Some(Side::Left),
            Orientation::Right => Some(Side::Right),
            Orientation::On => None,
        }
    }
}

/// The segment of a path that holds a distance from its start, and how far into it. The
/// path has at least two points; distances outside fall to the first or last segment.
fn segment_at(path: &[GroundPoint], along_m: f64) -> (usize, f64) {
    let mut left_m = along_m;
    let last = path.len() - 2;
    for k in 0..last {
        let whole_m = step_m(path[k], path[k + 1]);
        if left_m < whole_m {
            return (k, left_m);
        }
        left_m -= whole_m;
    }
    (last, left_m)
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::Arc;

    use super::segment_at;
    use crate::frame::{GroundPoint, LonLat, Traced};
    use crate::network::{Network, NetworkSettings};
    use crate::record::{Line, LineKind, SourcePlace};

    /// North for 3 m, east for 4 m, south for 5 m.
    const BENT_M: [(f64, f64); 4] = [(0.0, 0.0), (0.0, 3.0), (4.0, 3.0), (4.0, -2.0)];

    fn bent() -> Vec<GroundPoint> {
        BENT_M.iter().map(|&(x_m, y_m)| GroundPoint::new(x_m, y_m)).collect()
    }

    #[test]
    fn a_vertex_belongs_to_the_segment_that_follows_it() {
        let path = bent();
        assert_eq!(segment_at(&path, 0.0), (0, 0.0));
        assert_eq!(segment_at(&path, 2.5), (0, 2.5));
        assert_eq!(segment_at(&path, 3.0), (1, 0.0));
        assert_eq!(segment_at(&path, 7.0), (2, 0.0));
        assert_eq!(segment_at(&path, 12.0), (2, 5.0));
        assert_eq!(segment_at(&path, -1.0), (0, -1.0), "before the start");
        assert_eq!(segment_at(&path, 13.0), (2, 6.0), "beyond the end");
    }

    #[test]
    fn a_bearing_is_that_of_the_piece_it_lies_on() {
        let source = SourcePlace { file: Arc::from(Path::new("bent.geojson")), index: 0, id: None };
        let what = Line::new(LineKind::Track, source);
        let nowhere = LonLat::new(0.0, 0.0).unwrap();
        let line = Traced { what, path: vec![nowhere; BENT_M.len()], ground: bent() };
        let settings = NetworkSettings { snap_m: 0.0, merge_m: 0.0, ..NetworkSettings::default() };
        let network = Network::build(&[line], &[], &settings).unwrap();
        assert_eq!(network.edges().len(), 1);
        let bearings = [-1.0, 0.0, 2.9, 3.0, 6.9, 7.0, 12.0, 13.0].map(|m| network.grid_bearing_deg(0, m));
        assert_eq!(bearings, [0.0, 0.0, 0.0, 90.0, 90.0, 180.0, 180.0, 180.0]);
        let places = [2.0, 3.0, 5.0, 11.0].map(|m| network.point_at(0, m));
        let wanted = [(0.0, 2.0), (0.0, 3.0), (2.0, 3.0), (4.0, -1.0)].map(|(x, y)| GroundPoint::new(x, y));
        assert_eq!(places, wanted);
    }
}
