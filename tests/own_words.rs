//! What a person wrote is theirs: a plan and layers in the output folder, tables that were filled
//! in, outputs that were changed by hand; and what `report` says of a folder that no longer is as
//! its run left it.

mod support;

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use support::{said, stakeline};

/// A place of one track with a dwelling and two neighbours, in a folder that `new` wrote, and the
/// plan that somebody made of the one that lies there.
struct Place(tempfile::TempDir);

fn collection(features: &[(&str, Value, Value)]) -> String {
    let feature = |(id, geometry, properties): &(&str, Value, Value)| json!({ "type": "Feature", "id": id, "geometry": geometry, "properties": properties });
    json!({ "type": "FeatureCollection", "features": features.iter().map(feature).collect::<Vec<_>>() })
        .to_string()
}

fn square(west: f64, south: f64, side: f64) -> Value {
    let (east, north) = (west + side, south + side);
    json!({ "type": "Polygon", "coordinates":
        [[[west, south], [east, south], [east, north], [west, north], [west, south]]] })
}

const PLAN: &str = "[place]\nname = \"my own words\"\narea = \"area.geojson\"\n\
    [[line]]\nkind = \"track\"\nfile = \"track.geojson\"\n\
    [[keep_out]]\nfile = \"dwelling.geojson\"\ndistance_m = 300\n\
    [[parcel]]\nfile = \"parcels.geojson\"\nnotify_m = 9000\n\
    [sites]\nspacing_m = 800\nbudget = 3\nweightings = 0\n";

impl Place {
    fn new() -> Self {
        let place = Self(tempfile::tempdir().unwrap());
        assert_eq!(said(stakeline().arg("new").arg(place.farm())).0, 0);
        let put = |name: &str, text: String| fs::write(place.farm().join(name), text).unwrap();
        put("plan.toml", PLAN.to_string());
        let track = json!({ "type": "LineString", "coordinates": [[148.80, -35.2], [148.86, -35.2]] });
        put("track.geojson", collection(&[("t", track, json!({ "name": "Long Track" }))]));
        put("area.geojson", collection(&[("a", square(148.79, -35.25, 0.1), json!({}))]));
        let dwelling = json!({ "type": "Point", "coordinates": [148.83, -35.21] });
        put("dwelling.geojson", collection(&[("d", dwelling, json!({ "reason": "dwelling" }))]));
        put(
            "parcels.geojson",
            collection(&[
                ("n1", square(148.89, -35.2, 0.02), json!({ "name": "North Block", "holder": "A" })),
                ("n2", square(148.89, -35.25, 0.02), json!({ "name": "South Block", "holder": "B" })),
            ]),
        );
        place
    }

    fn farm(&self) -> PathBuf {
        self.0.path().join("hill")
    }

    fn out(&self) -> PathBuf {
        self.farm().join("out")
    }

    /// Runs the program in the place's folder.
    fn run(&self, words: &[&str]) -> (i32, String, String) {
        said(stakeline().current_dir(self.farm()).args(words))
    }

    fn sites(&self) {
        let (status, _, err) = self.run(&["sites", "plan.toml", "--out", "out"]);
        assert_eq!(status, 0, "{err}");
    }

    fn change(&self, name: &str, from: &str, to: &str) {
        let path = self.farm().join(name);
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(from), "{from} not in {text}");
        fs::write(&path, text.replacen(from, to, 1)).unwrap();
    }

    fn text(&self, name: &str) -> String {
        fs::read_to_string(self.farm().join(name)).unwrap()
    }
}

#[test]
fn a_plan_and_layers_in_the_output_folder_stay() {
    let place = Place::new();
    let inputs = ["plan.toml", "track.geojson", "area.geojson", "dwelling.geojson", "parcels.geojson"];
    let before = inputs.map(|name| place.text(name));
    for turn in 0..3 {
        let plan = ["plan.toml", "./plan.toml", "../hill/plan.toml"][turn];
        let (status, _, err) = place.run(&["sites", plan, "--out", ".", "--force"]);
        assert_eq!(status, 0, "{err}");
        assert_eq!(inputs.map(|name| place.text(name)), before);
        assert!(place.farm().join("sites.geojson").exists());
    }
    // A folder that no run wrote is not touched, whatever it holds.
    fs::remove_file(place.farm().join("manifest.json")).unwrap();
    let (status, _, err) = place.run(&["sites", "plan.toml", "--out", ".", "--force"]);
    assert_eq!(status, 1);
    assert!(err.contains("no run wrote it"), "{err}");
    assert_eq!(inputs.map(|name| place.text(name)), before);
}

