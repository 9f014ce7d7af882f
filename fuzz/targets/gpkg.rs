//! A layer in this format, taken in every role.
#![no_main]

use stakeline_fuzz::{features_of, take_in_every_role};

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| take_in_every_role(&features_of(bytes, "gpkg")));
