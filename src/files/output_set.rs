//! A whole set of output files that appears at once or not at all.
//!
//! Files are written into a folder beside the wanted one; only when all are done does the
//! new folder take the old one's place. A file that this program did not write is carried
//! over untouched.

use std::fs::{self, File};
use std::io::{self, BufWriter, Seek, Write};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::read::hex;

/// The file that names what a set holds; its presence is the mark of a whole set.
pub const MANIFEST: &str = "manifest.json";

/// Why outputs could not be written.
#[derive(thiserror::Error, Debug)]
pub enum OutputError {
    /// The folder holds something and `--force` was not given.
    #[error("{}: the output folder exists and is not empty; choose another, or pass --force to replace what an earlier run wrote there", .0.display())]
    Exists(PathBuf),
    /// The folder is not one that an earlier run wrote.
    #[error("{}: holds no manifest.json, so no run wrote it; name the --out folder of a run", .0.display())]
    NoSet(PathBuf),
    /// The output path is a file.
    #[error("{}: is a file, not a folder; choose another place for the outputs", .0.display())]
    NotAFolder(PathBuf),
    /// The system refused.
    #[error("{}: cannot be written: {why}", path.display())]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What the system says.
        why: io::Error,
    },
}

/// Outputs in the making. Dropped without [`OutputSet::commit`], it leaves nothing behind.
#[derive(Debug)]
pub struct OutputSet {
    target: PathBuf,
    staging: PathBuf,
    entries: Vec<(String, Value)>,
    done: bool,
}

impl OutputSet {
    /// Opens a set that is to become the folder `target`.
    ///
    /// # Errors
    /// [`OutputError::Exists`] for a folder with content unless `force` is set;
    /// [`OutputError::NotAFolder`]; [`OutputError::Write`] where the place cannot be
    /// written to.
    pub fn begin(target: &Path, force: bool) -> Result<Self, OutputError> {
        if target.is_file() {
            return Err(OutputError::NotAFolder(target.to_path_buf()));
        }
        if !force && fs::read_dir(target).is_ok_and(|mut entries| entries.next().is_some()) {
            return Err(OutputError::Exists(target.to_path_buf()));
        }
        let (staging, old) = (beside(target, "new"), beside(target, "old"));
        let fail = |path: &Path| {
            let path = path.to_path_buf();
            move |why| OutputError::Write { path, why }
        };
        recover(target, &old).map_err(fail(target))?;
        if staging.exists() {
            fs::remove_dir_all(&staging).map_err(fail(&staging))?;
        }
        fs::create_dir_all(&staging).map_err(fail(target))?;
        Ok(Self { target: target.to_path_buf(), staging, entries: Vec::new(), done: false })
    }

    /// Opens the whole set that stands in `target`, so that files can be added to it or
    /// written anew; the others are kept as they are.
    ///
    /// # Errors
    /// [`OutputError::NoSet`] where no earlier run wrote the folder; [`OutputError::Write`].
    pub fn reopen(target: &Path) -> Result<Self, OutputError> {
        let entries = manifest_entries(target).ok_or_else(|| OutputError::NoSet(target.to_path_buf()))?;
        let mut set = Self::begin(target, true)?;
        for (name, entry) in entries {
            let (from, to) = (target.join(&name), set.staging.join(&name));
            let fail = |why| OutputError::Write { path: from.clone(), why };
            if let Some(folder) = to.parent() {
                fs::create_dir_all(folder).map_err(fail)?;
            }
            fs::copy(&from, &to).map_err(fail)?;
            set.entries.push((name, entry));
        }
        Ok(set)
    }

    /// The folder that the set is to become.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// The folder in which the files lie until the set is whole.
    pub fn staging(&self) -> &Path {
        &self.staging
    }

