//! What is to be done at a station is said alike by every output that names it, and everything that
//! names a station or site says first what a careful trainer says.

mod support;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use support::{json as read_json, said, stakeline};
use tempfile::TempDir;

/// The sample property with `plan` added, in a folder of its own.
fn property(plan: &str) -> TempDir {
    let room = tempfile::tempdir().unwrap();
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-samples");
    for entry in fs::read_dir(samples).unwrap() {
        let path = entry.unwrap().path();
        if path.is_file() {
            fs::copy(&path, room.path().join(path.file_name().unwrap())).unwrap();
        }
    }
    let own = fs::read_to_string(room.path().join("plan.toml")).unwrap();
    let own = own.replace("weightings = 100", "weightings = 0").replace("[compare]", "[compare]\nruns = 49");
    fs::write(room.path().join("plan.toml"), format!("{plan}\n{own}")).unwrap();
    room
}

fn run(room: &Path, command: &str, out: &str) -> (PathBuf, String) {
    let folder = room.join(out);
    let mut program = stakeline();
    program.current_dir(room).args([command, "plan.toml", "--out"]).arg(&folder);
    let (status, said, err) = said(&mut program);
    assert_eq!(status, 0, "{err}");
    (folder, said + &err)
}

fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut table = csv::Reader::from_path(path).unwrap();
    table.deserialize().map(Result::unwrap).collect()
}

fn text(of: &Value, key: &str) -> String {
    of[key].as_str().unwrap_or_default().to_string()
}

/// Pairs of task and reason, by station and file.
type Told = BTreeMap<String, BTreeMap<String, BTreeSet<(String, String)>>>;

/// Every pair of task and reason that a JSON output gives a station.
fn told(value: &Value, file: &str, found: &mut Told) {
    match value {
        Value::Object(members) => {
            if let Some(Value::String(id)) = members.get("station_id") {
                assert!(members.contains_key("task"), "{file} names {id} without a task: {value}");
                let pair = (text(value, "task"), text(value, "task_reason"));
                found.entry(id.clone()).or_default().entry(file.to_string()).or_default().insert(pair);
            }
            members.values().for_each(|member| told(member, file, found));
        }
        Value::Array(list) => list.iter().for_each(|one| told(one, file, found)),
        _ => {}
    }
}

#[test]
fn every_output_gives_a_station_one_task_and_all_reasons() {
    let room = property("");
    let (all, words) = run(room.path(), "run", "all");
    let (sites, _) = run(room.path(), "sites", "sites");
    let (round, _) = run(room.path(), "round", "round");
    let (checks, _) = run(room.path(), "checks", "checks");
    let mut found = BTreeMap::new();
    for (folder, names) in [
        (&all, &["sites.json", "checks.json", "checks.geojson", "round.geojson", "round.json"][..]),
        (&sites, &["sites.json", "sites.geojson", "candidates.geojson"]),
        (&round, &["round.geojson", "round.json"]),
        (&checks, &["checks.json", "checks.geojson"]),
    ] {
        for name in names {
            let file = format!("{}/{name}", folder.file_name().unwrap().to_string_lossy());
            let mut json = read_json(&folder.join(name));
            json.as_object_mut().unwrap().remove("stakeline");
            told(&json, &file, &mut found);
        }
    }
    assert_eq!(found.len(), 9, "{:?}", found.keys());
    let mut verdicts: BTreeMap<String, (String, String)> = BTreeMap::new();
    for (id, files) in &found {
        let pairs: BTreeSet<&(String, String)> = files.values().flatten().collect();
        assert_eq!(pairs.len(), 1, "{id}: {files:#?}");
        verdicts.insert(id.clone(), pairs.into_iter().next().unwrap().clone());
    }
    let task = |id: &str| verdicts[id].0.as_str();
    assert_eq!((task("GS-05"), task("GS-06"), task("GS-08")), ("lift", "none", "search"));
    assert!(verdicts["GS-05"].1.contains("top tank") && verdicts["GS-05"].1.contains("137 m"));
    // An older property that says as much, in its own words.
    for station in read_json(&all.join("sites.json"))["stations"].as_array().unwrap() {
        let verdict = if station["task"] == "serve" { "keep" } else { station["task"].as_str().unwrap() };
        assert_eq!(station["verdict"], verdict);
    }
    for quiet in read_json(&checks.join("checks.json"))["quiet"].as_array().unwrap() {
        let advice = quiet["advice"].as_str().unwrap();
        let task = quiet["task"].as_str().unwrap();
        assert!(advice == task || (task == "serve" && matches!(advice, "leave" | "refresh")), "{quiet}");
        assert!(!quiet["nights"].to_string().starts_with('-'), "{quiet}");
    }
    for row in rows(&all.join("round.csv")) {
        let (task, reason) = &verdicts[&row["station_id"]];
        assert_eq!((&row["task"], &row["task_reason"]), (task, reason));
        assert_eq!(row["urgency"] == "lift", task == "lift");
    }
    for row in rows(&all.join("notices.csv")) {
        if let Some((task, _)) = verdicts.get(&row["nearest_station"]) {
            assert_eq!(&row["task"], task);
        }
    }
    // What must not be armed is called so where the crew looks, and takes no dose along.
    let read = |name: &str| fs::read_to_string(all.join(name)).unwrap().replace("\r\n ", "");
    assert!(read("round.gpx").contains("GS-05 LIFT</name>"), "{}", read("round.gpx"));
    let calendar = read("due.ics");
    assert!(calendar.contains("SUMMARY:Lift 1 station\\, search at 1 station"), "{calendar}");
    assert!(calendar.contains("GS-05: LIFT IT\\, do not arm it") && !calendar.contains("GS-05: due"));
    let sheet = read("field-sheet.html");
    let section = |heading: &str| {
        let from = sheet.find(heading).unwrap_or_else(|| panic!("no section {heading}"));
        let to = sheet[from..].find("</table>").unwrap();
        sheet[from..from + to].to_string()
    };
    let lifts = section("Stations to LIFT");
    assert!(lifts.contains("GS-05") && lifts.contains("top tank"), "{lifts}");
    assert!(
        section("MISSING").contains("GS-08") && !section("Stations to check and serve").contains("GS-05")
    );
    let served = verdicts.values().filter(|(task, _)| task == "serve").count();
    let kit = rows(&all.join("kit.csv"));
    let carried = |item: &str| {
        kit.iter().find(|r| r["day"] == "round" && r["item"] == item).unwrap()["quantity"].parse().unwrap()
    };
    let capsules: usize = carried("capsules");
    assert_eq!(capsules, served);
    assert!(carried("bag with a label for a station taken up") > 0);
    for task in ["lift", "search", "move"] {
        for (id, _) in verdicts.iter().filter(|(_, v)| v.0 == task) {
            assert!(words.contains(&format!("station {id}: {task}; ")), "{id}: {words}");
        }
    }
}

