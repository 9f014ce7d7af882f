//! A raster: what is read is as large as it says.
#![no_main]

use stakeline::files::read::read_geotiff;
use stakeline_fuzz::file_of;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    if let Ok(raster) = read_geotiff(&file_of(bytes, "tif")) {
        assert_eq!(raster.values.len(), raster.columns * raster.rows);
    }
});
