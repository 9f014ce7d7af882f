//! Places given by hand, and the files that hold more of them.

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Files of places and places given one by one, in the order in which the plan has them.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(from = "Written<T>", into = "Written<T>", bound(serialize = "T: Clone + Serialize"))]
#[schemars(with = "Written<T>")]
pub struct Places<T>(Vec<FileOrPlace<T>>);

/// One entry of a list of places.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(
    untagged,
    expecting = "expected the name of a file, or a place such as { at = [148.2, -35.4] }; a barred place has within_m too"
)]
pub enum FileOrPlace<T> {
    /// A file.
    File(PathBuf),
    /// A place.
    Place(T),
}

/// As the plan writes it.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(
    untagged,
    expecting = "expected the name of a file, or a list of files and places such as [{ at = [148.2, -35.4] }]; a barred place has within_m too"
)]
enum Written<T> {
    /// One file.
    File(PathBuf),
    /// Several entries.
    List(Vec<FileOrPlace<T>>),
}

impl<T> From<Written<T>> for Places<T> {
    fn from(written: Written<T>) -> Self {
        match written {
            Written::File(file) => Self(vec![FileOrPlace::File(file)]),
            Written::List(entries) => Self(entries),
        }
    }
}

impl<T> From<Places<T>> for Written<T> {
    fn from(Places(mut entries): Places<T>) -> Self {
        match (entries.pop(), entries.is_empty()) {
            (Some(FileOrPlace::File(file)), true) => Written::File(file),
            (last, _) => {
                entries.extend(last);
                Written::List(entries)
            }
        }
    }
}

impl<T> Default for Places<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T> Places<T> {
    /// The places of some files.
    pub fn of_files(files: impl IntoIterator<Item = PathBuf>) -> Self {
        Self(files.into_iter().map(FileOrPlace::File).collect())
    }

    /// Whether there is neither a file nor a place.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The places given one by one.
    pub fn listed(&self) -> impl Iterator<Item = &T> {
        self.0.iter().filter_map(|entry| match entry {
            FileOrPlace::File(_) => None,
            FileOrPlace::Place(place) => Some(place),
        })
    }

    /// The files.
    pub fn files(&self) -> impl Iterator<Item = &PathBuf> {
        self.0.iter().filter_map(|entry| match entry {
            FileOrPlace::File(file) => Some(file),
            FileOrPlace::Place(_) => None,
        })
    }

    pub(super) fn files_mut(&mut self) -> impl Iterator<Item = &mut PathBuf> {
        self.0.iter_mut().filter_map(|entry| match entry {
            FileOrPlace::File(file) => Some(file),
            FileOrPlace::Place(_) => None,
        })
    }

    /// Adds what another list has; a file that is here already is not added.
    pub(super) fn add(&mut self, others: Self, same_file: impl Fn(&PathBuf, &PathBuf) -> bool) {
        for entry in others.0 {
            let known = match &entry {
                FileOrPlace::File(file) => self.files().any(|own| same_file(own, file)),
                FileOrPlace::Place(_) => false,
            };
            if !known {
                self.0.push(entry);
            }
        }
    }
}
