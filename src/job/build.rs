//! Takes raw features of every role and makes the job of them.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use geo::{CoordsIter, MapCoords};
use geo_types::{Coord, MultiPolygon};
use jiff::tz::TimeZone;

use super::fields::Fields;
use super::intern::Words;
use super::places::PlaceRows;
use super::shapes::{checked_geometry, points_of, polygons_of, ways_of};
use super::wind::WindRows;
use super::{Findings, GroundArea, Job, JobError, NumberSource, Query};
use crate::files::write::InputFile;
use crate::files::{Properties, RawFeature};
use crate::frame::{Frame, FrameError, LonLat, Placed, Traced};
use crate::record::{
    Access, Animal, Area, Gate, KeepOut, Line, LineKind, OneWay, Record, Sign, SourcePlace, Station,
    StationState, SurveyLeg,
};

/// A job is refused where sign and lines lie further apart than this: one of the files is
/// then of another place.
const EXTENTS_APART_M: f64 = 100_000.0;

/// A frame whose metres are off by more than this share gets a warning.
const SCALE_ERROR_WARNED: f64 = 0.001;

/// What the plan says for sign or legs that do not say it themselves.
#[derive(Clone, Debug, Default)]
pub struct SignDefaults {
    /// The season.
    pub season: Option<String>,
}

/// Collects the domain objects of a job while files are read.
#[derive(Default)]
pub struct Builder {
    fields: BTreeMap<String, BTreeMap<String, String>>,
    zone: Option<TimeZone>,
    words: Words,
    ids: HashSet<Arc<str>>,
    records: Vec<(Record, LonLat)>,
    legs: Vec<(SurveyLeg, Vec<LonLat>)>,
    lines: Vec<(Line, Vec<LonLat>)>,
    gates: Vec<(Gate, LonLat)>,
    access: Vec<Access>,
    keep_outs: Vec<KeepOut>,
    area: Option<MultiPolygon<f64>>,
    untreated: Option<MultiPolygon<f64>>,
    stations: Vec<(Station, LonLat)>,
    station_properties: HashMap<Arc<str>, Properties>,
    check_rows: Vec<RawFeature>,
    queries: Vec<(Query, LonLat)>,
    wind: WindRows,
    places: PlaceRows,
    inputs: Vec<InputFile>,
    findings: Findings,
}

impl Builder {
    /// A builder with the plan's `[fields]` table and the zone in which days are counted.
    pub fn new(fields: &BTreeMap<String, BTreeMap<String, String>>, zone: Option<TimeZone>) -> Self {
        Self { fields: fields.clone(), zone, ..Self::default() }
    }

    /// The findings so far, to add to.
    pub fn findings(&mut self) -> &mut Findings {
        &mut self.findings
    }

    /// Notes that an input was read to its end.
    pub fn input(&mut self, input: InputFile) {
        self.inputs.push(input);
        self.ids.clear();
    }

    fn fields(&self, layer: &str) -> Fields {
        Fields::new(self.fields.get(layer))
    }

    fn note_id(&mut self, source: &SourcePlace) {
        if let Some(id) = &source.id
            && !self.ids.insert(id.clone())
        {
            self.findings.warn_at(source, "has an id that an earlier feature of the file has; both are used");
        }
    }

    fn note_case(&mut self, raw: &RawFeature, layer: &str, properties: &[&str]) {
        let fields = self.fields(layer);
        for property in properties {
            if let Some(name) = fields.missed_by_case(&raw.properties, property) {
                self.findings.warn_at(
                    &raw.source,
                    format!(
                        "has a property \"{name}\", which is not read as {property}; if it means that, map it in the plan: [fields.{layer}] {property} = \"{name}\""
                    ),
                );
            }
        }
    }

    /// A record of sign. A multi-point becomes a record a point.
    pub fn sign(&mut self, raw: RawFeature, defaults: &SignDefaults) {
        self.note_id(&raw.source);
        self.note_case(&raw, "sign", &["sign", "animal", "date", "count", "season", "survey"]);
        let places = points_of(&raw, &mut self.findings);
        let Some(record) = self.record_of(&raw, defaults) else { return };
        self.records.extend(places.into_iter().map(|at| (record.clone(), at)));
    }

