//! The command-line program.

use std::process::ExitCode;

fn main() -> ExitCode {
    stakeline::cli::main()
}
