//! A raster as a picture that lies right on a Web Mercator map: every pixel is looked up
//! through the projection, none is placed by the corners alone.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use serde_json::{Value, json};

use super::Patch;
use crate::frame::{Frame, GroundPoint, LonLat};
use crate::surface::Grid;

/// Longest side of a picture in pixels.
const LONGEST: usize = 1400;

/// Bands of a legend.
pub const BANDS: usize = 10;

/// A raster in the job's frame.
#[derive(Clone, PartialEq, Debug)]
pub struct Field {
    /// Where the cells lie.
    pub grid: Grid,
    /// The cells from the north-west, row by row; NaN where there is no value.
    pub values: Vec<f32>,
}

/// How values become colours.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Ramp {
    /// From nothing to `peak`: bands of equal width in the square root, the lowest clear.
    Rising {
        /// The value at the top.
        peak: f64,
    },
    /// From `-reach` to `reach`, clear in the middle.
    Parting {
        /// The value at either end.
        reach: f64,
    },
}

impl Ramp {
    /// The lower edges of the bands above the first, rising.
    pub fn edges(self) -> Vec<f64> {
        let bands = BANDS as f64;
        match self {
            Ramp::Rising { peak } => (1..BANDS).map(|k| peak * (k as f64 / bands).powi(2)).collect(),
            Ramp::Parting { reach } => {
                (1..BANDS).map(|k| reach * (2.0 * k as f64 / bands - 1.0)).filter(|&e| e != 0.0).collect()
            }
        }
    }

    /// Colour of each band from the lowest: red, green, blue, opacity.
    pub fn colours(self) -> Vec<[u8; 4]> {
        match self {
            Ramp::Rising { .. } => shades(&RISING, BANDS),
            Ramp::Parting { .. } => shades(&PARTING, self.edges().len() + 1),
        }
    }

    /// The legend: colour and range of each band.
    pub fn legend(self) -> Value {
        let edges = self.edges();
        let bands = self.colours().into_iter().enumerate().map(|(k, [r, g, b, a])| {
            let from = k.checked_sub(1).and_then(|k| edges.get(k));
            json!({ "colour": [r, g, b, a], "from": from, "to": edges.get(k) })
        });
        bands.collect()
    }
}

/// Sand to oxblood: rises in darkness all the way, so it reads in grey and to every kind of
/// colour vision.
const RISING: [[u8; 4]; 6] = [
    [255, 243, 205, 0],
    [252, 227, 160, 170],
    [246, 190, 92, 205],
    [225, 134, 48, 220],
    [176, 74, 32, 228],
    [94, 22, 28, 235],
];

/// Slate blue for less, rust for more, clear between: a pair that the common kinds of colour
/// vision tell apart.
const PARTING: [[u8; 4]; 5] =
    [[24, 66, 120, 230], [128, 165, 205, 190], [245, 245, 240, 0], [232, 160, 96, 190], [150, 48, 20, 230]];

fn shades(stops: &[[u8; 4]], count: usize) -> Vec<[u8; 4]> {
    (0..count)
        .map(|k| {
            let at = k as f64 / (count.max(2) - 1) as f64 * (stops.len() - 1) as f64;
            let low = (at.floor() as usize).min(stops.len() - 2);
            let t = at - low as f64;
            std::array::from_fn(|c| {
                let (a, b) = (f64::from(stops[low][c]), f64::from(stops[low + 1][c]));
                (a + t * (b - a)).round() as u8
            })
        })
        .collect()
}

/// A picture in Web Mercator with its place.
#[derive(Clone, PartialEq, Debug)]
pub struct Picture {
    /// West, south, east, north of its edges in degrees.
    pub span: [f64; 4],
    /// Pixels across and down.
    pub size: (usize, usize),
    /// The band of each pixel from the north-west, row by row; the last number is no value.
    pub bands: Vec<u8>,
    /// What the bands mean.
    pub ramp: Ramp,
}

