//! A plan: what is read and written again reads the same.
#![no_main]

use std::path::Path;

use stakeline::plan::Plan;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    if let Ok(plan) = Plan::parse(Path::new("plan.toml"), text) {
        let written = plan.to_settings();
        let again = Plan::parse(Path::new("settings.toml"), &written).expect("settings are a plan");
        assert_eq!(again.to_settings(), written, "settings change when they are read");
    }
});
