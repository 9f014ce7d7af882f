//! The folder in which a set is made, and how it takes the old one's place.

use std::fs::{self, File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

use super::OutputError;
use super::manifest::{self, MANIFEST};

/// Held locked in the staging folder while its run lives, so that a second run can tell a
/// folder in use from one that a killed run left.
const LOCK: &str = ".in-use";

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
        if path.exists() {
            if is_in_use(&path) {
                return Err(OutputError::InUse(target.to_path_buf()));
            }
            // After an exchange the old set, with files that are not ours, lies here.
            carry_over(&path, target).map_err(fail)?;
        }
        recover(target, &beside(target, "old")).map_err(fail)?;
        fs::create_dir(&path).map_err(fail)?;
        let lock = File::create(path.join(LOCK)).map_err(fail)?;
        // Where a file system knows no locks, two runs at once are the user's to avoid.
        let lock = lock.try_lock().is_ok().then_some(lock);
        Ok(Self { path, lock, in_the_making: true })
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Makes the folder the target. Where the system can, the two are exchanged in one step.
    pub(super) fn take_its_place(mut self, target: &Path) -> io::Result<()> {
        let _turn = await_turn(&self.path);
        fs::remove_file(self.path.join(LOCK))?;
        self.lock = None;
        // Once exchanged, the folder holds the old set and perhaps the user's own files.
        self.in_the_making = false;
        let aside = match swap(&self.path, target) {
            Ok(aside) => aside,
            Err(why) => {
                fs::remove_dir_all(&self.path)?;
                return Err(why);
            }
        };
        aside.map_or(Ok(()), |old| carry_over(&old, target))
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

/// Puts a whole folder in the target's place and gives where the old one lies now. An error
/// leaves both where they were.
fn swap(whole: &Path, target: &Path) -> io::Result<Option<PathBuf>> {
    if !target.exists() {
        return fs::rename(whole, target).map(|()| None);
    }
    if exchange(whole, target).is_ok() {
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

/// The hidden folder beside the target that a set is made in, or moved to.
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

/// Ends a swap in two steps: where the target is gone the old set comes back, where the new
/// one stands the old one's foreign files are carried over.
fn recover(target: &Path, old: &Path) -> io::Result<()> {
    match (old.exists(), target.exists()) {
        (true, false) => fs::rename(old, target),
        (true, true) => carry_over(old, target),
        _ => Ok(()),
    }
}

/// Moves what an old set's manifest does not name into the target, and removes the rest. A
/// folder with a lock is one that a run did not finish: all in it is its own.
fn carry_over(old: &Path, target: &Path) -> io::Result<()> {
    if old.join(LOCK).exists() || !target.is_dir() {
        return discard(old);
    }
    let ours = manifest::entries(old).unwrap_or_default();
    carry_folder(old, target, "", &|name| ours.contains_key(name))?;
    fs::remove_dir_all(old)
}

/// Goes through a folder of the old set. What is ours is removed one by one and the manifest
/// stays to the end, so that a run killed on the way leaves no file whose owner is unknown.
fn carry_folder(old: &Path, target: &Path, inside: &str, is_ours: &dyn Fn(&str) -> bool) -> io::Result<()> {
    for entry in fs::read_dir(old.join(inside))? {
        let entry = entry?;
        let name = Path::new(inside).join(entry.file_name());
        match name.to_str() {
            Some(MANIFEST) => {}
            Some(name) if entry.file_type()?.is_dir() => carry_folder(old, target, name, is_ours)?,
            Some(name) if is_ours(name) => fs::remove_file(entry.path())?,
            _ => move_in(&entry.path(), &target.join(name))?,
        }
    }
    Ok(())
}

/// Moves a file that is not ours; never over another.
fn move_in(from: &Path, to: &Path) -> io::Result<()> {
    if to.symlink_metadata().is_ok() {
        let why = format!("{} is kept, since {} exists too", from.display(), to.display());
        return Err(io::Error::new(io::ErrorKind::AlreadyExists, why));
    }
    if let Some(folder) = to.parent() {
        fs::create_dir_all(folder)?;
    }
    fs::rename(from, to)
}

/// Removes an unfinished folder, its lock last, for as long as that is there nobody takes the
/// rest for somebody's files.
fn discard(folder: &Path) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        match entry.file_type()?.is_dir() {
            true => fs::remove_dir_all(entry.path())?,
            false if entry.file_name() == LOCK => {}
            false => fs::remove_file(entry.path())?,
        }
    }
    fs::remove_dir_all(folder)
}
