//! The old member `crs` (GeoJSON 2008, section 3), which RFC 7946 has dropped: files that are not in
//! longitude and latitude still say so with it.

use serde_json::Value;

use crate::frame::{FrameError, System};

/// The system that a member `crs` names; nothing for null.
///
/// # Errors
/// In words: a system that is not known, or a member that names none.
pub(super) fn system_of(crs: &Value) -> Result<Option<System>, String> {
    let code =
        crs.pointer("/properties/code").and_then(Value::as_u64).and_then(|code| u32::try_from(code).ok());
    let name = crs.as_str().or_else(|| crs.pointer("/properties/name").and_then(Value::as_str));
    let system = match (crs, name, code) {
        (Value::Null, ..) => return Ok(None),
        (_, Some(name), _) => named(name),
        (_, None, Some(epsg)) => System::from_epsg(epsg),
        _ => {
            return Err(format!(
                "has a member \"crs\" that names no system ({crs}); take it out if the file is in longitude and \
                 latitude on WGS84, or name the system as in {{\"type\": \"name\", \"properties\": {{\"name\": \
                 \"EPSG:28355\"}}}}"
            ));
        }
    };
    system.map(Some).map_err(|why| why.to_string())
}

/// What is wrong with a member `crs` that stands in one feature or geometry, if anything is: the
/// system is that of the file.
pub(super) fn own_system(crs: &Value) -> Option<String> {
    match system_of(crs) {
        Ok(None) => None,
        Ok(Some(system)) if system.is_lonlat() => None,
        Ok(Some(system)) => Some(format!(
            "names a system of its own ({}); name it once, at the head of the file",
            system.name()
        )),
        Err(why) => Some(why),
    }
}

/// The system of a name, as programs write it.
fn named(name: &str) -> Result<System, FrameError> {
    let upper = name.to_uppercase();
    if upper.ends_with("CRS84") || upper == "WGS84" {
        return Ok(System::wgs84());
    }
    match upper.contains("EPSG").then(|| upper.rsplit([':', '/']).next()?.parse::<u32>().ok()).flatten() {
        Some(epsg) => System::from_epsg(epsg),
        None => System::from_wkt(name),
    }
}
