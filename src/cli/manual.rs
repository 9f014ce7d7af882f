//! `manual`: man pages and shell completions, made from the definitions of the arguments, so that
//! they say what the program does.

use std::io::Write;
use std::path::Path;

use clap::{CommandFactory, ValueEnum};
use clap_complete::{Generator, Shell, generate};
use clap_mangen::Man;

use super::args::Args;
use crate::files::{Committed, OutputSet};
use crate::steps::{Outcome, StepError};

/// Writes `dir/man1` with a page a command and `dir/completions` with a file a shell.
///
/// # Errors
/// [`StepError::Output`] where the folder has content or cannot be written.
pub(super) fn manual(dir: &Path, force: bool) -> Result<(Outcome, Option<Committed>), StepError> {
    let mut set = OutputSet::begin(dir, force)?;
    let name = env!("CARGO_PKG_NAME");
    let mut whole = Args::command().disable_help_subcommand(true);
    whole.build();
    for command in std::iter::once(&whole).chain(whole.get_subcommands()) {
        let page = Man::new(command.clone());
        set.write(&format!("man1/{}", page.get_filename()), |out| page.render(out))?;
    }
    for &shell in Shell::value_variants() {
        let mut script = Vec::new();
        generate(shell, &mut Args::command(), name, &mut script);
        set.write(&format!("completions/{}", shell.file_name(name)), |out| out.write_all(&script))?;
    }
    let written = set.commit()?;
    let mut outcome = Outcome::default();
    outcome.say(format!("read a page:  man {}", dir.join("man1").join(format!("{name}.1")).display()));
    let bash = dir.join("completions").join(Shell::Bash.file_name(name));
    outcome.say(format!("complete in bash:  source {}", bash.display()));
    Ok((outcome, Some(written)))
}
