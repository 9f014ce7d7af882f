//! The program and the world around it: no network, pipes in and out.

mod support;

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use support::skipped;

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