    fn record_of(&mut self, raw: &RawFeature, defaults: &SignDefaults) -> Option<Record> {
        let fields = self.fields("sign");
        let properties = &raw.properties;
        let source = &raw.source;
        let sign = fields.text(properties, "sign").map_or(Sign::Other, |word| {
            Sign::from_word(&word).unwrap_or_else(|| {
                self.findings.warn_at(source, format!("has the unknown sign \"{word}\"; it counts as other"));
                Sign::Other
            })
        });
        let animal = fields.text(properties, "animal").map(|word| match Animal::from_word(&word) {
            Animal::Named(name) => Animal::Named(self.words.share(&name)),
            known => known,
        });
        let count = self.count_of(&fields, raw)?;
        let accuracy_m = self.quantity(&fields, raw, "accuracy_m")?;
        Some(Record {
            sign,
            animal,
            date: self.date_of(&fields, raw, "date"),
            count,
            observer: self.word(&fields, raw, "observer"),
            accuracy_m,
            season: self
                .word(&fields, raw, "season")
                .or_else(|| defaults.season.as_ref().map(|s| self.words.share(s))),
            survey: self.word(&fields, raw, "survey"),
            source: source.clone(),
        })
    }

    fn count_of(&mut self, fields: &Fields, raw: &RawFeature) -> Option<f64> {
        self.quantity(fields, raw, "count").map(|count| count.unwrap_or(1.0))
    }

    /// A number of 0 or more; `None` after a fault.
    fn quantity(&mut self, fields: &Fields, raw: &RawFeature, property: &str) -> Option<Option<f64>> {
        match fields.number(&raw.properties, property) {
            Ok(Some(value)) if !(value.is_finite() && value >= 0.0) => {
                self.findings.fault(
                    &raw.source,
                    format!("has the {property} {value}, where a number of 0 or more is wanted"),
                );
                None
            }
            Ok(value) => Some(value),
            Err(text) => {
                self.findings
                    .fault(&raw.source, format!("has the {property} {text}, where a number is wanted"));
                None
            }
        }
    }

    fn date_of(&mut self, fields: &Fields, raw: &RawFeature, property: &str) -> Option<jiff::civil::Date> {
        fields.date(&raw.properties, property, self.zone.as_ref()).unwrap_or_else(|text| {
            self.findings.warn_at(
                &raw.source,
                format!("has the unreadable {property} {text} (write 2026-05-31); it counts as undated"),
            );
            None
        })
    }

    fn word(&mut self, fields: &Fields, raw: &RawFeature, property: &str) -> Option<Arc<str>> {
        fields.text(&raw.properties, property).map(|text| self.words.share(&text))
    }

    /// A survey leg.
    pub fn leg(&mut self, raw: RawFeature) {
        self.note_id(&raw.source);
        let ways = ways_of(&raw, false, &mut self.findings);
        let fields = self.fields("survey");
        let Some(passes) = self.quantity(&fields, &raw, "passes") else { return };
        let leg = SurveyLeg {
            date: self.date_of(&fields, &raw, "date"),
            passes: passes.unwrap_or(1.0),
            mode: self.word(&fields, &raw, "mode"),
            observer: self.word(&fields, &raw, "observer"),
            survey: self.word(&fields, &raw, "survey"),
            source: raw.source,
        };
        self.legs.extend(ways.into_iter().map(|way| (leg.clone(), way)));
    }

    /// A line, or a gate that stands among lines as a point.
    pub fn line(&mut self, raw: RawFeature, kind: LineKind) {
        self.note_id(&raw.source);
        let fields = self.fields("line");
        self.access.extend(access_of(&fields, &raw));
        if self.take_gate(&raw, &fields) {
            return;
        }
        let kind = match fields.text(&raw.properties, "kind") {
            None => kind,
            Some(word) => LineKind::from_word(&word).unwrap_or_else(|| {
                self.findings
                    .warn_at(&raw.source, format!("has the unknown kind \"{word}\"; it counts as other"));
                LineKind::Other
            }),
        };
        let ways = ways_of(&raw, true, &mut self.findings);
        let line = Line {
            kind,
            name: self.word(&fields, &raw, "name"),
            bridge: fields.is_set(&raw.properties, "bridge"),
            tunnel: fields.is_set(&raw.properties, "tunnel"),
            layer: layer_of(&fields, &raw),
            source: raw.source,
        };
        self.lines.extend(ways.into_iter().map(|way| (line.clone(), way)));
    }

