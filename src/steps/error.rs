//! Why a step could not be done, and the exit status that says so.

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
                )
            }
            StepError::Setting { .. } => true,
            _ => false,
        }
    }
}
