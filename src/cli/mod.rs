//! What was typed, one file a verb, and the only room that prints.
//!
//! A verb gives an `Answer`: findings, lines for a person, the same as JSON. Results go to standard output, findings
//! and progress to standard error; with `--json` one object goes to standard output (its keys: see `json`).
//!
//! Exit codes: 0 done; 1 the scene, or a file it names, needs attention; 2 the command line or the machine does
//! (a scene file that is not there, an unknown output or parameter, a folder that can't be written or a link in a
//! file's place, a full disk, too little memory). Where both do, 1.

mod answer;
mod args;
mod at;
mod check;
mod completions;
mod console;
mod cutout;
mod explain;
mod fmt;
mod json;
mod kept;
mod man;
mod opened;
mod pin;
mod render;
mod replaced;
mod words;

use answer::Answer;
use args::{Cli, Verb};
use clap::Parser;
use std::ffi::OsString;
use std::process::ExitCode;

/// Runs the program as typed; the first argument is its name.
pub fn run(typed: impl IntoIterator<Item = OsString>) -> ExitCode {
    let typed: Vec<OsString> = typed.into_iter().collect();
    let cli = match Cli::try_parse_from(&typed) {
        Ok(cli) => cli,
        Err(fault) => return mistyped(&typed, &fault),
    };
    let result = match &cli.verb {
        Verb::Render(args) => render::run(args),
        Verb::Check(args) => check::run(args),
        Verb::Explain(args) => explain::run(args),
        Verb::At(args) => at::run(args),
        Verb::Fmt(args) => fmt::run(args),
        Verb::Cutout(args) => cutout::run(args),
        Verb::Pin(args) => pin::run(args),
        Verb::Completions(args) => Ok(completions::run(args)),
        Verb::Man(args) => man::run(args),
    };
    let answer = result.unwrap_or_else(Answer::from);
    told(&cli, &answer)
}

/// Says it, and gives the exit code.
fn told(cli: &Cli, answer: &Answer) -> ExitCode {
    let code = answer.code();
    let said = if cli.json {
        console::say(&format!("{:#}\n", json::object(cli.verb.name(), answer)))
    } else {
        let said = console::say(&answer.text);
        console::report(cli.verb.name(), &answer.findings, &answer.sources);
        said
    };
    match said {
        Ok(()) => ExitCode::from(code),
        Err(fault) => {
            console::complain(&format!("standard output can't be written: {fault}"));
            ExitCode::from(code.max(2))
        }
    }
}

/// Help and version are no errors; everything else is one of the command line.
fn mistyped(typed: &[OsString], fault: &clap::Error) -> ExitCode {
    if fault.use_stderr() && typed.iter().any(|word| word == "--json") {
        let words = fault.render().to_string();
        let object = json::mistyped(words.trim_end());
        let _ = console::say(&format!("{object:#}\n"));
        return ExitCode::from(2);
    }
    let _ = fault.print();
    ExitCode::from(if fault.use_stderr() { 2 } else { 0 })
}
