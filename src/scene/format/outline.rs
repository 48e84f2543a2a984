//! Tokens to what a layout moves about: nodes, their pieces, comments, empty lines.

use crate::scene::lex::{Kind, Token};

/// What stands in a file or a block, in order.
#[derive(Debug)]
pub(super) enum Item {
    /// One empty line or several.
    Empty,
    /// A comment on lines of its own.
    Comment(String),
    Node(Node),
}

#[derive(Debug, Default)]
pub(super) struct Node {
    /// Stands on the line of the node before it, after its `;`.
    pub(super) joined: bool,
    pub(super) pieces: Vec<Piece>,
    /// A `//` comment at the end of its line, with the spaces before it.
    pub(super) trailing: Option<Trailing>,
}

impl Node {
    /// A `\\` with nothing to join at the end goes; a comment behind it stays.
    fn end_join(&mut self) {
        while let Some(Piece::Join(comment)) =
            self.pieces.pop_if(|piece| matches!(piece, Piece::Join(_)))
        {
            if comment.starts_with("//") && self.trailing.is_none() {
                self.trailing = Some(Trailing {
                    spaces: 1,
                    text: comment,
                });
            } else if !comment.is_empty() {
                self.pieces.push(Piece::Text(comment));
                return;
            }
        }
    }
}

#[derive(Debug)]
pub(super) struct Trailing {
    pub(super) spaces: usize,
    pub(super) text: String,
}

#[derive(Debug)]
pub(super) enum Piece {
    /// A name, a value, a property, a block comment; behind a `/-` or not.
    Text(String),
    /// `\` and the comment behind it.
    Join(String),
    Block(Block),
}

#[derive(Debug)]
pub(super) struct Block {
    /// Behind a `/-`.
    pub(super) dashed: bool,
    /// Held a line's end.
    pub(super) tall: bool,
    /// The comment behind its `{`.
    pub(super) opening: Option<Trailing>,
    pub(super) items: Vec<Item>,
}

/// The items of a text that the parser found good.
pub(super) fn outlined(text: &str, tokens: &[Token]) -> Vec<Item> {
    let mut walk = Walk {
        text,
        tokens,
        at: 0,
    };
    let mut items = Vec::new();
    while walk.at < tokens.len() {
        walk.items(&mut items);
        // A good text has no brace to spare.
        walk.at += 1;
    }
    items
}

struct Walk<'a> {
    text: &'a str,
    tokens: &'a [Token],
    at: usize,
}

