//! What may stand where a set is to be put: a folder, or nothing.

use std::fs::{self, Metadata};
use std::io;
use std::path::{Path, PathBuf};

use super::OutputError;

/// The folder that an output path means, with links followed; the path itself where nothing
/// stands there yet.
///
/// # Errors
/// [`OutputError::NotAFolder`], [`OutputError::DeadLink`], [`OutputError::MountPoint`];
/// [`OutputError::Write`] where the system does not let it be looked at or written to.
pub(super) fn folder_at(target: &Path) -> Result<PathBuf, OutputError> {
    let fail = |why| OutputError::Write { path: target.to_path_buf(), why };
    match target.symlink_metadata() {
        Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(target.to_path_buf()),
        Err(why) => return Err(fail(why)),
        Ok(_) => {}
    }
    let stands = match fs::metadata(target) {
        Err(why) if why.kind() == io::ErrorKind::NotFound => {
            return Err(OutputError::DeadLink(target.to_path_buf()));
        }
        other => other.map_err(fail)?,
    };
    if !stands.is_dir() {
        return Err(OutputError::NotAFolder { path: target.to_path_buf(), what: kind_of(&stands) });
    }
    let folder = fs::canonicalize(target).map_err(fail)?;
    if folder.parent().is_none_or(|around| !same_file_system(around, &stands)) {
        return Err(OutputError::MountPoint(folder));
    }
    may_be_written(&folder).map_err(fail)?;
    Ok(folder)
}

/// Whether a folder lies on the file system of something else, so that a file can be linked from
/// one into the other.
pub(super) fn same_file_system(folder: &Path, other: &Metadata) -> bool {
    fs::metadata(folder).is_ok_and(|m| device_of(&m) == device_of(other))
}

#[cfg(unix)]
fn device_of(of: &Metadata) -> Option<u64> {
    use std::os::unix::fs::MetadataExt;
    Some(of.dev())
}

#[cfg(not(unix))]
fn device_of(_: &Metadata) -> Option<u64> {
    None
}

#[cfg(unix)]
fn kind_of(what: &Metadata) -> &'static str {
    use std::os::unix::fs::FileTypeExt;
    let kind = what.file_type();
    match () {
        () if kind.is_block_device() || kind.is_char_device() => "a device",
        () if kind.is_fifo() => "a named pipe",
        () if kind.is_socket() => "a socket",
        () => "a file",
    }
}

#[cfg(not(unix))]
fn kind_of(_: &Metadata) -> &'static str {
    "a file"
}

#[cfg(unix)]
fn may_be_written(folder: &Path) -> io::Result<()> {
    use rustix::fs::{Access, access};
    Ok(access(folder, Access::WRITE_OK | Access::EXEC_OK)?)
}

#[cfg(not(unix))]
fn may_be_written(_: &Path) -> io::Result<()> {
    Ok(())
}
