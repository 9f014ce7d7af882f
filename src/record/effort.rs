//! Survey effort: the stretches that somebody searched.

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
