//! The map, the field sheet and the notices of the demo, by their text and in a real browser.
//!
//! The browser part needs Chromium, Node.js and the npm packages playwright-core and axe-core
//! (`STAKELINE_NODE_MODULES` names the folder that holds them); without these it says loudly
//! that it is skipped.

mod big;
#[path = "../support/mod.rs"]
mod support;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command as Process;

use support::{json, said, stakeline};

/// A small generator of its own.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// A name that would run if it entered a page as markup.
const MARKUP: &str = "<script>document.title='ran'</script><img src=x onerror=document.title='ran'>&quot;";

/// The demo with a hostile track name and a telling observer name, run again from its plan.
fn hostile_demo(room: &Path) -> PathBuf {
    let demo = room.join("demo");
    let (status, _, error) = said(stakeline().arg("demo").arg(&demo));
    assert_eq!(status, 0, "{error}");
    let change = |name: &str, from: &str, to: &str| {
        let path = demo.join("property").join(name);
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.contains(from), "{name} holds no {from}");
        fs::write(path, text.replace(from, to)).unwrap();
    };
    change("tracks.geojson", "\"Valley Track\"", &format!("{:?}", MARKUP));
    change("keep-outs.geojson", "\"homestead\"", &format!("{:?}", MARKUP));
    change("sign.geojson", "\"observer\":\"A\"", "\"observer\":\"Observa Surnamely\"");
    // Every layer that a map can have is there to be switched.
    change("plan.toml", "[sites]\n", "[surface]\nalong_lines = true\n\n[sites]\n");
    let (status, _, error) =
        said(stakeline().current_dir(&demo).args(["run", "property/plan.toml", "--out", "again"]));
    assert_eq!(status, 0, "{error}");
    demo.join("again")
}

#[test]
fn pages_hold_their_text_and_nothing_else() {
    let room = tempfile::tempdir().unwrap();
    let out = hostile_demo(room.path());
    let read = |name: &str| fs::read_to_string(out.join(name)).unwrap();
    let (map, sheet) = (read("map.html"), read("field-sheet.html"));
    assert!(map.len() < 3_000_000, "map.html has {} bytes", map.len());
    for page in [&map, &sheet] {
        assert!(page.contains("Content-Security-Policy") && page.contains("default-src 'none'"));
        assert!(!page.contains("<script>document") && !page.contains("<img src=x"), "markup came through");
        // A name space, the credit of the map library, and two bug reports in its comments.
        let ours = [
            "http://www.w3.org/2000/svg",
            "https://leafletjs.com",
            "https://bugs.chromium.org/p/chromium/issues/detail?id=600120",
            "https://bugzilla.mozilla.org/show_bug.cgi?id=888319",
        ];
        let strange = page.split("http").skip(1).filter(|rest| {
            (rest.starts_with("://") || rest.starts_with("s://"))
                && !ours.iter().any(|o| o.strip_prefix("http").is_some_and(|o| rest.starts_with(o)))
        });
        assert_eq!(strange.count(), 0, "a page names a foreign address");
    }
    assert!(!map.contains("Surnamely"), "an observer's name entered the map");
    assert!(!map.contains("holder of Parcel"), "a neighbour's name entered the map");
    assert!(sheet.find("Before anybody goes out") < sheet.find("<article"), "cautions do not come first");
    let sites = json(&out.join("sites.geojson"));
    let features = sites["features"].as_array().unwrap();
    assert_eq!(sheet.matches("<article class=\"site\">").count(), features.len());
    let first = &features[0]["geometry"]["coordinates"];
    let geo = format!("geo:{:.6},{:.6}", first[1].as_f64().unwrap(), first[0].as_f64().unwrap());
    assert!(sheet.contains(&geo), "{geo} is not on the sheet");
    the_browser_agrees(&out, room.path(), features.len());
}

#[test]
fn notices_name_every_neighbour_within_the_plans_distance_and_every_entrance() {
    let room = tempfile::tempdir().unwrap();
    let demo = room.path().join("demo");
    assert_eq!(said(stakeline().arg("demo").arg(&demo)).0, 0);
    let text = fs::read_to_string(demo.join("notices.csv")).unwrap();
    let rows: Vec<Vec<&str>> = text.lines().skip(1).map(|l| l.split(',').collect()).collect();
    let of = |kind: &str| rows.iter().filter(|r| r[0] == kind).collect::<Vec<_>>();
    assert!(!of("parcel").is_empty());
    assert!(of("parcel").iter().all(|r| r[5].parse::<f64>().unwrap() <= 700.0));
    // Two tracks come off the public road, one ends on the boundary in the south-east.
    let names: Vec<&str> = of("entrance").iter().map(|r| r[1]).collect();
    assert!(names.contains(&"Home Track") && names.contains(&"South Gate Track"), "{names:?}");
    assert!(text.lines().next().unwrap().contains("notified_on,by,method,"));
}

