//! What many records repeat is held once.

use std::collections::HashSet;
use std::sync::Arc;

use crate::record::Occasion;

#[derive(Default)]
pub(super) struct Words(HashSet<Arc<str>>);

impl Words {
    pub(super) fn share(&mut self, word: &str) -> Arc<str> {
        if let Some(known) = self.0.get(word) {
            return known.clone();
        }
        let word: Arc<str> = Arc::from(word);
        self.0.insert(word.clone());
        word
    }
}

#[derive(Default)]
pub(super) struct Occasions(HashSet<Arc<Occasion>>);

impl Occasions {
    pub(super) fn share(&mut self, occasion: Occasion) -> Arc<Occasion> {
        if let Some(known) = self.0.get(&occasion) {
            return known.clone();
        }
        let occasion = Arc::new(occasion);
        self.0.insert(occasion.clone());
        occasion
    }
}
