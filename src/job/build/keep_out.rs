//! Keep-outs, the area under control, and ground left untreated.

use std::sync::Arc;

use geo_types::MultiPolygon;

use super::Builder;
use crate::files::{RawFeature, RawShape};
use crate::job::rings::{checked_rings, fault_of_rings};
use crate::job::shapes::{Care, guarded_geometry, polygons_of};
use crate::record::KeepOut;

/// Names under which people and programs keep a distance, in lower case with letters alone.
const WORDS_FOR_DISTANCE: [&str; 14] = [
    "distance",
    "dist",
    "distm",
    "distancem",
    "distancemetres",
    "distancemeters",
    "distanceinm",
    "buffer",
    "bufferm",
    "radius",
    "radiusm",
    "setback",
    "setbackm",
    "withinm",
];

impl Builder {
    /// A keep-out. Without a distance of its own it takes the layer's; without either the
    /// run stops, since none is invented.
    pub fn keep_out(&mut self, raw: RawFeature, distance_m: Option<f64>, reason: Option<&str>) {
        self.note_id(&raw.source);
        self.note_names(&raw, "keep_out", &["distance_m", "reason", "name"]);
        let fields = self.fields("keep_out");
        let own = self.quantity(&fields, &raw, "distance_m");
        let geometry = guarded_geometry(&raw, "a keep-out", &mut self.findings);
        let (Some(own), Some(geometry)) = (own, geometry) else { return };
        if let Some(why) = shortened(&raw, own, distance_m) {
            self.findings.fault_of(&raw.source, None, why);
            return;
        }
        let Some(distance_m) = own.or(distance_m) else {
            self.findings.fault_of(
                &raw.source,
                None,
                "is a keep-out without a distance: give it a property distance_m, or the layer one, from your permit and label",
            );
            return;
        };
        let Some(geometry) = checked_rings(geometry, &raw.source, &mut self.findings) else { return };
        let reason = self.word(&fields, &raw, "reason").or_else(|| reason.map(Arc::from));
        let name = self.word(&fields, &raw, "name");
        self.keep_outs.push(KeepOut { geometry, distance_m, reason, name, source: raw.source });
    }

    /// A polygon of the area under control.
    pub fn area(&mut self, raw: RawFeature) {
        if let RawShape::Shape(geometry) = &raw.shape
            && let Some(why) = fault_of_rings(geometry)
        {
            return self.findings.fault_of(&raw.source, None, why);
        }
        if let Some(polygons) = polygons_of(&raw, Care::Stop("a part of the area"), &mut self.findings) {
            self.area_sources.extend(polygons.0.iter().map(|_| raw.source.clone()));
            self.area.get_or_insert(MultiPolygon(Vec::new())).0.extend(polygons.0);
        }
    }

    /// A polygon of ground that was searched but not controlled.
    pub fn untreated(&mut self, raw: RawFeature) {
        if let Some(polygons) = polygons_of(&raw, Care::LeaveOut, &mut self.findings) {
            self.untreated.get_or_insert(MultiPolygon(Vec::new())).0.extend(polygons.0);
        }
    }
}

/// Why a distance would be less than the feature or its layer may mean.
fn shortened(raw: &RawFeature, own: Option<f64>, layers: Option<f64>) -> Option<String> {
    match (own, layers) {
        (Some(own), Some(layers)) if own == 0.0 && layers > 0.0 => Some(format!(
            "has the distance_m 0 where its layer has {layers}: programs write 0 for a missing number; leave it empty to take the layer's, or put the feature into a layer without a distance if 0 is meant"
        )),
        (None, Some(layers)) => {
            let (name, metres) = raw.properties.iter().find_map(|(name, value)| {
                let letters: String =
                    name.chars().filter(char::is_ascii_alphabetic).collect::<String>().to_lowercase();
                let text = value.as_str().map(|text| text.trim().parse::<f64>().ok());
                let metres = text.unwrap_or_else(|| value.as_f64())?;
                (WORDS_FOR_DISTANCE.contains(&letters.as_str()) && metres > layers).then_some((name, metres))
            })?;
            Some(format!(
                "has {name} = {metres}, which is not read, and would be kept at its layer's {layers} m; if it is the distance in metres, put distance_m = \"{name}\" under [fields.keep_out]; if it is not, rename the column"
            ))
        }
        _ => None,
    }
}
