//! What was typed, one file a verb, and the only room that prints.
//!
//! Findings and progress go to standard error, results to standard output. Exit codes: 0 done, 1 the scene needs
//! attention (nothing was written), 2 the command line or the machine does.

mod args;
mod at;
mod check;
mod console;
mod explain;
mod json;
mod opened;
mod render;

use args::{Cli, Verb};
use clap::Parser;
use std::ffi::OsString;
use std::process::ExitCode;

/// How a verb ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ending {
    Done,
    /// A `stop`: the scene needs attention.
    Scene,
    /// The command line or the machine needs attention.
    Environment,
}

/// Runs the program as typed; the first argument is its name.
pub fn run(typed: impl IntoIterator<Item = OsString>) -> ExitCode {
    let cli = match Cli::try_parse_from(typed) {
        Ok(cli) => cli,
        Err(fault) => {
            // Help and version are no errors; clap prints them to standard output itself.
            let code = if fault.use_stderr() { 2 } else { 0 };
            let _ = fault.print();
            return ExitCode::from(code);
        }
    };
    let ending = match cli.verb {
        Verb::Render(args) => render::run(&args),
        Verb::Check(args) => check::run(&args),
        Verb::Explain(args) => explain::run(&args),
        Verb::At(args) => at::run(&args),
    };
    ExitCode::from(match ending {
        Ending::Done => 0,
        Ending::Scene => 1,
        Ending::Environment => 2,
    })
}