impl Picture {
    /// Warps a raster. `None` where the raster is empty or its projection has no inverse there.
    pub fn warp(frame: &Frame, field: &Field, ramp: Ramp) -> Option<Self> {
        let span = lonlat_span(frame, &field.grid)?;
        let to_ground = |lon, lat| {
            let p = frame.to_ground(LonLat::new(lon, lat).ok()?).ok()?;
            Some((p.x_m, p.y_m))
        };
        let patch = Patch::fit(span, to_ground)?;
        let (top, bottom) = (mercator(span[3]), mercator(span[1]));
        let shape = (span[2] - span[0]).to_radians() / (top - bottom);
        // Fine enough that the edges of bands are smooth lines and not the outlines of cells.
        let finest = 5 * field.grid.columns.max(field.grid.rows);
        let longest = LONGEST.min(finest.max(64)) as f64;
        let (width, height) =
            if shape >= 1.0 { (longest, longest / shape) } else { (longest * shape, longest) };
        let (width, height) = (width.ceil().max(1.0) as usize, height.ceil().max(1.0) as usize);
        let edges = ramp.edges();
        let none = edges.len() as u8 + 1;
        let mut bands = Vec::with_capacity(width * height);
        for row in 0..height {
            let level = patch.level(latitude(top + (row as f64 + 0.5) / height as f64 * (bottom - top)));
            for column in 0..width {
                let lon = span[0] + (column as f64 + 0.5) / width as f64 * (span[2] - span[0]);
                let (x, y) = level.at(lon);
                let value = field.at(GroundPoint::new(x, y));
                bands.push(value.map_or(none, |v| edges.partition_point(|e| *e <= v) as u8));
            }
        }
        Some(Self { span, size: (width, height), bands, ramp })
    }

    /// As a PNG with a palette.
    pub fn png(&self) -> Vec<u8> {
        let mut colours = self.ramp.colours();
        colours.push([0, 0, 0, 0]);
        let mut out = Vec::new();
        let mut encoder = png::Encoder::new(&mut out, self.size.0 as u32, self.size.1 as u32);
        encoder.set_color(png::ColorType::Indexed);
        encoder.set_depth(png::BitDepth::Four);
        encoder.set_palette(colours.iter().flat_map(|c| [c[0], c[1], c[2]]).collect::<Vec<u8>>());
        encoder.set_trns(colours.iter().map(|c| c[3]).collect::<Vec<u8>>());
        encoder.set_compression(png::Compression::High);
        // Writing to memory fails only for sizes and palettes that `warp` does not make.
        if let Ok(mut writer) = encoder.write_header() {
            let _ = writer.write_image_data(&self.packed());
        }
        out
    }

    /// As a data URI.
    pub fn data_uri(&self) -> String {
        format!("data:image/png;base64,{}", BASE64_STANDARD.encode(self.png()))
    }

    /// Two pixels a byte, each row begun anew, as PNG wants them.
    fn packed(&self) -> Vec<u8> {
        let pair = |two: &[u8]| two[0] << 4 | two.get(1).copied().unwrap_or(0);
        self.bands.chunks(self.size.0).flat_map(|row| row.chunks(2).map(pair)).collect()
    }
}

impl Field {
    /// The value at a point: bilinear between cell centres where all four have one, else that
    /// of the cell it lies in.
    pub fn at(&self, p: GroundPoint) -> Option<f64> {
        let grid = &self.grid;
        let (column, row) = ((p.x_m - grid.west_m) / grid.cell_m, (grid.north_m - p.y_m) / grid.cell_m);
        if !(column >= 0.0 && row >= 0.0 && column < grid.columns as f64 && row < grid.rows as f64) {
            return None;
        }
        let own = self.cell(row as usize, column as usize)?;
        let (u, v) = (column - 0.5, row - 0.5);
        if u < 0.0 || v < 0.0 {
            return Some(own);
        }
        let (i, j) = (v as usize, u as usize);
        let (s, t) = (u.fract(), v.fract());
        let four = (self.cell(i, j), self.cell(i, j + 1), self.cell(i + 1, j), self.cell(i + 1, j + 1));
        let (Some(nw), Some(ne), Some(sw), Some(se)) = four else { return Some(own) };
        Some((nw * (1.0 - s) + ne * s) * (1.0 - t) + (sw * (1.0 - s) + se * s) * t)
    }

    /// The greatest value; 0 where there is none.
    pub fn peak(&self) -> f64 {
        self.values.iter().filter(|v| v.is_finite()).fold(0.0, |a, v| f64::max(a, f64::from(*v)))
    }

    fn cell(&self, row: usize, column: usize) -> Option<f64> {
        if column >= self.grid.columns {
            return None;
        }
        let value = *self.values.get(row * self.grid.columns + column)?;
        value.is_finite().then_some(f64::from(value))
    }
}

