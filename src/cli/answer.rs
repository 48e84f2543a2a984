//! What a verb has to say, and which exit code that is.

use crate::diag::{Finding, Severity, Sources};
use serde_json::{Map, Value};

/// The end of a verb that came through. Findings may still hold a `stop`: one file of several was refused.
#[derive(Debug, Default)]
pub(super) struct Answer {
    pub findings: Vec<Finding>,
    /// The texts the findings point into.
    pub sources: Sources,
    /// For a person: whole lines, or a page as it is.
    pub text: String,
    /// The same for a program: members of the JSON object.
    pub more: Map<String, Value>,
    /// Something needs attention that is no finding (`fmt --check`).
    pub attention: bool,
}

/// The end of a verb that stopped: at least one finding is a `stop`.
#[derive(Debug)]
pub(super) struct Stopped {
    pub findings: Vec<Finding>,
    pub sources: Sources,
}

impl Stopped {
    /// One reason that stands in no text.
    pub fn plain(finding: Finding) -> Stopped {
        Stopped::with(vec![finding], &Sources::default())
    }

    pub fn with(findings: Vec<Finding>, sources: &Sources) -> Stopped {
        Stopped {
            findings,
            sources: sources.clone(),
        }
    }
}

impl From<Stopped> for Answer {
    fn from(stopped: Stopped) -> Answer {
        Answer {
            findings: stopped.findings,
            sources: stopped.sources,
            ..Answer::default()
        }
    }
}

impl Answer {
    /// The exit code: 0, 1 or 2.
    pub fn code(&self) -> u8 {
        let mut stops = self
            .findings
            .iter()
            .filter(|finding| finding.severity == Severity::Stop)
            .peekable();
        if self.attention {
            return 1;
        }
        if stops.peek().is_none() {
            return 0;
        }
        if stops.all(is_outside_the_scene) {
            2
        } else {
            1
        }
    }
}

/// Whether the command line or the machine needs attention, and the scene may be as good as it can be.
fn is_outside_the_scene(finding: &Finding) -> bool {
    match finding.id {
        "command-line" | "date-unreadable" | "folder-unwritable" | "out-of-memory"
        | "output-unwritable" | "point-outside" | "set-twice" | "threads-refused"
        | "unknown-output" | "unwritable" => true,
        // Of a file or name in the scene's text these are the scene's.
        "unreadable" | "unknown-parameter" | "output-is-input" => finding.span.is_none(),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diag::{SourceId, Span};

    fn code(findings: Vec<Finding>) -> u8 {
        Answer::from(Stopped::with(findings, &Sources::default())).code()
    }

    #[test]
    fn the_scene_comes_before_the_machine() {
        let span = Span {
            source: SourceId(0),
            start: 0,
            end: 1,
        };
        let machine = Finding::stop("out-of-memory", "x");
        let scene = Finding::stop("unknown-node", "x");
        assert_eq!(code(vec![]), 0);
        assert_eq!(code(vec![Finding::look("enlarged", "x")]), 0);
        assert_eq!(code(vec![machine.clone()]), 2);
        assert_eq!(code(vec![scene.clone()]), 1);
        assert_eq!(code(vec![machine, scene]), 1);
        assert_eq!(code(vec![Finding::stop("unreadable", "x")]), 2);
        assert_eq!(code(vec![Finding::stop("unreadable", "x").at(span)]), 1);
    }
}
