//! Hard input: huge, degenerate or made to hurt. Each ends in bounded memory, done or refused in
//! clear words; a limit on memory ends the run of whoever asks for more. Short forms run always;
//! the sizes of `RELIABILITY.md` with
//! `cargo test --release --test hard_inputs -- --ignored --nocapture`.
#![cfg(unix)]

use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::process::Command;
use std::time::Instant;

/// What must come out.
#[derive(Clone, Copy)]
enum End {
    Done,
    /// Refused, and the message holds these words.
    Refused(&'static str),
}

/// A kind of hard input: how it is made in a size, and what is asked of it.
struct Hard {
    name: &'static str,
    /// Sizes of the short and of the long form.
    sizes: [usize; 2],
    /// Megabytes of address space that each may take.
    limits_mb: [usize; 2],
    arguments: &'static [&'static str],
    make: fn(usize, &mut dyn Write) -> std::io::Result<()>,
    end: End,
}

/// The last argument stands before the name of the file.
const SIGN: &[&str] = &["surface", "--bandwidth", "100", "--sign="];
const LINES: &[&str] = &["nodes", "--line", "track="];

const ALL: &[Hard] = &[
    Hard {
        name: "one property of many bytes",
        sizes: [4_000_000, 1_000_000_000],
        limits_mb: [1_200, 6_000],
        arguments: SIGN,
        make: long_property,
        end: End::Done,
    },
    Hard {
        name: "one line of many vertices",
        sizes: [20_000, 1_000_000],
        limits_mb: [1_200, 3_000],
        arguments: LINES,
        make: straight,
        end: End::Done,
    },
    Hard {
        name: "records at one place, a bandwidth given",
        sizes: [2_000, 1_000_000],
        limits_mb: [1_200, 3_000],
        arguments: SIGN,
        make: one_place,
        end: End::Done,
    },
    Hard {
        name: "records at one place, the bandwidth to be found",
        sizes: [2_000, 1_000_000],
        limits_mb: [1_200, 3_000],
        arguments: &["surface", "--sign="],
        make: one_place,
        end: End::Refused("bandwidth"),
    },
    Hard {
        name: "records one unit in the last place apart",
        sizes: [1_000, 100_000],
        limits_mb: [1_200, 3_000],
        arguments: SIGN,
        make: ulp_apart,
        end: End::Done,
    },
    Hard {
        name: "lines one unit in the last place apart",
        sizes: [100, 500],
        limits_mb: [1_200, 3_000],
        arguments: LINES,
        make: lines_ulp_apart,
        end: End::Done,
    },
    Hard {
        name: "more lines one unit in the last place apart",
        sizes: [2_000, 10_000],
        limits_mb: [1_200, 6_000],
        arguments: LINES,
        make: lines_ulp_apart,
        end: End::Refused("more than 500000000 pairs of line pieces overlap"),
    },
    Hard {
        name: "lines that cross at one point",
        sizes: [200, 2_000],
        limits_mb: [1_200, 6_000],
        arguments: LINES,
        make: star,
        end: End::Done,
    },
    Hard {
        name: "more lines that cross at one point",
        sizes: [20_000, 1_000_000],
        limits_mb: [1_200, 6_000],
        arguments: LINES,
        make: small_star,
        end: End::Refused("more than 500000000 pairs of line pieces overlap"),
    },
    Hard {
        name: "long lines that cross at one point",
        sizes: [20_000, 400_000],
        limits_mb: [1_200, 6_000],
        arguments: LINES,
        make: star,
        end: End::Refused("more than 500000000 pairs of line pieces overlap"),
    },
    Hard {
        name: "long lines on each other",
        sizes: [5_000, 100_000],
        limits_mb: [1_200, 6_000],
        arguments: LINES,
        make: lines_ulp_apart,
        end: End::Refused("more than 500000000 pairs of line pieces overlap"),
    },
    Hard {
        name: "records on one line",
        sizes: [2_000, 1_000_000],
        limits_mb: [1_200, 3_000],
        arguments: SIGN,
        make: on_one_line,
        end: End::Done,
    },
    Hard {
        name: "records on one line, the bandwidth to be found",
        sizes: [2_000, 1_000_000],
        limits_mb: [1_200, 3_000],
        arguments: &["surface", "--sign="],
        make: on_one_line,
        end: End::Refused("bandwidth"),
    },
    Hard {
        name: "kilobytes of text without a line break",
        sizes: [2_000, 2_000_000],
        limits_mb: [1_200, 3_000],
        arguments: SIGN,
        make: no_break,
        end: End::Done,
    },
];

fn point(out: &mut dyn Write, k: usize, lon: f64, lat: f64) -> std::io::Result<()> {
    let comma = if k == 0 { "" } else { ",\n" };
    write!(
        out,
        r#"{comma}{{"type":"Feature","properties":{{}},"geometry":{{"type":"Point","coordinates":[{lon},{lat}]}}}}"#
    )
}

fn line(out: &mut dyn Write, k: usize, path: impl Iterator<Item = (f64, f64)>) -> std::io::Result<()> {
    let comma = if k == 0 { "" } else { ",\n" };
    write!(
        out,
        r#"{comma}{{"type":"Feature","properties":{{}},"geometry":{{"type":"LineString","coordinates":["#
    )?;
    for (i, (lon, lat)) in path.enumerate() {
        write!(out, "{}[{lon},{lat}]", if i == 0 { "" } else { "," })?;
    }
    write!(out, "]}}}}")
}

