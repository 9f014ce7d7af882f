//! A state-wide job, from a sixty-fourth of its size upward: time and memory against size.
//!
//! At size 1 it is two million records, 200,000 km of lines, a surface of 4096² cells and 20,000
//! sites on 200,000 km². `STAKELINE_SCALE` names the sizes as divisors, by default `64,16`:
//! `STAKELINE_SCALE=64,16,4,1 cargo test --release --test scale -- --ignored --nocapture`.
#![cfg(target_os = "linux")]

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Side of the whole square in metres: 4096 cells of 109 m.
const SIDE_M: f64 = 447_000.0;
const CELLS: f64 = 4096.0;
const RECORDS: f64 = 2e6;
const SITES: f64 = 20_000.0;
/// Each track is 100 steps of 100 m.
const TRACKS: f64 = 20_000.0;
const STEPS: usize = 100;
const STEP_M: f64 = 100.0;

/// The centre of a zone, so that the whole square lies where its projection is good.
const CENTRE: [f64; 2] = [147.0, -33.0];

struct Maker {
    random: ChaCha8Rng,
    side_m: f64,
}

impl Maker {
    fn anywhere(&mut self) -> [f64; 2] {
        let h = self.side_m / 2.0;
        [self.random.random_range(-h..h), self.random.random_range(-h..h)]
    }

    /// Degrees on a sphere: near enough, since only the size of the job matters.
    fn degrees([x, y]: [f64; 2]) -> (f64, f64) {
        let lat = CENTRE[1] + y / 111_000.0;
        (CENTRE[0] + x / (111_320.0 * lat.to_radians().cos()), lat)
    }

    /// A track that wanders; where it would leave the square it turns back.
    fn track(&mut self) -> Vec<[f64; 2]> {
        let mut here = self.anywhere();
        let mut bearing = self.random.random_range(0.0..std::f64::consts::TAU);
        let mut way = vec![here];
        for _ in 0..STEPS {
            bearing += self.random.random_range(-0.2..0.2);
            let next = [here[0] + STEP_M * bearing.sin(), here[1] + STEP_M * bearing.cos()];
            if next.iter().any(|v| v.abs() > self.side_m / 2.0) {
                bearing += std::f64::consts::PI;
                continue;
            }
            here = next;
            way.push(here);
        }
        way
    }
}

/// The features of a layer, each written by `each`.
fn layer(path: &Path, count: usize, mut each: impl FnMut(usize, &mut dyn Write)) {
    let mut out = BufWriter::new(File::create(path).unwrap());
    out.write_all(b"{\"type\":\"FeatureCollection\",\"features\":[\n").unwrap();
    for k in 0..count {
        if k > 0 {
            out.write_all(b",\n").unwrap();
        }
        each(k, &mut out);
    }
    out.write_all(b"\n]}\n").unwrap();
    out.flush().unwrap();
}

