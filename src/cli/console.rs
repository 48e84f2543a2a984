//! Printing: findings for a person, a progress line on a terminal, silence in a pipe.

use crate::diag::{Colours, Finding, Severity, Sources, rendered};
use std::io::{IsTerminal, Write};

/// Colours on a terminal, unless `NO_COLOR` is set to anything (no-color.org).
pub(super) fn colours() -> Colours {
    let wanted = std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
    if wanted && std::io::stderr().is_terminal() {
        Colours::Ansi
    } else {
        Colours::Plain
    }
}

/// Prints findings of at least this severity to standard error, and a line that counts them.
pub(super) fn report(findings: &[Finding], sources: &Sources, least: Severity) {
    let colours = colours();
    let mut err = std::io::stderr().lock();
    for finding in findings.iter().filter(|f| f.severity >= least) {
        let _ = writeln!(err, "{}", rendered(finding, sources, colours));
    }
    let count = |severity| findings.iter().filter(|f| f.severity == severity).count();
    let stops = count(Severity::Stop);
    if stops > 0 {
        let _ = writeln!(
            err,
            "{stops} thing{} to put right; nothing was written",
            if stops == 1 { "" } else { "s" }
        );
    }
}

/// A complaint about the command line or the machine.
pub(super) fn complain(message: &str) {
    let _ = writeln!(std::io::stderr().lock(), "platewright: {message}");
}

/// A line on standard output.
pub(super) fn say(line: &str) {
    let _ = writeln!(std::io::stdout().lock(), "{line}");
}

/// A line that is redrawn in place on a terminal and never appears elsewhere.
#[derive(Debug)]
pub(super) struct Progress {
    shown: bool,
    last: Option<u64>,
}

impl Progress {
    pub fn new() -> Progress {
        Progress {
            shown: std::io::stderr().is_terminal(),
            last: None,
        }
    }

    pub fn rows(&mut self, done: u64, total: u64) {
        let percent = (done * 100).checked_div(total).unwrap_or(100);
        if !self.shown || self.last == Some(percent) {
            return;
        }
        self.last = Some(percent);
        let mut err = std::io::stderr().lock();
        let _ = write!(err, "\r{percent:3} % of {total} rows");
        let _ = err.flush();
    }

    /// Takes the line away.
    pub fn done(self) {
        if self.shown && self.last.is_some() {
            let _ = write!(std::io::stderr().lock(), "\r\x1b[2K");
        }
    }
}
