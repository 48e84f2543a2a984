//! Where a node behind another one goes, so that it stands as its neighbours do.

use crate::scene::lex::{self, Kind};
use crate::scene::tree::Node;

/// The byte where a new node is put in behind `node`, and what stands between the two.
pub(super) fn behind(text: &str, node: &Node) -> (usize, String) {
    let (start, end) = (node.span.start as usize, node.span.end as usize);
    let line = text[..start].rfind(lex::is_newline).map_or(0, |at| {
        at + text[at..].chars().next().map_or(1, char::len_utf8)
    });
    let indent = &text[line..start];
    let beside = (end, "; ".to_owned());
    if line == 0 || !indent.chars().all(lex::is_space) {
        return beside;
    }
    let (tokens, _) = lex::tokens(text);
    for token in tokens.iter().skip_while(|token| token.start < end) {
        match token.kind {
            Kind::Newline => {
                let newline = &text[token.start..token.end];
                return (token.start, format!("{newline}{indent}"));
            }
            Kind::Space | Kind::LineComment | Kind::BlockComment | Kind::Semicolon => {}
            // More of the block stands on this line.
            _ => return beside,
        }
    }
    beside
}
