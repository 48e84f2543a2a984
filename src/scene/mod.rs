//! KDL text to a typed, spanned scene, and back to a canonical layout.
//!
//! Promise: every error of a file in one run (syntax errors together, else all meaning errors), each with file,
//! line, what is allowed and the nearest known name. What could be read of a refused scene is handed on, so that the
//! files it names can be looked at in the same run. Refuses hostile text in bounded time and memory. Reads files
//! only through the loader it is given.

mod check;
mod files;
mod format;
mod include;
mod lex;
mod load;
mod model;
mod not_built;
mod outline;
mod params;
mod pin;
mod prescan;
mod read;
mod suggest;
mod syntax;
mod tree;
mod words;

pub use format::formatted;
pub use load::{FileLoader, LoadFault, Loader};
pub use model::*;
pub use outline::points;
pub use pin::{PinnedText, arguments};

use crate::diag::{Finding, Sources};
use std::path::Path;

/// The longest text of a scene file, in bytes.
pub const TEXT_BYTES: usize = prescan::FILE_BYTES;

/// A scene that can't be used, and all the reasons.
#[derive(Clone, Debug)]
pub struct Refused {
    /// The texts the findings point into.
    pub sources: Sources,
    /// In the order of the text; at least one, all of them `stop`.
    pub findings: Vec<Finding>,
    /// What could be read; nothing where the syntax is broken. Good for [`Scene::files`] only: nothing else in it is
    /// checked.
    pub partial: Option<Box<Scene>>,
}

impl Refused {
    /// The reasons with `more` of them, each at its place in the text.
    pub fn with(self, more: Vec<Finding>) -> Refused {
        if more.is_empty() || self.findings.len() > FINDINGS {
            return self;
        }
        let mut findings = self.findings;
        findings.extend(more);
        let partial = self.partial;
        Refused {
            partial,
            ..refused(self.sources, findings)
        }
    }
}

/// Findings told at most in one run.
const FINDINGS: usize = 500;

/// The scene at `path` with everything it includes, parameters set from `settings` (name, text) over their defaults.
///
/// Texts come from `loader`, which bounds them. Syntax errors of all files come together; without any, all errors of
/// meaning do.
pub fn read(
    path: &Path,
    settings: &[(String, String)],
    loader: &dyn Loader,
) -> Result<Scene, Refused> {
    let gathered = include::gathered(path, settings, loader);
    let mut findings = gathered.findings.clone();
    if gathered.broken {
        return Err(refused(gathered.sources, findings));
    }
    let (scene, told) = read::scene(&gathered);
    let unknown = |finding: &Finding| {
        matches!(
            finding.id,
            "unknown-member"
                | "unknown-mask"
                | "unknown-plate"
                | "unknown-parameter"
                | "missing-node"
        )
    };
    // Names a missing file would have brought are not the scene's fault.
    let more = told
        .into_iter()
        .chain(check::checked(&scene))
        .chain(not_built::found(&scene));
    findings.extend(more.filter(|finding| gathered.whole || !unknown(finding)));
    if findings.is_empty() {
        return Ok(scene);
    }
    Err(Refused {
        partial: Some(Box::new(scene)),
        ..refused(gathered.sources, findings)
    })
}

/// Findings in the order of the text, none twice (a file may be included twice), and not more than can be read.
fn refused(sources: Sources, mut findings: Vec<Finding>) -> Refused {
    findings.sort_by_key(|finding| {
        // Limits first: they explain what is missing from the rest.
        let limit = matches!(finding.id, "too-large" | "too-deep");
        let place = finding
            .span
            .map_or((0, 0, 0), |span| (span.source.0 + 1, span.start, span.end));
        (!limit, place)
    });
    findings.dedup();
    let more = findings.len().saturating_sub(FINDINGS);
    if more > 0 {
        findings.truncate(FINDINGS);
        findings.push(Finding::stop(
            "too-many",
            format!("{more} more faults are not shown"),
        ));
    }
    Refused {
        sources,
        findings,
        partial: None,
    }
}

#[cfg(test)]
mod tests;
