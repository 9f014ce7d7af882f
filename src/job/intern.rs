//! Words that many records repeat are held once.

use std::collections::HashSet;
use std::sync::Arc;

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
