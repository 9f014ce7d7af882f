//! Hot areas: the smallest area that holds a share of the activity.

mod level;
mod rings;

use geo_types::MultiPolygon;

use super::{Surface, SurfaceError};

/// The smallest area that holds a share of the activity on a surface.
#[derive(Clone, PartialEq, Debug)]
pub struct HotArea {
    /// The share, in percent.
    pub mass_percent: f64,
    /// Density at its rim, in sign per km².
    pub density_per_km2: f64,
    /// Its polygons in frame metres: outer rings anticlockwise, holes clockwise, none
    /// touching itself or another.
    pub polygons: MultiPolygon<f64>,
    /// Cells whose centres lie inside.
    pub cells: usize,
}

/// The hot areas of a surface for some shares in percent, in their order.
///
/// The cells are taken from the densest on until they hold the share of the surface's
/// integral (highest density region: Hyndman 1996, Am. Stat. 50:120–126); cells of one value
/// belong together. The rim lies at the level halfway between the last cell taken and the
/// next. A surface without mass has empty hot areas.
///
/// Cost: three passes over the cells for all shares, and one for each. Memory: the rims.
///
/// # Errors
/// [`SurfaceError::Percent`] for a share that is not above 0 and below 100.
pub fn hot_areas(surface: &Surface, mass_percents: &[f64]) -> Result<Vec<HotArea>, SurfaceError> {
    for &mass_percent in mass_percents {
        if !(mass_percent > 0.0 && mass_percent < 100.0) {
            return Err(SurfaceError::Percent { mass_percent });
        }
    }
    let levels = level::levels(&surface.values, mass_percents);
    let area = |(&mass_percent, found): (&f64, Option<level::Level>)| match found {
        Some(found) => HotArea {
            mass_percent,
            density_per_km2: found.level,
            polygons: rings::above(surface, found.level),
            cells: found.cells,
        },
        None => HotArea { mass_percent, density_per_km2: 0.0, polygons: MultiPolygon(Vec::new()), cells: 0 },
    };
    Ok(mass_percents.iter().zip(levels).map(area).collect())
}
