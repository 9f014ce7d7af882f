//! Geometry in well-known binary: ISO (1000 to 3999 for Z and M) and the extended flags of
//! older databases. Heights and measures are left out; curves and surfaces of triangles are
//! refused by name.

use geo_types::{
    Coord, Geometry, GeometryCollection, LineString, MultiLineString, MultiPoint, MultiPolygon, Point,
    Polygon,
};

use crate::files::RawShape;

/// How deep collections may be nested.
const MAX_DEPTH: usize = 32;

/// Room is made ahead for no more parts than this, whatever a nested count says.
const MOST_AHEAD: usize = 4096;

/// The shape in some bytes; broken, with the reason, where they hold none.
pub(super) fn shape(bytes: &[u8]) -> RawShape {
    match geometry(bytes) {
        Ok(Some(geometry)) => RawShape::Shape(geometry),
        Ok(None) => RawShape::Null,
        Err(why) => RawShape::Broken(why),
    }
}

/// Reads one geometry; `None` for an empty point.
///
/// # Errors
/// In words: cut short, a type that is not read.
fn geometry(bytes: &[u8]) -> Result<Option<Geometry<f64>>, String> {
    let mut cursor = Cursor { bytes, at: 0, little: true };
    cursor.geometry(0)
}

struct Cursor<'b> {
    bytes: &'b [u8],
    at: usize,
    little: bool,
}

impl Cursor<'_> {
    fn take<const N: usize>(&mut self) -> Result<[u8; N], String> {
        let part = self.bytes.get(self.at..self.at + N).and_then(|part| part.try_into().ok());
        self.at += N;
        part.ok_or_else(|| "has a geometry that is cut short".into())
    }

    fn u32(&mut self) -> Result<u32, String> {
        let bytes = self.take()?;
        Ok(if self.little { u32::from_le_bytes(bytes) } else { u32::from_be_bytes(bytes) })
    }

    fn f64(&mut self) -> Result<f64, String> {
        let bytes = self.take()?;
        Ok(if self.little { f64::from_le_bytes(bytes) } else { f64::from_be_bytes(bytes) })
    }

    fn coord(&mut self, extra: usize) -> Result<Coord<f64>, String> {
        let (x, y) = (self.f64()?, self.f64()?);
        for _ in 0..extra {
            self.f64()?;
        }
        Ok(Coord { x, y })
    }

    /// A counted list. The count is not trusted: no more room is taken than bytes are left.
    fn list<T>(&mut self, mut each: impl FnMut(&mut Self) -> Result<T, String>) -> Result<Vec<T>, String> {
        let count = self.u32()? as usize;
        let room = self.bytes.len().saturating_sub(self.at) / 4;
        let mut list = Vec::with_capacity(count.min(room).min(MOST_AHEAD));
        for _ in 0..count {
            list.push(each(self)?);
        }
        Ok(list)
    }

    fn line(&mut self, extra: usize) -> Result<LineString<f64>, String> {
        self.list(|c| c.coord(extra)).map(LineString)
    }

    fn polygon(&mut self, extra: usize) -> Result<Polygon<f64>, String> {
        let mut rings = self.list(|c| c.line(extra))?.into_iter();
        Ok(Polygon::new(rings.next().unwrap_or_else(|| LineString(Vec::new())), rings.collect()))
    }

    fn parts<T>(
        &mut self,
        depth: usize,
        pick: impl Fn(Geometry<f64>) -> Option<T>,
    ) -> Result<Vec<T>, String> {
        let parts = self.list(|c| c.geometry(depth + 1))?;
        parts
            .into_iter()
            .flatten()
            .map(|part| pick(part).ok_or_else(|| "has parts of another type than its own".to_string()))
            .collect()
    }

    fn geometry(&mut self, depth: usize) -> Result<Option<Geometry<f64>>, String> {
        if depth > MAX_DEPTH {
            return Err("has a geometry nested too deep".into());
        }
        let [order] = self.take()?;
        self.little = order != 0;
        let code = self.u32()?;
        let (flags, code) = (code >> 28, code & 0x0fff_ffff);
        if flags & 2 != 0 {
            self.u32()?; // the system of the extended form, which the table names as well
        }
        let dimensions = code / 1000;
        let extra = match (flags & 0b1100, dimensions) {
            (0, 0) => 0,
            (0, 1 | 2) | (0b0100 | 0b1000, 0) => 1,
            (0, 3) | (0b1100, 0) => 2,
            _ => return Err(format!("has a geometry of the unknown type {code}")),
        };
        Ok(Some(match code % 1000 {
            1 => {
                let c = self.coord(extra)?;
                if c.x.is_nan() && c.y.is_nan() {
                    return Ok(None);
                }
                Geometry::Point(Point(c))
            }
            2 => Geometry::LineString(self.line(extra)?),
            3 => Geometry::Polygon(self.polygon(extra)?),
            4 => Geometry::MultiPoint(MultiPoint(self.parts(depth, |g| Point::try_from(g).ok())?)),
            5 => Geometry::MultiLineString(MultiLineString(
                self.parts(depth, |g| LineString::try_from(g).ok())?,
            )),
            6 => Geometry::MultiPolygon(MultiPolygon(self.parts(depth, |g| Polygon::try_from(g).ok())?)),
            7 => Geometry::GeometryCollection(GeometryCollection::from(self.parts(depth, Some)?)),
            8..=12 => {
                return Err("has a curved geometry (an arc); make it straight lines in a GIS (\"convert to \
                            linear geometry\") and export again"
                    .into());
            }
            15..=17 => {
                return Err("is a surface of triangles, where points, lines or polygons are read".into());
            }
            other => return Err(format!("has a geometry of the unknown type {other}")),
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(hex: &str) -> Vec<u8> {
        (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
    }

    /// Shapely 2.1 (GEOS 3.13): `wkb.dumps(…, hex=True)`, plain, big-endian, and with Z in both
    /// forms.
    #[test]
    fn points_of_all_dialects_are_read() {
        let point = Geometry::Point(Point::new(1.0, 2.0));
        for hex in [
            "0101000000000000000000F03F0000000000000040",
            "00000000013FF00000000000004000000000000000",
            "0101000080000000000000F03F00000000000000400000000000000840",
            "01E9030000000000000000F03F00000000000000400000000000000840",
            "0101000020E6100000000000000000F03F0000000000000040",
        ] {
            assert_eq!(geometry(&bytes(hex)).unwrap(), Some(point.clone()), "{hex}");
        }
        assert_eq!(geometry(&bytes("0101000000000000000000F87F000000000000F87F")).unwrap(), None);
    }

    #[test]
    fn curves_and_cuts_are_refused() {
        assert!(geometry(&bytes("010800000000000000")).unwrap_err().contains("arc"));
        let whole = bytes("0101000000000000000000F03F0000000000000040");
        for end in 0..whole.len() {
            assert!(geometry(&whole[..end]).unwrap_err().contains("cut short"));
        }
        assert!(geometry(&bytes("0102000000ffffffff")).unwrap_err().contains("cut short"));
    }
}
