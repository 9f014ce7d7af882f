//! What the wind says of a side: how often scent set there drifts onto the line.

use crate::frame::LonLat;
use crate::record::{SectorTable, Wind};

use super::direction::{Rose, sector};
use super::sun::Sun;

/// A scent plume of no width has one, so that shares of it are defined.
const LEAST_ANGLE_DEG: f64 = 1e-9;

/// How the wind is read.
#[derive(Clone, PartialEq, Debug)]
pub struct WindSettings {
    /// Below this speed, in metres per second, an hour is calm.
    pub calm_m_s: f64,
    /// How far scent carries, in metres.
    pub scent_reach_m: f64,
    /// Half the angle in which scent spreads downwind, in degrees.
    pub half_angle_deg: f64,
    /// The weight of the night against the day, in 0..=1: the animals travel by night.
    pub night_share: f64,
    /// With fewer usable hours than this, day and night together, wind decides nothing.
    pub least_hours: f64,
}

impl Default for WindSettings {
    fn default() -> Self {
        Self {
            calm_m_s: 0.5,
            scent_reach_m: 300.0,
            half_angle_deg: 30.0,
            night_share: 2.0 / 3.0,
            least_hours: 100.0,
        }
    }
}

/// A part of the day.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Period {
    /// How often the wind came from where, calm left out: (from degrees, hours), sorted,
    /// each direction once.
    pub directions: Vec<(f64, f64)>,
    /// The same by sector, with the calm hours.
    pub rose: Rose,
    /// Hours with wind.
    pub hours: f64,
    /// Share of calm hours among all, in 0..=1; 1 where there are no hours at all.
    pub calm_share: f64,
}

/// What the wind records come to, day and night apart.
#[derive(Clone, PartialEq, Debug)]
pub struct WindRecord {
    /// While the sun is up.
    pub day: Period,
    /// While it is down.
    pub night: Period,
    settings: WindSettings,
}

/// The value of one side.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SideValue {
    /// By day, in 0..=1: the share of windy hours in which scent crosses the line within
    /// reach, drawn toward one half by the calm share.
    pub day: f64,
    /// By night, likewise.
    pub night: f64,
    /// Day and night together, the night by its share.
    pub both: f64,
}

impl WindRecord {
    /// Parts hours into day and night by the sun at `place`, or takes the tables as they are.
    pub fn new(wind: &Wind, place: LonLat, settings: WindSettings) -> Self {
        let (day, night) = match wind {
            Wind::Hours(hours) => {
                let (mut day, mut night) = (Vec::new(), Vec::new());
                for hour in hours {
                    let part = if Sun::at(hour.at, place).is_up() { &mut day } else { &mut night };
                    part.push((hour.from_deg, hour.speed_m_s));
                }
                (Period::of_readings(&day, settings.calm_m_s), Period::of_readings(&night, settings.calm_m_s))
            }
            Wind::Sectors { day, night } => (Period::of_sectors(day), Period::of_sectors(night)),
        };
        Self { day, night, settings }
    }

    /// Whether there are hours enough for the wind to have a say.
    pub fn decides(&self) -> bool {
        self.day.hours + self.night.hours >= self.settings.least_hours
    }

    /// How the wind was read.
    pub fn settings(&self) -> &WindSettings {
        &self.settings
    }

    /// The value of a place `offset_m` metres off a straight line, from which the line lies
    /// toward `to_line_deg` (true bearing). `drains_to_deg`, if known, is where night air
    /// flows at the place: it stands for the night's instrument.
    pub fn side_value(&self, to_line_deg: f64, offset_m: f64, drains_to_deg: Option<f64>) -> SideValue {
        let scent = Scent::new(offset_m, &self.settings);
        let day = self.day.value(&scent, to_line_deg);
        let night = match drains_to_deg {
            Some(to_deg) => scent.crosses(to_deg - to_line_deg),
            None => self.night.value(&scent, to_line_deg),
        };
        let share = self.settings.night_share;
        SideValue { day, night, both: share * night + (1.0 - share) * day }
    }
}

impl Period {
    fn of_readings(readings: &[(f64, f64)], calm_m_s: f64) -> Self {
        let windy = || readings.iter().filter(|(_, speed)| *speed >= calm_m_s);
        let directions = windy().map(|&(from_deg, _)| (from_deg.rem_euclid(360.0), 1.0)).collect();
        Self::new(directions, (readings.len() - windy().count()) as f64)
    }

    /// Each sector's hours spread evenly over its width.
    fn of_sectors(table: &SectorTable) -> Self {
        const STEPS: usize = 9;
        let total = table.often.iter().sum::<f64>() + table.calm;
        let to_hours = match table.hours {
            Some(hours) if total > 0.0 => hours / total,
            _ => 1.0,
        };
        let width = 360.0 / table.often.len().max(1) as f64;
        let mut directions = Vec::new();
        for (i, often) in table.often.iter().enumerate() {
            for step in 0..STEPS {
                let across = (step as f64 + 0.5) / STEPS as f64 - 0.5;
                let from_deg = ((i as f64 + across) * width).rem_euclid(360.0);
                directions.push((from_deg, often * to_hours / STEPS as f64));
            }
        }
        Self::new(directions, table.calm * to_hours)
    }

