//! A surface for each animal, where the sign of several is taken together.

use serde_json::{Value, json};

use super::SurfaceDone;
use super::settings::{most_values, weights_of};
use super::write::{Of, write_hot_areas, write_tif};
use crate::files::OutputSet;
use crate::job::choose;
use crate::record::Animal;
use crate::steps::sign::choice_of;
use crate::steps::smoothing::request;
use crate::steps::{Desk, Outcome, StepError};
use crate::surface::{Surface, WeightSettings, WeightedPoint, density_within, weigh};

/// Characters of an animal's name that go into the name of a file.
const NAME_LENGTH: usize = 40;

/// What there is to tell of the surface of one animal.
pub(super) struct OfAnimal {
    /// Whose sign it is.
    pub animal: Animal,
    /// The points it is made of.
    pub points: Vec<WeightedPoint>,
    /// Its member in `activity.json`.
    pub summary: Value,
}

/// Computes and writes `activity-ANIMAL.tif` and `hot-areas-ANIMAL.geojson` for each animal
/// of the chosen sign, where there are several. Grid, bandwidth, edge and the day from which
/// ages count are those of all the sign together, so that the surfaces compare; sign without
/// an animal is in none of them.
pub(super) fn each_animal(
    desk: &Desk,
    done: &SurfaceDone,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<Vec<OfAnimal>, StepError> {
    let chosen = choose(&desk.job.records, &choice_of(desk.plan));
    if chosen.animals.len() < 2 {
        return Ok(Vec::new());
    }
    let weights = WeightSettings { as_of: done.weighed.as_of, ..weights_of(desk)? };
    let most_values = most_values(&desk.plan.surface);
    let mut made: Vec<OfAnimal> = Vec::new();
    for (animal, name) in chosen.animals.iter().zip(file_names(&chosen.animals)) {
        let of_it = chosen.records.iter().copied().filter(|r| r.what.animal.as_ref() == Some(animal));
        let records: Vec<_> = of_it.collect();
        let points = weigh(&records, &weights).points;
        let Surface { grid, settings, .. } = &done.surface;
        let surface = density_within(&points, grid, *settings, done.window.as_ref(), most_values)
            .map_err(|e| request(desk, e))?;
        let of = Of { suffix: &format!("-{name}"), words: &format!(" of {animal}") };
        write_tif(desk, &surface, of, set)?;
        if surface.peak_per_km2 > 0.0 {
            write_hot_areas(desk, &surface, of, set, outcome)?;
        }
        let summary = json!({
            "animal": animal.word(),
            "file": format!("activity-{name}.tif"),
            "records": points.len(),
            "outside": surface.outside,
            "sum_of_weights": surface.sum_of_weights,
            "integral": surface.integral,
            "peak": surface.peak_per_km2,
        });
        made.push(OfAnimal { animal: animal.clone(), points, summary });
    }
    Ok(made)
}

/// Names for files, all different: letters and digits as they are, dashes for the rest.
fn file_names(animals: &[Animal]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for animal in animals {
        let plain = |c: char| if c.is_alphanumeric() { c } else { '-' };
        let name: String = animal.word().chars().map(plain).take(NAME_LENGTH).collect();
        let mut free = name.clone();
        let mut number = 2;
        while names.contains(&free) {
            free = format!("{name}-{number}");
            number += 1;
        }
        names.push(free);
    }
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_files_differ_and_hold_no_path() {
        let animals = ["dog", "../fox", "a b", "a/b", "feral pig"].map(Animal::from_word);
        assert_eq!(file_names(&animals), ["dog", "---fox", "a-b", "a-b-2", "feral-pig"]);
    }
}
