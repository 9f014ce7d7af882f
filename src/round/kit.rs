//! What to carry on a round.

/// What one station takes, and what the crew takes.
#[derive(Clone, PartialEq, Debug)]
pub struct KitSettings {
    /// Heads a station.
    pub heads_per_station: f64,
    /// Capsules a station.
    pub capsules_per_station: f64,
    /// Spare heads and capsules, as a share of those needed.
    pub spare_rate: f64,
    /// Millilitres of oil or lure a station.
    pub oil_ml_per_station: f64,
    /// Tags a station.
    pub tags_per_station: f64,
    /// People in the crew.
    pub crew: u32,
}

impl Default for KitSettings {
    /// One head, capsule and tag a station, 10 percent spare, 5 ml of oil, one person
    /// (common practice, no source).
    fn default() -> Self {
        Self {
            heads_per_station: 1.0,
            capsules_per_station: 1.0,
            spare_rate: 0.1,
            oil_ml_per_station: 5.0,
            tags_per_station: 1.0,
            crew: 1,
        }
    }
}

/// One line of the packing list.
#[derive(Clone, PartialEq, Debug)]
pub struct KitItem {
    /// The day, from 1; `None` for the whole round.
    pub day: Option<usize>,
    /// What it is.
    pub item: &'static str,
    /// How much, rounded up.
    pub quantity: u64,
    /// Of what.
    pub unit: &'static str,
}

/// The packing list of each day and of the round, from the number of stations of each day.
///
/// What is used up is counted by station, spares apart and at least one a day; what is
/// used again is counted by person, and once for the round.
pub fn kit(stations_per_day: &[usize], settings: &KitSettings) -> Vec<KitItem> {
    let mut items = Vec::new();
    for (day, &stations) in stations_per_day.iter().enumerate() {
        items.extend(kit_of(Some(day + 1), stations, settings));
    }
    let mut whole = kit_of(None, stations_per_day.iter().sum(), settings);
    // Each day takes its own spares: the round takes them all.
    for item in whole.iter_mut().filter(|item| item.unit != "each") {
        item.quantity = items.iter().filter(|i| i.item == item.item).map(|i| i.quantity).sum();
    }
    items.extend(whole);
    items
}

fn kit_of(day: Option<usize>, stations: usize, settings: &KitSettings) -> Vec<KitItem> {
    let needed = |per_station: f64| (stations as f64 * per_station - super::ROUNDING).ceil().max(0.0) as u64;
    let spare = |per_station: f64| match needed(per_station * settings.spare_rate) {
        0 if stations > 0 && settings.spare_rate > 0.0 && per_station > 0.0 => 1,
        spare => spare,
    };
    let crew = u64::from(settings.crew);
    let item = |item, quantity, unit| KitItem { day, item, quantity, unit };
    vec![
        item("heads", needed(settings.heads_per_station), "piece"),
        item("spare heads", spare(settings.heads_per_station), "piece"),
        item("capsules", needed(settings.capsules_per_station), "piece"),
        item("spare capsules", spare(settings.capsules_per_station), "piece"),
        item("oil", needed(settings.oil_ml_per_station), "ml"),
        item("tags", needed(settings.tags_per_station), "piece"),
        item("eye protection", crew, "each"),
        item("gloves", crew, "each"),
        item("setting tool", crew, "each"),
        item("container for capsules, lockable", 1, "each"),
        item("container for spent capsules", 1, "each"),
        item("first aid kit", 1, "each"),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_round_carries_what_its_days_carry() {
        let items = kit(&[10, 11], &KitSettings::default());
        let quantity = |day, name| items.iter().find(|i| i.day == day && i.item == name).unwrap().quantity;
        assert_eq!(quantity(Some(1), "capsules"), 10);
        assert_eq!(quantity(Some(1), "spare capsules"), 1);
        assert_eq!(quantity(Some(2), "spare capsules"), 2);
        assert_eq!(quantity(None, "capsules"), 21);
        assert_eq!(quantity(None, "spare capsules"), 3);
        assert_eq!(quantity(None, "gloves"), 1);
    }
}