    /// Writes one file through a closure. The name may hold a folder: `property/area.geojson`.
    ///
    /// # Errors
    /// [`OutputError::Write`] with the name the file was to have.
    pub fn write(
        &mut self,
        name: &str,
        fill: impl FnOnce(&mut OutputFile) -> io::Result<()>,
    ) -> Result<(), OutputError> {
        let path = self.staging.join(name);
        let fail = |why| OutputError::Write { path: self.target.join(name), why };
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(fail)?;
        }
        let mut file =
            OutputFile { inner: BufWriter::with_capacity(1 << 18, File::create(&path).map_err(fail)?) };
        fill(&mut file).and_then(|()| file.inner.flush()).map_err(fail)?;
        drop(file);
        let sha256 = hash_file(&path).map_err(fail)?;
        self.entries.retain(|(known, _)| known != name);
        self.entries.push((name.to_string(), json!({ "sha256": sha256 })));
        Ok(())
    }

    /// Writes a JSON summary. Its member `seconds` may differ from run to run, so the
    /// manifest holds the hash of the summary without it, and says so.
    ///
    /// # Errors
    /// As [`OutputSet::write`].
    pub fn write_summary(&mut self, name: &str, summary: &Value) -> Result<(), OutputError> {
        self.write(name, |out| {
            serde_json::to_writer_pretty(&mut *out, summary)?;
            out.write_all(b"\n")
        })?;
        let mut lasting = summary.clone();
        let timed = lasting.as_object_mut().is_some_and(|members| members.remove("seconds").is_some());
        if let (true, Some((_, entry))) = (timed, self.entries.last_mut()) {
            let sha256 = hex(&Sha256::digest(lasting.to_string().as_bytes()));
            *entry = json!({ "sha256_without_seconds": sha256 });
        }
        Ok(())
    }

    /// Names of the files written so far, in order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.entries.iter().map(|(name, _)| name.as_str())
    }

    /// Puts the whole set in its place and gives the paths of its files.
    ///
    /// # Errors
    /// [`OutputError::Write`]; the old folder is then as it was.
    pub fn commit(mut self) -> Result<Vec<PathBuf>, OutputError> {
        let files: serde_json::Map<String, Value> = self.entries.iter().cloned().collect();
        let manifest = json!({ "stakeline": env!("CARGO_PKG_VERSION"), "files": files });
        let text = format!("{manifest:#}\n");
        self.swap_in(&text).map_err(|why| OutputError::Write { path: self.target.clone(), why })?;
        self.done = true;
        Ok(self.entries.iter().map(|(name, _)| self.target.join(name)).collect())
    }

    fn swap_in(&self, manifest: &str) -> io::Result<()> {
        fs::write(self.staging.join(MANIFEST), manifest)?;
        if !self.target.exists() {
            return fs::rename(&self.staging, &self.target);
        }
        let old = beside(&self.target, "old");
        fs::rename(&self.target, &old)?;
        if let Err(why) = fs::rename(&self.staging, &self.target) {
            fs::rename(&old, &self.target)?;
            return Err(why);
        }
        carry_over(&old, &self.target)
    }
}

impl Drop for OutputSet {
    fn drop(&mut self) {
        if !self.done {
            // Nothing to tell: a leftover folder is removed by the next run.
            let _ = fs::remove_dir_all(&self.staging);
        }
    }
}

/// One file of a set being written.
#[derive(Debug)]
pub struct OutputFile {
    inner: BufWriter<File>,
}

impl Write for OutputFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.inner.write(bytes)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

impl Seek for OutputFile {
    fn seek(&mut self, to: io::SeekFrom) -> io::Result<u64> {
        self.inner.seek(to)
    }
}

fn beside(target: &Path, what: &str) -> PathBuf {
    let name = target.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_else(|| "out".into());
    target.with_file_name(format!(".{name}.stakeline-{what}"))
}

/// Ends what an interrupted swap began: where the target is gone the old set comes back,
/// where the new one stands the old one's foreign files are carried over.
fn recover(target: &Path, old: &Path) -> io::Result<()> {
    match (old.exists(), target.exists()) {
        (true, false) => fs::rename(old, target),
        (true, true) => carry_over(old, target),
        _ => Ok(()),
    }
}

/// Moves what no manifest names from the old folder into the new one and removes the rest.
fn carry_over(old: &Path, target: &Path) -> io::Result<()> {
    let ours = manifest_names(old);
    for entry in fs::read_dir(old)? {
        let entry = entry?;
        let name = entry.file_name();
        let written_by_us =
            name.to_str().is_some_and(|n| n == MANIFEST || ours.iter().any(|o| top_of(o) == n));
        let place = target.join(&name);
        if !written_by_us && !place.exists() {
            fs::rename(entry.path(), place)?;
        }
    }
    fs::remove_dir_all(old)
}

/// The file or folder at the top of a set to which a name belongs.
fn top_of(name: &str) -> &str {
    name.split('/').next().unwrap_or(name)
}

