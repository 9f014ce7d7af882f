//! Hot areas: the smallest area that holds a share of the activity.

use contour::ContourBuilder;
use geo_types::{Coord, LineString, MultiPolygon, Polygon};

use super::{Surface, SurfaceError};

/// The smallest area that holds a share of the activity on a surface.
#[derive(Clone, PartialEq, Debug)]
pub struct HotArea {
    /// The share, in percent.
    pub mass_percent: f64,
    /// Density at its rim, in sign per km².
    pub density_per_km2: f64,
    /// Its polygons in frame metres, outer rings anticlockwise.
    pub polygons: MultiPolygon<f64>,
    /// Cells whose centres lie inside.
    pub cells: usize,
}

/// The hot areas of a surface for some shares in percent, in their order.
///
/// The cells are taken from the densest on until they hold the share of the surface's
/// integral (highest density region: Hyndman 1996); the rim is the level halfway between
/// the last cell taken and the next, followed by marching squares with linear
/// interpolation. A surface without mass has empty hot areas.
///
/// # Errors
/// [`SurfaceError::Percent`] for a share that is not above 0 and below 100.
pub fn hot_areas(surface: &Surface, mass_percents: &[f64]) -> Result<Vec<HotArea>, SurfaceError> {
    for &mass_percent in mass_percents {
        if !(mass_percent > 0.0 && mass_percent < 100.0) {
            return Err(SurfaceError::Percent { mass_percent });
        }
    }
    let mut sorted: Vec<f32> = surface.values.iter().copied().filter(|&v| v > 0.0).collect();
    sorted.sort_unstable_by(|a, b| b.total_cmp(a));
    let total: f64 = sorted.iter().map(|&v| f64::from(v)).sum();
    Ok(mass_percents.iter().map(|&percent| hot_area(surface, &sorted, total, percent)).collect())
}

fn hot_area(surface: &Surface, sorted: &[f32], total: f64, mass_percent: f64) -> HotArea {
    let wanted = total * mass_percent / 100.0;
    let mut held = 0.0;
    let mut cells = 0;
    while cells < sorted.len() && held < wanted {
        held += f64::from(sorted[cells]);
        cells += 1;
    }
    let Some(&last) = cells.checked_sub(1).and_then(|k| sorted.get(k)) else {
        return HotArea { mass_percent, density_per_km2: 0.0, polygons: MultiPolygon(Vec::new()), cells: 0 };
    };
    // Cells of one value belong together.
    cells += sorted[cells..].iter().take_while(|&&v| v == last).count();
    let next = sorted.get(cells).copied().unwrap_or(0.0);
    let level = 0.5 * (f64::from(last) + f64::from(next));
    HotArea { mass_percent, density_per_km2: level, polygons: above(surface, level), cells }
}

/// Where the surface lies above a level.
fn above(surface: &Surface, level: f64) -> MultiPolygon<f64> {
    let grid = &surface.grid;
    // A rim of zeros closes every ring.
    let (columns, rows) = (grid.columns + 2, grid.rows + 2);
    let mut padded = vec![0.0_f64; columns * rows];
    for (row, values) in surface.values.chunks(grid.columns).enumerate() {
        let out = &mut padded[(row + 1) * columns + 1..][..grid.columns];
        out.iter_mut().zip(values).for_each(|(o, &v)| *o = if v.is_nan() { 0.0 } else { f64::from(v) });
    }
    let contours = ContourBuilder::new(columns, rows, true).contours(&padded, &[level]);
    let Some(contour) = contours.ok().and_then(|mut contours| contours.pop()) else {
        return MultiPolygon(Vec::new());
    };
    let (polygons, _) = contour.into_inner();
    let to_frame = |c: &Coord<f64>| Coord {
        x: grid.west_m + (c.x - 1.0) * grid.cell_m,
        y: grid.north_m - (c.y - 1.0) * grid.cell_m,
    };
    let ring = |ring: &LineString<f64>| LineString(ring.0.iter().map(to_frame).collect());
    MultiPolygon(
        polygons
            .0
            .iter()
            .map(|p| {
                use geo::orient::{Direction, Orient};
                Polygon::new(ring(p.exterior()), p.interiors().iter().map(ring).collect())
                    .orient(Direction::Default)
            })
            .collect(),
    )
}
