//! Where the real open data lie.

use std::path::PathBuf;

/// The folder of the cases; fails where nobody says which.
pub fn folder() -> PathBuf {
    let folder = std::env::var_os("STAKELINE_CASES");
    let folder = folder.expect("set STAKELINE_CASES to the folder of cases; README, Real data");
    let folder = PathBuf::from(folder);
    assert!(folder.is_dir(), "STAKELINE_CASES is {}, which is no folder", folder.display());
    folder
}