/// The area, a barred place and the check log decide in `round` and `checks` too, without sign and
/// without `sites`.
#[test]
fn single_commands_heed_area_never_places_and_the_log() {
    let room = tempfile::tempdir().unwrap();
    let write = |name: &str, features: Vec<Value>| {
        let text = json!({ "type": "FeatureCollection", "features": features }).to_string();
        fs::write(room.path().join(name), text).unwrap();
    };
    let feature = |geometry: Value, properties: Value| json!({ "type": "Feature", "geometry": geometry, "properties": properties });
    let point = |x: f64, properties: Value| {
        feature(json!({ "type": "Point", "coordinates": [x, -35.0] }), properties)
    };
    let track = json!({ "type": "LineString", "coordinates": [[148.0, -35.0], [148.1, -35.0]] });
    write("track.geojson", vec![feature(track, json!({ "name": "T" }))]);
    let ring = json!([[[148.0, -35.1], [148.08, -35.1], [148.08, -34.9], [148.0, -34.9], [148.0, -35.1]]]);
    write("area.geojson", vec![feature(json!({ "type": "Polygon", "coordinates": ring }), json!({}))]);
    write("never.geojson", vec![point(148.02, json!({ "name": "camp", "within_m": 50 }))]);
    let station = |id: &str, x: f64, state: &str| {
        point(x, json!({ "station_id": id, "state": state, "set_on": "2025-01-01" }))
    };
    write(
        "stations.geojson",
        vec![
            station("IN", 148.01, "set"),
            station("CAMP", 148.02, "set"),
            station("GONE", 148.03, "set"),
            station("LOST", 148.04, "set"),
            station("OLD", 148.05, "lifted"),
            station("OUT", 148.09, "set"),
            station("WISH", 148.095, "proposed"),
        ],
    );
    fs::write(
        room.path().join("checks.csv"),
        "station_id,date,found,lifted,serviced\nGONE,2025-02-01,intact,yes,no\nLOST,2025-02-01,missing,no,no\nIN,2025-02-01,intact,no,yes\n",
    )
    .unwrap();
    fs::write(
        room.path().join("plan.toml"),
        "[place]\narea = \"area.geojson\"\n[[line]]\nkind = \"track\"\nfile = \"track.geojson\"\n[[station]]\nfile = \"stations.geojson\"\n[[check]]\nfile = \"checks.csv\"\n[sites]\nnever = \"never.geojson\"\nweightings = 0\n",
    )
    .unwrap();
    let wanted = [
        ("CAMP", "lift"),
        ("GONE", "none"),
        ("IN", "serve"),
        ("LOST", "search"),
        ("OLD", "none"),
        ("OUT", "lift"),
        ("WISH", "leave"),
    ];
    for (command, file, key) in [
        ("sites", "sites.json", "stations"),
        ("round", "round.json", "tasks"),
        ("checks", "checks.json", "stations"),
    ] {
        let (folder, _) = run(room.path(), command, command);
        let summary = read_json(&folder.join(file));
        let mut tasks: Vec<(String, String)> = summary[key]
            .as_array()
            .unwrap()
            .iter()
            .map(|s| (text(s, "station_id"), text(s, "task")))
            .collect();
        tasks.sort();
        assert_eq!(tasks, wanted.map(|(id, task)| (id.to_string(), task.to_string())), "{command}");
    }
    let stops: Vec<String> =
        rows(&room.path().join("round/round.csv")).iter().map(|row| row["station_id"].clone()).collect();
    assert_eq!(
        BTreeSet::from_iter(stops.iter().map(String::as_str)),
        BTreeSet::from(["CAMP", "IN", "LOST", "OUT"])
    );
}

