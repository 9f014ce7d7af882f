//! Where the cells of a GeoTIFF lie, and in which coordinate system.

use std::fmt;

use tiff_reader::Ifd;

use crate::frame::{Frame, FrameError, GroundPoint, LonLat};

const TAG_PIXEL_SCALE: u16 = 33550;
const TAG_TIEPOINT: u16 = 33922;
const TAG_TRANSFORMATION: u16 = 34264;
const TAG_KEYS: u16 = 34735;
const KEY_MODEL_TYPE: u16 = 1024;
const KEY_RASTER_TYPE: u16 = 1025;
const KEY_GEOGRAPHIC: u16 = 2048;
const KEY_ANGULAR_UNIT: u16 = 2054;
const KEY_PROJECTED: u16 = 3072;
const KEY_LINEAR_UNIT: u16 = 3076;
const KEY_VERTICAL_UNIT: u16 = 4099;
const USER_DEFINED: u16 = 32767;

/// Geographic systems whose longitude and latitude are WGS84's to within two metres: WGS84,
/// GDA94, GDA2020, NZGD2000, NAD83 and its 2011 realisation, ETRS89, SIRGAS 2000.
const LIKE_WGS84: [u16; 8] = [4326, 4283, 7844, 4167, 4269, 6318, 4258, 4674];

/// Where cells lie in the numbers of a coordinate system: cell `(row, column)` reaches from
/// `west + column · cell_x` to one further, and likewise from `north` down.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Placement {
    /// The western edge.
    pub west: f64,
    /// The northern edge.
    pub north: f64,
    /// Width of a cell, more than 0.
    pub cell_x: f64,
    /// Height of a cell, more than 0.
    pub cell_y: f64,
    /// Whether the numbers are longitude and latitude.
    pub(super) in_degrees: bool,
    /// Whether the file holds its rows from south to north.
    pub(super) south_up: bool,
}

impl Placement {
    /// Column and row of a place, with the share of the cell passed; whole numbers are edges.
    /// In degrees, a place west of the raster is looked for one turn on.
    pub(super) fn cell_of(&self, x: f64, y: f64) -> (f64, f64) {
        let x = if self.in_degrees && x < self.west { x + 360.0 } else { x };
        ((x - self.west) / self.cell_x, (self.north - y) / self.cell_y)
    }

    pub(super) fn starting_at(self, row: usize, column: usize) -> Self {
        Self {
            west: self.west + column as f64 * self.cell_x,
            north: self.north - row as f64 * self.cell_y,
            ..self
        }
    }

    pub(super) fn words(&self, rows: usize, columns: usize) -> String {
        format!(
            "x {} to {} and y {} to {}",
            self.west,
            self.west + columns as f64 * self.cell_x,
            self.north - rows as f64 * self.cell_y,
            self.north
        )
    }
}

/// The coordinate system of a raster.
pub enum RasterSystem {
    /// Longitude and latitude in degrees, WGS84 to within two metres; the EPSG code.
    Degrees(u32),
    /// Projected, in metres.
    Metres(Box<Frame>),
}

impl RasterSystem {
    /// The numbers of a place in this system; nothing where it cannot hold it.
    pub fn of(&self, at: LonLat) -> Option<(f64, f64)> {
        match self {
            RasterSystem::Degrees(_) => Some((at.lon_deg(), at.lat_deg())),
            RasterSystem::Metres(frame) => frame.to_ground(at).ok().map(|p| (p.x_m, p.y_m)),
        }
    }

    /// The place of numbers in this system.
    ///
    /// # Errors
    /// [`FrameError`] for numbers that are no place.
    pub fn place(&self, x: f64, y: f64) -> Result<LonLat, FrameError> {
        match self {
            RasterSystem::Degrees(_) => {
                LonLat::new(if x > 180.0 { x - 360.0 } else { x }, y.clamp(-90.0, 90.0))
            }
            RasterSystem::Metres(frame) => frame.to_lonlat(GroundPoint::new(x, y)),
        }
    }

    /// The EPSG code.
    pub fn epsg(&self) -> u32 {
        match self {
            RasterSystem::Degrees(epsg) => *epsg,
            RasterSystem::Metres(frame) => frame.epsg(),
        }
    }
}

impl fmt::Debug for RasterSystem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "EPSG:{}", self.epsg())
    }
}

/// Placement and system of an image.
pub(super) fn of(image: &Ifd, rows: usize) -> Result<(Placement, RasterSystem), String> {
    let keys = Keys::of(image)?;
    let placement = placement(image, keys.get(KEY_RASTER_TYPE) == Some(2), rows)?;
    let system = system(&keys)?;
    Ok((Placement { in_degrees: matches!(system, RasterSystem::Degrees(_)), ..placement }, system))
}

