//! Says which properties are read under another spelling than their own.

use super::Builder;
use crate::files::RawFeature;
use crate::job::spelling::Spellings;

impl Builder {
    /// Notes the properties of a feature that are taken under another spelling, and those that
    /// stand there twice with different values.
    pub(super) fn note_names(&mut self, raw: &RawFeature, layer: &str, properties: &[&str]) {
        let spellings = Spellings::of(&self.fields(layer), raw, layer, properties);
        spellings.tell(&raw.source, &raw.source, &mut self.findings);
    }
}