#[test]
fn every_output_that_names_a_station_or_site_carries_the_cautions() {
    let room = property("also = [\"kml\", \"gpkg\"]");
    let plan = fs::read_to_string(room.path().join("plan.toml")).unwrap();
    let safety = "\n[safety]\nvet = \"Invented Vets at the ford\"\n";
    fs::write(room.path().join("plan.toml"), plan + safety).unwrap();
    let (folder, _) = run(room.path(), "run", "out");
    let features = |name: &str| read_json(&folder.join(name))["features"].as_array().unwrap().clone();
    let mut ids: Vec<String> =
        features("sites.geojson").iter().map(|f| text(&f["properties"], "site_id")).collect();
    ids.extend(features("checks.geojson").iter().map(|f| text(&f["properties"], "station_id")));
    assert!(ids.len() > 20, "{ids:?}");
    let mut named = BTreeSet::new();
    for entry in fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let bytes = fs::read(&path).unwrap();
        let text = String::from_utf8_lossy(&bytes).replace("\r\n ", "");
        let names_one = ids.iter().any(|id| text.contains(id.as_str())) || name == "kit.csv";
        // Rasters compress to whatever letters; they name nothing.
        if !names_one || name.ends_with(".tif") {
            continue;
        }
        let text = text.to_lowercase();
        for word in ["poison", "label", "code"] {
            assert!(text.contains(word), "{name} names a station or a site and does not say {word}");
        }
        named.insert(name);
    }
    for name in [
        "candidates.geojson",
        "checks.geojson",
        "checks.json",
        "due.ics",
        "field-sheet.html",
        "kit.csv",
        "layers.gpkg",
        "layers.kml",
        "map.html",
        "notices.csv",
        "round.csv",
        "round.geojson",
        "round.gpx",
        "round.json",
        "season-report.html",
        "sites.csv",
        "sites.geojson",
        "sites.gpx",
        "sites.json",
    ] {
        assert!(named.contains(name), "{name} is not among {named:?}");
    }
    // Every row and every feature that is seen alone has the short one; the header stays the first row.
    for name in ["kit.csv", "notices.csv", "round.csv", "sites.csv"] {
        let rows = rows(&folder.join(name));
        assert!(!rows.is_empty() && rows.iter().all(|row| row["caution"].starts_with("POISON")), "{name}");
        let header = csv::Reader::from_path(folder.join(name)).unwrap().headers().unwrap().clone();
        // What became of a row of whom was told stands behind it.
        let behind = usize::from(name == "notices.csv");
        assert_eq!(&header[header.len() - 1 - behind], "caution", "{name}");
    }
    for name in ["checks.geojson", "round.geojson", "sites.geojson"] {
        assert!(
            features(name).iter().all(|f| text(&f["properties"], "caution").starts_with("POISON")),
            "{name}"
        );
    }
    for name in ["round.gpx", "sites.gpx"] {
        let gpx = fs::read_to_string(folder.join(name)).unwrap();
        assert_eq!(gpx.matches("<wpt").count(), gpx.matches("POISON").count(), "{name}");
    }
    // Whom to call: what the plan says, blanks for the rest, and nothing of our own.
    let sheet = fs::read_to_string(folder.join("field-sheet.html")).unwrap();
    assert!(
        sheet.contains("<dt>Vet</dt><dd>Invented Vets at the ford</dd>")
            && sheet.contains("<dt>Doctor</dt><dd></dd>")
    );
    let calendar = fs::read_to_string(folder.join("due.ics")).unwrap().replace("\r\n ", "");
    assert!(calendar.contains("Vet: Invented Vets at the ford\\; Poisons line: ____"), "{calendar}");
    let kit: Vec<String> = rows(&folder.join("kit.csv")).iter().map(|row| row["item"].clone()).collect();
    for item in ["water and soap", "signs", "radio or beacon", "label", "permit", "bags"] {
        assert!(kit.iter().any(|own| own.contains(item)), "{item}: {kit:?}");
    }
}
