//! The end of building: the frame is chosen, everything is placed in it, and what is wrong
//! with the job as a whole is found.

use geo::{CoordsIter, MapCoords};
use geo_types::{Coord, MultiPolygon};

use super::Builder;
use crate::frame::{Frame, FrameError, LonLat, Placed, Traced};
use crate::job::extent::Extent;
use crate::job::rings::{fill_closed, places_of};
use crate::job::{Findings, GroundArea, Job, JobError, NumberSource};
use crate::record::{Area, Record, SourcePlace};

/// A job is refused where sign and lines lie further apart than this: one of the files is
/// then of another place.
const EXTENTS_APART_M: f64 = 100_000.0;

/// A frame whose metres are off by more than this share gets a warning.
const SCALE_ERROR_WARNED: f64 = 0.001;

/// So many places stand for a property without an area.
const PLACES_LOOKED_AT: usize = 1000;

impl Builder {
    /// Chooses the frame (the EPSG code given, else the UTM zone of the centre of all sign
    /// and lines) and gives the job.
    ///
    /// # Errors
    /// [`JobError::Faults`] with every fault of the inputs, what lies in the wrong place first (it may be
    /// what the frame cannot hold), [`JobError::Frame`] for a code
    /// that is no projected system in metres.
    pub fn finish(mut self, epsg: Option<u32>) -> Result<Job, JobError> {
        self.settle_days();
        let whereabouts = self.look_where_things_lie();
        let Some(frame) = self.frame(epsg)? else { return Err(self.no_place()) };
        self.check_scale(&frame);
        self.fill_closed_lines();
        self.put_in_order();
        let Self {
            mut records,
            legs,
            deployments,
            lines,
            gates,
            access,
            keep_outs,
            area,
            untreated,
            stations,
            station_properties,
            check_rows,
            queries,
            wind,
            places,
            inputs,
            site_ids,
            mut findings,
            base,
            ..
        } = self;
        place_records(&frame, &mut records, &mut findings);
        let job = Job {
            records,
            legs: trace_all(&frame, legs, |l| &l.source, &mut findings),
            deployments: place_all(&frame, deployments, |d| &d.source, &mut findings),
            lines: trace_all(&frame, lines, |l| &l.source, &mut findings),
            gates: place_all(&frame, gates, |g| &g.source, &mut findings),
            access,
            stations: place_all(&frame, stations, |s| &s.source, &mut findings),
            station_properties,
            check_rows,
            queries: place_all(&frame, queries, |q| &q.source, &mut findings),
            wind: wind.finish(&mut findings),
            area: area.map(|area| ground_area(&frame, area)).transpose()?,
            untreated: untreated.map(|ground| ground_area(&frame, ground)).transpose()?,
            keep_outs,
            must: place_all(&frame, places.must, |m| &m.source, &mut findings),
            never: places.never,
            cover: places.cover,
            layers: places.layers.into_iter().map(NumberSource::Areas).collect(),
            inputs,
            ids: site_ids,
            whereabouts,
            findings,
            frame,
        };
        match job.findings.faults(&base) {
            Some(faults) => Err(JobError::Faults([job.whereabouts.refusals, faults].concat())),
            None => Ok(job),
        }
    }

    /// Keeps out what closed lines go round, where that is not the property itself.
    fn fill_closed_lines(&mut self) {
        let property: Vec<Coord> = match &self.area {
            Some(area) => places_of(area),
            None => {
                let ways = self.lines.iter().flat_map(|(_, way)| way.iter().copied());
                let all = self.records.iter().map(|record| record.at).chain(ways);
                let vertices: usize = self.lines.iter().map(|(_, way)| way.len()).sum();
                let every = (self.records.len() + vertices) / PLACES_LOOKED_AT + 1;
                all.step_by(every).map(|at| Coord { x: at.lon_deg(), y: at.lat_deg() }).collect()
            }
        };
        for keep_out in self.keep_outs.iter_mut().chain(&mut self.places.never) {
            fill_closed(keep_out, &property, &mut self.findings);
        }
    }

    /// The frame; nothing where nothing read has a place to choose one by.
    fn frame(&self, epsg: Option<u32>) -> Result<Option<Frame>, JobError> {
        Ok(match epsg {
            Some(code) => Some(Frame::from_epsg(code)?),
            None => self.centre().map(Frame::utm_for).transpose()?,
        })
    }

    fn no_place(self) -> JobError {
        let files: Vec<&str> = self.inputs.iter().map(|i| i.file.as_str()).collect();
        let from = if files.is_empty() { "no input".to_string() } else { files.join(", ") };
        let mut faults = self.findings.faults(&self.base).unwrap_or_default();
        faults.push(format!("{from}: no usable record or line; there is nothing to compute"));
        JobError::Faults(faults)
    }

