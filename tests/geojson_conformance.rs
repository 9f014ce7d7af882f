//! GeoJSON of other people's test sets: the good is accepted, the bad refused or warned,
//! nothing crashes. Sources: the test data of the crate `geojson` 1.0.0, the npm package
//! `geojson-fixtures` 1.0.0 and mapbox/geojsonhint at 7d72009.

mod support;

use support::{case, said, stakeline};

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_good_files_are_read_and_bad_ones_do_no_harm() {
    let folder = case("geojson-conformance");
    let mut seen = 0;
    for entry in walk(&folder) {
        if entry.extension().is_none_or(|e| e != "geojson") {
            continue;
        }
        seen += 1;
        let good = !entry.parent().is_some_and(|p| p.ends_with("bad-geojsonhint"));
        for flags in [["--sign"], ["--area"]] {
            let (status, _, err) = said(stakeline().arg("inspect").args(flags).arg(&entry));
            assert!((0..=1).contains(&status), "{}: {status} {err}", entry.display());
            assert!(status == 0 || err.contains("error: "), "{}: says nothing", entry.display());
            let whole_file_refused = err.contains("is not valid JSON") || err.contains("but not GeoJSON");
            assert!(!(good && whole_file_refused), "{}: {err}", entry.display());
        }
    }
    assert!(seen >= 50, "only {seen} files found");
}

fn walk(folder: &std::path::Path) -> Vec<std::path::PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { found.extend(walk(&path)) } else { found.push(path) }
    }
    found.sort();
    found
}