/// Writes the job of one divisor.
fn make(folder: &Path, divisor: f64) {
    let mut maker =
        Maker { random: ChaCha8Rng::seed_from_u64(divisor as u64), side_m: SIDE_M / divisor.sqrt() };
    let mut ways = Vec::new();
    layer(&folder.join("tracks.geojson"), (TRACKS / divisor) as usize, |k, out| {
        let way = maker.track();
        write!(out, "{{\"type\":\"Feature\",\"properties\":{{\"name\":\"Track {k}\"}},\"geometry\":{{\"type\":\"LineString\",\"coordinates\":[").unwrap();
        for (i, &place) in way.iter().enumerate() {
            let (lon, lat) = Maker::degrees(place);
            write!(out, "{}[{lon:.7},{lat:.7}]", if i == 0 { "" } else { "," }).unwrap();
        }
        out.write_all(b"]}}").unwrap();
        ways.push(way);
    });
    layer(&folder.join("sign.geojson"), (RECORDS / divisor) as usize, |k, out| {
        // More sign on some tracks than on others.
        let way = &ways[(ways.len() as f64 * maker.random.random_range(0.0_f64..1.0).powi(2)) as usize];
        let [x, y] = way[maker.random.random_range(0..way.len())];
        let off = [maker.random.random_range(-60.0..60.0), maker.random.random_range(-60.0..60.0)];
        let (lon, lat) = Maker::degrees([x + off[0], y + off[1]]);
        let (month, day) = (k % 12 + 1, k % 28 + 1);
        write!(out, "{{\"type\":\"Feature\",\"properties\":{{\"sign\":\"scat\",\"animal\":\"dog\",\"date\":\"2026-{month:02}-{day:02}\"}},\"geometry\":{{\"type\":\"Point\",\"coordinates\":[{lon:.7},{lat:.7}]}}}}").unwrap();
    });
    layer(&folder.join("keep-outs.geojson"), (SITES / divisor) as usize, |_, out| {
        let (lon, lat) = Maker::degrees(maker.anywhere());
        write!(out, "{{\"type\":\"Feature\",\"properties\":{{\"distance_m\":137}},\"geometry\":{{\"type\":\"Point\",\"coordinates\":[{lon:.7},{lat:.7}]}}}}").unwrap();
    });
    let cell_m = SIDE_M / CELLS;
    let budget = (SITES / divisor) as usize;
    let plan = format!(
        "[place]\nepsg = 32755\n[[sign]]\nfile = \"sign.geojson\"\n[[line]]\nkind = \"track\"\nfile = \"tracks.geojson\"\n\
         [[keep_out]]\nfile = \"keep-outs.geojson\"\n[surface]\nbandwidth = 1000\ncell_m = {cell_m:.3}\n\
         [sites]\nspacing_m = 5000\nbudget = {budget}\nweightings = 0\n"
    );
    fs::write(folder.join("plan.toml"), plan).unwrap();
}

/// Runs a job; seconds and the most memory it held, in MB.
fn run(folder: &Path) -> (f64, f64) {
    let begun = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_stakeline"))
        .current_dir(folder)
        .args(["run", "plan.toml", "--threads", "2", "--quiet", "--out", "out"])
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut most_mb: f64 = 0.0;
    let end = loop {
        // The kernel keeps the most that was ever held.
        let told = fs::read_to_string(&status).unwrap_or_default();
        let held = told.lines().find_map(|l| l.strip_prefix("VmHWM:"));
        let held_kb = held.and_then(|l| l.trim().trim_end_matches(" kB").parse::<f64>().ok());
        most_mb = most_mb.max(held_kb.unwrap_or(0.0) / 1024.0);
        if let Some(end) = child.try_wait().unwrap() {
            break end;
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    assert!(end.success(), "{end}");
    (begun.elapsed().as_secs_f64(), most_mb)
}

fn stage(folder: &Path, file: &str) -> String {
    let text = fs::read_to_string(folder.join("out").join(file)).unwrap_or_default();
    let value: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
    format!("{file} {}", value["seconds"])
}

#[test]
#[ignore = "minutes and gigabytes; run in release with --nocapture"]
fn time_and_memory_against_size() {
    let divisors = std::env::var("STAKELINE_SCALE").unwrap_or_else(|_| "64,16".into());
    let mut last: Option<(f64, f64, f64)> = None;
    for divisor in divisors.split(',').map(|d| d.parse::<f64>().unwrap()) {
        let room = tempfile::tempdir().unwrap();
        make(room.path(), divisor);
        let (seconds, mb) = run(room.path());
        let sites = fs::read_to_string(room.path().join("out/sites.csv")).unwrap().lines().count() - 1;
        println!("1/{divisor}: {seconds:.1} s, {mb:.0} MB, {sites} sites");
        for file in ["activity.json", "nodes.json", "sites.json"] {
            println!("    {}", stage(room.path(), file));
        }
        if let Some((before, s, m)) = last {
            let exponent = |now: f64, then: f64| (now / then).ln() / (before / divisor).ln();
            println!("    time to the power {:.2}, memory {:.2}", exponent(seconds, s), exponent(mb, m));
        }
        assert!(mb < 8192.0, "{mb} MB");
        last = Some((divisor, seconds, mb));
    }
}