    fn take_gate(&mut self, raw: &RawFeature, fields: &Fields) -> bool {
        use crate::files::RawShape;
        if !matches!(&raw.shape, RawShape::Shape(geo_types::Geometry::Point(_))) {
            return false;
        }
        let is_gate = ["kind", "barrier", "type"].iter().any(|property| {
            fields.text(&raw.properties, property).is_some_and(|word| {
                let word = word.to_lowercase();
                word.contains("gate") || word.replace('_', " ") == "cattle grid"
            })
        });
        if is_gate {
            let name = self.word(fields, raw, "name");
            for at in points_of(raw, &mut self.findings) {
                self.gates.push((Gate { name: name.clone(), source: raw.source.clone() }, at));
            }
        }
        is_gate
    }

    /// A keep-out. Without a distance of its own it takes the layer's; without either the
    /// run stops, since none is invented.
    pub fn keep_out(&mut self, raw: RawFeature, distance_m: Option<f64>, reason: Option<&str>) {
        self.note_id(&raw.source);
        let fields = self.fields("keep_out");
        let Some(own) = self.quantity(&fields, &raw, "distance_m") else { return };
        let Some(geometry) = checked_geometry(&raw, &mut self.findings) else { return };
        let Some(distance_m) = own.or(distance_m) else {
            self.findings.fault(
                &raw.source,
                "is a keep-out without a distance: give it a property distance_m, or the layer one, from your permit and label",
            );
            return;
        };
        let reason = self.word(&fields, &raw, "reason").or_else(|| reason.map(Arc::from));
        let name = self.word(&fields, &raw, "name");
        self.keep_outs.push(KeepOut { geometry, distance_m, reason, name, source: raw.source });
    }

    /// A polygon of the area under control.
    pub fn area(&mut self, raw: RawFeature) {
        if let Some(polygons) = polygons_of(&raw, &mut self.findings) {
            self.area.get_or_insert(MultiPolygon(Vec::new())).0.extend(polygons.0);
        }
    }

    /// A polygon of ground that was searched but not controlled.
    pub fn untreated(&mut self, raw: RawFeature) {
        if let Some(polygons) = polygons_of(&raw, &mut self.findings) {
            self.untreated.get_or_insert(MultiPolygon(Vec::new())).0.extend(polygons.0);
        }
    }

    /// A station.
    pub fn station(&mut self, raw: RawFeature) {
        let fields = self.fields("station");
        let places = points_of(&raw, &mut self.findings);
        let properties = &raw.properties;
        let id = fields.text(properties, "station_id").or_else(|| fields.text(properties, "site_id"));
        let Some(station_id) = id.or_else(|| raw.source.id.as_deref().map(str::to_string)) else {
            self.findings.fault(&raw.source, "is a station without a station_id");
            return;
        };
        let state = match fields.text(properties, "state") {
            None => StationState::Set,
            Some(word) => match StationState::from_word(&word) {
                Some(state) => state,
                None => {
                    self.findings.fault(
                        &raw.source,
                        format!("has the unknown state \"{word}\"; known are proposed, set and lifted"),
                    );
                    return;
                }
            },
        };
        let station = Station {
            station_id: self.words.share(&station_id),
            name: self.word(&fields, &raw, "name"),
            state,
            set_on: self.date_of(&fields, &raw, "set_on"),
            lifted_on: self.date_of(&fields, &raw, "lifted_on"),
            set_by: self.word(&fields, &raw, "set_by"),
            batch: self.word(&fields, &raw, "batch"),
            source: raw.source.clone(),
        };
        if self.stations.iter().any(|(s, _)| s.station_id == station.station_id) {
            self.findings
                .warn_at(&station.source, format!("repeats the station {station_id}; the first is used"));
            return;
        }
        self.station_properties.insert(station.station_id.clone(), raw.properties);
        self.stations.extend(places.into_iter().take(1).map(|at| (station.clone(), at)));
    }

