//! A check log as people fill it in, with every figure that is drawn from it.
#![no_main]

use std::path::Path;
use std::sync::Arc;

use stakeline::checks::{balance, history, quiet, read_log};
use stakeline::frame::{GroundPoint, LonLat, Placed};
use stakeline::job::{Fields, Findings};
use stakeline::record::{SourcePlace, Station, StationState};
use stakeline_fuzz::features_of;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let rows = features_of(bytes, "csv");
    let stations: Vec<Placed<Station>> = ["N1", "N2", "S1"].iter().map(|id| standing(id)).collect();
    let mut findings = Findings::default();
    let checks = read_log(&rows, &Fields::new(None), None, &stations, &mut findings);
    let account = balance(&stations, &checks, 1);
    let _ = account.holds();
    let history = history(&stations, &checks);
    for interval in &history.intervals {
        assert!(interval.nights() >= 0.0, "time runs backwards at {:?}", interval);
    }
    let _ = quiet(&history, 0.01, Default::default());
});

fn standing(id: &str) -> Placed<Station> {
    let source = SourcePlace { file: Arc::from(Path::new("stations.csv")), index: 0, id: None };
    Placed {
        what: Station {
            station_id: id.into(),
            name: None,
            state: StationState::Set,
            set_on: "2026-03-01".parse().ok(),
            lifted_on: None,
            set_by: None,
            batch: None,
            source,
        },
        at: LonLat::new(149.0, -35.0).expect("a place"),
        ground: GroundPoint::new(0.0, 0.0),
    }
}
