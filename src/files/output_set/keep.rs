//! What of an old set stays when a new one takes its place: every file that is the user's, which is
//! every file but those that stand as a run wrote them.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, Metadata, Permissions};
use std::io;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use super::OutputError;
use super::manifest::{MANIFEST, Manifest, hash_file};
use super::names::{is_merged, may_be_cleared};
use super::place::same_file_system;

/// What the new set says of files that stand in the old one.
#[derive(Debug, Default)]
pub(super) struct Wanted {
    /// Names in the folder of files that the run reads.
    pub inputs: BTreeSet<String>,
    /// Files that were merged into the new ones of the same name, with the hash that each had when
    /// it was read.
    pub merged: BTreeMap<String, String>,
}

/// What becomes of the files of an old set.
#[derive(Debug, Default)]
pub(super) struct Sorted {
    /// What goes, with the [`mark_of`] each file as it was looked at.
    pub doomed: BTreeMap<String, String>,
    /// Paths in the folder of what stays: files, links and the like.
    pub staying: Vec<PathBuf>,
    /// Folders, outer ones first.
    folders: Vec<(PathBuf, Permissions)>,
    /// Files that a run wrote and somebody changed, which stay.
    pub changed: Vec<String>,
    /// Files that a run wrote and this one reads, which stay.
    pub read: Vec<String>,
    /// Whether the folder in the place is the one that stood there, not another like it.
    pub same_folder: bool,
}

/// What tells a file from another that took its name later, and from itself once it was written
/// to: its number in the file system, its length and when it was last changed.
pub(super) fn mark_of(file: &Metadata) -> String {
    let changed = file.modified().ok().and_then(|t| t.duration_since(UNIX_EPOCH).ok()).unwrap_or_default();
    format!("{}:{}:{}", number_of(file), file.len(), changed.as_nanos())
}

/// Whether two paths name one and the same file.
pub(super) fn same_file(a: &Path, b: &Path) -> bool {
    match (a.symlink_metadata(), b.symlink_metadata()) {
        (Ok(a), Ok(b)) => number_of(&a) != 0 && number_of(&a) == number_of(&b),
        _ => false,
    }
}

/// The number of a file in its file system; 0 where the system tells none.
#[cfg(unix)]
pub(super) fn number_of(file: &Metadata) -> u64 {
    std::os::unix::fs::MetadataExt::ino(file)
}

#[cfg(not(unix))]
pub(super) fn number_of(_: &Metadata) -> u64 {
    0
}

/// An old set beside the new one in the making.
pub(super) struct Two<'a> {
    pub old: &'a Path,
    pub new: &'a Path,
    pub manifest: &'a Manifest,
    pub wanted: &'a Wanted,
    /// Names of the files of the new set.
    pub names: &'a BTreeSet<String>,
}