    /// A row of a check log, kept as it is.
    pub fn check_row(&mut self, raw: RawFeature) {
        self.check_rows.push(raw);
    }

    /// A row of a wind file.
    pub fn wind_row(&mut self, raw: RawFeature) {
        let fields = self.fields("wind");
        self.wind.take(&raw, &fields, self.zone.as_ref(), &mut self.findings);
    }

    /// A place where a site must be.
    pub fn must(&mut self, raw: RawFeature) {
        self.places.must(&raw, &self.fields("must"), &mut self.findings);
    }

    /// The same, given in the plan itself as longitude and latitude.
    pub fn must_at(&mut self, at: [f64; 2], name: Option<&str>) {
        self.places.must_at(at, name, &mut self.findings);
    }

    /// A feature near which no site may be.
    pub fn never(&mut self, raw: RawFeature) {
        self.places.never(&raw, &self.fields("never"), &mut self.findings);
    }

    /// The same, given in the plan itself as longitude and latitude.
    pub fn never_at(&mut self, at: [f64; 2], within_m: f64, name: Option<&str>) {
        self.places.never_at(at, within_m, name, &mut self.findings);
    }

    /// A polygon of cover.
    pub fn cover(&mut self, raw: RawFeature) {
        self.places.cover(&raw, &mut self.findings);
    }

    /// One more layer of numbers.
    pub fn number_layer(&mut self) {
        self.places.layers.push(Vec::new());
    }

    /// A polygon with a number, of the plan's layer of that number.
    pub fn number(&mut self, raw: RawFeature, layer: usize, property: &str) {
        self.places.number(&raw, layer, property, &mut self.findings);
    }

    /// A point at which a surface is asked for.
    pub fn query(&mut self, raw: RawFeature) {
        let own_id = raw.source.id.as_deref().map(str::to_string);
        for at in points_of(&raw, &mut self.findings) {
            let id = own_id.clone().unwrap_or_else(|| (self.queries.len() + 1).to_string());
            let query = Query { id, properties: raw.properties.clone(), source: raw.source.clone() };
            self.queries.push((query, at));
        }
    }

    /// Chooses the frame (the EPSG code given, else the UTM zone of the centre of all sign
    /// and lines) and gives the job.
    ///
    /// # Errors
    /// [`JobError::Faults`] with every fault of the inputs, [`JobError::Frame`] for a code
    /// that is no projected system in metres.
    pub fn finish(mut self, epsg: Option<u32>) -> Result<Job, JobError> {
        let frame = match epsg {
            Some(code) => Frame::from_epsg(code)?,
            None => match self.centre() {
                Some(centre) => Frame::utm_for(centre)?,
                None => return Err(self.no_place()),
            },
        };
        self.check_extents();
        self.check_scale(&frame);
        let Self {
            records,
            legs,
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
            mut findings,
            ..
        } = self;
        let job = Job {
            records: place_all(&frame, records, |r| &r.source, &mut findings),
            legs: trace_all(&frame, legs, |l| &l.source, &mut findings),
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
            findings,
            frame,
        };
        match job.findings.faults() {
            Some(faults) => Err(JobError::Faults(faults)),
            None => Ok(job),
        }
    }

    fn no_place(self) -> JobError {
        let files: Vec<&str> = self.inputs.iter().map(|i| i.file.as_str()).collect();
        let from = if files.is_empty() { "no input".to_string() } else { files.join(", ") };
        let mut faults = self.findings.faults().unwrap_or_default();
        faults.push(format!("{from}: no usable record or line; there is nothing to compute"));
        JobError::Faults(faults)
    }