#[test]
fn the_report_is_added_to_a_folder_and_is_the_same_again() {
    let room = tempfile::tempdir().unwrap();
    let demo = room.path().join("demo");
    assert_eq!(said(stakeline().arg("demo").arg(&demo)).0, 0);
    let files = ["map.html", "field-sheet.html", "notices.csv"];
    let all = || files.map(|f| fs::read(demo.join(f)).unwrap());
    let (before, sites) = (all(), fs::read(demo.join("sites.geojson")).unwrap());
    for f in files {
        fs::remove_file(demo.join(f)).unwrap();
    }
    let (status, _, error) = said(stakeline().arg("report").arg(&demo));
    assert_eq!(status, 0, "{error}");
    assert!(before == all(), "the same folder gave another report");
    // A page that somebody wrote into is theirs.
    fs::write(demo.join("map.html"), "mine").unwrap();
    let (status, _, error) = said(stakeline().arg("report").arg(&demo));
    assert_eq!(status, 1);
    assert!(error.contains("map.html") && error.contains("changed after a run wrote it"), "{error}");
    assert_eq!(fs::read_to_string(demo.join("map.html")).unwrap(), "mine");
    assert!(sites == fs::read(demo.join("sites.geojson")).unwrap());
    let (status, _, error) = said(stakeline().arg("report").arg(room.path()));
    assert_eq!(status, 1);
    assert!(error.contains("manifest.json"), "{error}");
}

/// Opens the pages in Chromium, and takes the moved site back into `sites`.
fn the_browser_agrees(out: &Path, room: &Path, sites: usize) {
    let Some([chromium, playwright, axe]) = browser() else { return };
    let shots = std::env::var_os("STAKELINE_SCREENSHOTS").map_or_else(|| room.join("shots"), PathBuf::from);
    fs::create_dir_all(&shots).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/check.mjs");
    let done = Process::new("node")
        .arg(script)
        .args([chromium, playwright, axe])
        .args([out, &shots])
        .output()
        .unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    assert_eq!(json(&shots.join("report.json"))["sites"], sites);
    let (status, _, error) = said(
        stakeline()
            .current_dir(out.parent().unwrap())
            .args(["sites", "property/plan.toml", "--out", "moved", "--must"])
            .arg(shots.join("must.geojson")),
    );
    assert_eq!(status, 0, "{error}");
    the_moved_site_is_taken_back(&shots, &out.parent().unwrap().join("moved"));
    the_paper_is_whole(&shots.join("field-sheet.pdf"), sites);
}

/// A moved site stays where it was put, with the parts that the page foretold from the candidates
/// about it.
fn the_moved_site_is_taken_back(shots: &Path, moved: &Path) {
    let (told, must) = (json(&shots.join("report.json")), json(&shots.join("must.geojson")));
    let place = &must["features"][0]["geometry"]["coordinates"];
    let sites = json(&moved.join("sites.geojson"));
    let near = |p: &serde_json::Value| {
        let apart = |k: usize| p[k].as_f64().unwrap() - place[k].as_f64().unwrap();
        apart(0).hypot(apart(1)) < 1e-5
    };
    let mut features = sites["features"].as_array().unwrap().iter();
    let site = features.find(|f| near(&f["geometry"]["coordinates"])).expect("the moved site stays");
    assert_eq!(site["properties"]["side"], must["features"][0]["properties"]["side"]);
    for (part, value) in told["movedTo"].as_object().unwrap() {
        let exact = site["properties"]["parts"][part]["value"].as_f64().unwrap();
        let foretold = value.as_f64().unwrap();
        assert!((exact - foretold).abs() < 0.12, "{part}: the page said {foretold}, it is {exact}");
    }
}

/// Every site is on one page with all its rows.
fn the_paper_is_whole(pdf: &Path, sites: usize) {
    let Ok(text) = Process::new("pdftotext").arg("-layout").arg(pdf).arg("-").output() else {
        support::skipped("pdftotext (poppler-utils) is not at hand; the printed sheet was not read");
        return;
    };
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    let pages: Vec<&str> = text.split('\u{c}').collect();
    let blocks = |page: &str| page.lines().filter(|l| l.contains("rank ")).count();
    assert!(pages[0].contains("Before anybody goes out"));
    let with_sites: Vec<&&str> = pages.iter().filter(|p| blocks(p) > 0).collect();
    assert_eq!(with_sites.iter().map(|p| blocks(p)).sum::<usize>(), sites);
    for page in &with_sites {
        let rows = page.lines().filter(|l| l.trim_start().starts_with("lifted")).count();
        assert_eq!(rows, blocks(page), "a page break cuts a site:\n{page}");
    }
    assert!(with_sites.len() >= sites / 3 && with_sites.len() <= sites);
}

/// Paths of Chromium, playwright-core and axe-core.
fn browser() -> Option<[PathBuf; 3]> {
    let chromium = ["/usr/bin/chromium", "/usr/bin/chromium-browser"].map(PathBuf::from);
    let chromium = std::env::var_os("STAKELINE_CHROMIUM")
        .map(PathBuf::from)
        .into_iter()
        .chain(chromium)
        .find(|p| p.exists());
    let modules = std::env::var_os("STAKELINE_NODE_MODULES").map(PathBuf::from);
    let node = Process::new("node").arg("--version").output().is_ok();
    let found =
        chromium.zip(modules).map(|(c, m)| [c, m.join("playwright-core"), m.join("axe-core/axe.min.js")]);
    let found = found.filter(|all| node && all.iter().all(|p| p.exists()));
    if found.is_none() {
        support::skipped(
            "the pages were not opened in a browser: this needs chromium, node, and \
             STAKELINE_NODE_MODULES naming a folder with playwright-core and axe-core",
        );
    }
    found
}
