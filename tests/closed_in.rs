//! The program and the world around it: no network, pipes in and out.

mod support;

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::{Value, json};
use support::{said, skipped, stakeline};

fn sample(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("data-samples").join(name).display().to_string()
}

fn has(tool: &str) -> bool {
    Command::new(tool)
        .arg("-V")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|s| s.success())
}

#[test]
fn no_socket_is_opened() {
    if !has("strace") {
        skipped("strace is not here, so that no socket is opened is not watched");
        return;
    }
    let room = tempfile::tempdir().unwrap();
    let log = room.path().join("calls");
    let status = Command::new("strace")
        .args(["-f", "-qq", "-e", "trace=network,execve", "-o"])
        .arg(&log)
        .arg(env!("CARGO_BIN_EXE_stakeline"))
        .args(["--threads", "2", "demo"])
        .arg(room.path().join("demo"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .unwrap();
    if !status.success() {
        skipped("strace may not watch a process here, so that no socket is opened is not watched");
        return;
    }
    let calls = std::fs::read_to_string(log).unwrap();
    assert!(calls.contains("execve("), "nothing was watched");
    // A pair of joined local sockets serves threads and leads nowhere.
    let network: Vec<&str> = calls
        .lines()
        .filter(|l| !l.contains("execve(") && !l.contains("socketpair(") && !l.contains("+++"))
        .collect();
    assert!(network.is_empty(), "{network:?}");
}

#[test]
fn a_reader_that_goes_away_is_no_fault() {
    for arguments in [vec!["inspect", "--json"], vec!["inspect"], vec!["--help"]] {
        let mut run = Command::new(env!("CARGO_BIN_EXE_stakeline"));
        run.args(&arguments);
        if arguments[0] == "inspect" {
            run.args(["--sign", &sample("sign.geojson")]);
        }
        let mut run = run.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        drop(run.stdout.take());
        let end = run.wait_with_output().unwrap();
        let err = String::from_utf8_lossy(&end.stderr);
        assert!(end.status.success() && !err.contains("panic"), "{arguments:?}: {} {err}", end.status);
    }
}

#[cfg(unix)]
#[test]
fn an_input_is_read_once_so_that_a_pipe_serves() {
    let room = tempfile::tempdir().unwrap();
    let pipe = room.path().join("sign.geojson");
    assert!(Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let mut run = Command::new(env!("CARGO_BIN_EXE_stakeline"));
    run.args(["surface", "--bandwidth", "300", "--animal", "dog", "--sign"]).arg(&pipe).arg("--out");
    let run = run.arg(room.path().join("out")).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let bytes = std::fs::read(sample("sign.geojson")).unwrap();
    std::fs::OpenOptions::new().write(true).open(&pipe).unwrap().write_all(&bytes).unwrap();
    let end = run.wait_with_output().unwrap();
    assert!(end.status.success(), "{}", String::from_utf8_lossy(&end.stderr));
}

/// An input that is saved anew while it is read: the run goes on with what it read, and the hash it
/// states is of that; or it says which file broke off.
#[test]
fn an_input_that_changes_while_it_is_read_is_one_of_the_two_or_refused() {
    let room = tempfile::tempdir().unwrap();
    let layer = |animal: &str| {
        let feature = |k: usize| {
            format!(
                r#"{{"type":"Feature","properties":{{"animal":"{animal}"}},"geometry":{{"type":"Point","coordinates":[{},-35.1]}}}}"#,
                148.0 + 1e-5 * k as f64
            )
        };
        let features: Vec<String> = (0..60_000).map(feature).collect();
        format!(r#"{{"type":"FeatureCollection","features":[{}]}}"#, features.join(","))
    };
    let hash = |text: &str| -> String {
        use sha2::Digest;
        sha2::Sha256::digest(text).iter().map(|b| format!("{b:02x}")).collect()
    };
    let (first, second) = (layer("dog"), layer("fox"));
    let (sign, other) = (room.path().join("sign.geojson"), room.path().join("other"));
    for turn in 0..6 {
        std::fs::write(&sign, &first).unwrap();
        let mut run = Command::new(env!("CARGO_BIN_EXE_stakeline"));
        run.args(["surface", "--bandwidth", "300", "--force", "--sign"]).arg(&sign).arg("--out");
        run.arg(room.path().join("out")).stdout(Stdio::null()).stderr(Stdio::piped());
        let run = run.spawn().unwrap();
        std::thread::sleep(std::time::Duration::from_millis(5 * turn));
        // Saved as editors do, under another name first; and in place.
        let renamed = turn % 2 == 0;
        if renamed {
            std::fs::write(&other, &second).unwrap();
            std::fs::rename(&other, &sign).unwrap();
        } else {
            std::fs::write(&sign, &second).unwrap();
        }
        let end = run.wait_with_output().unwrap();
        let err = String::from_utf8_lossy(&end.stderr);
        if end.status.success() {
            let areas = std::fs::read_to_string(room.path().join("out/hot-areas.geojson")).unwrap();
            let known = areas.contains(&hash(&first)) || areas.contains(&hash(&second));
            assert!(known || !renamed, "the hash is of neither");
        } else {
            assert!(!renamed && end.status.code() == Some(1) && err.contains("sign.geojson"), "{err}");
        }
    }
}

/// A property of one track whose every name is a formula.
fn hostile(folder: &Path) {
    let layer = |name: &str, features: Value| {
        let text = json!({ "type": "FeatureCollection", "features": features }).to_string();
        std::fs::write(folder.join(name), text).unwrap();
    };
    let feature = |properties: Value, kind: &str, coordinates: Value| {
        json!({ "type": "Feature", "properties": properties,
            "geometry": { "type": kind, "coordinates": coordinates } })
    };
    let track = json!([[148.1, -35.1], [148.14, -35.1], [148.14, -35.08]]);
    layer("track.geojson", json!([feature(json!({ "name": "=HYPERLINK(\"x\")" }), "LineString", track)]));
    let scat = |k: i32| {
        let properties = json!({ "sign": "scat", "animal": "-1+1", "observer": "@SUM(A1)" });
        feature(properties, "Point", json!([148.1 + 0.003 * f64::from(k), -35.1005]))
    };
    layer("sign.geojson", (0..12).map(scat).collect());
    let station = |id: &str, lon: f64| {
        let properties = json!({ "station_id": id, "name": "-2+3", "set_on": "2026-01-01", "set_by": "=1" });
        feature(properties, "Point", json!([lon, -35.1001]))
    };
    layer(
        "stations.geojson",
        json!([station("=1+1", 148.105), station("@A1", 148.12), station("\tT", 148.13)]),
    );
    let square = json!([[[148.1, -35.2], [148.2, -35.2], [148.2, -35.1], [148.1, -35.1], [148.1, -35.2]]]);
    let parcel = json!({ "name": "=cmd|x", "holder": "@B1", "contact": "+61 2 5550 0000" });
    layer("parcels.geojson", json!([feature(parcel, "Polygon", square)]));
    let plan = "[[sign]]\nfile = \"sign.geojson\"\n[[line]]\nkind = \"track\"\nfile = \"track.geojson\"\n\
        [[station]]\nfile = \"stations.geojson\"\n[[parcel]]\nfile = \"parcels.geojson\"\nnotify_m = 5000\n\
        [surface]\nbandwidth = 300\n[sites]\nspacing_m = 500\nbudget = 3\nweightings = 2\n\
        [round]\nstart = [148.1, -35.1]\n";
    std::fs::write(folder.join("plan.toml"), plan).unwrap();
}

#[test]
fn no_cell_of_a_written_table_is_a_formula() {
    let room = tempfile::tempdir().unwrap();
    hostile(room.path());
    let out = room.path().join("out");
    let mut run = stakeline();
    let (status, _, err) = said(run.arg("run").arg(room.path().join("plan.toml")).arg("--out").arg(&out));
    assert_eq!(status, 0, "{err}");
    let mut tables = Vec::new();
    for entry in std::fs::read_dir(&out).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|ending| ending != "csv") {
            continue;
        }
        let mut defused = 0;
        let mut rows = csv::ReaderBuilder::new().has_headers(false).from_path(&path).unwrap();
        for row in rows.records() {
            for cell in row.unwrap().iter() {
                let number = cell.parse::<f64>().is_ok_and(f64::is_finite);
                let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']);
                assert!(number || !formula, "{}: {cell}", path.display());
                defused += usize::from(cell.starts_with('\''));
            }
        }
        tables.push((path.file_name().unwrap().to_string_lossy().into_owned(), defused > 0));
    }
    tables.sort();
    // What to carry names nothing from the inputs.
    let expected = [
        ("kit.csv", false),
        ("notices.csv", true),
        ("round.csv", true),
        ("site-distances.csv", true),
        ("sites.csv", true),
    ];
    assert_eq!(tables, expected.map(|(name, defused)| (name.to_string(), defused)));
}

#[test]
fn one_function_writes_every_table() {
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("src")];
    let mut writers = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if std::fs::read_to_string(&path).is_ok_and(|text| text.contains("csv::Writer")) {
                writers.push(path);
            }
        }
    }
    assert!(writers.len() == 1 && writers[0].ends_with("files/write/csv.rs"), "{writers:?}");
}
