//! A whole set of output files that appears at once or not at all.
//!
//! Files are written into a folder beside the wanted one; only when all are done do the two
//! change places. A file that this program did not write is carried over untouched. A run
//! that is killed leaves the old set whole, and the next run clears away what it left.

mod manifest;
mod swap;

use std::fs::{self, File};
use std::io::{self, BufWriter, Seek, Write};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::read::hex;
pub use manifest::MANIFEST;
use swap::Staging;

/// Why outputs could not be written.
#[derive(thiserror::Error, Debug)]
pub enum OutputError {
    /// The folder holds something and `--force` was not given.
    #[error("{}: the output folder exists and is not empty; choose another, or pass --force to replace what an earlier run wrote there", .0.display())]
    Exists(PathBuf),
    /// The folder is not one that an earlier run wrote.
    #[error("{}: holds no manifest.json, so no run wrote it; name the --out folder of a run", .0.display())]
    NoSet(PathBuf),
    /// A file that no run wrote has the name of one that is to be written.
    #[error("{}: is in the way: no run wrote it, and this one would; move it or choose another --out", .0.display())]
    InTheWay(PathBuf),
    /// Another run is writing to the same folder.
    #[error("{}: another run is writing there at this moment; wait for it or choose another --out", .0.display())]
    InUse(PathBuf),
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
    staging: Staging,
    entries: Vec<(String, Value)>,
}

impl OutputSet {
    /// Opens a set that is to become the folder `target`; first it ends what a killed run
    /// may have left there. A link to a folder is followed.
    ///
    /// # Errors
    /// [`OutputError::Exists`] for a folder with content unless `force` is set;
    /// [`OutputError::NotAFolder`]; [`OutputError::InUse`]; [`OutputError::Write`] where the
    /// place cannot be written to.
    pub fn begin(target: &Path, force: bool) -> Result<Self, OutputError> {
        if target.is_file() {
            return Err(OutputError::NotAFolder(target.to_path_buf()));
        }
        let fail = |why| OutputError::Write { path: target.to_path_buf(), why };
        let target =
            if target.is_dir() { fs::canonicalize(target).map_err(fail)? } else { target.to_path_buf() };
        let staging = Staging::open(&target)?;
        if !force && fs::read_dir(&target).is_ok_and(|mut entries| entries.next().is_some()) {
            return Err(OutputError::Exists(target));
        }
        Ok(Self { target, staging, entries: Vec::new() })
    }

    /// Opens the whole set that stands in `target`, so that files can be added to it or
    /// written anew; the others are kept as they are.
    ///
    /// # Errors
    /// [`OutputError::NoSet`] where no earlier run wrote the folder; else as
    /// [`OutputSet::begin`].
    pub fn reopen(target: &Path) -> Result<Self, OutputError> {
        let mut set = Self::begin(target, true)?;
        let entries = manifest::entries(target).ok_or_else(|| OutputError::NoSet(target.to_path_buf()))?;
        for (name, entry) in entries {
            let (from, to) = (target.join(&name), set.staging().join(&name));
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
        self.staging.path()
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
        let path = self.staging().join(name);
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
    /// [`OutputError::InTheWay`] and [`OutputError::Write`]; the old folder is then as it was.
    pub fn commit(self) -> Result<Vec<PathBuf>, OutputError> {
        let ours = manifest::entries(&self.target).unwrap_or_default();
        for (name, _) in &self.entries {
            let place = self.target.join(name);
            if !ours.contains_key(name) && place.symlink_metadata().is_ok() {
                return Err(OutputError::InTheWay(place));
            }
        }
        let fail = |why| OutputError::Write { path: self.target.clone(), why };
        manifest::write(self.staging(), &self.entries).map_err(fail)?;
        let paths = self.entries.iter().map(|(name, _)| self.target.join(name)).collect();
        self.staging.take_its_place(&self.target).map_err(fail)?;
        Ok(paths)
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
mod tests;