    /// The south-western and north-eastern corners of all that was read; nothing where nothing
    /// has a place.
    pub fn corners(&self) -> Option<(LonLat, LonLat)> {
        let ways = self.legs.iter().map(|(_, way)| way).chain(self.lines.iter().map(|(_, way)| way));
        let points = self.records.iter().map(|(_, at)| *at).chain(self.stations.iter().map(|(_, at)| *at));
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
                .map(|(_, at)| *at)
                .chain(self.lines.iter().flat_map(|(_, way)| way.iter().copied())),
        );
        let rest = || {
            Extent::of(self.stations.iter().map(|(_, at)| *at).chain(self.queries.iter().map(|(_, at)| *at)))
        };
        sign_and_lines.or_else(rest).and_then(|extent| extent.centre())
    }

    fn check_extents(&mut self) {
        let sign = Extent::of(self.records.iter().map(|(_, at)| *at));
        let lines = Extent::of(self.lines.iter().flat_map(|(_, way)| way.iter().copied()));
        let (Some(sign), Some(lines)) = (sign, lines) else { return };
        let gap_m = sign.gap_m(&lines);
        if gap_m > EXTENTS_APART_M {
            let files = self.files_of(&["sign", "line"]);
            self.findings.fault(
                files,
                format!(
                    "sign and lines lie {:.0} km apart; one of the files is of another place or has its axes swapped",
                    gap_m / 1000.0
                ),
            );
        }
    }

    fn check_scale(&mut self, frame: &Frame) {
        let all = Extent::of(
            self.records
                .iter()
                .map(|(_, at)| *at)
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

    fn files_of(&self, roles: &[&str]) -> String {
        let files: Vec<&str> = self
            .inputs
            .iter()
            .filter(|i| roles.contains(&i.role.as_str()))
            .map(|i| i.file.as_str())
            .collect();
        files.join(", ")
    }
}

/// What a line or gate says about passing it, if it says anything.
fn access_of(fields: &Fields, raw: &RawFeature) -> Option<Access> {
    let properties = &raw.properties;
    let word = fields.text(properties, "access").unwrap_or_default().to_lowercase();
    let closed = fields.is_set(properties, "closed") || matches!(word.as_str(), "no" | "closed");
    let locked = fields.is_set(properties, "locked") || word == "locked";
    let one_way = fields.text(properties, "oneway").and_then(|word| OneWay::from_word(&word));
    (closed || locked || one_way.is_some()).then(|| Access {
        source: raw.source.clone(),
        closed,
        locked,
        one_way,
    })
}

fn layer_of(fields: &Fields, raw: &RawFeature) -> i32 {
    let whole = |property| match fields.number(&raw.properties, property) {
        Ok(Some(value)) if value.fract() == 0.0 && value.abs() < 100.0 => Some(value as i32),
        _ => None,
    };
    whole("osm_layer").or_else(|| whole("layer")).unwrap_or(0)
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
                findings.fault(source(&what), why);
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
                findings.fault(source(&what), why);
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

/// A box in longitude and latitude.
struct Extent {
    west: f64,
    east: f64,
    south: f64,
    north: f64,
}

impl Extent {
    fn of(places: impl Iterator<Item = LonLat>) -> Option<Self> {
        places.fold(None, |extent, at| {
            let (lon, lat) = (at.lon_deg(), at.lat_deg());
            Some(match extent {
                None => Extent { west: lon, east: lon, south: lat, north: lat },
                Some(e) => Extent {
                    west: e.west.min(lon),
                    east: e.east.max(lon),
                    south: e.south.min(lat),
                    north: e.north.max(lat),
                },
            })
        })
    }

    fn centre(&self) -> Option<LonLat> {
        LonLat::new((self.west + self.east) / 2.0, (self.south + self.north) / 2.0).ok()
    }

    fn corners(&self) -> Vec<LonLat> {
        [(self.west, self.south), (self.west, self.north), (self.east, self.south), (self.east, self.north)]
            .into_iter()
            .filter_map(|(lon, lat)| LonLat::new(lon, lat).ok())
            .chain(self.centre())
            .collect()
    }

    /// Metres between the nearest places of two boxes, 0 where they meet.
    fn gap_m(&self, other: &Extent) -> f64 {
        let nearest = |a0: f64, a1: f64, b0: f64, b1: f64| {
            let here = b0.max(a0).min(a1);
            (here, here.max(b0).min(b1))
        };
        let (lon_a, lon_b) = nearest(self.west, self.east, other.west, other.east);
        let (lat_a, lat_b) = nearest(self.south, self.north, other.south, other.north);
        match (LonLat::new(lon_a, lat_a), LonLat::new(lon_b, lat_b)) {
            (Ok(a), Ok(b)) => crate::frame::distance_m(a, b),
            _ => 0.0,
        }
    }
}
