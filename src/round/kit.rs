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

/// The stations of a day, by what is done there.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct DayLoad {
    /// Stations to be armed.
    pub armed: usize,
    /// Stations to be taken up.
    pub taken_up: usize,
    /// Stations where something is searched for.
    pub searched: usize,
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

/// The packing list of each day and of the round, from the stations of each day.
///
/// What is used up is counted by station that is to be armed, spares apart and at least one a day; what
/// is used again is counted by person, and once for the round. What is taken up or searched for
/// needs no dose, and has a kit of its own.
pub fn kit(days: &[DayLoad], settings: &KitSettings) -> Vec<KitItem> {
    let mut items = Vec::new();
    let mut all = DayLoad::default();
    for (day, load) in days.iter().enumerate() {
        items.extend(kit_of(Some(day + 1), load, settings));
        all.armed += load.armed;
        all.taken_up += load.taken_up;
        all.searched += load.searched;
    }
    let mut whole = kit_of(None, &all, settings);
    // Each day takes its own spares: the round takes them all.
    for item in whole.iter_mut().filter(|item| item.unit != "each") {
        item.quantity = items.iter().filter(|i| i.item == item.item).map(|i| i.quantity).sum();
    }
    items.extend(whole);
    items
}

fn kit_of(day: Option<usize>, load: &DayLoad, settings: &KitSettings) -> Vec<KitItem> {
    let armed = load.armed;
    let needed = |per_station: f64| (armed as f64 * per_station - super::ROUNDING).ceil().max(0.0) as u64;
    let spare = |per_station: f64| match needed(per_station * settings.spare_rate) {
        0 if armed > 0 && settings.spare_rate > 0.0 && per_station > 0.0 => 1,
        spare => spare,
    };
    let crew = u64::from(settings.crew);
    let item = |item, quantity, unit| KitItem { day, item, quantity, unit };
    let mut items = vec![
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
        item("water and soap for washing hands", 1, "each"),
        item("drinking water", crew, "each"),
        item("warning signs", 1, "each"),
        item("radio or beacon", 1, "each"),
        item("product label, safety data sheet and permit", 1, "each"),
        item("bags for carcasses and waste, and ties", 1, "each"),
        item("check log and pen", 1, "each"),
    ];
    if load.taken_up > 0 {
        items.push(item("bag with a label for a station taken up", load.taken_up as u64, "piece"));
        items.push(item("container for doses taken up, lockable", 1, "each"));
    }
    if load.searched > 0 {
        items.push(item("rake, torch and marking tape for a search", 1, "each"));
    }
    items
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_round_carries_what_its_days_carry() {
        let armed = |armed| DayLoad { armed, ..DayLoad::default() };
        let items = kit(&[armed(10), armed(11)], &KitSettings::default());
        let quantity = |day, name| items.iter().find(|i| i.day == day && i.item == name).unwrap().quantity;
        assert_eq!(quantity(Some(1), "capsules"), 10);
        assert_eq!(quantity(Some(1), "spare capsules"), 1);
        assert_eq!(quantity(Some(2), "spare capsules"), 2);
        assert_eq!(quantity(None, "capsules"), 21);
        assert_eq!(quantity(None, "spare capsules"), 3);
        assert_eq!(quantity(None, "gloves"), 1);
    }

    #[test]
    fn what_is_only_taken_up_takes_no_dose_along_and_has_bags_of_its_own() {
        let items = kit(&[DayLoad { armed: 0, taken_up: 3, searched: 1 }], &KitSettings::default());
        let of =
            |name: &str| items.iter().find(|i| i.day.is_none() && i.item.contains(name)).unwrap().quantity;
        assert_eq!((of("heads"), of("capsules"), of("spare capsules"), of("oil")), (0, 0, 0, 0));
        assert_eq!((of("taken up"), of("doses taken up"), of("search")), (3, 1, 1));
        assert!(
            kit(&[DayLoad::default()], &KitSettings::default()).iter().all(|i| !i.item.contains("taken up"))
        );
    }
}
