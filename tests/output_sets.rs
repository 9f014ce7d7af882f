//! Output sets seen from outside: whatever ends a run, a set in its place is whole, and a file
//! that no run wrote is still there.

mod support;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use support::manifest::assert_whole;
use support::{said, skipped, stakeline};

/// How often a run is killed.
const KILLS: usize = 100;

/// How many files of the user's lie in the output folder meanwhile.
const OWN_FILES: usize = 400;

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("data-samples").join(name)
}

/// A quick run that writes several files; runs of different snap distances write different ones.
fn arguments(out: &Path, snap_m: &str) -> Vec<String> {
    let mut all: Vec<String> = ["nodes", "--force", "--snap", snap_m, "--out"].map(String::from).to_vec();
    all.push(out.display().to_string());
    for (kind, file) in
        [("track", "tracks.geojson"), ("fence", "fences.geojson"), ("creek", "creeks.geojson")]
    {
        all.extend(["--line".to_string(), format!("{kind}={}", sample(file).display())]);
    }
    all
}

#[test]
fn a_run_killed_at_any_moment_leaves_a_whole_set() {
    let room = tempfile::tempdir().unwrap();
    let out = room.path().join("out");
    let begun = Instant::now();
    assert_eq!(said(stakeline().args(arguments(&out, "5"))).0, 0);
    let whole_run = begun.elapsed();
    fs::write(out.join("mine.txt"), "keep me").unwrap();
    fs::create_dir_all(out.join("photos/none yet")).unwrap();
    for k in 0..OWN_FILES {
        fs::write(out.join(format!("photos/{k}.jpg")), "mine").unwrap();
    }
    let mut random = ChaCha8Rng::seed_from_u64(12);
    let mut killed = 0;
    for turn in 0..KILLS {
        let mut run = Command::new(env!("CARGO_BIN_EXE_stakeline"))
            .args(arguments(&out, if turn % 2 == 0 { "3" } else { "5" }))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(whole_run.mul_f64(random.random_range(0.0..1.1)));
        run.kill().unwrap();
        killed += usize::from(!run.wait().unwrap().success());
        assert_whole(&out, &["mine.txt", "photos"]);
        // Own files are there at every moment, not only after the next run.
        assert_eq!(fs::read_dir(out.join("photos")).unwrap().count(), OWN_FILES + 1);
    }
    assert!(killed > KILLS / 4, "only {killed} runs were killed before they ended");
    assert_eq!(said(stakeline().args(arguments(&out, "5"))).0, 0);
    assert_whole(&out, &["mine.txt", "photos"]);
    assert!(out.join("photos/none yet").is_dir());
    assert_eq!(fs::read_to_string(out.join("mine.txt")).unwrap(), "keep me");
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1, "a killed run's folder is still there");
}

#[test]
fn an_interrupted_run_leaves_a_whole_set() {
    let room = tempfile::tempdir().unwrap();
    let out = room.path().join("out");
    let begun = Instant::now();
    assert_eq!(said(stakeline().args(arguments(&out, "5"))).0, 0);
    let whole_run = begun.elapsed();
    let mut stopped = 0;
    for turn in 0..8 {
        let mut run = Command::new(env!("CARGO_BIN_EXE_stakeline"))
            .args(arguments(&out, "3"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(whole_run.mul_f64(f64::from(turn) / 8.0));
        let signal = if turn % 2 == 0 { "-INT" } else { "-TERM" };
        let _ = Command::new("kill").args([signal, &run.id().to_string()]).status();
        stopped += usize::from(!run.wait().unwrap().success());
        assert_whole(&out, &[]);
    }
    assert!(stopped > 2, "only {stopped} runs were interrupted before they ended");
    assert_eq!(said(stakeline().args(arguments(&out, "5"))).0, 0);
    assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1, "an interrupted run's folder is still there");
}

/// A file system of a few kilobytes, unmounted when dropped.
struct Small(tempfile::TempDir);

impl Small {
    fn new(size: &str) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"])
            .arg(folder.path())
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|s| s.success());
        if !mounted {
            skipped("mounting a small file system is not allowed here, so a full disk is not tried");
        }
        mounted.then_some(Self(folder))
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.0.path()).status();
    }
}

