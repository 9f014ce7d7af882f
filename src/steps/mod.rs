//! One function a command. A step takes the job and the plan, writes its files into the
//! output set and says what it did; only steps call readers and writers, and none prints.

mod along;
mod along_files;
mod along_part;
mod check_rows;
mod checks;
mod compare;
mod demo;
mod error;
mod inspect;
mod load;
mod new;
mod nodes;
mod outcome;
mod report;
mod round;
mod run;
mod sign;
mod sites;
mod surface;
mod terrain;

pub use along::{ActivityAt, LineActivity, SearchedLines, Survey, line_activity, searched_lines};
pub use checks::checks;
pub use compare::{compare, with_season_files};
pub use demo::demo;
pub use error::StepError;
pub use inspect::inspect;
pub use load::{Desk, load};
pub use new::new;
pub use nodes::{NetworkDone, nodes};
pub use outcome::{Outcome, Progress, Silent, Summary};
pub use report::{reopen, report};
pub use round::round;
pub use run::{run, write_settings};
pub use sites::sites;
pub use surface::{SurfaceDone, surface};
pub use terrain::{Ground, terrain};
