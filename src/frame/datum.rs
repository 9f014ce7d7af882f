//! Datums: which are WGS84 for our purpose, which have published parameters, and which need
//! a grid file that no program should guess its way around.

use super::{FrameError, unfit};

/// WGS84 and GRS80 differ by 1.5e-6 in their inverse flattening; other ellipsoids by much more.
const SAME_FLATTENING: f64 = 1e-5;

/// A datum that needs more than a null step to WGS84.
pub(super) enum Datum {
    /// Seven published parameters.
    Gda94,
    /// Only a grid file gives its place to better than some metres.
    NeedsGrid {
        /// The datum.
        datum: &'static str,
        /// The grid that the survey authority publishes.
        grid: &'static str,
    },
}

/// GDA94 to GDA2020: translation in metres, rotation in seconds of arc, scale in parts per
/// million. GDA2020 Technical Manual (ICSM), section 3.1.1; EPSG:8048. The manual rotates the
/// coordinate frame, this notation the position vector, hence the signs of the rotations.
const GDA94_TO_GDA2020: &str = "+towgs84=0.06155,-0.01087,-0.04019,0.0394924,0.0327221,0.0328979,-0.009994";

/// EPSG codes of systems on GDA94 (EPSG registry).
const GDA94_CODES: [(u32, u32); 8] = [
    (3107, 3107),
    (3111, 3113),
    (3308, 3308),
    (3577, 3577),
    (4283, 4283),
    (6721, 6738),
    (8391, 8391),
    (28348, 28358),
];

const NAD27: Datum = Datum::NeedsGrid { datum: "NAD27", grid: "the NADCON or NTv2 grid" };
const AGD: Datum = Datum::NeedsGrid { datum: "AGD66 or AGD84", grid: "the national NTv2 grid" };
const NZGD49: Datum = Datum::NeedsGrid { datum: "NZGD49", grid: "nzgd2kgrid0005.gsb" };
const OSGB36: Datum = Datum::NeedsGrid { datum: "OSGB36", grid: "OSTN15" };

/// What is known of a datum by its name in WKT.
pub(super) fn known(name: &str) -> Option<Datum> {
    let name: String = name.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_uppercase();
    let has = |words: &[&str]| words.iter().any(|word| name.contains(word));
    if has(&["GDA94", "GDA1994", "GEOCENTRICDATUMOFAUSTRALIA1994"]) {
        Some(Datum::Gda94)
    } else if has(&["NAD27", "NORTHAMERICANDATUM1927", "NORTHAMERICAN1927"]) {
        Some(NAD27)
    } else if has(&["AGD66", "AGD84", "AUSTRALIANGEODETICDATUM", "AUSTRALIAN1966", "AUSTRALIAN1984"]) {
        Some(AGD)
    } else if has(&["NZGD49", "NEWZEALANDGEODETICDATUM1949", "NEWZEALAND1949"]) {
        Some(NZGD49)
    } else if has(&["OSGB36", "OSGB1936"]) {
        Some(OSGB36)
    } else {
        None
    }
}

/// The definition of an EPSG code with what its datum needs.
pub(super) fn completed(epsg: u32, definition: &str) -> Result<String, FrameError> {
    if let Some(off_m) = unfit::off_m(epsg) {
        let told = |word: &&str| ["+proj=", "+towgs84=", "+datum="].iter().any(|part| word.starts_with(part));
        let step = definition.split_whitespace().filter(told).collect::<Vec<_>>().join(" ");
        return Err(FrameError::Unfit { epsg, step, off_m });
    }
    let has = |part: &str| definition.split_whitespace().any(|word| word == part);
    let grid = |datum: Datum| match datum {
        Datum::NeedsGrid { datum, grid } => {
            Err(FrameError::NeedsGrid { system: format!("EPSG:{epsg}"), datum, grid })
        }
        Datum::Gda94 => Ok(with_gda94(definition)),
    };
    if GDA94_CODES.iter().any(|&(first, last)| (first..=last).contains(&epsg)) {
        return Ok(with_gda94(definition));
    }
    if has("+datum=NAD27") || has("+ellps=clrk66") {
        return grid(NAD27);
    }
    if has("+ellps=aust_SA") {
        return grid(AGD);
    }
    if has("+datum=nzgd49") {
        return grid(NZGD49);
    }
    if has("+datum=OSGB36") {
        return grid(OSGB36);
    }
    if definition.contains("+nadgrids=") && !has("+nadgrids=@null") {
        return grid(Datum::NeedsGrid { datum: "its datum", grid: "a grid file" });
    }
    let bound = ["+towgs84=", "+datum=", "+nadgrids=", "+proj=geocent"];
    if !bound.iter().any(|part| definition.contains(part)) {
        if has("+ellps=GRS80") || has("+ellps=WGS84") {
            return Ok(format!("{definition} +towgs84=0,0,0,0,0,0,0"));
        }
        let ellipsoid =
            definition.split_whitespace().find(|w| w.starts_with("+ellps=") || w.starts_with("+a="));
        let datum = format!("on {}", ellipsoid.unwrap_or("an unnamed ellipsoid").trim_start_matches('+'));
        return Err(FrameError::UnknownDatum { system: format!("EPSG:{epsg}"), datum });
    }
    Ok(definition.to_string())
}