/// A shell in the output folder is still there after a run into it, and so is the plan.
#[cfg(target_os = "linux")]
#[test]
fn commands_one_after_another_in_the_output_folder_work() {
    let place = Place::new();
    let program = env!("CARGO_BIN_EXE_stakeline");
    let script = format!(
        "set -e; '{program}' sites plan.toml --out . --force; cat plan.toml; '{program}' report .; \
         '{program}' sites plan.toml --out . --force; cat plan.toml notices.csv"
    );
    let run =
        std::process::Command::new("sh").args(["-c", &script]).current_dir(place.farm()).output().unwrap();
    let (out, err) = (String::from_utf8_lossy(&run.stdout), String::from_utf8_lossy(&run.stderr));
    assert!(run.status.success(), "{out}{err}");
    assert!(out.matches(PLAN).count() == 2 && out.contains("North Block"), "{out}");
    assert!(!err.contains("cd ."), "{err}");
}

#[test]
fn an_edited_plan_is_not_written_anew() {
    let place = Place::new();
    let (status, _, err) = said(stakeline().arg("new").arg(place.farm()).arg("--force"));
    assert_eq!(status, 1);
    assert!(err.contains("plan.toml") && err.contains("changed after a run wrote it"), "{err}");
    assert_eq!(place.text("plan.toml"), PLAN);
    // One that nobody touched is.
    let other = place.0.path().join("other");
    let new = || said(stakeline().arg("new").arg(&other).arg("--force")).0;
    assert_eq!((new(), new()), (0, 0));
}

#[test]
fn an_output_that_is_read_is_not_replaced() {
    let place = Place::new();
    place.sites();
    let before = place.text("out/network.geojson");
    for line in ["track=out/network.geojson", "track=../hill/out/./network.geojson"] {
        let (status, _, err) =
            place.run(&["nodes", "--line", line, "--snap", "3", "--out", "out", "--force"]);
        assert_eq!(status, 1, "{err}");
        assert!(err.contains("network.geojson") && err.contains("is an input of this run"), "{err}");
        assert_eq!(place.text("out/network.geojson"), before);
    }
}

#[test]
fn an_output_with_notes_in_it_is_not_replaced() {
    let place = Place::new();
    place.sites();
    fs::write(place.out().join("sites.csv"), place.text("out/sites.csv") + "a note\n").unwrap();
    let before = place.text("out/sites.csv");
    let (status, _, err) = place.run(&["sites", "plan.toml", "--out", "out", "--force"]);
    assert_eq!(status, 1);
    assert!(err.contains("sites.csv") && err.contains("rename or move it"), "{err}");
    assert_eq!(place.text("out/sites.csv"), before);
    // It stands in nobody's way where the report is drawn.
    let (status, out, err) = place.run(&["report", "out"]);
    assert_eq!(status, 0, "{err}");
    assert!(out.contains("files to") && out.lines().last().unwrap().ends_with("hill/out"), "{out}");
    assert_eq!(place.text("out/sites.csv"), before);
}

#[test]
fn who_was_told_is_not_forgotten() {
    let place = Place::new();
    place.sites();
    let out = || place.text("out/notices.csv");
    assert_eq!(place.run(&["report", "out"]).0, 0);
    let row = |text: &str| text.lines().find(|l| l.contains("North Block")).unwrap().to_string();
    let empty = row(&out());
    assert!(empty.contains(",A,,,,,"), "{empty}");
    let filled = empty.replace(",A,,,,,", ",A,,2026-05-01,Kim,\"phone, twice\",");
    place.change("out/notices.csv", &empty, &filled);
    for turn in 0..3 {
        let (status, said, err) = match turn {
            1 => place.run(&["sites", "plan.toml", "--out", "out", "--force"]),
            _ => place.run(&["report", "out"]),
        };
        assert_eq!(status, 0, "{err}");
        assert_eq!(said.contains("1 row filled in by hand kept"), turn != 1, "{said}");
        assert!(row(&out()).contains(",2026-05-01,Kim,\"phone, twice\","), "{}", out());
    }
    // A parcel that is no longer near is kept, since somebody was told.
    place.change("out/settings.toml", "notify_m = 9000", "notify_m = 1");
    let (status, _, err) = place.run(&["report", "out", "--as-it-stands"]);
    assert_eq!(status, 0, "{err}");
    let kept = row(&out());
    assert!(kept.contains("Kim,\"phone, twice\",") && kept.ends_with(",no longer listed"), "{kept}");
    assert!(err.contains("1 row no longer listed"), "{err}");
}

