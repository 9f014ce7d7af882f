//! The job: raw inputs brought into one frame, with all faults of the input told together.
//!
//! A [`Builder`] takes raw features one by one, so that memory holds the domain types and
//! never the raw file; [`Builder::finish`] chooses the frame and gives the [`Job`].

mod build;
mod dates;
mod extent;
mod fields;
mod findings;
mod intern;
mod places;
mod rings;
mod select;
mod shapes;
mod spelling;
mod whereabouts;
mod wind;

pub use build::{Builder, CHECK_NAMES, SignDefaults};
pub use dates::{DateColumn, DateOrder, DateTrouble, ReadDay};
pub use fields::Fields;
pub use findings::{Findings, Warning};
pub use select::{Choice, Chosen, DaysOfYear, choose};
pub use spelling::Spellings;
pub use whereabouts::{LayerPlace, Whereabouts};

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use crate::files::write::InputFile;
use crate::files::{Properties, RasterFile, RawFeature};
use crate::frame::{Frame, FrameError, Placed, Traced};
use crate::record::{
    Access, Area, Deployment, FixedPlace, Gate, KeepOut, Line, NumberedArea, Record, SourcePlace, Station,
    SurveyLeg, Wind,
};

/// Everything a step needs, in one frame.
pub struct Job {
    /// The metric frame.
    pub frame: Frame,
    /// Sign.
    pub records: Vec<Placed<Record>>,
    /// Survey effort.
    pub legs: Vec<Traced<SurveyLeg>>,
    /// Cameras and the nights they stood.
    pub deployments: Vec<Placed<Deployment>>,
    /// Lines.
    pub lines: Vec<Traced<Line>>,
    /// Gates in fences.
    pub gates: Vec<Placed<Gate>>,
    /// What lines and gates say about passing them, by their source.
    pub access: Vec<Access>,
    /// Keep-outs.
    pub keep_outs: Vec<KeepOut>,
    /// The land under control, if the plan names any.
    pub area: Option<GroundArea>,
    /// Ground that was searched but not controlled, if the plan names any.
    pub untreated: Option<GroundArea>,
    /// Stations.
    pub stations: Vec<Placed<Station>>,
    /// What each station's file says of it, by station id.
    pub station_properties: HashMap<Arc<str>, Properties>,
    /// Rows of check logs as their files have them.
    pub check_rows: Vec<RawFeature>,
    /// What is known of the wind.
    pub wind: Option<Wind>,
    /// Places where a site must be.
    pub must: Vec<Placed<FixedPlace>>,
    /// Features within whose distance no site may be.
    pub never: Vec<KeepOut>,
    /// Cover, in longitude and latitude degrees.
    pub cover: Option<geo_types::MultiPolygon<f64>>,
    /// Numbers about the country, by the layer's number in the plan.
    pub layers: Vec<NumberSource>,
    /// Points to evaluate at.
    pub queries: Vec<Placed<Query>>,
    /// The inputs read, in the order they were given.
    pub inputs: Vec<InputFile>,
    /// Every id of a site or station that an input carries.
    pub ids: BTreeSet<Arc<str>>,
    /// Where the layers lie, and what is odd about it.
    pub whereabouts: Whereabouts,
    /// What was odd in the inputs.
    pub findings: Findings,
}

/// Where the numbers of a layer are.
#[derive(Debug)]
pub enum NumberSource {
    /// On polygons.
    Areas(Vec<NumberedArea>),
    /// In the cells of a raster.
    Cells(Box<RasterFile>),
}

/// The land under control in both coordinates.
#[derive(Clone, PartialEq, Debug)]
pub struct GroundArea {
    /// In WGS84 longitude and latitude degrees.
    pub lonlat: Area,
    /// The same polygons in metres of the job's frame.
    pub ground: geo_types::MultiPolygon<f64>,
}

/// A point at which a surface is asked for, with what the file says of it.
#[derive(Clone, PartialEq, Debug)]
pub struct Query {
    /// Its own id, or its number in the file.
    pub id: String,
    /// Its own properties.
    pub properties: Properties,
    /// Where it came from.
    pub source: SourcePlace,
}

/// Why no job can be made of the inputs.
#[derive(thiserror::Error, Debug)]
pub enum JobError {
    /// Faults in the inputs, all of them.
    #[error("{}", .0.join("\n"))]
    Faults(Vec<String>),
    /// The frame asked for, or no frame at all, fits.
    #[error(transparent)]
    Frame(#[from] FrameError),
}
