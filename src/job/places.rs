//! What sites are asked to heed besides lines and sign: fixed and barred places, cover, and
//! numbers about the country.

use std::path::Path;
use std::sync::Arc;

use geo_types::{Geometry, MultiPolygon, Point};

use super::fields::Fields;
use super::findings::Findings;
use super::rings::checked_rings;
use super::shapes::{Care, guarded_geometry, kind_of, points_of, polygons_of};
use crate::files::RawFeature;
use crate::frame::LonLat;
use crate::record::{FixedPlace, KeepOut, NumberedArea, SourcePlace};

/// The places so far.
#[derive(Default)]
pub(super) struct PlaceRows {
    pub must: Vec<(FixedPlace, LonLat)>,
    pub never: Vec<KeepOut>,
    pub cover: Option<MultiPolygon<f64>>,
    /// By the layer's number in the plan.
    pub layers: Vec<Vec<NumberedArea>>,
}

impl PlaceRows {
    /// A place where a site must be, from a file.
    pub fn must(&mut self, raw: &RawFeature, fields: &Fields, findings: &mut Findings) {
        let own = ["name", "site_id", "station_id"].iter().find_map(|p| fields.text(&raw.properties, p));
        let id = || raw.source.id.as_deref().map(str::to_string);
        let site_id = ["site_id", "station_id"].iter().find_map(|p| fields.text(&raw.properties, p));
        let site_id = site_id.or_else(|| own.clone().filter(|name| is_site_id(name)));
        let site_id = site_id.or_else(|| id().filter(|id| is_site_id(id)));
        let name = own.or_else(id).unwrap_or_else(|| number_of(&raw.source));
        let places = points_of(raw, findings);
        let site_id = site_id.filter(|_| places.len() == 1);
        for at in places {
            self.fix(&name, site_id.clone(), raw.source.clone(), at, findings);
        }
    }

    fn fix(
        &mut self,
        name: &str,
        site_id: Option<String>,
        source: SourcePlace,
        at: LonLat,
        findings: &mut Findings,
    ) {
        let same = |known: &FixedPlace, id: &str| {
            known.site_id.as_deref().is_some_and(|own| own.to_lowercase() == id.to_lowercase())
        };
        let of_another = |id: &&String| self.must.iter().any(|(known, _)| same(known, id));
        if let Some(id) = site_id.as_ref().filter(of_another) {
            let what = format!(
                "is a second fixed place with the site_id \"{id}\", and an id stands for one place; give it another, or none"
            );
            return findings.fault_of(&source, Some("site_id"), what);
        }
        let site_id = site_id.map(Arc::from);
        self.must.push((FixedPlace { name: name.into(), site_id, source }, at));
    }

    /// A place where a site must be, from the plan itself.
    pub fn must_at(&mut self, at: [f64; 2], name: Option<&str>, findings: &mut Findings) {
        let source = in_plan("sites.must", self.must.len());
        let name = name.map_or_else(|| (self.must.len() + 1).to_string(), str::to_string);
        match LonLat::new(at[0], at[1]) {
            Ok(at) => {
                let site_id = Some(name.clone()).filter(|name| is_site_id(name));
                self.fix(&name, site_id, source, at, findings);
            }
            Err(why) => findings.fault(&source, why),
        }
    }

    /// A feature near which no site may be, from a file. A polygon without a distance bars
    /// what lies in it; a point or a line needs one, since none is invented.
    pub fn never(&mut self, raw: &RawFeature, fields: &Fields, findings: &mut Findings) {
        let Some(geometry) = guarded_geometry(raw, "a never-place", findings) else { return };
        let Some(geometry) = checked_rings(geometry, &raw.source, findings) else { return };
        let is_area = matches!(geometry, Geometry::Polygon(_) | Geometry::MultiPolygon(_));
        let about = Some(fields.name_in(&raw.properties, "within_m"));
        let within_m = match fields.number(&raw.properties, "within_m") {
            Ok(Some(metres)) if metres.is_finite() && metres >= 0.0 => metres,
            Ok(None) if is_area => 0.0,
            Ok(None) => {
                let what =
                    format!("is a barred {} without within_m, the metres around it", kind_of(&geometry));
                return findings.fault_of(&raw.source, None, what);
            }
            Ok(Some(metres)) => {
                let what = format!("has the within_m {metres}, where a number of 0 or more is wanted");
                return findings.fault_of(&raw.source, about, what);
            }
            Err(text) => {
                let what = format!("has the within_m {text}, where a number is wanted");
                return findings.fault_of(&raw.source, about, what);
            }
        };
        let name = fields.text(&raw.properties, "name").or_else(|| fields.text(&raw.properties, "reason"));
        let name = name.unwrap_or_else(|| number_of(&raw.source));
        self.bar(geometry, within_m, name, raw.source.clone());
    }

    /// A place around which no site may be, from the plan itself.
    pub fn never_at(&mut self, at: [f64; 2], within_m: f64, name: Option<&str>, findings: &mut Findings) {
        let source = in_plan("sites.never", self.never.len());
        match LonLat::new(at[0], at[1]) {
            Ok(_) => {
                let name = name.map_or_else(|| (self.never.len() + 1).to_string(), str::to_string);
                self.bar(Point::new(at[0], at[1]).into(), within_m, name, source);
            }
            Err(why) => findings.fault(&source, why),
        }
    }

    fn bar(&mut self, geometry: Geometry<f64>, distance_m: f64, name: String, source: SourcePlace) {
        let name = Some(Arc::from(name));
        self.never.push(KeepOut { geometry, distance_m, reason: None, name, source });
    }

    /// A polygon of cover.
    pub fn cover(&mut self, raw: &RawFeature, findings: &mut Findings) {
        if let Some(polygons) = polygons_of(raw, Care::LeaveOut, findings) {
            self.cover.get_or_insert(MultiPolygon(Vec::new())).0.extend(polygons.0);
        }
    }

    /// A polygon with a number, of the plan's layer of that number.
    pub fn number(&mut self, raw: &RawFeature, layer: usize, property: &str, findings: &mut Findings) {
        let Some(polygons) = polygons_of(raw, Care::LeaveOut, findings) else { return };
        let Some(areas) = self.layers.get_mut(layer) else { return };
        match Fields::default().number(&raw.properties, property) {
            Ok(Some(number)) if number.is_finite() => {
                areas.push(NumberedArea { polygons, number });
            }
            Ok(_) => findings.warn_at(&raw.source, format!("has no number {property}; left out")),
            Err(text) => {
                findings
                    .warn_at(&raw.source, format!("has the {property} {text}, which is no number; left out"));
            }
        }
    }
}

/// Whether a name is one that a site got from a plan: the letter S and four capitals or digits without
/// a vowel, or at least three digits, as older plans had it.
fn is_site_id(name: &str) -> bool {
    let Some(rest) = name.strip_prefix('S') else { return false };
    let is_symbol =
        |c: char| c.is_ascii_digit() || (c.is_ascii_uppercase() && !matches!(c, 'A' | 'E' | 'I' | 'O' | 'U'));
    let digits = rest.chars().all(|c| c.is_ascii_digit());
    (rest.len() == 4 && rest.chars().all(is_symbol)) || (rest.len() >= 3 && digits)
}

/// What a place without a name is called: the name of its file and its number in it.
fn number_of(source: &SourcePlace) -> String {
    let file = source.file.file_name().map(|n| n.to_string_lossy()).unwrap_or_default();
    format!("{file}#{}", source.index + 1)
}

fn in_plan(key: &str, index: usize) -> SourcePlace {
    SourcePlace { file: Path::new(key).into(), index, id: None }
}
