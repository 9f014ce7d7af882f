//! A whole set of output files that appears at once or not at all.
//!
//! Files are written into a folder beside the wanted one; only when all are done do the two
//! change places. What is not exactly as a run wrote it is the user's: it has a second name in the
//! new folder before the two change places, so that it is there at every moment, and where the new
//! set would take its place nothing is written at all. The same holds for every input of the run.
//! A run that is killed leaves the old set whole, and the next run clears away what it left.

mod error;
mod keep;
mod manifest;
mod names;
mod place;
mod swap;

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, BufWriter, Seek, Write};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::read::hex;
use super::write::InputFile;
pub use error::OutputError;
use error::listed;
use keep::{Two, Wanted};
pub use manifest::MANIFEST;
use manifest::{Manifest, hash_file, hash_without_seconds};
use swap::Staging;

/// Outputs in the making. Dropped without [`OutputSet::commit`], it leaves nothing behind.
#[derive(Debug)]
pub struct OutputSet {
    target: PathBuf,
    staging: Staging,
    /// What the set is to hold.
    made: Manifest,
    /// Names of the files that were written into it, in order.
    written: Vec<String>,
    /// What stands at the target.
    standing: Manifest,
    wanted: Wanted,
}

/// A set that has taken its place.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Committed {
    /// The folder.
    pub folder: PathBuf,
    /// Paths of the files that were written, in order.
    pub files: Vec<PathBuf>,
    /// What is to be said of files that were left as they are, a sentence each.
    pub notes: Vec<String>,
}

impl OutputSet {
    /// Opens a set that is to become the folder `target`; first it ends what a killed run
    /// may have left there. A link to a folder is followed.
    ///
    /// # Errors
    /// [`OutputError::NotOurs`] for a folder with content that no run wrote;
    /// [`OutputError::Exists`] for one that a run wrote unless `force` is set;
    /// [`OutputError::NotAFolder`], [`OutputError::DeadLink`] and [`OutputError::MountPoint`] where
    /// a folder cannot be put; [`OutputError::InUse`]; [`OutputError::Write`] where the place
    /// cannot be written to.
    pub fn begin(target: &Path, force: bool) -> Result<Self, OutputError> {
        let target = place::folder_at(target)?;
        let staging = Staging::open(&target)?;
        let standing = Manifest::read(&target);
        let holds_something = fs::read_dir(&target).is_ok_and(|mut entries| entries.next().is_some());
        match &standing {
            None if holds_something => return Err(OutputError::NotOurs(target)),
            Some(_) if !force => return Err(OutputError::Exists(target)),
            _ => {}
        }
        Ok(Self {
            target,
            staging,
            made: Manifest::default(),
            written: Vec::new(),
            standing: standing.unwrap_or_default(),
            wanted: Wanted::default(),
        })
    }

    /// Opens the whole set that stands in `target`, so that files can be added to it or
    /// written anew; the others are kept as they are. A file that is no longer there is no longer
    /// of the set.
    ///
    /// # Errors
    /// [`OutputError::NoSet`] where no earlier run wrote the folder; else as
    /// [`OutputSet::begin`].
    pub fn reopen(target: &Path) -> Result<Self, OutputError> {
        let folder = place::folder_at(target)?;
        if Manifest::read(&folder).is_none() {
            // A killed run may have moved the set aside: that is seen to first.
            drop(Staging::open(&folder)?);
            Manifest::read(&folder).ok_or_else(|| OutputError::NoSet(target.to_path_buf()))?;
        }
        let mut set = Self::begin(&folder, true)?;
        set.made = set.standing.clone();
        set.made.files.clear();
        for (name, entry) in &set.standing.files {
            let (from, to) = (set.target.join(name), set.staging.path().join(name));
            let fail = |why| OutputError::Write { path: from.clone(), why };
            if !from.is_file() {
                continue;
            }
            if let Some(folder) = to.parent() {
                fs::create_dir_all(folder).map_err(fail)?;
            }
            fs::hard_link(&from, &to).or_else(|_| fs::copy(&from, &to).map(drop)).map_err(fail)?;
            set.made.files.insert(name.clone(), entry.clone());
        }
        Ok(set)
    }

    /// Names of the files at the target that a run wrote there and that are not as it wrote them:
    /// changed since, or no longer there.
    ///
    /// # Errors
    /// [`OutputError::Write`] for a file that cannot be read.
    pub fn changed(&self) -> Result<Vec<String>, OutputError> {
        let mut changed = Vec::new();
        for name in self.standing.files.keys() {
            if !self.is_as_written(name)? {
                changed.push(name.clone());
            }
        }
        Ok(changed)
    }

    /// Whether a file stands at the target as a run wrote it there.
    ///
    /// # Errors
    /// [`OutputError::Write`] for a file that cannot be read.
    pub fn is_as_written(&self, name: &str) -> Result<bool, OutputError> {
        let fail = |why| OutputError::Write { path: self.target.join(name), why };
        self.standing.holds(&self.target, name).map_err(fail)
    }

    /// The inputs that the set at the target was made from; `None` where it does not say.
    pub fn standing_inputs(&self) -> Option<&[InputFile]> {
        self.standing.inputs.as_deref()
    }

    /// States the inputs that the set is made from.
    pub fn state_inputs(&mut self, inputs: &[InputFile]) {
        self.made.inputs = Some(inputs.to_vec());
    }

