//! The folder in which a set is made, and how it takes the old one's place.

use std::collections::BTreeMap;
use std::fs::{self, File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::OutputError;
use super::keep::{Sorted, Two, Wanted, mark_of, number_of, same_file};
use super::manifest::{MANIFEST, Manifest};
use super::names::may_be_cleared;

/// Held locked in the staging folder while its run lives, so that a second run can tell a
/// folder in use from one that a killed run left.
const LOCK: &str = ".in-use";

/// How often the old folder is gone through for what was put there in the meantime.
const SWEEPS: usize = 3;

/// The folder in which a set is made; removed when dropped, unless it took its place.
#[derive(Debug)]
pub(super) struct Staging {
    path: PathBuf,
    /// Held while the folder is in the making; `None` where a file system knows no locks, or
    /// when the folder is whole and no longer ours to remove.
    lock: Option<File>,
    in_the_making: bool,
}

impl Staging {
    /// An empty folder beside the target. What a killed run left is ended first: a set that it
    /// had moved aside comes back, one that it had replaced or not finished goes.
    pub(super) fn open(target: &Path) -> Result<Self, OutputError> {
        let fail = |why| OutputError::Write { path: target.to_path_buf(), why };
        let path = beside(target, "new");
        if let Some(parent) = path.parent() {
            fs::create_dir_all(parent).map_err(fail)?;
        }
        let _turn = await_turn(&path);
        if is_in_use(&path) {
            return Err(OutputError::InUse(target.to_path_buf()));
        }
        recover(target, &path)?;
        fs::create_dir(&path).map_err(fail)?;
        let lock = File::create(path.join(LOCK)).map_err(fail)?;
        // Where a file system knows no locks, two runs at once are the user's to avoid.
        let lock = lock.try_lock().is_ok().then_some(lock);
        Ok(Self { path, lock, in_the_making: true })
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Makes the folder the target and gives what became of the old set. Where the system can, the
    /// two are exchanged in one step.
    pub(super) fn take_its_place(
        mut self,
        target: &Path,
        new: &Manifest,
        wanted: &Wanted,
    ) -> Result<Sorted, OutputError> {
        let fail = |why: io::Error| match why.kind() {
            // A folder of the same file system can be mounted too.
            io::ErrorKind::ResourceBusy => OutputError::MountPoint(target.to_path_buf()),
            _ => OutputError::Write { path: target.to_path_buf(), why },
        };
        let _turn = await_turn(&self.path);
        let mut sorted = Sorted::default();
        let journal = Journal::beside(target);
        if target.is_dir() {
            let manifest = Manifest::read(target).unwrap_or_default();
            let names = new.files.keys().cloned().collect();
            let two = Two { old: target, new: &self.path, manifest: &manifest, wanted, names: &names };
            sorted = two.sort()?;
            sorted.link(target, &self.path).map_err(fail)?;
            journal.write(target, &sorted.doomed).map_err(fail)?;
        }
        fs::remove_file(self.path.join(LOCK)).map_err(fail)?;
        self.lock = None;
        // Once exchanged, the folder holds the old set and perhaps the user's own files.
        self.in_the_making = false;
        match swap(&self.path, target) {
            Ok(None) => {}
            Ok(Some(old)) => carry_over(&old, target, &sorted.doomed).map_err(fail)?,
            Err(why) => {
                discard(&self.path).map_err(fail)?;
                journal.remove().map_err(fail)?;
                return Err(fail(why));
            }
        }
        journal.remove().map_err(fail)?;
        Ok(sorted)
    }
}

impl Drop for Staging {
    fn drop(&mut self) {
        if self.in_the_making {
            let _turn = await_turn(&self.path);
            // Nothing to tell: a leftover folder is removed by the next run.
            let _ = discard(&self.path);
        }
    }
}

/// What goes with an old set, noted beside the target before the two change places, so that a run
/// that is killed while it clears up is ended by the next one as it would have ended itself.
struct Journal(PathBuf);

#[derive(Serialize, Deserialize, Default)]
struct Noted {
    /// The number of the old folder in the file system.
    folder: u64,
    /// The files that go, each with what tells it from others.
    doomed: BTreeMap<String, String>,
}

impl Journal {
    fn beside(target: &Path) -> Self {
        Self(beside(target, "journal"))
    }

    fn write(&self, old: &Path, doomed: &BTreeMap<String, String>) -> io::Result<()> {
        let noted = Noted { folder: number_of(&fs::metadata(old)?), doomed: doomed.clone() };
        fs::write(&self.0, serde_json::to_vec(&noted)?)
    }

    fn read(&self) -> Option<Noted> {
        serde_json::from_slice(&fs::read(&self.0).ok()?).ok()
    }

    fn remove(&self) -> io::Result<()> {
        match fs::remove_file(&self.0) {
            Err(why) if why.kind() == io::ErrorKind::NotFound => Ok(()),
            other => other,
        }
    }
}

/// Puts a whole folder in the target's place and gives where the old one lies now. An error
/// leaves both where they were.
fn swap(whole: &Path, target: &Path) -> io::Result<Option<PathBuf>> {
    if target.symlink_metadata().is_err() {
        return fs::rename(whole, target).map(|()| None);
    }
    if target.is_dir() && exchange(whole, target).is_ok() {
        return Ok(Some(whole.to_path_buf()));
    }
    let old = beside(target, "old");
    fs::rename(target, &old)?;
    if let Err(why) = fs::rename(whole, target) {
        fs::rename(&old, target)?;
        return Err(why);
    }
    Ok(Some(old))
}

/// Waits until no other run opens or swaps a folder in the same place, and holds it so until
/// dropped: the lock lies on the folder around, so that nothing is left behind. `None` where the
/// system cannot.
fn await_turn(staging: &Path) -> Option<File> {
    let around = staging.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(around).ok().filter(|folder| folder.lock().is_ok())
}

fn is_in_use(staging: &Path) -> bool {
    let lock = File::open(staging.join(LOCK)).map(|file| file.try_lock());
    matches!(lock, Ok(Err(TryLockError::WouldBlock)))
}

/// The hidden folder or file beside the target that a set is made in, moved to or noted in.
pub(super) fn beside(target: &Path, what: &str) -> PathBuf {
    let name = target.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_else(|| "out".into());
    target.with_file_name(format!(".{name}.stakeline-{what}"))
}

#[cfg(target_os = "linux")]
fn exchange(a: &Path, b: &Path) -> io::Result<()> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    Ok(renameat_with(CWD, a, CWD, b, RenameFlags::EXCHANGE)?)
}

#[cfg(not(target_os = "linux"))]
fn exchange(_: &Path, _: &Path) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Ends what a killed run left: a folder that was not finished or had not yet taken its place
/// goes, an old set that was moved aside comes back, one that was replaced is cleared up.
fn recover(target: &Path, new: &Path) -> Result<(), OutputError> {
    let fail = |why| OutputError::Write { path: target.to_path_buf(), why };
    let journal = Journal::beside(target);
    let noted = journal.read();
    if let Ok(folder) = new.symlink_metadata() {
        // After an exchange the old set, with files that are not ours, lies here.
        let exchanged = noted.as_ref().filter(|n| n.folder != 0 && n.folder == number_of(&folder));
        match (exchanged, &noted) {
            _ if !folder.is_dir() => return Err(OutputError::InTheWay(new.to_path_buf())),
            _ if new.join(LOCK).exists() => discard(new).map_err(fail)?,
            (Some(noted), _) => carry_over(new, target, &noted.doomed).map_err(fail)?,
            // Whole, with second names of the user's files, but never put in its place.
            (None, Some(_)) => discard(new).map_err(fail)?,
            (None, None) => clear_up(new, target, &journal)?,
        }
    }
    let old = beside(target, "old");
    if old.symlink_metadata().is_ok() {
        match (target.symlink_metadata().is_ok(), &noted) {
            (false, _) => fs::rename(&old, target).map_err(fail)?,
            (true, Some(noted)) => carry_over(&old, target, &noted.doomed).map_err(fail)?,
            (true, None) => clear_up(&old, target, &journal)?,
        }
    }
    journal.remove().map_err(fail)
}

/// Clears up a folder of which nothing is noted: a set that its own manifest names, or an empty one.
fn clear_up(left: &Path, target: &Path, journal: &Journal) -> Result<(), OutputError> {
    let fail = |why| OutputError::Write { path: target.to_path_buf(), why };
    if fs::read_dir(left).map_err(fail)?.next().is_none() {
        return fs::remove_dir(left).map_err(fail);
    }
    let Some(manifest) = Manifest::read(left) else {
        return Err(OutputError::InTheWay(left.to_path_buf()));
    };
    if !target.is_dir() {
        return fs::rename(left, target).map_err(fail);
    }
    let mut doomed = BTreeMap::new();
    for name in manifest.files.keys().map(String::as_str).chain([MANIFEST]) {
        if name == MANIFEST || may_be_cleared(name) && manifest.holds(left, name).map_err(fail)? {
            let file = left.join(name).symlink_metadata().map_err(fail)?;
            doomed.insert(name.to_string(), mark_of(&file));
        }
    }
    journal.write(left, &doomed).map_err(fail)?;
    carry_over(left, target, &doomed).map_err(fail)
}

/// Removes what goes with an old set, and what the target has as well under a second name; moves
/// the rest into the target. What is put there in the meantime is found by going through it again.
fn carry_over(old: &Path, target: &Path, doomed: &BTreeMap<String, String>) -> io::Result<()> {
    for _ in 0..SWEEPS {
        carry_folder(old, target, Path::new(""), doomed)?;
        match fs::remove_dir(old) {
            Err(why) if why.kind() == io::ErrorKind::DirectoryNotEmpty => {}
            other => return other,
        }
    }
    fs::remove_dir(old)
}

fn carry_folder(
    old: &Path,
    target: &Path,
    inside: &Path,
    doomed: &BTreeMap<String, String>,
) -> io::Result<()> {
    open_up(&old.join(inside))?;
    for entry in fs::read_dir(old.join(inside))? {
        let entry = entry?;
        let (path, from) = (inside.join(entry.file_name()), entry.path());
        let to = target.join(&path);
        if entry.file_type()?.is_dir() {
            carry_folder(old, target, &path, doomed)?;
            // Only what has been emptied goes; an empty folder of the user's is in the target too.
            match fs::remove_dir(&from) {
                Err(why) if why.kind() == io::ErrorKind::DirectoryNotEmpty => {}
                other => other?,
            }
            continue;
        }
        let name = path.iter().map(|part| part.to_string_lossy()).collect::<Vec<_>>().join("/");
        let goes = doomed.get(&name).is_some_and(|mark| entry.metadata().is_ok_and(|m| mark_of(&m) == *mark));
        if goes || same_file(&from, &to) {
            fs::remove_file(&from)?;
        } else {
            fs::create_dir_all(target.join(inside))?;
            fs::rename(&from, free_name(&to))?;
        }
    }
    Ok(())
}

/// The path itself, or one like it under which nothing stands: a file of the user's is moved over
/// no other.
fn free_name(to: &Path) -> PathBuf {
    let taken = |p: &Path| p.symlink_metadata().is_ok();
    let part = |p: Option<&std::ffi::OsStr>| p.map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let (stem, ending) = (part(to.file_stem()), part(to.extension()));
    let mut free = to.to_path_buf();
    let mut number = 1;
    while taken(&free) {
        let name = if ending.is_empty() {
            format!("{stem}.kept-{number}")
        } else {
            format!("{stem}.kept-{number}.{ending}")
        };
        free = to.with_file_name(name);
        number += 1;
    }
    free
}

/// Removes an unfinished folder, its lock last, for as long as that is there nobody takes the
/// rest for somebody's files. Files of the user's have only a second name there.
fn discard(folder: &Path) -> io::Result<()> {
    empty(folder, &|name| name == LOCK)?;
    empty(folder, &|_| false)?;
    fs::remove_dir(folder)
}

/// Removes all in a folder but what is spared by its name.
fn empty(folder: &Path, spared: &dyn Fn(&std::ffi::OsStr) -> bool) -> io::Result<()> {
    open_up(folder)?;
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            empty(&entry.path(), &|_| false)?;
            fs::remove_dir(entry.path())?;
        } else if !spared(&entry.file_name()) {
            fs::remove_file(entry.path())?;
        }
    }
    Ok(())
}