impl Two<'_> {
    /// Decides of every file of the old set whether it goes or stays.
    ///
    /// # Errors
    /// [`OutputError::Changed`], [`OutputError::ReadHere`] and [`OutputError::InTheWay`] where the
    /// new set would take the place of a file that is to stay.
    pub(super) fn sort(&self) -> Result<Sorted, OutputError> {
        let mut sorted = Sorted::default();
        let mut clashes = Vec::new();
        self.folder(Path::new(""), &mut sorted, &mut clashes)?;
        if clashes.is_empty() {
            return Ok(sorted);
        }
        Err(OutputError::Changed { folder: self.old.to_path_buf(), names: clashes })
    }

    fn folder(
        &self,
        inside: &Path,
        sorted: &mut Sorted,
        clashes: &mut Vec<String>,
    ) -> Result<(), OutputError> {
        let here = self.old.join(inside);
        let fail = |why| OutputError::Write { path: here.clone(), why };
        let own = fs::metadata(&here).map_err(fail)?;
        if !same_file_system(self.old, &own) {
            return Err(OutputError::MountInside(here));
        }
        sorted.folders.push((inside.to_path_buf(), own.permissions()));
        let mut entries =
            fs::read_dir(&here).and_then(Iterator::collect::<io::Result<Vec<_>>>).map_err(fail)?;
        entries.sort_by_key(fs::DirEntry::file_name);
        for entry in entries {
            let path = inside.join(entry.file_name());
            let is_folder = entry.file_type().map_err(fail)?.is_dir();
            let name = path
                .iter()
                .map(|part| part.to_str())
                .collect::<Option<Vec<_>>>()
                .map(|parts| parts.join("/"));
            match name {
                Some(name) if self.is_in_the_way(&name, is_folder) => {
                    return Err(OutputError::InTheWay(self.old.join(path)));
                }
                _ if is_folder => self.folder(&path, sorted, clashes)?,
                Some(name) => self.file(&name, path, sorted, clashes)?,
                None => sorted.staying.push(path),
            }
        }
        Ok(())
    }

    /// Whether a folder stands where the new set has a file, or a file where it has a folder.
    fn is_in_the_way(&self, name: &str, is_folder: bool) -> bool {
        let inside = format!("{name}/");
        if is_folder { self.names.contains(name) } else { self.names.iter().any(|n| n.starts_with(&inside)) }
    }

    fn file(
        &self,
        name: &str,
        path: PathBuf,
        sorted: &mut Sorted,
        clashes: &mut Vec<String>,
    ) -> Result<(), OutputError> {
        let place = self.old.join(&path);
        let fail = |why| OutputError::Write { path: place.clone(), why };
        let goes = if name == MANIFEST {
            true
        } else if self.names.contains(name) {
            match self.may_be_replaced(name, &place)? {
                true => true,
                false => {
                    clashes.push(name.to_string());
                    return Ok(());
                }
            }
        } else if self.manifest.files.contains_key(name) && may_be_cleared(name) {
            let as_written = self.manifest.holds(self.old, name).map_err(fail)?;
            let read = self.wanted.inputs.contains(name);
            match (read, as_written) {
                (true, _) => sorted.read.push(name.to_string()),
                (false, false) => sorted.changed.push(name.to_string()),
                (false, true) => {}
            }
            as_written && !read
        } else {
            false
        };
        match goes {
            true => drop(
                sorted.doomed.insert(name.to_string(), mark_of(&place.symlink_metadata().map_err(fail)?)),
            ),
            false => sorted.staying.push(path),
        }
        Ok(())
    }

    /// Whether the new set may put its own file in the place of this one. `false` for one that a
    /// run wrote and somebody changed, which is told together with others of its kind.
    fn may_be_replaced(&self, name: &str, place: &Path) -> Result<bool, OutputError> {
        let fail = |why| OutputError::Write { path: place.to_path_buf(), why };
        let new = self.new.join(name);
        if same_file(place, &new) || self.is_alike(place, &new).map_err(fail)? {
            return Ok(true);
        }
        if self.wanted.inputs.contains(name) {
            return Err(OutputError::ReadHere(place.to_path_buf()));
        }
        if let Some(sha256) = self.wanted.merged.get(name) {
            return Ok(hash_file(place).map_err(fail)? == *sha256);
        }
        if self.manifest.holds(self.old, name).map_err(fail)? {
            return Ok(true);
        }
        match self.manifest.files.contains_key(name) {
            true => Ok(false),
            false => Err(OutputError::InTheWay(place.to_path_buf())),
        }
    }

    /// Whether two files hold the same bytes, so that it does not matter which of them stays.
    fn is_alike(&self, old: &Path, new: &Path) -> io::Result<bool> {
        let plain = |p: &Path| p.symlink_metadata().ok().filter(Metadata::is_file).map(|m| m.len());
        let (Some(one), Some(two)) = (plain(old), plain(new)) else { return Ok(false) };
        Ok(one == two && hash_file(old)? == hash_file(new)?)
    }

    /// Whether a file that the new set has just written may take its place; asked early, so that a
    /// long run does not end at a file that it may not replace. All changed files are told.
    ///
    /// # Errors
    /// As [`Two::sort`].
    pub(super) fn may_write(&self, name: &str) -> Result<(), OutputError> {
        let place = self.old.join(name);
        if place.symlink_metadata().is_err() {
            return Ok(());
        }
        if place.is_dir() {
            return Err(OutputError::InTheWay(place));
        }
        if self.may_be_replaced(name, &place)? {
            return Ok(());
        }
        let is_changed = |n: &&String| {
            self.old.join(n).symlink_metadata().is_ok()
                && !is_merged(n)
                && !self.manifest.holds(self.old, n).unwrap_or(false)
        };
        let mut names: BTreeSet<String> = self.manifest.files.keys().filter(is_changed).cloned().collect();
        names.insert(name.to_string());
        Err(OutputError::Changed { folder: self.old.to_path_buf(), names: names.into_iter().collect() })
    }
}

impl Sorted {
    /// Gives what stays a second name in the new set, so that it is there at every moment while the
    /// two change places. What cannot have one is moved afterwards; an input is copied, since it
    /// looks like a file of the old set's own.
    pub(super) fn link(&self, old: &Path, new: &Path) -> io::Result<()> {
        for (folder, _) in &self.folders {
            fs::create_dir_all(new.join(folder))?;
        }
        let inputs: BTreeSet<&Path> = self.read.iter().map(Path::new).collect();
        for path in &self.staying {
            let linked = fs::hard_link(old.join(path), new.join(path));
            if linked.is_err() && inputs.contains(path.as_path()) {
                fs::copy(old.join(path), new.join(path))?;
            }
        }
        // Inner folders first: one that may not be written to is closed last.
        for (folder, permissions) in self.folders.iter().rev() {
            keep_owner(&old.join(folder), &new.join(folder));
            fs::set_permissions(new.join(folder), permissions.clone())?;
        }
        Ok(())
    }
}

/// A folder shared by a group stays theirs. Only the owner of both or the administrator may do it,
/// and whoever may not has a folder of their own as before.
#[cfg(unix)]
fn keep_owner(old: &Path, new: &Path) {
    use std::os::unix::fs::{MetadataExt, chown};
    if let Ok(of) = fs::metadata(old) {
        let _ = chown(new, Some(of.uid()), Some(of.gid())).or_else(|_| chown(new, None, Some(of.gid())));
    }
}

#[cfg(not(unix))]
fn keep_owner(_: &Path, _: &Path) {}