    fn new(mut directions: Vec<(f64, f64)>, calm: f64) -> Self {
        directions.retain(|&(_, hours)| hours > 0.0);
        directions.sort_by(|a, b| a.0.total_cmp(&b.0));
        directions.dedup_by(|next, kept| {
            let same = next.0 == kept.0;
            if same {
                kept.1 += next.1;
            }
            same
        });
        let mut rose = Rose { calm, ..Rose::default() };
        directions.iter().for_each(|&(from_deg, hours)| rose.hours[sector(from_deg, 16)] += hours);
        let hours: f64 = directions.iter().map(|&(_, hours)| hours).sum();
        let calm_share = if hours + calm > 0.0 { calm / (hours + calm) } else { 1.0 };
        Self { directions, rose, hours, calm_share }
    }

    fn value(&self, scent: &Scent, to_line_deg: f64) -> f64 {
        if self.hours <= 0.0 {
            return 0.5;
        }
        let crossing: f64 = self
            .directions
            .iter()
            .map(|&(from_deg, hours)| hours * scent.crosses(from_deg + 180.0 - to_line_deg))
            .sum();
        (1.0 - self.calm_share) * crossing / self.hours + self.calm_share * 0.5
    }
}

/// Scent that spreads downwind from a place beside a straight line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Scent {
    half_angle_deg: f64,
    /// A drift up to this angle from straight at the line meets it within reach.
    meets_deg: f64,
}

impl Scent {
    /// For a place `offset_m` metres off the line. Beyond reach no drift meets the line.
    pub fn new(offset_m: f64, settings: &WindSettings) -> Self {
        let meets_deg = if offset_m >= settings.scent_reach_m {
            -1.0
        } else {
            (offset_m / settings.scent_reach_m).acos().to_degrees()
        };
        Self { half_angle_deg: settings.half_angle_deg.max(LEAST_ANGLE_DEG), meets_deg }
    }

    /// The share of the spreading scent that meets the line within reach, in 0..=1, where
    /// the middle of the drift is `off_deg` degrees from straight at the line: 1 well toward
    /// the line, about one half along it, 0 well away from it.
    pub fn crosses(&self, off_deg: f64) -> f64 {
        if self.meets_deg < 0.0 {
            return 0.0;
        }
        let off = (off_deg + 180.0).rem_euclid(360.0) - 180.0;
        let low = (off - self.half_angle_deg).max(-self.meets_deg);
        let high = (off + self.half_angle_deg).min(self.meets_deg);
        ((high - low) / (2.0 * self.half_angle_deg)).clamp(0.0, 1.0)
    }
}

/// In how many of the windy hours a point lies in the scent of a station: within reach and
/// at most half the spread off the drift. `to_point_deg` and `distance_m` lead from station
/// to point; hours are (from degrees, metres per second). Returns (hits, windy hours).
pub fn scent_share(
    to_point_deg: f64,
    distance_m: f64,
    hours: &[(f64, f64)],
    settings: &WindSettings,
) -> (usize, usize) {
    let windy = || hours.iter().filter(|(_, speed)| *speed >= settings.calm_m_s);
    let hit = |&&(from_deg, _): &&(f64, f64)| {
        let off = (from_deg - to_point_deg).rem_euclid(360.0) - 180.0;
        distance_m <= settings.scent_reach_m && off.abs() <= settings.half_angle_deg
    };
    (windy().filter(hit).count(), windy().count())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Five points around a station, by definition (a cone of 30 degrees to either side,
    /// 300 m); recomputed with dot products.
    #[test]
    fn points_in_the_scent_of_a_station() {
        let hours = [
            (0.0, 3.0),
            (20.0, 2.0),
            (45.0, 1.0),
            (90.0, 4.0),
            (180.0, 2.0),
            (270.0, 3.0),
            (300.0, 0.3),
            (350.0, 5.0),
        ];
        let points = [
            (180.0, 100.0),
            (0.0, 100.0),
            (90.0, 100.0),
            (225.0, 98.99494936611666),
            (135.0, 565.685424949238),
        ];
        let expected = [(3, 7), (1, 7), (1, 7), (2, 7), (0, 7)];
        for ((bearing, distance), hits) in points.into_iter().zip(expected) {
            assert_eq!(scent_share(bearing, distance, &hours, &WindSettings::default()), hits);
        }
    }

    fn steady(from_deg: f64, calm: f64) -> WindRecord {
        let mut often = vec![0.0; 360];
        often[from_deg as usize] = 100.0;
        let table = SectorTable { often, calm, hours: None };
        let wind = Wind::Sectors { day: table.clone(), night: table };
        WindRecord::new(&wind, LonLat::new(148.0, -35.0).unwrap(), WindSettings::default())
    }

    /// A north wind over a line that runs east: the northern side is upwind.
    #[test]
    fn the_upwind_side_is_the_useful_one() {
        let wind = steady(0.0, 0.0);
        assert!(wind.side_value(180.0, 5.0, None).both > 0.999);
        assert!(wind.side_value(0.0, 5.0, None).both < 0.001);
        let along = wind.side_value(90.0, 5.0, None).both;
        assert!((0.4..0.6).contains(&along), "{along}");
    }

    #[test]
    fn calm_draws_both_sides_toward_one_half() {
        let wind = steady(0.0, 100.0);
        assert!((wind.side_value(180.0, 5.0, None).both - 0.75).abs() < 1e-9);
        assert!((wind.side_value(0.0, 5.0, None).both - 0.25).abs() < 1e-9);
    }

    #[test]
    fn night_air_that_drains_stands_for_the_instrument() {
        let value = steady(0.0, 0.0).side_value(180.0, 5.0, Some(0.0));
        assert!(value.day > 0.999 && value.night < 0.001);
    }
}
