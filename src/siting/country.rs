//! What is known of the country around: cover, and numbers that the plan names.

use geo_types::{Geometry, MultiPolygon};

use super::candidate::Candidate;
use super::keep_out::KeepOuts;
use super::score::Part;
use crate::record::NumberedArea;

/// Cover close by: 1 inside a polygon of cover, falling off evenly to nothing at `reach_m`
/// of its edge, on the ellipsoid. The raw value is the distance in metres, 0 inside; without
/// any polygon it is not a number.
pub fn cover_part(
    candidates: &[Candidate],
    cover: &MultiPolygon<f64>,
    reach_m: f64,
    weight: f64,
    from: String,
) -> Part {
    let polygons: Vec<Geometry<f64>> = cover.iter().cloned().map(Geometry::Polygon).collect();
    let index = KeepOuts::of(&polygons.iter().map(|p| (p, 0.0)).collect::<Vec<_>>());
    let distance_m = |c: &Candidate| index.nearest(c.place).map_or(f64::NAN, |near| near.distance_m);
    let raw: Vec<f64> = candidates.iter().map(distance_m).collect();
    let fall = |metres: &f64| if reach_m > 0.0 { 1.0 - metres / reach_m } else { f64::from(*metres <= 0.0) };
    let value = raw.iter().map(|m| if m.is_nan() { 0.0 } else { fall(m).clamp(0.0, 1.0) }).collect();
    Part {
        name: "cover".to_string(),
        weight,
        unit: "metres to the nearest cover",
        from,
        by: Vec::new(),
        raw,
        value,
    }
}

/// How the numbers of a layer become values.
#[derive(Clone, PartialEq, Debug)]
pub struct LayerScale {
    /// The number that is worth nothing; the least where a station may stand if `None`.
    pub worst: Option<f64>,
    /// The number that is worth most; the greatest where a station may stand if `None`.
    pub best: Option<f64>,
    /// What stands for the number where there is none; such places are worth nothing if `None`.
    pub elsewhere: Option<f64>,
}

/// The number of each candidate's foot in a layer of polygons, that of the first polygon in
/// the file where they overlap; `None` where no polygon holds it.
pub fn numbers_at(candidates: &[Candidate], areas: &[NumberedArea]) -> Vec<Option<f64>> {
    let polygons: Vec<Geometry<f64>> =
        areas.iter().map(|a| Geometry::MultiPolygon(a.polygons.clone())).collect();
    let index = KeepOuts::of(&polygons.iter().map(|p| (p, 0.0)).collect::<Vec<_>>());
    let number = |c: &Candidate| index.holding(c.place).min().map(|of| areas[of as usize].number);
    candidates.iter().map(number).collect()
}

/// A layer of numbers: nothing at `worst`, all at `best`, evenly between and no more beyond.
/// Raw values are not a number where there is none.
pub fn layer_part(
    name: &str,
    weight: f64,
    from: String,
    candidates: &[Candidate],
    numbers: &[Option<f64>],
    scale: &LayerScale,
) -> Part {
    let known: Vec<Option<f64>> = numbers.iter().map(|n| n.or(scale.elsewhere)).collect();
    let standing = || (0..candidates.len()).filter(|&i| candidates[i].stands()).filter_map(|i| known[i]);
    let worst = scale.worst.or_else(|| standing().min_by(f64::total_cmp)).unwrap_or(0.0);
    let best = scale.best.or_else(|| standing().max_by(f64::total_cmp)).unwrap_or(0.0);
    let value = |number: &Option<f64>| match number {
        Some(n) if best != worst => ((n - worst) / (best - worst)).clamp(0.0, 1.0),
        _ => 0.0,
    };
    Part {
        name: name.to_string(),
        weight,
        unit: "number of the layer",
        by: Vec::new(),
        from,
        value: known.iter().map(value).collect(),
        raw: known.iter().map(|n| n.unwrap_or(f64::NAN)).collect(),
    }
}