impl Walk<'_> {
    fn kind(&self) -> Option<Kind> {
        self.tokens.get(self.at).map(|token| token.kind)
    }

    /// The text of the token here, with plain line ends, and one step on.
    fn take(&mut self) -> String {
        let Some(token) = self.tokens.get(self.at) else {
            return String::new();
        };
        self.at += 1;
        self.text[token.start..token.end].replace("\r\n", "\n")
    }

    fn skip_spaces(&mut self) -> usize {
        let start = self.at;
        while self.kind() == Some(Kind::Space) {
            self.at += 1;
        }
        self.tokens[start..self.at]
            .iter()
            .map(|token| self.text[token.start..token.end].chars().count())
            .sum()
    }

    /// Nodes, comments and empty lines up to a closing brace or the end.
    fn items(&mut self, items: &mut Vec<Item>) {
        let mut newlines = 0;
        let mut joined = false;
        let mut lead: Vec<Piece> = Vec::new();
        let mut dash = false;
        while let Some(kind) = self.kind() {
            match kind {
                Kind::Newline => {
                    self.at += 1;
                    newlines += 1;
                    joined = false;
                    // Block comments with a line of their own; those before a node went with it.
                    for piece in lead.drain(..) {
                        if let Piece::Text(text) = piece {
                            items.push(Item::Comment(text));
                        }
                    }
                }
                Kind::Space | Kind::Semicolon => self.at += 1,
                Kind::LineJoin => {
                    let text = self.take();
                    let comment = text[1..].trim();
                    if !comment.is_empty() {
                        items.push(Item::Comment(comment.to_owned()));
                    }
                }
                Kind::Close => break,
                Kind::Slashdash => {
                    self.at += 1;
                    dash = true;
                }
                Kind::LineComment | Kind::BlockComment => {
                    push_empty(items, newlines);
                    newlines = 0;
                    let text = self.take();
                    if kind == Kind::BlockComment && !text.contains('\n') {
                        lead.push(Piece::Text(text));
                    } else {
                        for piece in lead.drain(..) {
                            if let Piece::Text(text) = piece {
                                items.push(Item::Comment(text));
                            }
                        }
                        items.push(Item::Comment(text.trim_end().to_owned()));
                    }
                }
                _ => {
                    push_empty(items, newlines);
                    newlines = 0;
                    let mut node = Node {
                        joined,
                        pieces: std::mem::take(&mut lead),
                        trailing: None,
                    };
                    let ended = self.node(&mut node, dash);
                    node.end_join();
                    dash = false;
                    joined = ended == Ended::Semicolon;
                    items.push(Item::Node(node));
                }
            }
        }
        for piece in lead {
            if let Piece::Text(text) = piece {
                items.push(Item::Comment(text));
            }
        }
        if matches!(items.last(), Some(Item::Empty)) {
            items.pop();
        }
    }

    /// One node with its terminator and the comment behind it.
    fn node(&mut self, node: &mut Node, dash: bool) -> Ended {
        let mut dash = dash;
        loop {
            let spaces = self.skip_spaces();
            match self.kind() {
                None | Some(Kind::Close) => return Ended::Line,
                Some(Kind::Newline) if dash => {
                    self.at += 1;
                }
                Some(Kind::Newline) => return Ended::Line,
                Some(Kind::Semicolon) => {
                    self.at += 1;
                    let back = self.at;
                    let spaces = self.skip_spaces();
                    if self.kind() == Some(Kind::LineComment) {
                        node.trailing = Some(self.trailing(spaces));
                        return Ended::Line;
                    }
                    self.at = back;
                    return Ended::Semicolon;
                }
                Some(Kind::LineComment) if dash => {
                    let comment = self.take();
                    node.pieces.push(Piece::Join(comment.trim_end().to_owned()));
                }
                Some(Kind::LineComment) => {
                    node.trailing = Some(self.trailing(spaces));
                    return Ended::Line;
                }
                Some(Kind::BlockComment) => {
                    let text = self.take();
                    node.pieces.push(Piece::Text(text));
                }
                Some(Kind::LineJoin) => {
                    let text = self.take();
                    let comment = text[1..].trim().to_owned();
                    if !dash || !comment.is_empty() {
                        node.pieces.push(Piece::Join(comment));
                    }
                }
                Some(Kind::Slashdash) => {
                    self.at += 1;
                    dash = true;
                }
                Some(Kind::Open) => {
                    let block = self.block(dash);
                    dash = false;
                    node.pieces.push(Piece::Block(block));
                }
                Some(_) => {
                    let entry = self.entry();
                    let mark = if dash { "/-" } else { "" };
                    dash = false;
                    node.pieces.push(Piece::Text(format!("{mark}{entry}")));
                }
            }
        }
    }

    fn trailing(&mut self, spaces: usize) -> Trailing {
        let text = self.take();
        Trailing {
            spaces: spaces.max(1),
            text: text.trim_end().to_owned(),
        }
    }

    /// A name, a value or a property, closed up.
    fn entry(&mut self) -> String {
        let mut out = String::new();
        while let Some(kind) = self.kind() {
            match kind {
                Kind::TypeOpen => {
                    while self.kind().is_some_and(|kind| kind != Kind::TypeClose) {
                        self.close_up(&mut out);
                    }
                    out.push_str(&self.take());
                    self.gap(&mut out);
                }
                Kind::Word | Kind::Quoted => {
                    out.push_str(&self.take());
                    // A property's `=` may stand apart from its name.
                    let back = (self.at, out.len());
                    self.gap(&mut out);
                    if self.kind() != Some(Kind::Equals) {
                        self.at = back.0;
                        out.truncate(back.1);
                        return out;
                    }
                    out.push_str(&self.take());
                    self.gap(&mut out);
                    if matches!(self.kind(), Some(Kind::Word | Kind::Quoted)) {
                        out.push_str(&self.take());
                        return out;
                    }
                }
                _ => return out,
            }
        }
        out
    }

    /// One token of an annotation.
    fn close_up(&mut self, out: &mut String) {
        if self.kind() == Some(Kind::Space) {
            self.at += 1;
        } else {
            out.push_str(&self.take());
        }
    }

    /// What may stand inside a property: spaces go, comments stay.
    fn gap(&mut self, out: &mut String) {
        while let Some(kind) = self.kind().filter(|kind| kind.is_blank()) {
            let text = self.take();
            if kind == Kind::BlockComment
                || (kind == Kind::LineJoin && !text[1..].trim().is_empty())
            {
                out.push_str(&text);
            }
        }
    }

    fn block(&mut self, dashed: bool) -> Block {
        self.at += 1;
        let start = self.at;
        let back = self.at;
        let spaces = self.skip_spaces();
        let mut opening = None;
        if self.kind() == Some(Kind::LineComment) {
            opening = Some(self.trailing(spaces));
            // The line's end behind it is no empty line.
            self.at += 1;
        } else {
            self.at = back;
            self.skip_spaces();
            if self.kind() == Some(Kind::Newline) {
                self.at += 1;
            }
        }
        let mut items = Vec::new();
        self.items(&mut items);
        if matches!(items.first(), Some(Item::Empty)) {
            items.remove(0);
        }
        let tall = self.tokens[start..self.at].iter().any(|token| {
            self.text[token.start..token.end].contains('\n') || token.kind == Kind::Newline
        });
        self.at += 1;
        Block {
            dashed,
            tall,
            opening,
            items,
        }
    }
}

#[derive(PartialEq, Eq)]
enum Ended {
    Line,
    Semicolon,
}

/// Two line ends in a row leave a line empty; nothing is empty above the first item.
fn push_empty(items: &mut Vec<Item>, newlines: usize) {
    if newlines > 1 && !items.is_empty() {
        items.push(Item::Empty);
    }
}
