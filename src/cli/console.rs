//! Printing: findings for a person, a progress line on a terminal, silence in a pipe.

use crate::diag::{Colours, Finding, Severity, Sources, all_rendered};
use std::io::{self, ErrorKind, IsTerminal, Write};

/// Colours on a terminal, unless `NO_COLOR` is set to anything (no-color.org).
fn colours() -> Colours {
    let wanted = std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
    if wanted && io::stderr().is_terminal() {
        Colours::Ansi
    } else {
        Colours::Plain
    }
}

/// Prints findings to standard error, and a line that counts what has to be put right.
pub(super) fn report(verb: &str, findings: &[Finding], sources: &Sources) {
    let colours = colours();
    let mut err = io::stderr().lock();
    for text in all_rendered(findings, sources, colours) {
        let _ = writeln!(err, "{text}");
    }
    let stops = findings
        .iter()
        .filter(|finding| finding.severity == Severity::Stop)
        .count();
    if stops > 0 {
        let things = if stops == 1 { "thing" } else { "things" };
        let nothing = if verb == "render" {
            "; no picture was written"
        } else {
            ""
        };
        let _ = writeln!(err, "{stops} {things} to put right{nothing}");
    }
}

/// A complaint that can't be part of an answer.
pub(super) fn complain(message: &str) {
    let _ = writeln!(io::stderr().lock(), "platewright: {message}");
}

/// Text on standard output. A reader that has heard enough (`| head -1`) is no fault.
pub(super) fn say(text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(fault) if fault.kind() == ErrorKind::BrokenPipe => Ok(()),
        said => said,
    }
}

/// Cells padded to columns, two blanks between, two in front.
pub(super) fn columns(rows: &[Vec<String>]) -> Vec<String> {
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<usize> = (0..count)
        .map(|k| {
            rows.iter()
                .filter_map(|r| r.get(k))
                .map(|c| c.chars().count())
                .max()
                .unwrap_or(0)
        })
        .collect();
    rows.iter()
        .map(|row| {
            let cells: Vec<String> = row
                .iter()
                .zip(&widths)
                .map(|(cell, width)| format!("{cell:width$}"))
                .collect();
            format!("  {}", cells.join("  ")).trim_end().to_owned()
        })
        .collect()
}

/// "1 frame", "2 frames".
pub(super) fn counted(count: usize, noun: &str) -> String {
    match count {
        1 => format!("1 {noun}"),
        _ => format!("{count} {noun}s"),
    }
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
            shown: io::stderr().is_terminal(),
            last: None,
        }
    }

    pub fn rows(&mut self, done: u64, total: u64) {
        let percent = (done * 100).checked_div(total).unwrap_or(100);
        if !self.shown || self.last == Some(percent) {
            return;
        }
        self.last = Some(percent);
        let mut err = io::stderr().lock();
        let _ = write!(err, "\r{percent:3} % of {total} rows");
        let _ = err.flush();
    }
}

/// Takes the line away, however the run ends.
impl Drop for Progress {
    fn drop(&mut self) {
        if self.shown && self.last.is_some() {
            let _ = write!(io::stderr().lock(), "\r\x1b[2K");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_line_up_and_end_without_blanks() {
        let rows = [
            vec!["nib".to_owned(), "1".to_owned()],
            vec!["ä".to_owned(), String::new()],
        ];
        assert_eq!(columns(&rows), ["  nib  1", "  ä"]);
        assert_eq!(columns(&[]), Vec::<String>::new());
    }
}