#[test]
fn a_full_disk_is_told_and_the_old_set_stays() {
    let Some(disk) = Small::new("700k") else { return };
    let out = disk.0.path().join("out");
    assert_eq!(said(stakeline().args(arguments(&out, "5"))).0, 0, "another file system is no obstacle");
    // Leave room for half a set.
    let set_bytes: u64 = fs::read_dir(&out).unwrap().map(|e| e.unwrap().metadata().unwrap().len()).sum();
    let free = 700 * 1024 - set_bytes - 40 * 1024;
    fs::write(disk.0.path().join("ballast"), vec![1; (free - set_bytes / 2) as usize]).unwrap();
    let before = fs::read(out.join("manifest.json")).unwrap();
    let (status, _, err) = said(stakeline().args(arguments(&out, "3")));
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("cannot be written") && err.contains("out"), "{err}");
    assert_eq!(fs::read(out.join("manifest.json")).unwrap(), before);
    assert_whole(&out, &[]);
    assert_eq!(fs::read_dir(disk.0.path()).unwrap().count(), 2, "something half-written is left");
}

#[test]
fn two_runs_at_once_do_not_mix() {
    let room = tempfile::tempdir().unwrap();
    let out = room.path().join("out");
    let runs: Vec<_> = (0..6)
        .map(|k| {
            Command::new(env!("CARGO_BIN_EXE_stakeline"))
                .args(arguments(&out, if k % 2 == 0 { "3" } else { "5" }))
                .stdout(Stdio::null())
                .stderr(Stdio::piped())
                .spawn()
                .unwrap()
        })
        .collect();
    let ends: Vec<_> = runs.into_iter().map(|run| run.wait_with_output().unwrap()).collect();
    assert!(ends.iter().any(|end| end.status.success()));
    for end in ends.iter().filter(|end| !end.status.success()) {
        let err = String::from_utf8_lossy(&end.stderr);
        assert!(err.contains("another run is writing there"), "{err}");
    }
    // Give the last exchange its end.
    std::thread::sleep(Duration::from_millis(10));
    assert_whole(&out, &[]);
}

#[test]
fn a_mount_point_is_refused_in_words() {
    let Some(disk) = Small::new("700k") else { return };
    let (status, _, err) = said(stakeline().args(arguments(disk.0.path(), "5")));
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("mounted there") && err.contains("results"), "{err}");
    assert_eq!(fs::read_dir(disk.0.path()).unwrap().count(), 0);
    assert_eq!(said(stakeline().args(arguments(&disk.0.path().join("results"), "5"))).0, 0);
    // One inside the folder holds it as well.
    let inner = disk.0.path().join("results/more");
    fs::create_dir(&inner).unwrap();
    assert!(Command::new("mount").args(["-t", "tmpfs", "tmpfs"]).arg(&inner).status().unwrap().success());
    let (status, _, err) = said(stakeline().args(arguments(&disk.0.path().join("results"), "3")));
    assert!(Command::new("umount").arg(&inner).status().unwrap().success());
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("more") && err.contains("inside the output folder"), "{err}");
}

#[test]
fn a_pipe_is_left_where_it_stands() {
    let room = tempfile::tempdir().unwrap();
    let pipe = room.path().join("pipe");
    if !Command::new("mkfifo").arg(&pipe).status().is_ok_and(|s| s.success()) {
        return skipped("there is no mkfifo, so a pipe at --out is not tried");
    }
    let (status, _, err) = said(stakeline().args(arguments(&pipe, "5")));
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("is a named pipe, not a folder"), "{err}");
    assert!(!pipe.symlink_metadata().unwrap().is_dir() && fs::read_dir(room.path()).unwrap().count() == 1);
}