fn manifest_names(folder: &Path) -> Vec<String> {
    manifest_entries(folder).unwrap_or_default().into_iter().map(|(name, _)| name).collect()
}

fn manifest_entries(folder: &Path) -> Option<serde_json::Map<String, Value>> {
    let mut manifest: Value = serde_json::from_slice(&fs::read(folder.join(MANIFEST)).ok()?).ok()?;
    match manifest.get_mut("files")?.take() {
        Value::Object(files) => Some(files),
        _ => None,
    }
}

fn hash_file(path: &Path) -> io::Result<String> {
    let mut hash = Sha256::new();
    io::copy(&mut File::open(path)?, &mut HashSink(&mut hash))?;
    Ok(hex(&hash.finalize()))
}

struct HashSink<'a>(&'a mut Sha256);

impl Write for HashSink<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(set: &mut OutputSet, name: &str, text: &str) {
        set.write(name, |out| out.write_all(text.as_bytes())).unwrap();
    }

    #[test]
    fn a_dropped_set_leaves_nothing() {
        let room = tempfile::tempdir().unwrap();
        let target = room.path().join("out");
        put(&mut OutputSet::begin(&target, false).unwrap(), "a.txt", "half");
        assert_eq!(fs::read_dir(room.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_folder_with_content_is_refused_without_force() {
        let room = tempfile::tempdir().unwrap();
        fs::write(room.path().join("mine.txt"), "keep me").unwrap();
        assert!(matches!(OutputSet::begin(room.path(), false), Err(OutputError::Exists(_))));
    }

    #[test]
    fn force_replaces_our_files_and_keeps_others() {
        let room = tempfile::tempdir().unwrap();
        let target = room.path().join("out");
        let mut first = OutputSet::begin(&target, false).unwrap();
        put(&mut first, "a.txt", "one");
        put(&mut first, "b.txt", "two");
        first.commit().unwrap();
        fs::write(target.join("mine.txt"), "keep me").unwrap();
        let mut second = OutputSet::begin(&target, true).unwrap();
        put(&mut second, "a.txt", "new");
        second.commit().unwrap();
        let read = |name: &str| fs::read_to_string(target.join(name)).ok();
        assert_eq!(read("a.txt").as_deref(), Some("new"));
        assert_eq!(read("b.txt"), None);
        assert_eq!(read("mine.txt").as_deref(), Some("keep me"));
        assert_eq!(fs::read_dir(room.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_reopened_set_keeps_what_is_not_written_anew() {
        let room = tempfile::tempdir().unwrap();
        let target = room.path().join("out");
        assert!(matches!(OutputSet::reopen(&target), Err(OutputError::NoSet(_))));
        let mut first = OutputSet::begin(&target, false).unwrap();
        put(&mut first, "a.txt", "one");
        put(&mut first, "b.txt", "two");
        first.commit().unwrap();
        let mut again = OutputSet::reopen(&target).unwrap();
        put(&mut again, "b.txt", "new");
        put(&mut again, "c.txt", "three");
        assert_eq!(again.commit().unwrap().len(), 3);
        let read = |name: &str| fs::read_to_string(target.join(name)).unwrap();
        assert_eq!([read("a.txt"), read("b.txt"), read("c.txt")], ["one", "new", "three"]);
        assert_eq!(manifest_names(&target), ["a.txt", "b.txt", "c.txt"]);
    }

    #[test]
    fn an_interrupted_swap_is_undone_by_the_next_run() {
        let room = tempfile::tempdir().unwrap();
        let target = room.path().join("out");
        let mut first = OutputSet::begin(&target, false).unwrap();
        put(&mut first, "a.txt", "one");
        first.commit().unwrap();
        fs::rename(&target, beside(&target, "old")).unwrap();
        drop(OutputSet::begin(&target, true).unwrap());
        assert_eq!(fs::read_to_string(target.join("a.txt")).unwrap(), "one");
    }

    #[test]
    fn the_hash_of_a_summary_leaves_seconds_out() {
        let room = tempfile::tempdir().unwrap();
        let hash_of = |seconds: f64| {
            let target = room.path().join(format!("out{seconds}"));
            let mut set = OutputSet::begin(&target, false).unwrap();
            set.write_summary("s.json", &json!({ "n": 3, "seconds": seconds })).unwrap();
            set.commit().unwrap();
            fs::read_to_string(target.join(MANIFEST)).unwrap()
        };
        assert_eq!(hash_of(1.0), hash_of(2.0));
    }
}
