//! Keep-outs, the area under control, and ground left untreated.

use std::sync::Arc;

use geo_types::MultiPolygon;

use super::Builder;
use crate::files::{RawFeature, RawShape};
use crate::job::rings::{checked_rings, fault_of_rings};
use crate::job::shapes::{checked_geometry, polygons_of};
use crate::record::KeepOut;

impl Builder {
    /// A keep-out. Without a distance of its own it takes the layer's; without either the
    /// run stops, since none is invented.
    pub fn keep_out(&mut self, raw: RawFeature, distance_m: Option<f64>, reason: Option<&str>) {
        self.note_id(&raw.source);
        self.note_names(&raw, "keep_out", &["distance_m", "reason", "name"]);
        let fields = self.fields("keep_out");
        let Some(own) = self.quantity(&fields, &raw, "distance_m") else { return };
        let Some(geometry) = checked_geometry(&raw, &mut self.findings) else { return };
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
        if let Some(polygons) = polygons_of(&raw, &mut self.findings) {
            self.area.get_or_insert(MultiPolygon(Vec::new())).0.extend(polygons.0);
        }
    }

    /// A polygon of ground that was searched but not controlled.
    pub fn untreated(&mut self, raw: RawFeature) {
        if let Some(polygons) = polygons_of(&raw, &mut self.findings) {
            self.untreated.get_or_insert(MultiPolygon(Vec::new())).0.extend(polygons.0);
        }
    }
}
