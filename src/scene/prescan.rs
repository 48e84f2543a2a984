//! The guard before the parser: the shape of a text, checked without recursion into what is hostile.
//!
//! Promise: linear time; every fault of the text's shape at its own place, in plain words. What passes holds at most
//! 32 open braces, 8 nested comments and 2 open slashdashed blocks. The parser then sees a copy in which comments,
//! joined lines and everything behind a `/-` are spaces, byte for byte: kdl 6.7.1 takes exponential time on
//! `a /-{` repeated (kdl-rs#177), refuses a slashdashed node ended by `;` (kdl-rs#107) and overflows its stack on
//! nested comments, so it never meets one.

use super::lex::{FAULTS, Fault, Kind, Token, tokens};
use super::words;

/// A file may hold this many bytes.
pub(super) const FILE_BYTES: usize = 1 << 20;
/// Braces may lie this deep inside one another, over included files too.
pub(super) const DEPTH: usize = 32;
/// Blocks behind a `/-` may lie this deep inside one another.
pub(super) const SLASHDASH_DEPTH: usize = 2;

/// A file may hold this many nodes; so may a whole scene.
pub(super) const NODES: usize = 10_000;
/// A file may hold this many arguments and properties, and a whole scene too. The parser takes a few hundred bytes and
/// some microseconds for each.
pub(super) const VALUES: usize = 100_000;

/// A text fit for the parser, or what is wrong with it.
pub(super) fn scanned(text: &str) -> Result<String, Vec<Fault>> {
    if text.len() > FILE_BYTES {
        return Err(vec![too_large(text.len())]);
    }
    let (tokens, faults) = tokens(text);
    let mut scan = Scan {
        text,
        tokens,
        at: 0,
        faults,
        blanks: Vec::new(),
        dashed: 0,
        nodes: 0,
        values: 0,
    };
    scan.nodes(0);
    let Scan {
        tokens,
        mut faults,
        blanks,
        ..
    } = scan;
    if faults.is_empty() {
        return Ok(blanked(text, &tokens, &blanks));
    }
    faults.sort_by_key(|fault| (fault.start, fault.end));
    faults.truncate(FAULTS);
    Err(faults)
}

pub(super) fn too_large(bytes: usize) -> Fault {
    Fault::new(
        0,
        0,
        format!("the file holds more than {FILE_BYTES} bytes ({bytes})"),
    )
    .remedy(
        "a scene is a short text: split it with `include`, or check that this is the right file",
    )
    .id("too-large")
}

/// `text` with spaces for all that the parser need not see. Same bytes long, so that places stay true.
fn blanked(text: &str, tokens: &[Token], blanks: &[(usize, usize)]) -> String {
    let mut bytes = text.as_bytes().to_vec();
    let hidden = tokens
        .iter()
        .filter(|token| token.kind.is_blank())
        .map(|token| (token.start, token.end));
    for (start, end) in hidden.chain(blanks.iter().copied()) {
        bytes[start..end].fill(b' ');
    }
    // Whole tokens only were overwritten, so this is UTF-8 still.
    String::from_utf8_lossy(&bytes).into_owned()
}

struct Scan<'a> {
    text: &'a str,
    tokens: Vec<Token>,
    at: usize,
    faults: Vec<Fault>,
    /// What lies behind a `/-`.
    blanks: Vec<(usize, usize)>,
    /// Slashdashed blocks open now.
    dashed: usize,
    /// What the parser will see.
    nodes: usize,
    values: usize,
}

