//! The canonical layout of a scene file.
//!
//! Promise: comments stay, texts keep their quotes and numbers their spelling; formatting twice changes nothing more,
//! and the meaning is the same before and after. The rules:
//!
//! * four spaces a block; one space between values; `name=value` closed up; at most one empty line between nodes,
//!   none at the beginning or end of a block; a newline at the end of the file; no byte order mark;
//! * what stood on one line, nodes after a `;` and blocks, stays on one line if it fits in 100 columns, a comment at
//!   its end not counted; what does not fit is broken, a node a line;
//! * a block that held a line's end keeps it; an empty one is `{}`;
//! * the spaces before a comment at the end of a line stay as they are, so that aligned comments stay aligned.

mod layout;
mod outline;

use super::syntax;
use crate::diag::{Finding, SourceId};

/// `text` in the canonical layout, or its syntax errors (their places count from the text's beginning, in source 0).
pub fn formatted(text: &str) -> Result<String, Vec<Finding>> {
    syntax::parsed(text, SourceId(0))?;
    let (tokens, _) = super::lex::tokens(text);
    let items = outline::outlined(text, &tokens);
    Ok(layout::laid_out(&items))
}
