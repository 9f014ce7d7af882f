//! Lines of every kind to a network that keeps every invariant.
#![no_main]

use stakeline::network::{Network, NetworkSettings};
use stakeline_fuzz::{Numbers, lines_of};

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let mut numbers = Numbers(bytes);
    let settings = NetworkSettings {
        snap_m: [0.0, 0.004, 0.01, 5.0][usize::from(numbers.byte() % 4)],
        merge_m: [0.0, 5.0][usize::from(numbers.byte() % 2)],
        ..NetworkSettings::default()
    };
    let lines = lines_of(&mut numbers);
    if let Ok(network) = Network::build(&lines, &[], &settings) {
        let faults = network.faults();
        assert!(faults.is_empty(), "{faults:?}");
    }
});