/// A definition with the seven parameters of GDA94 in place of any others.
pub(super) fn with_gda94(definition: &str) -> String {
    let kept = definition.split_whitespace().filter(|word| !word.starts_with("+towgs84="));
    kept.chain([GDA94_TO_GDA2020]).collect::<Vec<_>>().join(" ")
}

/// The step to WGS84 in a definition, where it is one of few parameters for a whole country.
pub(super) fn coarse_step(definition: &str) -> Option<String> {
    definition.split_whitespace().find_map(|word| {
        let coarse = match word.split_once('=')? {
            ("+towgs84", shift) => {
                word != GDA94_TO_GDA2020 && shift.split(',').any(|n| n.trim().parse() != Ok(0.0))
            }
            ("+datum", datum) => !matches!(datum, "WGS84" | "NAD83"),
            _ => false,
        };
        coarse.then(|| word.trim_start_matches('+').to_string())
    })
}

/// Whether a geographic definition is WGS84 in degrees as it stands.
pub(super) fn is_wgs84(definition: &str) -> bool {
    definition.split_whitespace().all(|word| match word.split_once('=') {
        Some(("+datum", datum)) => datum == "WGS84" || datum == "NAD83",
        Some(("+ellps", ellipsoid)) => ellipsoid == "WGS84" || ellipsoid == "GRS80",
        Some(("+a", axis)) => axis.parse() == Ok(6_378_137.0),
        Some(("+rf", flat)) => {
            flat.parse::<f64>().is_ok_and(|rf| (rf - 298.257_223_563).abs() < SAME_FLATTENING)
        }
        Some(("+towgs84", shift)) => shift.split(',').all(|n| n.trim().parse() == Ok(0.0)),
        Some(("+proj", _)) => true,
        Some(_) => false,
        None => true,
    })
}

/// The EPSG code that a WKT text gives for the whole system: `AUTHORITY` or `ID` one level
/// inside the outermost brackets.
pub(super) fn epsg_of_wkt(wkt: &str) -> Option<u32> {
    let mut depth = 0;
    let mut quoted = false;
    for (at, c) in wkt.char_indices() {
        match c {
            '"' => quoted = !quoted,
            '[' | '(' if !quoted => {
                let word = wkt.get(..at)?.rsplit([',', '[', '(', ' ', '\n', '\r', '\t']).next()?.trim();
                if depth == 1 && (word.eq_ignore_ascii_case("AUTHORITY") || word.eq_ignore_ascii_case("ID")) {
                    let inside = wkt.get(at + 1..)?.split([']', ')']).next()?;
                    let mut parts = inside.split(',').map(|part| part.trim().trim_matches('"'));
                    return match parts.next() {
                        Some(registry) if registry.eq_ignore_ascii_case("EPSG") => parts.next()?.parse().ok(),
                        _ => None,
                    };
                }
                depth += 1;
            }
            ']' | ')' if !quoted => depth -= 1,
            _ => {}
        }
    }
    None
}

/// The name of the datum in a WKT text.
pub(super) fn datum_of_wkt(wkt: &str) -> Option<String> {
    let upper = wkt.to_ascii_uppercase();
    let at = ["GEODETICDATUM[", "DATUM[", "ENSEMBLE["]
        .iter()
        .filter_map(|word| upper.find(word).map(|at| at + word.len()))
        .min()?;
    wkt.get(at..)?.split('"').nth(1).map(str::to_string)
}

/// The first quoted name in a WKT text, which is that of the system.
pub(super) fn first_name(wkt: &str) -> Option<String> {
    wkt.split('"').nth(1).map(str::to_string)
}
