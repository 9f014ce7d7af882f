//! Why outputs could not be written.

use std::io;
use std::path::PathBuf;

/// So many names are told one by one.
const NAMED: usize = 12;

/// Why outputs could not be written.
#[derive(thiserror::Error, Debug)]
pub enum OutputError {
    /// The folder holds what an earlier run wrote and `--force` was not given.
    #[error("{}: the output folder exists and is not empty; choose another, or pass --force to replace what an earlier run wrote there", .0.display())]
    Exists(PathBuf),
    /// The folder holds something and no run wrote it.
    #[error("{}: the output folder is not empty and no run wrote it (it holds no manifest.json of one), so nothing is written there, with --force or without; choose a new or an empty folder", .0.display())]
    NotOurs(PathBuf),
    /// The folder is not one that an earlier run wrote.
    #[error("{}: holds no manifest.json, so no run wrote it; name the --out folder of a run", .0.display())]
    NoSet(PathBuf),
    /// A file that no run wrote has the name of one that is to be written.
    #[error("{}: is in the way: no run wrote it, and this one would; move it or choose another --out", .0.display())]
    InTheWay(PathBuf),
    /// Files that a run wrote and somebody changed have the names of ones that are to be written.
    #[error("{}: {}", folder.display(), changed(names))]
    Changed {
        /// The output folder.
        folder: PathBuf,
        /// The files in it.
        names: Vec<String>,
    },
    /// A file that this run reads has the name of one that is to be written.
    #[error("{}: is an input of this run, which would write another file in its place; choose another --out", .0.display())]
    ReadHere(PathBuf),
    /// Another run is writing to the same folder.
    #[error("{}: another run is writing there at this moment; wait for it or choose another --out", .0.display())]
    InUse(PathBuf),
    /// Something that is no folder stands at the output path.
    #[error("{}: is {what}, not a folder; choose another place for the outputs", path.display())]
    NotAFolder {
        /// The output path.
        path: PathBuf,
        /// What it is: a file, a device.
        what: &'static str,
    },
    /// The output path is a link to something that is not there.
    #[error("{}: is a link that leads nowhere; mend it or choose another place for the outputs", .0.display())]
    DeadLink(PathBuf),
    /// A file system is mounted at the output folder.
    #[error("{}: another file system is mounted there, and a finished set of outputs cannot change places with it; choose a folder inside it or elsewhere, such as {}", .0.display(), .0.join("results").display())]
    MountPoint(PathBuf),
    /// A file system is mounted in a folder inside the output folder.
    #[error("{}: another file system is mounted there, inside the output folder, which therefore cannot change places with a finished set of outputs; choose another --out", .0.display())]
    MountInside(PathBuf),
    /// The system refused.
    #[error("{}: cannot be written: {why}", path.display())]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What the system says.
        why: io::Error,
    },
}

fn changed(names: &[String]) -> String {
    let (what, them) = match names.len() {
        1 => ("this file was changed after a run wrote it, and this run would replace it".to_string(), "it"),
        n => (
            format!("{n} files were changed after a run wrote them, and this run would replace them"),
            "them",
        ),
    };
    format!("{what}: {}; rename or move {them}, or choose another --out", listed(names))
}

/// Names in a row, the last of many left to be counted.
pub(super) fn listed(names: &[String]) -> String {
    let told = names.iter().take(NAMED).map(String::as_str).collect::<Vec<_>>().join(", ");
    match names.len().saturating_sub(NAMED) {
        0 => told,
        more => format!("{told} and {more} more"),
    }
}
