//! Bad input: each a clear message or a counted warning, and nothing half-written.

mod support;

use std::fs;
use std::path::{Path, PathBuf};

use support::{said, stakeline};
use tempfile::TempDir;

struct Room {
    folder: TempDir,
}

impl Room {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    fn file(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.folder.path().join(name);
        fs::write(&path, content).unwrap();
        path
    }

    fn out(&self) -> PathBuf {
        self.folder.path().join("out")
    }

    /// Runs `surface` on a sign file.
    fn surface(&self, sign: &Path, more: &[&str]) -> (i32, String, String) {
        said(stakeline().arg("surface").arg("--sign").arg(sign).arg("--out").arg(self.out()).args(more))
    }

    /// Nothing but the files that the test itself put here.
    fn assert_clean(&self) {
        let left: Vec<_> = fs::read_dir(self.folder.path())
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .filter(|n| n == "out" || n.contains("stakeline"))
            .collect();
        assert!(left.is_empty(), "left behind: {left:?}");
    }
}

fn points(features: &[(&str, &str)]) -> String {
    let features: Vec<String> = features
        .iter()
        .map(|(coordinates, properties)| {
            format!(
                r#"{{"type":"Feature","properties":{properties},"geometry":{{"type":"Point","coordinates":{coordinates}}}}}"#
            )
        })
        .collect();
    format!(r#"{{"type":"FeatureCollection","features":[{}]}}"#, features.join(","))
}

const GOOD: [(&str, &str); 3] = [("[148.1,-35.1]", "{}"), ("[148.11,-35.1]", "{}"), ("[148.1,-35.11]", "{}")];

/// The run fails with status 1, says all the parts, and leaves nothing behind.
fn refused(content: impl AsRef<[u8]>, parts: &[&str]) {
    let room = Room::new();
    let sign = room.file("sign.geojson", content);
    let (status, _, err) = room.surface(&sign, &["--bandwidth", "100"]);
    assert_eq!(status, 1, "{err}");
    for part in parts.iter().chain(&["error: ", "sign.geojson"]) {
        assert!(err.contains(part), "\"{part}\" is not in: {err}");
    }
    room.assert_clean();
}

/// The run goes on with a warning that says all the parts.
fn warned(features: &[(&str, &str)], parts: &[&str]) {
    let room = Room::new();
    let content = points(&[&GOOD[..], features].concat());
    let sign = room.file("sign.geojson", content);
    let (status, _, err) = room.surface(&sign, &["--bandwidth", "100"]);
    assert_eq!(status, 0, "{err}");
    for part in parts.iter().chain(&["warning: ", "sign.geojson"]) {
        assert!(err.contains(part), "\"{part}\" is not in: {err}");
    }
}

#[test]
fn files_that_are_no_geojson() {
    refused("", &["ends at line 1"]);
    refused("just a note", &["is not valid JSON at line 1 column 1"]);
    refused("[1,2]", &["is JSON but not GeoJSON"]);
    refused("{\"a\":1}", &["has no \"type\""]);
    refused(r#"{"type":"FeatureCollection"}"#, &["has no list \"features\""]);
    let whole = points(&GOOD);
    refused(&whole[..whole.len() - 20], &["cut short"]);
    refused([0xff, 0xfe, b'{', 0, b'}', 0], &["UTF-16", "UTF-8"]);
    refused(
        b"{\"type\":\"Feature\",\"geometry\":null,\"properties\":{\"name\":\"caf\xe9\"}}",
        &["not UTF-8"],
    );
    refused(points(&[("[148.1,NaN]", "{}")]), &["is not valid JSON at line 1"]);
    refused(r#"{"type":"FeatureCollection","features":[]}"#, &["no usable record"]);
}

#[test]
fn a_hundred_thousand_nested_brackets_end_at_once() {
    let deep = format!(r#"{{"type":"Point","coordinates":{}"#, "[".repeat(100_000));
    refused(deep, &["nested deeper than 128 levels"]);
}

/// Found by fuzzing: a value of no length was read for ever.
#[test]
fn a_stray_mark_after_a_sequence_of_features_ends_it() {
    let feature =
        r#"{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[148.1,-35.1]}}"#;
    for mark in ["]", "}", ",", ":", "1]"] {
        refused(format!("{feature}\n{feature}\n{mark}"), &["is not valid JSON at line 3"]);
    }
}

#[test]
fn coordinates_that_are_no_places() {
    refused(points(&[("[-35.1,148.1]", "{}")]), &["swapped", "feature 1"]);
    refused(points(&[("[620000,6100000]", "{}")]), &["looks like metres"]);
    refused(points(&[("[200,10]", "{}")]), &["outside longitude"]);
    refused(points(&[("[\"148\",\"-35\"]", "{}")]), &["a text among its coordinates"]);
    refused(points(&[("[148.1]", "{}")]), &["two are wanted"]);
}

#[test]
fn every_fault_of_a_file_is_told_in_one_pass() {
    let features = [GOOD[0], ("[-35.1,148.1]", "{}"), ("[148.1,-35.1]", r#"{"count":-2}"#)];
    refused(points(&features), &["feature 2", "feature 3", "the count -2"]);
}

#[test]
fn a_count_must_be_a_number_of_0_or_more() {
    refused(points(&[("[148.1,-35.1]", r#"{"count":"many"}"#)]), &["count \"many\""]);
    refused(points(&[("[148.1,-35.1]", r#"{"count":1e400}"#)]), &["number out of range"]);
}

#[test]
fn odd_but_usable_input_is_counted_and_goes_on() {
    warned(&[("[0,0]", "{}")], &["receiver without a fix"]);
    warned(&[("[148.1,-35.1]", r#"{"date":"last Tuesday"}"#)], &["unreadable date \"last Tuesday\""]);
    warned(&[("[148.1,-35.1]", r#"{"sign":"smell"}"#); 2], &["unknown sign \"smell\"", "and 1 more"]);
}

#[test]
fn features_without_a_point_are_counted_and_left_out() {
    let room = Room::new();
    let odd = r#"{"type":"Feature","properties":{},"geometry":null},
        {"type":"Feature","id":7,"properties":{},"geometry":{"type":"Point","coordinates":[148.1,-35.1]}},
        {"type":"Feature","id":7,"properties":{},"geometry":{"type":"Point","coordinates":[148.1,-35.1]}},
        {"type":"Feature","properties":{},"geometry":{"type":"LineString","coordinates":[[148.1,-35.1],[148,-35]]}}"#;
    let good = points(&GOOD);
    let content = format!("{},{odd}]}}", good.strip_suffix("]}").unwrap());
    let sign = room.file("sign.geojson", content);
    let (status, _, err) = room.surface(&sign, &["--bandwidth", "100"]);
    assert_eq!(status, 0, "{err}");
    for part in
        ["has no geometry", "is a LineString where a point is wanted", "an id that an earlier feature"]
    {
        assert!(err.contains(part), "\"{part}\" is not in: {err}");
    }
}

#[test]
fn a_missing_file_and_an_empty_request_are_refused() {
    let room = Room::new();
    let (status, _, err) = room.surface(&room.folder.path().join("none.geojson"), &[]);
    assert_eq!(status, 1);
    assert!(err.contains("none.geojson: cannot be read: no such file"), "{err}");
    let (status, _, err) = said(stakeline().arg("surface").arg("--out").arg(room.out()));
    assert_eq!(status, 1);
    assert!(err.contains("no usable record"), "{err}");
    room.assert_clean();
}

#[test]
fn usage_faults_exit_2() {
    let room = Room::new();
    let sign = room.file("sign.geojson", points(&GOOD));
    for flags in [
        &["--line", "railway=x.geojson"][..],
        &["--epsg", "4326"],
        &["--epsg", "99999"],
        &["--bandwidth", "-3"],
        &["--cell", "0"],
        &["--from", "yesterday"],
        &["--kernel", "boxy"],
        &["--no-such-flag"],
    ] {
        let (status, _, err) = room.surface(&sign, flags);
        assert_eq!(status, 2, "{flags:?}: {err}");
        room.assert_clean();
    }
}

#[test]
fn a_cell_too_small_names_one_that_fits() {
    let room = Room::new();
    let sign = room.file("sign.geojson", points(&GOOD));
    let (status, _, err) = room.surface(&sign, &["--bandwidth", "100", "--cell", "0.001"]);
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("sign.geojson") && err.contains("cells") && err.contains("m fits"), "{err}");
    room.assert_clean();
}

#[test]
fn outputs_are_never_overwritten_without_force() {
    let room = Room::new();
    let sign = room.file("sign.geojson", points(&GOOD));
    let run = |more: &[&str]| room.surface(&sign, &[&["--bandwidth", "100"], more].concat());
    assert_eq!(run(&[]).0, 0);
    let before = fs::read(room.out().join("activity.tif")).unwrap();
    let (status, _, err) = run(&[]);
    assert_eq!(status, 1);
    assert!(err.contains("not empty") && err.contains("--force"), "{err}");
    assert_eq!(fs::read(room.out().join("activity.tif")).unwrap(), before);
    assert_eq!(run(&["--force"]).0, 0);
}

#[test]
fn a_place_that_cannot_be_written_is_told() {
    let room = Room::new();
    let sign = room.file("sign.geojson", points(&GOOD));
    let file = room.file("afile", "");
    let (status, _, err) =
        said(stakeline().args(["surface", "--sign"]).arg(&sign).arg("--out").arg(file.join("below")));
    assert_eq!(status, 1);
    assert!(err.contains("cannot be written"), "{err}");
    let (status, _, err) = said(stakeline().args(["surface", "--sign"]).arg(&sign).arg("--out").arg(&file));
    assert_eq!(status, 1);
    assert!(err.contains("is a file, not a folder"), "{err}");
}

#[test]
fn sign_and_lines_of_two_places_are_refused_with_both_files() {
    let room = Room::new();
    let sign = room.file("sign.geojson", points(&GOOD));
    let lines =
        room.file("tracks.geojson", r#"{"type":"LineString","coordinates":[[10.0,50.0],[10.1,50.0]]}"#);
    let line = format!("track={}", lines.display());
    let (status, _, err) = room.surface(&sign, &["--line", &line]);
    assert_eq!(status, 1);
    assert!(err.contains("sign.geojson, tracks.geojson") && err.contains("km apart"), "{err}");
}

#[test]
fn a_plan_with_a_slip_is_refused_with_its_place() {
    let room = Room::new();
    room.file("sign.geojson", points(&GOOD));
    let plan = room.file("plan.toml", "[[sign]]\nfile = \"sign.geojson\"\n[surface]\nbandwith = 100\n");
    let (status, _, err) = said(stakeline().arg("surface").arg(&plan).arg("--out").arg(room.out()));
    assert_eq!(status, 1);
    for part in ["plan.toml", "line 4, column 1", "did you mean \"bandwidth\""] {
        assert!(err.contains(part), "\"{part}\" is not in: {err}");
    }
    room.assert_clean();
}

#[test]
fn json_mode_prints_one_object_and_quiet_prints_no_warning() {
    let room = Room::new();
    let sign = room.file("sign.geojson", points(&[&GOOD[..], &[("[0,0]", "{}")]].concat()));
    let (_, out, err) = room.surface(&sign, &["--bandwidth", "100", "--json"]);
    let object: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(object["command"], "surface");
    assert!(err.contains("warning: "), "{err}");
    let (_, _, err) = room.surface(&sign, &["--bandwidth", "100", "--quiet", "--force"]);
    assert_eq!(err, "");
}

const TRACK: &str = r#"{"type":"LineString","coordinates":[[148.1,-35.1],[148.5,-35.1]]}"#;

/// Runs `sites` on the good points and one track.
fn sites(room: &Room, more: &[&str]) -> (i32, String, String) {
    let sign = room.file("sign.geojson", points(&GOOD));
    let line = format!("track={}", room.file("tracks.geojson", TRACK).display());
    let mut run = stakeline();
    run.args(["sites", "--bandwidth", "100", "--sign"]).arg(sign).args(["--line", &line]);
    said(run.args(more).arg("--out").arg(room.out()))
}

#[test]
fn impossible_requests_of_sites_are_told_with_their_files() {
    let room = Room::new();
    let far =
        r#"{"type":"Polygon","coordinates":[[[148.3,-35.3],[148.31,-35.3],[148.31,-35.29],[148.3,-35.3]]]}"#;
    let far = room.file("area.geojson", far).display().to_string();
    let (status, _, err) = sites(&room, &["--area", &far]);
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("area.geojson") && err.contains("outside the area"), "{err}");
    let (status, _, err) = sites(&room, &["--spacing", "0.001"]);
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("tracks.geojson") && err.contains("spacing"), "{err}");
    assert_eq!(sites(&room, &["--budget", "0"]).0, 2);
    room.assert_clean();
}

#[test]
fn a_line_of_no_length_is_counted_and_left_out() {
    let room = Room::new();
    let still = r#"{"type":"LineString","coordinates":[[148.1,-35.1],[148.1,-35.1]]}"#;
    let still = format!("fence={}", room.file("still.geojson", still).display());
    let (status, _, err) = sites(&room, &["--line", &still]);
    assert_eq!(status, 0, "{err}");
    assert!(err.contains("still.geojson") && err.contains("a line of no length"), "{err}");
}

/// A value that cannot be read is shown with its line and a caret, in a table and in GeoJSON; the
/// place is found below the folder of the plan, too.
#[test]
fn values_are_pointed_at() {
    let room = Room::new();
    let table =
        room.file("sign.csv", "id,lon,lat,count\na,148.1,-35.1,1\nb,148.1x,-35.1,1\nc,148.2,-35.2,many\n");
    let text = points(&[("[148.1,-35.1]", r#"{"count":"many"}"#)]);
    let json = room.file("sign.geojson", &text);
    let column = text.find("\"many\"").unwrap() + 1;
    let (status, _, err) = room.surface(&table, &[]);
    assert_eq!(status, 1);
    for words in [
        "sign.csv: feature 2 (id b): has the coordinates \"148.1x\", \"-35.1\", which are no numbers (line 3 column 3)\n 3 | b,148.1x,-35.1,1\n       ^\n",
        "sign.csv: feature 3 (id c): has the count \"many\", where a number is wanted (line 4 column 15)\n 4 | c,148.2,-35.2,many\n                   ^\n",
    ] {
        assert!(err.contains(words), "{err}");
    }
    let (status, _, err) = room.surface(&json, &[]);
    assert_eq!(status, 1);
    assert!(err.contains(&format!("where a number is wanted (line 1 column {column})\n 1 | …")), "{err}");
    let plan = room.file("plan.toml", "[[sign]]\nfile = \"sign.csv\"\n");
    let (status, _, err) = said(stakeline().arg("surface").arg(&plan).arg("--out").arg(room.out()));
    assert_eq!(status, 1);
    assert!(err.contains(" 3 | b,148.1x,-35.1,1"), "{err}");
    let header = room.file("header.csv", "id,lan,lat\na,1,2\n");
    assert!(room.surface(&header, &[]).2.contains("is \"lan\" meant to be \"lon\"?"));
    room.assert_clean();
}