impl Scan<'_> {
    fn peek(&self) -> Option<Token> {
        self.tokens.get(self.at).copied()
    }

    fn kind(&self) -> Option<Kind> {
        self.peek().map(|token| token.kind)
    }

    /// Steps over blanks within a line; whether there were any.
    fn blank(&mut self) -> bool {
        let start = self.at;
        while self.kind().is_some_and(Kind::is_blank) {
            self.at += 1;
        }
        self.at > start
    }

    /// Steps over blanks and newlines.
    fn lines(&mut self) {
        while self
            .kind()
            .is_some_and(|kind| kind.is_blank() || kind == Kind::Newline)
        {
            self.at += 1;
        }
    }

    /// Where the last token taken ended.
    fn end(&self) -> usize {
        self.at
            .checked_sub(1)
            .and_then(|k| self.tokens.get(k))
            .map_or(0, |token| token.end)
    }

    fn report(&mut self, fault: Fault) {
        if self.faults.len() < 2 * FAULTS {
            self.faults.push(fault);
        }
    }

    fn fault(&mut self, token: Token, message: impl Into<String>, remedy: &str) {
        self.report(Fault::new(token.start, token.end, message).remedy(remedy));
    }

    /// Nodes up to the brace that closes them, or the end.
    fn nodes(&mut self, depth: usize) {
        loop {
            self.lines();
            let Some(token) = self.peek() else { return };
            match token.kind {
                Kind::Close if depth > 0 => return,
                Kind::Close => {
                    self.fault(
                        token,
                        "this `}` closes nothing",
                        "delete it, or look for a missing `{` above",
                    );
                    self.at += 1;
                }
                Kind::Semicolon => {
                    self.fault(
                        token,
                        "this `;` ends nothing",
                        "delete it: `;` stands after a node, and a line's end does the same",
                    );
                    self.at += 1;
                }
                Kind::Slashdash => {
                    self.at += 1;
                    self.lines();
                    self.hidden(token, |scan| scan.node(depth));
                }
                _ => self.node(depth),
            }
        }
    }

    /// What `part` reads lies behind the `/-` at `dash`.
    fn hidden(&mut self, dash: Token, part: impl FnOnce(&mut Self)) {
        self.dashed += 1;
        if self.dashed == SLASHDASH_DEPTH + 1 {
            self.report(
                Fault::new(
                    dash.start,
                    dash.end,
                    format!("more than {SLASHDASH_DEPTH} `/-` lie in one another"),
                )
                .remedy("use `//` or `/* */` to leave out what is left out already")
                .id("too-deep"),
            );
        }
        part(self);
        self.dashed -= 1;
        // The newline that ends a node stays, or two lines would become one.
        let mut end = self.end();
        if self.tokens[self.at - 1].kind == Kind::Newline {
            end = self.tokens[self.at - 1].start;
        }
        self.blanks.push((dash.start, end.max(dash.end)));
    }

    fn count(&mut self, nodes: usize, values: usize) {
        if self.dashed > 0 {
            return;
        }
        self.nodes += nodes;
        self.values += values;
        let (most, what) = if nodes > 0 && self.nodes == NODES + 1 {
            (NODES, "nodes")
        } else if values > 0 && self.values == VALUES + 1 {
            (VALUES, "values")
        } else {
            return;
        };
        let at = self.end();
        self.report(
            Fault::new(at, at, format!("the file holds more than {most} {what}"))
                .remedy("split it into several scenes")
                .id("too-large"),
        );
    }

    /// `[type] name entries [block] terminator`.
    fn node(&mut self, depth: usize) {
        self.count(1, 0);
        match self.kind() {
            Some(Kind::Open) => {
                if let Some(token) = self.peek() {
                    self.fault(
                        token,
                        "a `{` stands where a node's name is expected",
                        "write the name before it, or delete the `;` or line's end between the two",
                    );
                }
                self.block(depth);
                self.terminator();
                return;
            }
            Some(Kind::TypeOpen) => {
                self.annotation();
                self.blank();
            }
            None | Some(Kind::Close | Kind::Slashdash) => {
                let token = self.tokens[self.at - 1];
                self.fault(
                    token,
                    "`/-` has nothing to leave out here",
                    "put it before a node, an argument, a property or a block",
                );
                if self.kind() == Some(Kind::Slashdash) {
                    self.at += 1;
                }
                return;
            }
            _ => {}
        }
        if !self.word("a node's name") {
            self.skip_line();
            return;
        }
        let name = self.at - 1;
        let mut spaced = self.blank();
        if self.kind() == Some(Kind::Equals) {
            self.property_line(name);
            spaced = self.blank();
        }
        let mut block = false;
        // Behind a block, left out or not, stand blocks only.
        let mut blocks = false;
        while let Some(token) = self.peek() {
            match token.kind {
                Kind::Newline | Kind::Semicolon | Kind::Close => break,
                Kind::Open if block => {
                    self.fault(
                        token,
                        "a node has one block only",
                        "put all its nodes between one pair of braces",
                    );
                    self.block(depth);
                }
                Kind::Open => {
                    self.block(depth);
                    block = true;
                    blocks = true;
                }
                Kind::Slashdash => {
                    self.at += 1;
                    self.lines();
                    if self.kind() == Some(Kind::Open) {
                        self.hidden(token, |scan| scan.block(depth));
                        blocks = true;
                    } else if matches!(
                        self.kind(),
                        Some(Kind::Word | Kind::Quoted | Kind::TypeOpen)
                    ) {
                        if !spaced {
                            self.fault(
                                token,
                                "a space is missing before this `/-`",
                                "separate values by a space",
                            );
                        }
                        self.hidden(token, Scan::entry);
                    } else {
                        self.fault(
                            token,
                            "`/-` has nothing to leave out here",
                            "put it before a node, an argument, a property or a block",
                        );
                    }
                }
                _ if blocks => {
                    self.fault(
                        token,
                        "something follows the `}` on its line",
                        "end the line there, or write `;` between the two nodes",
                    );
                    break;
                }
                _ => {
                    if !spaced {
                        self.fault(
                            token,
                            "a space is missing before this",
                            "separate values by a space",
                        );
                    }
                    self.entry();
                }
            }
            spaced = self.blank();
        }
        self.terminator();
    }

    /// `name=value` where a node is expected.
    fn property_line(&mut self, name: usize) {
        let name = self.tokens[name];
        let whole = Token {
            end: self.tokens[self.at].end,
            ..name
        };
        let shown = words::shown(&self.text[name.start..name.end]);
        self.fault(
            whole,
            format!("{shown} stands like a property, with `=`, where a node is expected"),
            "write a property on its node's own line, before the `{`; a node has no `=`",
        );
        self.at += 1;
        self.blank();
        if matches!(self.kind(), Some(Kind::Word | Kind::Quoted)) {
            self.value();
        }
    }

    /// A newline, `;`, or what may stand for one: the closing brace, the end.
    fn terminator(&mut self) {
        self.blank();
        if matches!(self.kind(), Some(Kind::Newline | Kind::Semicolon)) {
            self.at += 1;
        }
    }

    /// `[type] value`, or `name = [type] value`. Takes at least one token.
    fn entry(&mut self) {
        self.count(0, 1);
        let first = self.kind();
        if first == Some(Kind::TypeOpen) {
            self.annotation();
            self.blank();
            self.value();
            return;
        }
        let name = self.peek();
        self.value();
        let after = self.at;
        self.blank();
        if self.kind() != Some(Kind::Equals) {
            self.at = after;
            return;
        }
        let equals = self.at;
        self.at += 1;
        if let Some(name) = name
            && name.kind == Kind::Word
            && !is_name(&self.text[name.start..name.end])
        {
            self.fault(
                name,
                "a property's name stands before `=`, and this is none",
                "write name=value",
            );
        }
        self.blank();
        match self.kind() {
            Some(Kind::TypeOpen) => {
                self.annotation();
                self.blank();
                self.value();
            }
            Some(Kind::Word | Kind::Quoted) => self.value(),
            _ => {
                let token = self.tokens[equals];
                self.fault(token, "a value is missing after `=`", "write name=value");
            }
        }
    }

    fn value(&mut self) {
        let Some(token) = self.peek() else {
            let token = self.tokens[self.at - 1];
            self.fault(
                token,
                "a value is missing after this",
                "write the value it belongs to",
            );
            return;
        };
        match token.kind {
            Kind::Word => {
                self.at += 1;
                if let Some(fault) = words::bad_value(token, self.text) {
                    self.report(fault);
                }
            }
            Kind::Quoted => {
                self.at += 1;
                if let Some(fault) = words::bad_lines(token, self.text) {
                    self.report(fault);
                }
            }
            Kind::Newline | Kind::Semicolon | Kind::Open | Kind::Close => {
                let before = self.tokens[self.at - 1];
                self.fault(
                    before,
                    "a value is missing after this",
                    "write the value it belongs to",
                );
            }
            _ => {
                self.at += 1;
                self.fault(
                    token,
                    format!("`{}` stands where a value is expected", &self.text[token.start..token.end]),
                    "write a number, a text in quotes, #true or #false, or name=value without anything before the `=`",
                );
            }
        }
    }

    /// `( word )`.
    fn annotation(&mut self) {
        let open = self.tokens[self.at];
        self.at += 1;
        self.blank();
        let named = self.word("a word");
        self.blank();
        if self.kind() == Some(Kind::TypeClose) {
            self.at += 1;
        } else if named {
            self.fault(
                open,
                "this `(` has no `)`",
                "write (param)\"name\" for a number taken from a parameter",
            );
        }
    }

    /// A name: a bare word or a quoted one.
    fn word(&mut self, what: &str) -> bool {
        let Some(token) = self.peek() else {
            return false;
        };
        let text = &self.text[token.start..token.end];
        match token.kind {
            Kind::Quoted => {
                self.at += 1;
                true
            }
            Kind::Word if is_name(text) => {
                self.at += 1;
                true
            }
            _ => {
                let shown = words::shown(text.trim());
                self.fault(
                    token,
                    format!("{shown} stands where {what} is expected"),
                    "a name begins with a letter; see the nodes the language page lists",
                );
                false
            }
        }
    }

    /// On to the end of the line, over whole blocks, after a fault.
    fn skip_line(&mut self) {
        let mut open = 0usize;
        while let Some(token) = self.peek() {
            match token.kind {
                Kind::Newline if open == 0 => return,
                Kind::Open => open += 1,
                Kind::Close if open == 0 => return,
                Kind::Close => open -= 1,
                _ => {}
            }
            self.at += 1;
        }
    }

    /// `{ nodes }`.
    fn block(&mut self, depth: usize) {
        let open = self.tokens[self.at];
        if depth == DEPTH {
            self.report(
                Fault::new(
                    open.start,
                    open.end,
                    format!("blocks lie more than {DEPTH} deep in one another"),
                )
                .remedy("close the blocks above with `}`, or use fewer groups")
                .id("too-deep"),
            );
            self.skip_block();
            return;
        }
        self.at += 1;
        self.nodes(depth + 1);
        if self.kind() == Some(Kind::Close) {
            self.at += 1;
        } else {
            self.fault(
                open,
                "this `{` is never closed",
                "write `}` after its last node",
            );
        }
    }

    /// Over a block too deep to be read, by counting.
    fn skip_block(&mut self) {
        let mut open = 0usize;
        while let Some(kind) = self.kind() {
            self.at += 1;
            match kind {
                Kind::Open => open += 1,
                Kind::Close => {
                    open -= 1;
                    if open == 0 {
                        return;
                    }
                }
                _ => {}
            }
        }
    }
}

fn is_name(text: &str) -> bool {
    words::bad_name(text).is_none()
}
