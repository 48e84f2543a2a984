//! The binary: what was typed goes to the library's command line, its answer is the exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    platewright::cli::run(std::env::args_os())
}
