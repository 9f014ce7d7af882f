//! Wind as an instrument or a table tells it.

use jiff::Timestamp;

/// One reading.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct WindHour {
    /// When it was read.
    pub at: Timestamp,
    /// Where the wind came FROM: degrees clockwise from true north, in 0..360.
    pub from_deg: f64,
    /// Its speed in metres per second, finite and not negative.
    pub speed_m_s: f64,
}

/// How often the wind came from each of equal sectors, over one part of the day.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct SectorTable {
    /// Hours, or any other measure of how often, from sectors of equal width clockwise; the
    /// first is centred on north.
    pub often: Vec<f64>,
    /// How often it was calm, in the same measure.
    pub calm: f64,
    /// The hours behind the table, if it says; else the measures are taken for hours.
    pub hours: Option<f64>,
}

/// What is known of the wind.
#[derive(Clone, PartialEq, Debug)]
pub enum Wind {
    /// Readings with their time; the sun at the place parts day from night.
    Hours(Vec<WindHour>),
    /// Tables for day and night.
    Sectors {
        /// While the sun is up.
        day: SectorTable,
        /// While it is down.
        night: SectorTable,
    },
}
