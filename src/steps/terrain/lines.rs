//! Ridges and creeks of the ground as lines of the job.

use std::path::Path;
use std::sync::Arc;

use geo_types::Geometry;

use super::super::StepError;
use super::Ground;
use crate::files::{FileError, Properties, RawFeature, RawShape};
use crate::job::Builder;
use crate::plan::Plan;
use crate::record::{LineKind, SourcePlace};
use crate::steps::written::way_lonlat;

/// Gives the job the lines that the plan wants from the ground: the kinds it names, or those of
/// ridge and creek that it has no file of.
///
/// # Errors
/// [`StepError::Setting`] for a kind that heights do not show.
pub(in crate::steps) fn lend_lines(
    plan: &Plan,
    dem: &Path,
    ground: &mut Ground,
    builder: &mut Builder,
) -> Result<(), StepError> {
    ground.lent = wanted(plan)?;
    let file: Arc<Path> = dem.into();
    let mut index = 0;
    for &kind in &ground.lent {
        let courses = if kind == LineKind::Ridge { &ground.terrain.ridges } else { &ground.terrain.creeks };
        for course in courses {
            let path = way_lonlat(&ground.placed.frame, &course.path).map_err(|e| {
                StepError::Files(vec![FileError::Format { path: dem.to_path_buf(), what: e.to_string() }])
            })?;
            let raw = RawFeature {
                shape: RawShape::Shape(Geometry::LineString(path)),
                properties: Properties::new(),
                source: SourcePlace { file: file.clone(), index, id: None },
            };
            builder.line(raw, kind);
            index += 1;
        }
    }
    Ok(())
}

fn wanted(plan: &Plan) -> Result<Vec<LineKind>, StepError> {
    const KINDS: [LineKind; 2] = [LineKind::Ridge, LineKind::Creek];
    let Some(words) = &plan.terrain.lines else {
        let given = |kind: &LineKind| plan.line.iter().any(|l| LineKind::from_word(&l.kind) == Some(*kind));
        return Ok(KINDS.into_iter().filter(|kind| !given(kind)).collect());
    };
    for word in words {
        if !LineKind::from_word(word).is_some_and(|kind| KINDS.contains(&kind)) {
            return Err(StepError::Setting {
                key: "terrain.lines",
                what: format!("\"{word}\" is nothing that heights show; known are ridge and creek"),
            });
        }
    }
    let named = |kind: &LineKind| words.iter().any(|word| LineKind::from_word(word) == Some(*kind));
    Ok(KINDS.into_iter().filter(named).collect())
}
