//! A raster: what is read is as large as it says.
#![no_main]

use stakeline::files::read_raster;
use stakeline_fuzz::file_of;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let path = file_of(bytes, "tif");
    if let Ok(raster) = read_raster(&path, &path, None) {
        assert_eq!(raster.values.len(), raster.columns * raster.rows);
    }
});
