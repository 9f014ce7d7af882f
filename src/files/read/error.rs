//! Why a file could not be read, with the place in the text where there is one.

use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};

use crate::plan::pointed_at;

/// Why a file could not be read.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum FileError {
    /// The file is missing, a folder, or not readable.
    #[error("{}: cannot be read: {why}", path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// The text is not in an encoding that this format allows.
    #[error("{}: is not UTF-8 text ({why}); save it as UTF-8", path.display())]
    Encoding {
        /// The file.
        path: PathBuf,
        /// What was found.
        why: String,
    },
    /// The content breaks the rules of its format.
    #[error("{}: {what}", path.display())]
    Format {
        /// The file.
        path: PathBuf,
        /// What is wrong, where, and what to do.
        what: String,
    },
}

impl FileError {
    pub(super) fn format(path: &Path, what: impl Into<String>) -> Self {
        FileError::Format { path: path.to_path_buf(), what: what.into() }
    }

    pub(super) fn encoding(path: &Path, why: impl Into<String>) -> Self {
        FileError::Encoding { path: path.to_path_buf(), why: why.into() }
    }

    /// There is no such file.
    pub fn missing(path: &Path) -> Self {
        let why = "no such file; put it there, or name another".to_string();
        FileError::Open { path: path.to_path_buf(), why }
    }

    pub(super) fn open(path: &Path, error: &io::Error) -> Self {
        let why = match error.kind() {
            io::ErrorKind::NotFound => return Self::missing(path),
            io::ErrorKind::PermissionDenied => "permission denied".to_string(),
            io::ErrorKind::IsADirectory => "it is a folder".to_string(),
            _ => error.to_string(),
        };
        FileError::Open { path: path.to_path_buf(), why }
    }

    /// A fault at a line and column (from 1, in bytes) of the text that lies at `place`, with
    /// that line and a caret under the column.
    pub(super) fn in_text(path: &Path, place: &Path, line: usize, column: usize, what: &str) -> Self {
        let shown = line_of(place, line).map(|text| pointed_at(&text, line, column)).unwrap_or_default();
        Self::format(path, format!("{what}{shown}"))
    }
}

/// One line of a file, with any of the three line ends.
fn line_of(place: &Path, line: usize) -> Option<String> {
    let mut text = BufReader::new(File::open(place).ok()?);
    for _ in 1..line {
        text.skip_until(b'\n').ok()?;
    }
    let mut bytes = Vec::new();
    io::Read::take(&mut text, 1 << 20).read_until(b'\n', &mut bytes).ok()?;
    Some(String::from_utf8_lossy(&bytes).trim_end().replace('\t', " "))
}
