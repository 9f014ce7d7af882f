//! Why a step could not be done, and the exit status that says so.

use crate::audit::Breach;
use crate::files::{FileError, OutputError};
use crate::frame::FrameError;
use crate::job::JobError;
use crate::plan::PlanError;

/// Why a step could not be done.
#[derive(thiserror::Error, Debug)]
pub enum StepError {
    /// A file cannot be read.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Files(Vec<FileError>),
    /// The outputs cannot be written.
    #[error(transparent)]
    Output(#[from] OutputError),
    /// The plan cannot be used.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// The inputs make no job.
    #[error(transparent)]
    Job(#[from] JobError),
    /// Features of a layer that a run wrote do not say what is drawn of them, one a line.
    #[error("{}; make the run again", .0.join("\n"))]
    Layers(Vec<String>),
    /// A key or flag has a value that cannot be used.
    #[error("{key}: {what}")]
    Setting {
        /// The key as the plan writes it, such as `surface.kernel`.
        key: &'static str,
        /// What is wrong and what to do.
        what: String,
    },
    /// The job as a whole cannot be done; the files are those that set it.
    #[error("{files}: {what}")]
    Request {
        /// The files, by name.
        files: String,
        /// What is wrong and what to do.
        what: String,
    },
    /// What was to be written does not keep what it promises. Nothing was written.
    #[error("{}", broken(.0))]
    Broken(Vec<Breach>),
}

/// How many breaches are spelt out before the rest is counted.
const BREACHES_SPELT_OUT: usize = 20;

fn broken(breaches: &[Breach]) -> String {
    let mut lines: Vec<String> = breaches.iter().take(BREACHES_SPELT_OUT).map(ToString::to_string).collect();
    if breaches.len() > BREACHES_SPELT_OUT {
        lines.push(format!("and {} more", breaches.len() - BREACHES_SPELT_OUT));
    }
    lines.push(
        "what is above was found when the finished files were measured anew, so nothing was written: this is a \
         fault in the program and not in your inputs. Please report it with this message, the plan and \
         its layers. Until it is mended, bar the places that are named with --never, or ask for a little more \
         (spacing_m, placement_error_m, a smaller snap_m), and run again; do not set anything at these places"
            .to_string(),
    );
    lines.join("\n")
}

impl StepError {
    /// Whether the fault lies in how the command was called (exit status 2) and not in the
    /// inputs or the request (exit status 1).
    pub fn is_usage(&self) -> bool {
        match self {
            StepError::Job(JobError::Frame(e)) => {
                matches!(
                    e,
                    FrameError::UnknownEpsg(_)
                        | FrameError::NotMetric { .. }
                        | FrameError::NeedsGrid { .. }
                        | FrameError::UnknownDatum { .. }
                        | FrameError::Unfit { .. }
                )
            }
            StepError::Setting { .. } => true,
            _ => false,
        }
    }
}
