//! The folder in which a set is made, and how it takes the old one's place.

use std::collections::{BTreeMap, BTreeSet};
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
        let names = new.files.keys().cloned().collect();
        if target.is_dir() {
            let manifest = Manifest::read(target).unwrap_or_default();
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
            Ok(None) => sorted.same_folder = true,
            Ok(Some(old)) => {
                let exchanged = old == self.path;
                sorted.same_folder = exchanged && put_back(&old, target, &sorted.doomed, &names, &journal);
                let nothing = BTreeMap::new();
                let doomed = if sorted.same_folder { &nothing } else { &sorted.doomed };
                carry_over(&old, target, doomed).map_err(fail)?;
            }
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

/// The files that go with each folder, which is known by its number in the file system: each file
/// with what tells it from others.
#[derive(Serialize, Deserialize, Default)]
struct Noted(BTreeMap<u64, BTreeMap<String, String>>);

impl Journal {
    fn beside(target: &Path) -> Self {
        Self(beside(target, "journal"))
    }

    /// Notes what goes with a folder, beside what is noted of others.
    fn write(&self, old: &Path, doomed: &BTreeMap<String, String>) -> io::Result<()> {
        let mut noted = self.read().unwrap_or_default();
        noted.0.insert(number_of(&fs::metadata(old)?), doomed.clone());
        let whole = self.0.with_extension("stakeline-journal-new");
        fs::write(&whole, serde_json::to_vec(&noted)?)?;
        fs::rename(whole, &self.0)
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

/// Puts the old folder itself back in its place, once it holds the new set as well: whoever works in
/// it is still there, and what the system knows of it (owner, rights, when it was made) stays. The set
/// in the target is whole before, after and at every moment between. `false` where files cannot have
/// second names; the new folder then stays in the place.
fn put_back(
    old: &Path,
    target: &Path,
    doomed: &BTreeMap<String, String>,
    names: &BTreeSet<String>,
    journal: &Journal,
) -> bool {
    let filled = || -> io::Result<()> {
        for (name, mark) in doomed {
            let place = old.join(name);
            if place.symlink_metadata().is_ok_and(|m| mark_of(&m) == *mark) {
                fs::remove_file(place)?;
            }
        }
        for name in names.iter().map(String::as_str).chain([MANIFEST]) {
            let place = old.join(name);
            if let Some(folder) = place.parent() {
                fs::create_dir_all(folder)?;
            }
            if place.symlink_metadata().is_ok() {
                // Changed at the last moment.
                fs::rename(&place, free_name(&place))?;
            }
            fs::hard_link(target.join(name), &place)?;
        }
        for folder in doomed.keys().flat_map(|name| Path::new(name).ancestors().skip(1)) {
            if !folder.as_os_str().is_empty() {
                // One that held nothing else goes as well; any other stays.
                let _ = fs::remove_dir(old.join(folder));
            }
        }
        journal.write(target, &BTreeMap::new())?;
        exchange(old, target)
    };
    filled().is_ok()
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
        let number = Some(number_of(&folder)).filter(|number| *number != 0);
        let exchanged = number.and_then(|number| noted.as_ref()?.0.get(&number));
        match (exchanged, &noted) {
            _ if !folder.is_dir() => return Err(OutputError::InTheWay(new.to_path_buf())),
            _ if new.join(LOCK).exists() => discard(new).map_err(fail)?,
            (Some(doomed), _) => carry_over(new, target, doomed).map_err(fail)?,
            // Whole, with second names of the user's files, but never put in its place.
            (None, Some(_)) => discard(new).map_err(fail)?,
            (None, None) => clear_up(new, target, &journal)?,
        }
    }
    let old = beside(target, "old");
    if let Ok(folder) = old.symlink_metadata() {
        let doomed = noted.as_ref().and_then(|noted| noted.0.get(&number_of(&folder)));
        match (target.symlink_metadata().is_ok(), doomed) {
            (false, _) => fs::rename(&old, target).map_err(fail)?,
            (true, Some(doomed)) => carry_over(&old, target, doomed).map_err(fail)?,
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