/// The box in degrees that holds a grid, from points along its edges.
fn lonlat_span(frame: &Frame, grid: &Grid) -> Option<[f64; 4]> {
    let (east_m, south_m) =
        (grid.west_m + grid.columns as f64 * grid.cell_m, grid.north_m - grid.rows as f64 * grid.cell_m);
    let mut span = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    for k in 0..=32 {
        let t = f64::from(k) / 32.0;
        let (x, y) = (grid.west_m + t * (east_m - grid.west_m), south_m + t * (grid.north_m - south_m));
        for (x, y) in [(x, south_m), (x, grid.north_m), (grid.west_m, y), (east_m, y)] {
            let at = frame.to_lonlat(GroundPoint::new(x, y)).ok()?;
            span[0] = span[0].min(at.lon_deg());
            span[1] = span[1].min(at.lat_deg());
            span[2] = span[2].max(at.lon_deg());
            span[3] = span[3].max(at.lat_deg());
        }
    }
    (span[2] > span[0] && span[3] > span[1]).then_some(span)
}

/// Northing of a latitude in degrees on a Web Mercator map of radius 1.
fn mercator(lat_deg: f64) -> f64 {
    lat_deg.to_radians().tan().asinh()
}

fn latitude(mercator: f64) -> f64 {
    mercator.sinh().atan().to_degrees()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A raster where four cells alone have a high value, each one in from a corner, so that
    /// what is seen of it lies evenly about its centre.
    fn corners(columns: usize, rows: usize) -> Field {
        let grid = Grid { west_m: 500_000.0 + 120_000.0, north_m: 5_700_000.0, cell_m: 50.0, columns, rows };
        let mut values = vec![1.0_f32; columns * rows];
        for (row, column) in [(1, 1), (1, columns - 2), (rows - 2, 1), (rows - 2, columns - 2)] {
            values[row * columns + column] = 100.0;
        }
        Field { grid, values }
    }

    #[test]
    fn the_corners_of_the_raster_lie_where_the_projection_puts_them() {
        let frame = Frame::from_epsg(32755).unwrap();
        let field = corners(300, 200);
        let picture = Picture::warp(&frame, &field, Ramp::Rising { peak: 100.0 }).unwrap();
        let [west, south, east, north] = picture.span;
        let (top, bottom) = (mercator(north), mercator(south));
        let cell_px = picture.size.0 as f64 / 300.0;
        for (row, column) in [(1, 1), (1, 298), (198, 1), (198, 298)] {
            // The pixel that a Web Mercator map shows where the cell's centre lies.
            let at = frame.to_lonlat(field.grid.centre(row, column)).unwrap();
            let x = (at.lon_deg() - west) / (east - west) * picture.size.0 as f64;
            let y = (top - mercator(at.lat_deg())) / (top - bottom) * picture.size.1 as f64;
            // The middle of all pixels that show the corner's peak.
            let mut seen = Vec::new();
            for (k, band) in picture.bands.iter().enumerate() {
                let (px, py) = ((k % picture.size.0) as f64 + 0.5, (k / picture.size.0) as f64 + 0.5);
                if (3..BANDS as u8).contains(band) && (px - x).hypot(py - y) < 1.4 * cell_px {
                    seen.push((px, py));
                }
            }
            assert!(!seen.is_empty(), "corner {row} {column} is not in the picture");
            let n = seen.len() as f64;
            let (mx, my) =
                (seen.iter().map(|p| p.0).sum::<f64>() / n, seen.iter().map(|p| p.1).sum::<f64>() / n);
            assert!((mx - x).hypot(my - y) < 1.0, "corner {row} {column}: {mx} {my} for {x} {y}");
        }
    }

    #[test]
    fn no_value_is_clear_and_bands_rise() {
        let ramp = Ramp::Rising { peak: 4.0 };
        assert_eq!(ramp.edges().len() + 1, ramp.colours().len());
        assert!((ramp.edges()[4] - 1.0).abs() < 1e-12);
        let darkness: Vec<i32> =
            ramp.colours().iter().map(|c| -c[..3].iter().map(|&v| i32::from(v)).sum::<i32>()).collect();
        assert!(darkness.windows(2).all(|w| w[0] < w[1]));
    }
}
