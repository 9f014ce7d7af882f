//! Survey effort: the stretches that somebody searched, and the nights that cameras stood.

use std::sync::Arc;

use jiff::civil::Date;

use super::SourcePlace;

/// A stretch of line that somebody searched on one date. Legs that share a `survey` id
/// are one outing. The way taken is held beside it, in a [`Traced`](crate::frame::Traced).
#[derive(Clone, PartialEq, Debug)]
pub struct SurveyLeg {
    /// The local day, if the leg says.
    pub date: Option<Date>,
    /// How often the leg was searched that day; at least one pass unless the file says 0.
    pub passes: f64,
    /// How it was searched: on foot, from a vehicle, with a dog; free text.
    pub mode: Option<Arc<str>>,
    /// Who searched.
    pub observer: Option<Arc<str>>,
    /// Id of the outing.
    pub survey: Option<Arc<str>>,
    /// Where it came from.
    pub source: SourcePlace,
}

/// A camera that stood at one place for some nights. Its place is held beside it, in a
/// [`Placed`](crate::frame::Placed).
#[derive(Clone, PartialEq, Debug)]
pub struct Deployment {
    /// What the place is called.
    pub name: Option<Arc<str>>,
    /// Id of the deployment, which its records carry as their `survey`.
    pub survey: Option<Arc<str>>,
    /// The day it was set up.
    pub from: Option<Date>,
    /// The day it was taken down.
    pub until: Option<Date>,
    /// Nights between the two.
    pub nights: f64,
    /// Where it came from.
    pub source: SourcePlace,
}
