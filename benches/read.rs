//! A million points of GeoJSON: from the file to raw features, to a whole job, and written.

use std::collections::BTreeMap;
use std::io::{BufWriter, Write};
use std::path::PathBuf;
use std::sync::LazyLock;

use divan::Bencher;
use stakeline::files::write::{GeoJsonWriter, Provenance};
use stakeline::files::{RawFeature, RawShape, ReadAs, read_features};
use stakeline::job::{Builder, SignDefaults};

fn main() {
    divan::main();
}

const POINTS: usize = 1_000_000;

/// A file of a million records with six properties each, about 190 MB.
static FILE: LazyLock<PathBuf> = LazyLock::new(|| {
    let path = std::env::temp_dir().join("stakeline-bench-points.geojson");
    let mut out = BufWriter::new(std::fs::File::create(&path).expect("the temporary folder can be written"));
    let mut write = |text: String| out.write_all(text.as_bytes()).expect("there is room for the file");
    write("{\"type\":\"FeatureCollection\",\"features\":[\n".into());
    for i in 0..POINTS {
        let (lon, lat) = (148.0 + (i % 1000) as f64 * 2e-4, -35.0 + (i / 1000) as f64 * 2e-4);
        let (day, count) = (i % 28 + 1, i % 5 + 1);
        write(format!(
            "{}{{\"type\":\"Feature\",\"properties\":{{\"id\":{i},\"animal\":\"dog\",\"sign\":\"scat\",\
             \"date\":\"2026-05-{day:02}\",\"count\":{count},\"observer\":\"A\"}},\
             \"geometry\":{{\"type\":\"Point\",\"coordinates\":[{lon:.6},{lat:.6}]}}}}",
            if i == 0 { "" } else { ",\n" }
        ));
    }
    write("\n]}\n".into());
    path
});

#[divan::bench(sample_count = 5)]
fn raw_features_1e6(bencher: Bencher) {
    LazyLock::force(&FILE);
    bencher.bench(|| {
        let mut seen = 0;
        let report = read_features(&FILE, &FILE, ReadAs::Points, &mut |_| seen += 1).expect("a good file");
        assert_eq!((seen, report.features), (POINTS, POINTS));
    });
}

#[divan::bench(sample_count = 5)]
fn whole_job_1e6(bencher: Bencher) {
    LazyLock::force(&FILE);
    bencher.bench(|| {
        let mut builder = Builder::new(&BTreeMap::new(), None);
        let defaults = SignDefaults::default();
        read_features(&FILE, &FILE, ReadAs::Points, &mut |raw| builder.sign(raw, &defaults)).expect("good");
        let job = builder.finish(None).expect("a good job");
        assert_eq!(job.records.len(), POINTS);
        // In order from west to east: the eighth record of the westernmost column.
        assert_eq!((job.records[7].what.source.index, job.records[7].what.count), (7000, 1.0));
    });
}

/// The same features written to memory, properties and all.
#[divan::bench(sample_count = 5)]
fn write_1e6(bencher: Bencher) {
    let mut features: Vec<RawFeature> = Vec::new();
    read_features(&FILE, &FILE, ReadAs::Points, &mut |raw| features.push(raw)).expect("a good file");
    let properties: Vec<_> = features.iter().map(|raw| raw.properties.to_map()).collect();
    let provenance = Provenance { settings: serde_json::Value::Null, inputs: Vec::new() };
    bencher.bench(|| {
        let mut writer = GeoJsonWriter::begin(Vec::new(), &provenance).expect("memory can be written");
        for (raw, properties) in features.iter().zip(&properties) {
            let RawShape::Shape(point) = &raw.shape else { panic!("every feature is a point") };
            writer.feature("sign", Some(point), properties).expect("memory can be written");
        }
        assert_eq!(writer.finish().expect("memory can be written"), POINTS);
    });
}
