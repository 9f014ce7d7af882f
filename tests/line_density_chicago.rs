//! Density along a real street network against an independent implementation.
//!
//! Needs the folder of cases named by `STAKELINE_CASES`, and is ignored unless asked for.
//! The network is that of the data set `chicago` (R package spatstat.data, GPL, so not copied
//! here), 503 segments and 116 points; the expected values are walk sums computed by another
//! program, and heat equations solved on a grid by spatstat.linnet 3.0.6.

#[path = "support/cases.rs"]
mod open_data;

use std::path::Path;

use serde_json::Value;
use stakeline::frame::{Frame, GroundPoint, LonLat, Traced};
use stakeline::network::{Network, NetworkSettings};
use stakeline::record::{Line, LineKind, SourcePlace};
use stakeline::surface::Kernel;
use stakeline::surface::along::{EdgePoint, LineKernel, LineSmoother, Source, SplitRule, line_graph};

fn read(path: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn ground(frame: &Frame, pair: &Value) -> GroundPoint {
    frame.to_ground(LonLat::new(pair[0].as_f64().unwrap(), pair[1].as_f64().unwrap()).unwrap()).unwrap()
}

struct Chicago {
    smoother: LineSmoother,
    records: Vec<Source>,
    places: Vec<EdgePoint>,
    expected: Value,
}

fn chicago() -> Chicago {
    let folder = open_data::folder().join("chicago");
    let frame = Frame::from_epsg(32755).unwrap();
    let source = SourcePlace { file: Path::new("lines.geojson").into(), index: 0, id: None };
    let lines: Vec<Traced<Line>> = read(&folder.join("lines.geojson"))["features"]
        .as_array()
        .unwrap()
        .iter()
        .map(|feature| {
            let ground: Vec<_> = feature["geometry"]["coordinates"]
                .as_array()
                .unwrap()
                .iter()
                .map(|pair| ground(&frame, pair))
                .collect();
            let what = Line::new(LineKind::Track, source.clone());
            Traced { what, path: Vec::new(), ground }
        })
        .collect();
    // Streets are a few metres apart in places; nothing is to be joined or merged.
    let settings = NetworkSettings { snap_m: 0.01, merge_m: 0.0, ..NetworkSettings::default() };
    let network = Network::build(&lines, &[], &settings).unwrap();
    let foot = |at: GroundPoint| EdgePoint::from(&network.nearest_foot(at, 0.05, |_| true).unwrap());
    let records: Vec<Source> = read(&folder.join("points.geojson"))["features"]
        .as_array()
        .unwrap()
        .iter()
        .map(|feature| Source { at: foot(ground(&frame, &feature["geometry"]["coordinates"])), weight: 1.0 })
        .collect();
    let expected = read(&folder.join("expected.json"))["network"].clone();
    let places = expected["locations"]
        .as_array()
        .unwrap()
        .iter()
        .map(|place| foot(GroundPoint::new(place["x"].as_f64().unwrap(), place["y"].as_f64().unwrap())))
        .collect();
    let smoother = LineSmoother::new(line_graph(&network, |_| true));
    Chicago { smoother, records, places, expected: expected["kde"].clone() }
}

/// Largest difference, as a share of the expected value or of `floor` if that is larger.
fn worst(found: &[f64], expected: &Value, floor: f64) -> f64 {
    let expected: Vec<f64> = expected.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
    assert!(expected.len() <= found.len());
    let differences = found.iter().zip(expected);
    differences.map(|(found, expected)| (found - expected).abs() / expected.max(floor)).fold(0.0, f64::max)
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_equal_splits_agree_with_walk_sums() {
    let Chicago { smoother, records, places, expected } = chicago();
    assert_eq!(records.len(), 116);
    for (rule, key) in [
        (SplitRule::Continuous, "equal_split_continuous"),
        (SplitRule::Discontinuous, "equal_split_discontinuous"),
    ] {
        let kernel = LineKernel::new(Kernel::Epanechnikov, rule, 15.0);
        let found = smoother.density(kernel, &records, &places).unwrap().per_m;
        let worst = worst(&found, &expected["epanechnikov"][key], 1e-3);
        println!("{key}: worst {worst:.2e}");
        // Coordinates are rounded to a centimetre, the kernel's steepest slope is 9 % a metre.
        assert!(worst < 2e-3, "{key}: {worst}");
    }
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_the_heat_kernel_agrees_with_walk_sums_and_with_a_solver() {
    let Chicago { smoother, records, places, expected } = chicago();
    let expected = &expected["gaussian"];
    let found = smoother.density(LineKernel::Heat { sigma_m: 20.0 }, &records, &places).unwrap().per_m;
    let sums = worst(&found, &expected["heat_kernel_path_sum"], 2e-3);
    let solver = worst(&found[..8], &expected["spatstat_heat_equation_at_events"], 2e-3);
    println!("walk sums {sums:.2e}, solver at events {solver:.2e}");
    // The walk sums leave out what is beyond four bandwidths; the solver's mass is 1 % high
    // and its grid coarse.
    assert!(sums < 0.005, "{sums}");
    assert!(solver < 0.02, "{solver}");
}
