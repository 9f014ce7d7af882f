//! What the fuzz targets share: files from bytes, and lines from bytes.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use stakeline::files::{FileError, RawFeature, ReadAs, read_features};
use stakeline::frame::{GroundPoint, LonLat, Traced};
use stakeline::job::{Builder, SignDefaults};
use stakeline::record::{Line, LineKind, SourcePlace};

/// A file of this process with the given ending that holds the bytes; each call overwrites
/// the one before.
pub fn file_of(bytes: &[u8], ending: &str) -> PathBuf {
    let path = std::env::temp_dir().join(format!("stakeline-fuzz-{}.{ending}", std::process::id()));
    let mut file = std::fs::File::create(&path).expect("a file in the temporary folder");
    file.write_all(bytes).expect("room in the temporary folder");
    path
}

/// Reads the bytes as a layer of the given ending, once for each way to read it.
pub fn features_of(bytes: &[u8], ending: &str) -> Vec<RawFeature> {
    let path = file_of(bytes, ending);
    let mut all = Vec::new();
    for read_as in [ReadAs::Points, ReadAs::Lines, ReadAs::Rows] {
        let mut features = Vec::new();
        let read: Result<_, FileError> = read_features(&path, &path, read_as, &mut |f| features.push(f));
        if let Ok(report) = read {
            assert_eq!(report.features, features.len(), "a feature was counted but not passed on");
            all = features;
        }
    }
    all
}

/// Takes every feature in every role, as a plan may name one file for any of them.
pub fn take_in_every_role(features: &[RawFeature]) {
    let mut builder = Builder::new(&Default::default(), None);
    for raw in features {
        builder.sign(raw.clone(), &SignDefaults::default());
        builder.leg(raw.clone());
        builder.line(raw.clone(), LineKind::Track);
        builder.keep_out(raw.clone(), Some(100.0), None);
        builder.area(raw.clone());
        builder.station(raw.clone());
        builder.check_row(raw.clone());
        builder.wind_row(raw.clone());
        builder.query(raw.clone());
    }
    if let Ok(job) = builder.finish(None) {
        for record in &job.records {
            assert!(record.ground.x_m.is_finite() && record.ground.y_m.is_finite());
        }
    }
}

/// Small numbers from bytes; zeros when they run out.
pub struct Numbers<'b>(pub &'b [u8]);

impl Numbers<'_> {
    /// The next byte.
    pub fn byte(&mut self) -> u8 {
        match self.0.split_first() {
            Some((&first, rest)) => {
                self.0 = rest;
                first
            }
            None => 0,
        }
    }

    /// The next two bytes, signed.
    pub fn short(&mut self) -> i16 {
        i16::from_le_bytes([self.byte(), self.byte()])
    }

    /// Whether bytes are left.
    pub fn any(&self) -> bool {
        !self.0.is_empty()
    }
}

/// Lines around a place far from the frame's origin, on a raster whose step the bytes choose
/// from a third of a lattice cell to a field's width.
pub fn lines_of(numbers: &mut Numbers) -> Vec<Traced<Line>> {
    let step_m = [0.003, 0.01, 0.5, 7.0][usize::from(numbers.byte() % 4)];
    let kinds = LineKind::ALL;
    let mut lines = Vec::new();
    while numbers.any() && lines.len() < 40 {
        let what = numbers.byte();
        let corners = 1 + usize::from(numbers.byte() % 12);
        let ground: Vec<GroundPoint> = (0..corners)
            .map(|_| {
                let (x, y) = (f64::from(numbers.short() / 64), f64::from(numbers.short() / 64));
                GroundPoint::new(500_000.0 + x * step_m, 6_200_000.0 + y * step_m)
            })
            .collect();
        let source = SourcePlace { file: Arc::from(Path::new("fuzz")), index: lines.len(), id: None };
        let line = Line {
            kind: kinds[usize::from(what & 15) % kinds.len()],
            name: None,
            bridge: what & 16 != 0,
            tunnel: what & 32 != 0,
            layer: i32::from(what >> 6),
            source,
        };
        let nowhere = LonLat::new(0.0, 0.0).expect("a place");
        lines.push(Traced { what: line, path: vec![nowhere; ground.len()], ground });
    }
    lines
}