fn long_property(bytes: usize, out: &mut dyn Write) -> std::io::Result<()> {
    write!(out, r#"{{"type":"Feature","properties":{{"note":""#)?;
    let block = "x".repeat(1_000_000);
    for _ in 0..bytes / block.len() {
        out.write_all(block.as_bytes())?;
    }
    write!(out, r#""}},"geometry":{{"type":"Point","coordinates":[148.1,-35.1]}}}}"#)
}

fn straight(vertices: usize, out: &mut dyn Write) -> std::io::Result<()> {
    line(out, 0, (0..vertices).map(|k| (148.0 + 1e-6 * k as f64, -35.0)))
}

fn one_place(records: usize, out: &mut dyn Write) -> std::io::Result<()> {
    (0..records).try_for_each(|k| point(out, k, 148.1, -35.1))
}

fn on_one_line(records: usize, out: &mut dyn Write) -> std::io::Result<()> {
    (0..records).try_for_each(|k| point(out, k, 148.0, -35.0 + 1e-7 * k as f64))
}

/// Each record with a note of a kilobyte, all in one line of text.
fn no_break(records: usize, out: &mut dyn Write) -> std::io::Result<()> {
    let note = "x".repeat(900);
    (0..records).try_for_each(|k| {
        let (comma, lon) = (if k == 0 { "" } else { "," }, 148.0 + 1e-7 * k as f64);
        let place = format!("[{lon},{}]", -35.0 - 1e-3 * (k % 100) as f64);
        write!(
            out,
            r#"{comma}{{"type":"Feature","properties":{{"note":"{note}"}},"geometry":{{"type":"Point","coordinates":{place}}}}}"#
        )
    })
}

/// The number so many representable numbers above another.
fn above(from: f64, steps: usize) -> f64 {
    f64::from_bits(from.to_bits() + steps as u64)
}

fn ulp_apart(records: usize, out: &mut dyn Write) -> std::io::Result<()> {
    (0..records).try_for_each(|k| point(out, k, above(148.1, k), -35.1))
}

fn lines_ulp_apart(lines: usize, out: &mut dyn Write) -> std::io::Result<()> {
    (0..lines).try_for_each(|k| line(out, k, [(above(148.1, k), -35.1), (148.2, -35.1)].into_iter()))
}

fn star(lines: usize, out: &mut dyn Write) -> std::io::Result<()> {
    star_of(lines, 0.01, out)
}

/// Lines of some 200 m, so that a million of them are no more than their crossing.
fn small_star(lines: usize, out: &mut dyn Write) -> std::io::Result<()> {
    star_of(lines, 0.001, out)
}

fn star_of(lines: usize, radius_deg: f64, out: &mut dyn Write) -> std::io::Result<()> {
    let end = |k: usize, sign: f64| {
        let angle = std::f64::consts::PI * k as f64 / lines as f64;
        (148.1 + sign * radius_deg * angle.cos(), -35.1 + sign * radius_deg * angle.sin())
    };
    (0..lines).try_for_each(|k| line(out, k, [end(k, -1.0), end(k, 1.0)].into_iter()))
}

/// Runs one kind in one size; tells how it went.
fn run(hard: &Hard, form: usize) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("hard.geojson");
    write_file(hard, hard.sizes[form], &path);
    let program = env!("CARGO_BIN_EXE_stakeline");
    let (role, arguments) = hard.arguments.split_last().unwrap();
    let started = Instant::now();
    let output = Command::new("sh")
        .args(["-c", &format!("ulimit -v {}; exec \"$0\" \"$@\"", hard.limits_mb[form] * 1024), program])
        .args(arguments)
        .arg(format!("{role}{}", path.display()))
        .args(["--threads", "2", "--out"])
        .arg(folder.path().join("out"))
        .output()
        .unwrap();
    let seconds = started.elapsed().as_secs_f64();
    let file_mb = std::fs::metadata(&path).unwrap().len() / 1_000_000;
    let said = String::from_utf8_lossy(&output.stderr);
    let name = hard.name;
    match hard.end {
        End::Done => assert_eq!(output.status.code(), Some(0), "{name}: {said}"),
        End::Refused(words) => {
            assert_eq!(output.status.code(), Some(1), "{name}: {said}");
            assert!(said.contains(words), "{name}: {said}");
        }
    }
    let mut told = String::new();
    let end = if matches!(hard.end, End::Done) { "done" } else { "refused" };
    write!(
        told,
        "{name}: {}, {file_mb} MB, {end} in {seconds:.1} s within {} MB",
        hard.sizes[form], hard.limits_mb[form]
    )
    .unwrap();
    told
}

fn write_file(hard: &Hard, size: usize, path: &Path) {
    let mut out = BufWriter::new(File::create(path).unwrap());
    out.write_all(b"{\"type\":\"FeatureCollection\",\"features\":[").unwrap();
    (hard.make)(size, &mut out).unwrap();
    out.write_all(b"]}").unwrap();
    out.flush().unwrap();
}

#[test]
fn hard_inputs_end_in_bounded_memory() {
    for hard in ALL {
        run(hard, 0);
    }
}

#[test]
#[ignore = "minutes and gigabytes; run in release with --nocapture"]
fn hard_inputs_in_full_size_end_in_bounded_memory() {
    for hard in ALL {
        println!("{}", run(hard, 1));
    }
}
