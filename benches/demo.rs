//! The whole demo: the sample property written, read, computed, and all outputs written.

use divan::Bencher;
use stakeline::steps::{Silent, demo};

fn main() {
    divan::main();
}

#[divan::bench(sample_count = 5)]
fn whole_demo(bencher: Bencher) {
    let room = tempfile::tempdir().expect("the temporary folder can be written");
    let dir = room.path().join("demo");
    bencher.bench(|| {
        let outcome = demo(&dir, true, &Silent).expect("the demo runs");
        assert!(dir.join("activity.tif").is_file() && !outcome.lines.is_empty());
    });
}