/// Lets a folder be emptied that had its owner's word against it: the one that stays has its mode.
#[cfg(unix)]
fn open_up(folder: &Path) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    let mode = fs::metadata(folder)?.permissions().mode();
    if mode & 0o700 == 0o700 {
        return Ok(());
    }
    fs::set_permissions(folder, fs::Permissions::from_mode(mode | 0o700))
}

#[cfg(not(unix))]
fn open_up(_: &Path) -> io::Result<()> {
    Ok(())
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Leaves a place as a run does that is killed right after the two folders changed places.
    #[cfg(target_os = "linux")]
    pub(in super::super) fn exchanged_only(target: &Path, files: &[(&str, &str)]) {
        let staging = Staging::open(target).unwrap();
        let mut new = Manifest::default();
        for (name, text) in files {
            fs::write(staging.path().join(name), text).unwrap();
            new.files.insert((*name).into(), serde_json::json!({}));
        }
        new.write(staging.path()).unwrap();
        let (manifest, wanted) = (Manifest::read(target).unwrap(), Wanted::default());
        let names = new.files.keys().cloned().collect();
        let two =
            Two { old: target, new: staging.path(), manifest: &manifest, wanted: &wanted, names: &names };
        let sorted = two.sort().unwrap();
        sorted.link(target, staging.path()).unwrap();
        Journal::beside(target).write(target, &sorted.doomed).unwrap();
        fs::remove_file(staging.path().join(LOCK)).unwrap();
        exchange(staging.path(), target).unwrap();
        std::mem::forget(staging);
    }
}