    /// The south-western and north-eastern corners of all that was read; nothing where nothing
    /// has a place.
    pub fn corners(&self) -> Option<(LonLat, LonLat)> {
        let ways = self.legs.iter().map(|(_, way)| way).chain(self.lines.iter().map(|(_, way)| way));
        let points = self.records.iter().map(|r| r.at).chain(self.stations.iter().map(|(_, at)| *at));
        let area = self.area.iter().flat_map(|area| area.coords_iter());
        let area = area.filter_map(|c| LonLat::new(c.x, c.y).ok());
        let extent = Extent::of(points.chain(ways.flatten().copied()).chain(area))?;
        Some((LonLat::new(extent.west, extent.south).ok()?, LonLat::new(extent.east, extent.north).ok()?))
    }

    /// The centre of all sign and lines, or of stations and points asked for where there are
    /// none: it chooses the frame.
    pub fn centre(&self) -> Option<LonLat> {
        let sign_and_lines = Extent::of(
            self.records
                .iter()
                .map(|r| r.at)
                .chain(self.lines.iter().flat_map(|(_, way)| way.iter().copied())),
        );
        let rest = || {
            Extent::of(self.stations.iter().map(|(_, at)| *at).chain(self.queries.iter().map(|(_, at)| *at)))
        };
        sign_and_lines.or_else(rest).and_then(|extent| extent.centre())
    }

    /// Says so where sign and lines have nothing to do with each other.
    pub(super) fn sign_of_another_place(&self) -> Option<String> {
        let sign = Extent::of(self.records.iter().map(|r| r.at))?;
        let lines = Extent::of(self.lines.iter().flat_map(|(_, way)| way.iter().copied()))?;
        let gap_m = sign.gap_m(&lines);
        (gap_m > EXTENTS_APART_M).then(|| {
            format!(
                "{}: sign and lines lie {:.0} km apart; one of the files is of another place or has its axes swapped; mend it, or say far_apart = true in [place] if that is meant",
                self.files_of(&["sign", "line"]),
                gap_m / 1000.0
            )
        })
    }

    fn check_scale(&mut self, frame: &Frame) {
        let all = Extent::of(
            self.records
                .iter()
                .map(|r| r.at)
                .chain(self.lines.iter().flat_map(|(_, way)| way.iter().copied())),
        );
        let Some(Ok(error)) = all.map(|extent| frame.scale_error(&extent.corners())) else { return };
        if error.worst > SCALE_ERROR_WARNED {
            self.findings.warn(format!(
                "the job is wider than EPSG:{} bears: distances are off by up to {:.2} percent; \
                 choose a projected system for this place with --epsg",
                frame.epsg(),
                error.worst * 100.0
            ));
        }
    }

    pub(super) fn files_of(&self, roles: &[&str]) -> String {
        let files: Vec<&str> = self
            .inputs
            .iter()
            .filter(|i| roles.contains(&i.role.as_str()))
            .map(|i| i.file.as_str())
            .collect();
        files.join(", ")
    }
}

/// Gives records their places in the frame, where they stand: no second list of them is made.
fn place_records(frame: &Frame, records: &mut Vec<Placed<Record>>, findings: &mut Findings) {
    records.retain_mut(|record| match frame.to_ground(record.at) {
        Ok(ground) => {
            record.ground = ground;
            true
        }
        Err(why) => {
            findings.fault_of(&record.what.source, None, why);
            false
        }
    });
}

fn place_all<T>(
    frame: &Frame,
    things: Vec<(T, LonLat)>,
    source: impl Fn(&T) -> &SourcePlace,
    findings: &mut Findings,
) -> Vec<Placed<T>> {
    things
        .into_iter()
        .filter_map(|(what, at)| match frame.to_ground(at) {
            Ok(ground) => Some(Placed { what, at, ground }),
            Err(why) => {
                findings.fault_of(source(&what), None, why);
                None
            }
        })
        .collect()
}

fn trace_all<T>(
    frame: &Frame,
    things: Vec<(T, Vec<LonLat>)>,
    source: impl Fn(&T) -> &SourcePlace,
    findings: &mut Findings,
) -> Vec<Traced<T>> {
    things
        .into_iter()
        .filter_map(|(what, path)| match frame.path_to_ground(&path) {
            Ok(ground) => Some(Traced { what, path, ground }),
            Err(why) => {
                findings.fault_of(source(&what), None, why);
                None
            }
        })
        .collect()
}

fn ground_area(frame: &Frame, area: MultiPolygon<f64>) -> Result<GroundArea, FrameError> {
    let ground = area.try_map_coords(|c| {
        let at = LonLat::new(c.x, c.y)?;
        frame.to_ground(at).map(|p| Coord { x: p.x_m, y: p.y_m })
    })?;
    Ok(GroundArea { lonlat: Area { polygons: area }, ground })
}