    /// Says which files the run reads. Those that lie in the target are neither replaced nor
    /// cleared away, whatever their path is spelled like and through whatever links it leads.
    pub fn keep_inputs<'p>(&mut self, paths: impl IntoIterator<Item = &'p Path>) {
        let Ok(target) = fs::canonicalize(&self.target) else { return };
        for path in paths {
            // A link in the target is kept like the file it leads to.
            let named = path.parent().map(|p| if p.as_os_str().is_empty() { Path::new(".") } else { p });
            let as_named = named.and_then(|p| Some(fs::canonicalize(p).ok()?.join(path.file_name()?)));
            for found in fs::canonicalize(path).ok().into_iter().chain(as_named) {
                let Ok(inside) = found.strip_prefix(&target) else { continue };
                let parts: Option<Vec<&str>> = inside.iter().map(|part| part.to_str()).collect();
                self.wanted.inputs.extend(parts.map(|parts| parts.join("/")));
            }
        }
    }

    /// The bytes of a file at the target that the user may have written to, to be merged into the
    /// one of the same name that this set writes. It is replaced only as it was read here.
    ///
    /// # Errors
    /// [`OutputError::Write`] for a file that cannot be read.
    pub fn to_merge(&mut self, name: &str) -> Result<Option<Vec<u8>>, OutputError> {
        let path = self.target.join(name);
        let bytes = match fs::read(&path) {
            Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(None),
            other => other.map_err(|why| OutputError::Write { path, why })?,
        };
        self.wanted.merged.insert(name.to_string(), hex(&Sha256::digest(&bytes)));
        Ok(Some(bytes))
    }

    /// The folder that the set is to become.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// The folder in which the files lie until the set is whole.
    pub fn staging(&self) -> &Path {
        self.staging.path()
    }

    /// Writes one file through a closure. The name may hold a folder: `property/area.geojson`.
    ///
    /// # Errors
    /// [`OutputError::Write`] with the name the file was to have; [`OutputError::Changed`],
    /// [`OutputError::ReadHere`] and [`OutputError::InTheWay`] where a file of that name at the
    /// target is to stay.
    pub fn write(
        &mut self,
        name: &str,
        fill: impl FnOnce(&mut OutputFile) -> io::Result<()>,
    ) -> Result<(), OutputError> {
        let path = self.staging().join(name);
        let fail = |why| OutputError::Write { path: self.target.join(name), why };
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(fail)?;
        }
        // What lies there may be a second name of a file at the target, which is not written to.
        match fs::remove_file(&path) {
            Err(why) if why.kind() != io::ErrorKind::NotFound => return Err(fail(why)),
            _ => {}
        }
        let file = File::options().read(true).write(true).create_new(true).open(&path).map_err(fail)?;
        let mut file = OutputFile { inner: BufWriter::with_capacity(1 << 18, file) };
        fill(&mut file).and_then(|()| file.inner.flush()).map_err(fail)?;
        drop(file);
        let sha256 = hash_file(&path).map_err(fail)?;
        self.made.files.insert(name.to_string(), json!({ "sha256": sha256 }));
        self.written.retain(|known| known != name);
        self.written.push(name.to_string());
        let none = BTreeSet::new();
        Two {
            old: &self.target,
            new: self.staging.path(),
            manifest: &self.standing,
            wanted: &self.wanted,
            names: &none,
        }
        .may_write(name)
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
        if let Some(sha256) = hash_without_seconds(summary) {
            self.made.files.insert(name.to_string(), json!({ "sha256_without_seconds": sha256 }));
        }
        Ok(())
    }

    /// Names of the files in the set so far.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.made.files.keys().map(String::as_str)
    }

    /// Puts the whole set in its place.
    ///
    /// # Errors
    /// [`OutputError::Changed`], [`OutputError::ReadHere`], [`OutputError::InTheWay`],
    /// [`OutputError::MountPoint`], [`OutputError::MountInside`], [`OutputError::NotAFolder`] and
    /// [`OutputError::Write`]; the old folder is then as it was.
    pub fn commit(self) -> Result<Committed, OutputError> {
        // Something else may have been put there while the set was made.
        place::folder_at(&self.target)?;
        let fail = |why| OutputError::Write { path: self.target.clone(), why };
        self.made.write(self.staging()).map_err(fail)?;
        let worked_in = fs::canonicalize(&self.target).ok().filter(|target| {
            std::env::current_dir().and_then(fs::canonicalize).is_ok_and(|here| here.starts_with(target))
        });
        let sorted = self.staging.take_its_place(&self.target, &self.made, &self.wanted)?;
        let mut notes = Vec::new();
        let folder = self.target;
        let mut note = |names: &[String], why: &str| {
            if !names.is_empty() {
                notes.push(format!("{}: left as it is, {why}: {}", folder.display(), listed(names)));
            }
        };
        note(&sorted.changed, "changed after a run wrote it, which this run does not");
        note(&sorted.read, "written by an earlier run and read by this one");
        if worked_in.is_some() && !sorted.same_folder {
            notes.push(format!(
                "{}: is new now, and the command was given in the old one; enter it once more (cd .)",
                folder.display()
            ));
        }
        let files = self.written.iter().map(|name| folder.join(name)).collect();
        Ok(Committed { files, notes, folder })
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

#[cfg(test)]
mod tests;
