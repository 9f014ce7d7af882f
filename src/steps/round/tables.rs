//! The round as tables: the stops, and what to carry.

use super::sheet::Sheet;
use crate::files::OutputSet;
use crate::files::write::write_csv;
use crate::plan::{NonNegative, RoundTable};
use crate::round::{DayLoad, KitSettings, kit};
use crate::siting::SHORT_CAUTION;
use crate::steps::StepError;
use crate::verdict::{Task, Verdict};

const COLUMNS: [&str; 17] = [
    "day",
    "order",
    "station_id",
    "name",
    "lon",
    "lat",
    "leg_m",
    "distance_m",
    "arrive_min",
    "walk_m",
    "due_on",
    "urgency",
    "every_days",
    "open_items",
    "task",
    "task_reason",
    "caution",
];

impl Sheet<'_> {
    pub(super) fn write_csv(&self, set: &mut OutputSet) -> Result<(), StepError> {
        let rows = self.in_order().into_iter().map(|k| self.row(k));
        Ok(set.write("round.csv", |out| write_csv(out, &COLUMNS, rows))?)
    }

    fn row(&self, k: usize) -> Vec<String> {
        let (station, stop, due) = (self.stations[k], &self.round.stops[k], self.due_of(k));
        let id = &*station.what.station_id;
        let number = |value: Option<f64>| value.map(|v| format!("{v:.1}")).unwrap_or_default();
        vec![
            stop.visit.map(|v| v.day.to_string()).unwrap_or_default(),
            stop.visit.map(|v| v.order.to_string()).unwrap_or_default(),
            id.to_string(),
            station.what.name.as_deref().unwrap_or_default().to_string(),
            format!("{:.7}", station.at.lon_deg()),
            format!("{:.7}", station.at.lat_deg()),
            number(stop.visit.map(|v| v.leg_m)),
            number(stop.visit.map(|v| v.distance_m)),
            number(stop.visit.map(|v| v.arrive_min)),
            number(Some(stop.walk_m).filter(|m| m.is_finite())),
            due.and_then(|d| d.due_on).map(|d| d.to_string()).unwrap_or_default(),
            due.map(|d| d.urgency.word().to_string()).unwrap_or_default(),
            due.map(|d| d.every_days.to_string()).unwrap_or_default(),
            self.open_texts(k).join("; "),
            self.verdicts.task(id).word().to_string(),
            self.verdicts.of(id).map(Verdict::reason).unwrap_or_default(),
            SHORT_CAUTION.to_string(),
        ]
    }

    pub(super) fn write_kit(&self, set: &mut OutputSet) -> Result<(), StepError> {
        let loads: Vec<DayLoad> = self.round.days.iter().map(|day| self.load(&day.stations)).collect();
        let items = kit(&loads, &kit_settings(self.table));
        let rows = items.iter().map(|item| {
            vec![
                item.day.map_or("round".to_string(), |d| d.to_string()),
                item.item.to_string(),
                item.quantity.to_string(),
                item.unit.to_string(),
                SHORT_CAUTION.to_string(),
            ]
        });
        Ok(set
            .write("kit.csv", |out| write_csv(out, &["day", "item", "quantity", "unit", "caution"], rows))?)
    }

    /// What is done at the stations of a day. One that is moved is taken up here; what it is armed
    /// with elsewhere belongs to the site that it goes to.
    fn load(&self, stations: &[usize]) -> DayLoad {
        let mut load = DayLoad::default();
        for &k in stations {
            match self.verdicts.task(&self.stations[k].what.station_id) {
                Task::Serve => load.armed += 1,
                Task::Lift | Task::Move => load.taken_up += 1,
                Task::Search => load.searched += 1,
                Task::Leave | Task::None => {}
            }
        }
        load
    }
}

fn kit_settings(table: &RoundTable) -> KitSettings {
    let (given, defaults) = (&table.kit, KitSettings::default());
    let or = |value: Option<NonNegative>, default: f64| value.map_or(default, NonNegative::get);
    KitSettings {
        heads_per_station: or(given.heads_per_station, defaults.heads_per_station),
        capsules_per_station: or(given.capsules_per_station, defaults.capsules_per_station),
        spare_rate: or(given.spare_rate, defaults.spare_rate),
        oil_ml_per_station: or(given.oil_ml_per_station, defaults.oil_ml_per_station),
        tags_per_station: or(given.tags_per_station, defaults.tags_per_station),
        crew: given.crew.unwrap_or(defaults.crew),
    }
}