#[test]
fn a_table_that_cannot_be_merged_is_left_alone() {
    let place = Place::new();
    place.sites();
    assert_eq!(place.run(&["report", "out"]).0, 0);
    place.change("out/notices.csv", "kind,name", "what,who");
    let before = place.text("out/notices.csv");
    let (status, _, err) = place.run(&["report", "out"]);
    assert_eq!(status, 1);
    assert!(err.contains("notices.csv") && err.contains("has no column \"kind\""), "{err}");
    assert_eq!(place.text("out/notices.csv"), before);
}

#[test]
fn a_folder_that_was_moved_with_its_inputs_still_works() {
    let place = Place::new();
    place.sites();
    let moved = place.0.path().join("moved");
    fs::rename(place.farm(), &moved).unwrap();
    let report = |inputs: Option<&Path>| {
        let mut run = stakeline();
        run.current_dir(place.0.path()).arg("report").arg(moved.join("out"));
        run.args(inputs.iter().flat_map(|folder| [Path::new("--inputs"), folder]));
        said(&mut run)
    };
    let (status, out, err) = report(None);
    assert_eq!(status, 0, "{err}");
    assert!(out.contains(&format!("files to {}", moved.join("out").display())), "{out}");
    // The inputs elsewhere: it says what is wanted, and takes the answer.
    let store = place.0.path().join("store");
    fs::create_dir(&store).unwrap();
    for name in ["track.geojson", "area.geojson", "dwelling.geojson", "parcels.geojson"] {
        fs::rename(moved.join(name), store.join(name)).unwrap();
    }
    let (status, _, err) = report(None);
    assert_eq!(status, 1);
    let told = err.replace('\n', " ");
    for part in ["4 inputs that are not found", "track.geojson", "parcels.geojson", "--inputs"] {
        assert!(told.contains(part), "{part} not in {told}");
    }
    assert_eq!(report(Some(&store)).0, 0);
}

/// The set as somebody changed it, refused without a word to the crew and drawn as it stands.
fn refused_and_drawn(place: &Place, told: &[&str]) {
    let before = place.text("out/manifest.json");
    let (status, _, err) = place.run(&["report", "out"]);
    assert_eq!(status, 1, "{err}");
    for part in told.iter().chain(&["--as-it-stands"]) {
        assert!(err.contains(part), "{part} not in {err}");
    }
    assert!(!place.out().join("field-sheet.html").exists());
    assert_eq!(place.text("out/manifest.json"), before);
    let (status, _, err) = place.run(&["report", "out", "--as-it-stands"]);
    assert_eq!(status, 0, "{err}");
    for page in ["out/field-sheet.html", "out/map.html"] {
        let page = place.text(page);
        assert!(page.contains("no longer as its run left it") && page.contains(told[0]), "{told:?}");
    }
    // Drawn once as it stands, it is no more what the run left than before.
    assert_eq!(place.run(&["report", "out"]).0, 1);
}

#[test]
fn a_changed_keep_out_is_told_before_anything_is_printed() {
    let place = Place::new();
    place.sites();
    place.change("dwelling.geojson", "-35.21", "-35.2");
    refused_and_drawn(&place, &["dwelling.geojson has changed since the run read it (keep-out)"]);
}

#[test]
fn a_site_moved_by_hand_is_told_before_anything_is_printed() {
    let place = Place::new();
    place.sites();
    let mut sites: Value = serde_json::from_str(&place.text("out/sites.geojson")).unwrap();
    sites["features"][0]["geometry"]["coordinates"][0] = json!(148.8123);
    fs::write(place.out().join("sites.geojson"), sites.to_string()).unwrap();
    refused_and_drawn(&place, &["sites.geojson was changed after the run wrote it", "--must"]);
    assert!(place.text("out/sites.geojson").contains("148.8123"), "the moved site is lost");
}

#[test]
fn a_property_that_is_missing_is_no_left_side() {
    let place = Place::new();
    place.sites();
    let mut sites: Value = serde_json::from_str(&place.text("out/sites.geojson")).unwrap();
    sites["features"][1]["properties"].as_object_mut().unwrap().remove("side");
    let id = sites["features"][1]["id"].as_str().unwrap().to_string();
    fs::write(place.out().join("sites.geojson"), sites.to_string()).unwrap();
    for words in [["report", "out"].as_slice(), &["report", "out", "--as-it-stands"]] {
        let (status, _, err) = place.run(words);
        assert_eq!(status, 1);
        for part in ["sites.geojson: feature 2", &id, "property \"side\"", "found nothing"] {
            assert!(err.contains(part), "{part} not in {err}");
        }
        assert!(!place.out().join("field-sheet.html").exists());
    }
    fs::remove_file(place.out().join("sites.geojson")).unwrap();
    let (status, _, err) = place.run(&["report", "out"]);
    assert_eq!(status, 1);
    assert!(err.contains("sites.geojson is missing"), "{err}");
}