/// Metres in one unit of height, from the vertical unit key.
pub(super) fn height_unit_m(image: &Ifd) -> Option<f64> {
    match Keys::of(image).ok()?.get(KEY_VERTICAL_UNIT)? {
        9001 => Some(1.0),
        9002 => Some(0.3048),
        9003 => Some(1200.0 / 3937.0),
        _ => None,
    }
}

fn placement(image: &Ifd, point: bool, rows: usize) -> Result<Placement, String> {
    let numbers = |code: u16| image.tag(code).and_then(|tag| tag.value.as_f64_vec());
    let (x0, y0, dx, dy) = if let Some(m) = numbers(TAG_TRANSFORMATION) {
        let &[a, b, _, d, e, f, _, h, ..] = m.as_slice() else {
            return Err("has a transformation that is cut short".into());
        };
        if b != 0.0 || e != 0.0 {
            return Err(
                "is turned or sheared against its coordinate system; warp it to one that is north up".into(),
            );
        }
        (d, h, a, f)
    } else {
        let (Some(scale), Some(tie)) = (numbers(TAG_PIXEL_SCALE), numbers(TAG_TIEPOINT)) else {
            return Err("does not say where its cells lie (no tie point and pixel scale)".into());
        };
        let (&[dx, dy, ..], &[column, row, _, x, y, _]) = (scale.as_slice(), tie.as_slice()) else {
            return Err("is placed by several tie points; warp it to a raster that is north up".into());
        };
        (x - column * dx, y + row * dy, dx, -dy)
    };
    let half = if point { 0.5 } else { 0.0 };
    placed([x0 - half * dx, y0 - half * dy], [dx, dy], rows)
}

/// Cells of a size, upward or downward from a corner.
pub(super) fn placed([west, first]: [f64; 2], [dx, dy]: [f64; 2], rows: usize) -> Result<Placement, String> {
    if !(dx > 0.0 && dy != 0.0 && [west, first, dx, dy].iter().all(|n| n.is_finite())) {
        return Err(format!("has cells of {dx} by {dy}, which cannot be placed"));
    }
    let south_up = dy > 0.0;
    let north = if south_up { first + rows as f64 * dy } else { first };
    Ok(Placement { west, north, cell_x: dx, cell_y: dy.abs(), in_degrees: false, south_up })
}

fn system(keys: &Keys) -> Result<RasterSystem, String> {
    if let Some(code) = keys.get(KEY_PROJECTED).filter(|&code| code != USER_DEFINED) {
        if keys.get(KEY_LINEAR_UNIT).is_some_and(|unit| unit != 9001) {
            return Err(format!("is in EPSG:{code} with units that are not metres; warp it to metres"));
        }
        return system_of(code, false);
    }
    let geographic = keys.get(KEY_GEOGRAPHIC).filter(|_| keys.get(KEY_MODEL_TYPE) != Some(1));
    match geographic {
        Some(_) if keys.get(KEY_ANGULAR_UNIT).is_some_and(|unit| unit != 9102) => {
            Err("is in a geographic system whose unit is not the degree".into())
        }
        Some(code) if code != USER_DEFINED => system_of(code, true),
        _ => {
            Err("does not name its coordinate system by an EPSG code; warp it to one that has a code".into())
        }
    }
}

/// The system of an EPSG code, in degrees or in metres.
pub(super) fn system_of(code: u16, in_degrees: bool) -> Result<RasterSystem, String> {
    if !in_degrees {
        let frame = Frame::from_epsg(code.into()).map_err(|e| format!("is in {e}"))?;
        return Ok(RasterSystem::Metres(Box::new(frame)));
    }
    match LIKE_WGS84.contains(&code) {
        true => Ok(RasterSystem::Degrees(code.into())),
        false => Err(format!("is in EPSG:{code}, whose datum is not known here; warp it to EPSG:4326")),
    }
}

/// The short values of the GeoKey directory.
struct Keys(Vec<(u16, u16)>);

impl Keys {
    fn of(image: &Ifd) -> Result<Self, String> {
        let missing = "does not say which coordinate system it is in (no GeoKeys)";
        let directory = image.tag(TAG_KEYS).and_then(|t| t.value.as_u16_slice()).ok_or(missing)?;
        // Four numbers a key: id, where its value lies (0 for here), count, value.
        let entries = directory.as_chunks().0.iter().skip(1);
        Ok(Self(entries.filter(|[_, at, _, _]| *at == 0).map(|&[id, _, _, value]| (id, value)).collect()))
    }

    fn get(&self, key: u16) -> Option<u16> {
        self.0.iter().find(|(id, _)| *id == key).map(|(_, value)| *value)
    }
}
