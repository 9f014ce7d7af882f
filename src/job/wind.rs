//! Wind readings and tables, row by row.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use super::fields::Fields;
use super::findings::Findings;
use crate::files::RawFeature;
use crate::record::{SectorTable, Wind, WindHour};

/// Wind rows so far: readings, or a table of sectors.
#[derive(Default)]
pub(super) struct WindRows {
    hours: Vec<WindHour>,
    /// From degrees (`None` for calm), day, night.
    sectors: Vec<(Option<f64>, f64, f64)>,
    seen: usize,
}

impl WindRows {
    /// Takes one row. A row that cannot be used is counted and told, not refused: a month of
    /// an instrument has gaps.
    pub fn take(
        &mut self,
        raw: &RawFeature,
        fields: &Fields,
        zone: Option<&TimeZone>,
        findings: &mut Findings,
    ) {
        self.seen += 1;
        let number =
            |name: &str| fields.number(&raw.properties, name).ok().flatten().filter(|n| n.is_finite());
        let positive = |name: &str| number(name).filter(|n| *n >= 0.0);
        let from = fields.text(&raw.properties, "from_deg");
        if let Some(time) = fields.text(&raw.properties, "time") {
            let hour = (instant(&time, zone), number("from_deg"), positive("speed_m_s"));
            match hour {
                (Some(at), Some(from_deg), Some(speed_m_s)) => {
                    self.hours.push(WindHour { at, from_deg: from_deg.rem_euclid(360.0), speed_m_s });
                }
                // A vane has no direction in a calm.
                (Some(at), None, Some(0.0)) => {
                    self.hours.push(WindHour { at, from_deg: 0.0, speed_m_s: 0.0 });
                }
                (None, ..) => findings.warn_at(
                    &raw.source,
                    "has no time that can be used (write 2026-05-31T14:00:00+10:00, or give the plan a time_zone); left out",
                ),
                _ => findings.warn_at(&raw.source, "has no from_deg and speed_m_s that can be used; left out"),
            }
            return;
        }
        let calm = from.as_deref().is_some_and(|text| text.eq_ignore_ascii_case("calm"));
        match (calm, number("from_deg"), positive("day"), positive("night")) {
            (true, _, Some(day), Some(night)) => self.sectors.push((None, day, night)),
            (false, Some(deg), Some(day), Some(night)) => {
                self.sectors.push((Some(deg.rem_euclid(360.0)), day, night));
            }
            _ => findings.warn_at(
                &raw.source,
                "is neither a reading (time, from_deg, speed_m_s) nor a sector (from_deg, day, night); left out",
            ),
        }
    }

    /// The wind, if any row could be used. Readings go before tables.
    pub fn finish(mut self, findings: &mut Findings) -> Option<Wind> {
        let reading = |hour: &WindHour| (hour.at, hour.from_deg.to_bits(), hour.speed_m_s.to_bits());
        self.hours.sort_unstable_by_key(reading);
        if !self.hours.is_empty() {
            return Some(Wind::Hours(self.hours));
        }
        let mut sectors: Vec<(f64, f64, f64)> =
            self.sectors.iter().filter_map(|&(from, day, night)| Some((from?, day, night))).collect();
        sectors.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)).then(a.2.total_cmp(&b.2)));
        let width = 360.0 / sectors.len().max(1) as f64;
        let even = sectors.iter().enumerate().all(|(i, s)| (s.0 - i as f64 * width).abs() < 0.6);
        if sectors.is_empty() || !even {
            if self.seen > 0 {
                findings.warn_at(
                    "wind",
                    "sectors are not equal steps clockwise from north; the wind is not used",
                );
            }
            return None;
        }
        let calm = |pick: fn(&(Option<f64>, f64, f64)) -> f64| {
            self.sectors.iter().filter(|s| s.0.is_none()).map(pick).sum()
        };
        let day =
            SectorTable { often: sectors.iter().map(|s| s.1).collect(), calm: calm(|s| s.1), hours: None };
        let night =
            SectorTable { often: sectors.iter().map(|s| s.2).collect(), calm: calm(|s| s.2), hours: None };
        Some(Wind::Sectors { day, night })
    }
}

fn instant(text: &str, zone: Option<&TimeZone>) -> Option<Timestamp> {
    if let Ok(instant) = text.parse::<Timestamp>() {
        return Some(instant);
    }
    let local: DateTime = text.parse().ok()?;
    zone?.to_timestamp(local).ok()
}
