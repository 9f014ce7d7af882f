//! What a report is drawn from.

use geo_types::{Geometry, MultiPolygon};
use serde_json::{Map, Value, json};

use super::{Candidates, Field, Ramp};
use crate::frame::{Frame, LonLat, Placed, Traced};
use crate::record::{KeepOut, Line, Record, Station};
use crate::verdict::Verdict;

/// Room left round what a map shows, in degrees: about ten metres.
const RIM_DEG: f64 = 1e-4;

/// One feature of an output file.
#[derive(Clone, PartialEq, Debug)]
pub struct Feature {
    /// Its id, empty if it has none.
    pub id: String,
    /// In WGS84 longitude and latitude degrees.
    pub geometry: Geometry<f64>,
    /// Its properties.
    pub properties: Map<String, Value>,
}

impl Feature {
    /// A text property.
    pub fn text(&self, name: &str) -> Option<&str> {
        self.properties.get(name).and_then(Value::as_str)
    }

    /// A number property.
    pub fn number(&self, name: &str) -> Option<f64> {
        self.properties.get(name).and_then(Value::as_f64)
    }

    /// A property of any kind, `null` where it is absent.
    pub fn value(&self, name: &str) -> Value {
        self.properties.get(name).cloned().unwrap_or_default()
    }

    /// Its place, if it is a point.
    pub fn place(&self) -> Option<LonLat> {
        match &self.geometry {
            Geometry::Point(p) => LonLat::new(p.x(), p.y()).ok(),
            _ => None,
        }
    }
}

/// A raster to be shown.
#[derive(Clone, PartialEq, Debug)]
pub struct Shown {
    /// Its key in the page: `activity`, `before`, `after`, `change`.
    pub id: &'static str,
    /// What it is called.
    pub name: String,
    /// Unit of its values, in words.
    pub unit: String,
    /// The raster.
    pub field: Field,
    /// Its colours.
    pub ramp: Ramp,
}

/// The features of the output files, each list empty where there is no such file.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Layers {
    /// `hot-areas.geojson`.
    pub hot_areas: Vec<Feature>,
    /// `nodes.geojson`.
    pub nodes: Vec<Feature>,
    /// `network.geojson`.
    pub network: Vec<Feature>,
    /// `near-misses.geojson`.
    pub near_misses: Vec<Feature>,
    /// `sites.geojson`, by rank.
    pub sites: Vec<Feature>,
    /// `candidates.geojson`.
    pub candidates: Candidates,
    /// `change-areas.geojson`.
    pub change_areas: Vec<Feature>,
    /// `activity-lines.geojson`.
    pub activity_lines: Vec<Feature>,
    /// `change-lines.geojson`.
    pub change_lines: Vec<Feature>,
    /// `round.geojson`.
    pub round: Vec<Feature>,
    /// `checks.geojson`.
    pub checks: Vec<Feature>,
}

/// Everything that a report is drawn from: the job's own layers and the output files.
pub struct Material<'a> {
    /// What the place is called.
    pub title: String,
    /// Which inputs it was made from, in one sentence.
    pub origin: String,
    /// The job's frame.
    pub frame: &'a Frame,
    /// What is said before anything else.
    pub cautions: Vec<String>,
    /// Whom to call, each where the plan says.
    pub contacts: Vec<(&'static str, Option<String>)>,
    /// What is open from earlier checks, a sentence an item: told on every sheet until closed.
    pub open_items: Vec<String>,
    /// Sign, each with the name of its season.
    pub records: Vec<(&'a Placed<Record>, Option<String>)>,
    /// Lines.
    pub lines: &'a [Traced<Line>],
    /// The land under control, in degrees.
    pub area: Option<&'a MultiPolygon<f64>>,
    /// Keep-outs.
    pub keep_outs: &'a [KeepOut],
    /// Stations.
    pub stations: &'a [Placed<Station>],
    /// What is to be done at each of them, in their order.
    pub verdicts: Vec<Verdict>,
    /// Spacing asked for, in metres.
    pub spacing_m: Option<f64>,
    /// Straight distance kept where lines lead a long way round, in metres.
    pub min_straight_m: Option<f64>,
    /// Error with which a station is placed, in metres.
    pub placement_error_m: f64,
    /// Rasters.
    pub rasters: Vec<Shown>,
    /// Output features.
    pub layers: Layers,
    /// The member `wind` of `sites.json`: day and night apart.
    pub wind: Option<Value>,
    /// `compare.json`.
    pub compare: Option<Value>,
    /// Places to notify.
    pub notices: Vec<super::Notice>,
}

impl Material<'_> {
    /// Every station with what is to be done there.
    pub fn tasks(&self) -> impl Iterator<Item = (&Placed<Station>, &Verdict)> {
        self.stations.iter().zip(&self.verdicts)
    }

    /// The name of the grid: `UTM zone 55 S`, or its EPSG code.
    pub fn grid_name(&self) -> String {
        let epsg = self.frame.epsg();
        match epsg {
            32601..=32660 => format!("UTM zone {} N", epsg - 32600),
            32701..=32760 => format!("UTM zone {} S", epsg - 32700),
            _ => format!("EPSG:{epsg}"),
        }
    }

    /// What the wind does at a site by `day` or `night`: the share of hours in which scent
    /// reaches the line as `value`, and `rose`, `calm_share` and `hours` where the sites were
    /// proposed with wind; `null` without.
    pub fn wind_at(&self, site: &Feature, period: &str) -> Value {
        let Some(value) = site.number(&format!("wind_{period}")) else { return Value::Null };
        let of =
            |key: &str| self.wind.as_ref().and_then(|w| w.get(period)?.get(key)).cloned().unwrap_or_default();
        json!({ "value": value, "rose": of("rose_from_north_clockwise"), "calm_share": of("calm_share"),
            "hours": of("hours") })
    }

    /// The box that holds the lines, the sites, the stations and the area, or else the sign;
    /// west, south, east, north in degrees. A tenth of a degree about 0 where there is nothing.
    pub fn span(&self) -> [f64; 4] {
        use geo::CoordsIter;
        let mut span = Span::new();
        self.lines.iter().flat_map(|l| &l.path).for_each(|at| span.add(*at));
        self.stations.iter().for_each(|s| span.add(s.at));
        self.layers.sites.iter().filter_map(Feature::place).for_each(|at| span.add(at));
        for c in self.area.iter().flat_map(|a| a.exterior_coords_iter()) {
            span.0 = [span.0[0].min(c.x), span.0[1].min(c.y), span.0[2].max(c.x), span.0[3].max(c.y)];
        }
        if span.0[0] > span.0[2] {
            self.records.iter().for_each(|(r, _)| span.add(r.at));
        }
        let [w, s, e, n] = span.0;
        if w > e { [-0.1, -0.1, 0.1, 0.1] } else { [w - RIM_DEG, s - RIM_DEG, e + RIM_DEG, n + RIM_DEG] }
    }
}

struct Span([f64; 4]);

impl Span {
    fn new() -> Self {
        Span([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY])
    }

    fn add(&mut self, at: LonLat) {
        let [w, s, e, n] = self.0;
        let (lon, lat) = (at.lon_deg(), at.lat_deg());
        self.0 = [w.min(lon), s.min(lat), e.max(lon), n.max(lat)];
    }
}
