//! KDL text cut into tokens, every byte of it: strings, raw strings, comments and all.
//!
//! Promise: one pass, no recursion, tokens that cover the text without gaps, and a fault with its place for every
//! string or comment that never ends and every character KDL forbids. Knows nothing of nodes; `prescan` does.

/// One thing wrong with the text, before it means anything. Bytes `start..end`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Fault {
    pub(super) start: usize,
    pub(super) end: usize,
    pub(super) id: &'static str,
    pub(super) message: String,
    pub(super) remedy: Option<String>,
}

impl Fault {
    pub(super) fn new(start: usize, end: usize, message: impl Into<String>) -> Fault {
        Fault {
            start,
            end,
            id: "syntax",
            message: message.into(),
            remedy: None,
        }
    }

    pub(super) fn remedy(mut self, words: impl Into<String>) -> Fault {
        self.remedy = Some(words.into());
        self
    }

    pub(super) fn id(mut self, id: &'static str) -> Fault {
        self.id = id;
        self
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Spaces, tabs, a byte order mark at the very beginning.
    Space,
    Newline,
    /// `// ...` without its newline.
    LineComment,
    /// `/* ... */`, nested ones inside.
    BlockComment,
    /// `\` at the end of a line, with the newline and a comment before it.
    LineJoin,
    /// `/-`
    Slashdash,
    Open,
    Close,
    TypeOpen,
    TypeClose,
    Equals,
    Semicolon,
    /// A quoted string, raw or not, on one line or several.
    Quoted,
    /// A bare word, a number or a `#keyword`.
    Word,
}

impl Kind {
    /// Neither a value nor structure: nothing the parser needs to see.
    pub(super) fn is_blank(self) -> bool {
        matches!(
            self,
            Kind::Space | Kind::LineComment | Kind::BlockComment | Kind::LineJoin
        )
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Token {
    pub(super) kind: Kind,
    pub(super) start: usize,
    pub(super) end: usize,
}

/// Faults told at most; more would not be read.
pub(super) const FAULTS: usize = 200;

/// Comments may lie this deep inside one another.
pub(super) const COMMENT_DEPTH: usize = 8;

/// The tokens of `text` and what is wrong with them.
pub(super) fn tokens(text: &str) -> (Vec<Token>, Vec<Fault>) {
    let mut lexer = Lexer {
        text,
        at: 0,
        faults: Vec::new(),
    };
    let mut tokens = Vec::new();
    while lexer.at < text.len() {
        let start = lexer.at;
        let kind = lexer.token();
        debug_assert!(lexer.at > start);
        tokens.push(Token {
            kind,
            start,
            end: lexer.at,
        });
    }
    (tokens, lexer.faults)
}

/// KDL 2.0's newlines; CR LF counts as one.
pub(super) fn is_newline(c: char) -> bool {
    matches!(
        c,
        '\n' | '\r' | '\u{85}' | '\u{0b}' | '\u{0c}' | '\u{2028}' | '\u{2029}'
    )
}

/// KDL 2.0's `unicode-space`.
pub(super) fn is_space(c: char) -> bool {
    matches!(
        c,
        '\t' | ' ' | '\u{a0}' | '\u{1680}' | '\u{2000}'
            ..='\u{200a}' | '\u{202f}' | '\u{205f}' | '\u{3000}'
    )
}

/// KDL 2.0's `disallowed-literal-code-points`: controls and marks that turn the direction of text.
fn is_forbidden(c: char) -> bool {
    matches!(c,
        '\0'..='\u{08}' | '\u{0e}'..='\u{1f}' | '\u{7f}' | '\u{200e}'..='\u{200f}'
        | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

struct Lexer<'a> {
    text: &'a str,
    at: usize,
    faults: Vec<Fault>,
}

impl Lexer<'_> {
    fn rest(&self) -> &str {
        &self.text[self.at..]
    }

    fn peek(&self) -> Option<char> {
        self.rest().chars().next()
    }

    /// The next character, consumed; a forbidden one leaves a fault.
    fn bump(&mut self) -> Option<char> {
        let c = self.peek()?;
        let start = self.at;
        self.at += c.len_utf8();
        if is_forbidden(c) {
            self.report(
                Fault::new(
                    start,
                    self.at,
                    format!(
                        "character U+{:04X} is not allowed in a scene file",
                        u32::from(c)
                    ),
                )
                .remedy("delete it; it can't be seen in most editors"),
            );
        }
        Some(c)
    }

    /// A hostile text may hold a million faults; nobody reads more than [`FAULTS`].
    fn report(&mut self, fault: Fault) {
        if self.faults.len() < FAULTS {
            self.faults.push(fault);
        }
    }

    fn eat(&mut self, words: &str) -> bool {
        let found = self.rest().starts_with(words);
        if found {
            self.at += words.len();
        }
        found
    }

    fn newline(&mut self) {
        if !self.eat("\r\n") {
            self.bump();
        }
    }

    fn at_newline(&self) -> bool {
        self.peek().is_some_and(is_newline)
    }

    fn token(&mut self) -> Kind {
        let start = self.at;
        if start == 0 && self.eat("\u{feff}") {
            return Kind::Space;
        }
        let text = self.text;
        let rest = &text[start..];
        if rest.starts_with("//") {
            while self.peek().is_some_and(|c| !is_newline(c)) {
                self.bump();
            }
            return Kind::LineComment;
        }
        if rest.starts_with("/*") {
            self.block_comment();
            return Kind::BlockComment;
        }
        if self.eat("/-") {
            return Kind::Slashdash;
        }
        let first = rest.chars().next().unwrap_or(' ');
        let single = match first {
            '{' => Some(Kind::Open),
            '}' => Some(Kind::Close),
            '(' => Some(Kind::TypeOpen),
            ')' => Some(Kind::TypeClose),
            '=' => Some(Kind::Equals),
            ';' => Some(Kind::Semicolon),
            _ => None,
        };
        if let Some(kind) = single {
            self.at += 1;
            return kind;
        }
        if is_newline(first) {
            self.newline();
            return Kind::Newline;
        }
        if is_space(first) {
            while self.peek().is_some_and(is_space) {
                self.bump();
            }
            return Kind::Space;
        }
        match first {
            '\\' => {
                self.line_join();
                Kind::LineJoin
            }
            '"' => {
                self.quoted();
                Kind::Quoted
            }
            '#' if rest.trim_start_matches('#').starts_with('"') => {
                self.raw();
                Kind::Quoted
            }
            _ => {
                self.word();
                Kind::Word
            }
        }
    }

    fn block_comment(&mut self) {
        let start = self.at;
        let mut depth = 0;
        loop {
            if self.eat("/*") {
                depth += 1;
                if depth == COMMENT_DEPTH + 1 {
                    self.report(
                        Fault::new(
                            self.at - 2,
                            self.at,
                            format!("comments lie more than {COMMENT_DEPTH} deep in one another"),
                        )
                        .remedy("close the comments with `*/`, or use `//`")
                        .id("too-deep"),
                    );
                }
            } else if self.eat("*/") {
                depth -= 1;
                if depth == 0 {
                    return;
                }
            } else if self.bump().is_none() {
                self.report(
                    Fault::new(start, start + 2, "this comment never ends")
                        .remedy("close it with `*/`"),
                );
                return;
            }
        }
    }

    /// `\`, spaces and block comments, then a newline (a `//` comment may stand before it) or the end.
    fn line_join(&mut self) {
        let start = self.at;
        self.at += 1;
        loop {
            if self.peek().is_some_and(is_space) {
                self.bump();
            } else if self.rest().starts_with("/*") {
                self.block_comment();
            } else if self.rest().starts_with("//") {
                while self.peek().is_some_and(|c| !is_newline(c)) {
                    self.bump();
                }
            } else if self.at_newline() {
                self.newline();
                return;
            } else {
                break;
            }
        }
        if self.peek().is_some() {
            self.at = start + 1;
            self.report(
                Fault::new(start, start + 1, "`\\` outside a string joins a line to the next one, and something follows it here")
                    .remedy("write `/` between folders, and put paths in quotes"),
            );
        }
    }

    fn quoted(&mut self) {
        let start = self.at;
        if self.eat("\"\"\"") {
            if self.at_newline() {
                self.long_string(start, "\"\"\"", Escapes::Read);
                return;
            }
            // Not a multi-line string, then: an empty one with a quote straight after it.
            self.report(
                Fault::new(
                    start,
                    self.at,
                    "three quotes begin a text of several lines, so a new line must follow",
                )
                .remedy("use one quote on each side for a text on one line"),
            );
            while self.peek().is_some_and(|c| !is_newline(c)) {
                if self.eat("\"\"\"") {
                    return;
                }
                self.bump();
            }
            return;
        }
        self.at += 1;
        loop {
            if self.eat("\"") {
                return;
            }
            if self.at_newline() || self.peek().is_none() {
                self.report(
                    Fault::new(start, self.at, "this text has no closing quote on its line")
                        .remedy("close it with `\"`"),
                );
                return;
            }
            if self.peek() == Some('\\') {
                self.escape();
            } else {
                self.bump();
            }
        }
    }

    /// A backslash in a string and what it stands for.
    fn escape(&mut self) {
        let start = self.at;
        self.at += 1;
        let Some(c) = self.peek() else { return };
        if is_space(c) || is_newline(c) {
            while self.peek().is_some_and(|c| is_space(c) || is_newline(c)) {
                self.bump();
            }
            return;
        }
        if self.eat("u{") {
            let digits = self
                .rest()
                .bytes()
                .take_while(u8::is_ascii_hexdigit)
                .count();
            let value = u32::from_str_radix(&self.rest()[..digits.min(6)], 16).ok();
            self.at += digits;
            let whole = (1..=6).contains(&digits) && self.eat("}");
            if whole && value.and_then(char::from_u32).is_some() {
                return;
            }
            self.report(
                Fault::new(start, self.at, "`\\u{...}` here is no character")
                    .remedy("write one to six hexadecimal digits, such as `\\u{a9}`"),
            );
            return;
        }
        self.bump();
        if !matches!(c, 'n' | 'r' | 't' | '\\' | '"' | 'b' | 'f' | 's') {
            self.report(
                Fault::new(
                    start,
                    self.at,
                    format!("`\\{}` means nothing in a text", printable(c)),
                )
                .remedy("write `/` between folders, or `\\\\` for a backslash"),
            );
        }
    }

    fn raw(&mut self) {
        let start = self.at;
        let hashes = self.rest().bytes().take_while(|&b| b == b'#').count();
        self.at += hashes;
        let tail = "#".repeat(hashes);
        if self.rest().starts_with("\"\"\"")
            && self.rest()[3..].chars().next().is_some_and(is_newline)
        {
            self.at += 3;
            self.long_string(start, &format!("\"\"\"{tail}"), Escapes::None);
            return;
        }
        self.at += 1;
        let close = format!("\"{tail}");
        loop {
            if self.eat(&close) {
                return;
            }
            if self.at_newline() || self.peek().is_none() {
                self.report(
                    Fault::new(
                        start,
                        self.at,
                        "this raw text has no closing quote on its line",
                    )
                    .remedy("close it with a quote and as many `#` as it began with"),
                );
                return;
            }
            self.bump();
        }
    }

    fn long_string(&mut self, start: usize, close: &str, escapes: Escapes) {
        loop {
            if self.eat(close) {
                return;
            }
            if escapes == Escapes::Read && self.peek() == Some('\\') {
                self.escape();
            } else if self.bump().is_none() {
                self.report(
                    Fault::new(
                        start,
                        start + 3,
                        "this text of several lines has no closing quotes",
                    )
                    .remedy("close it with three quotes on a line of their own"),
                );
                return;
            }
        }
    }

    fn word(&mut self) {
        self.bump();
        while let Some(c) = self.peek() {
            let ends = is_space(c)
                || is_newline(c)
                || matches!(c, '{' | '}' | '(' | ')' | '=' | ';' | '"' | '\\')
                || ["//", "/*", "/-"]
                    .iter()
                    .any(|mark| self.rest().starts_with(mark));
            if ends {
                return;
            }
            self.bump();
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Escapes {
    Read,
    None,
}

/// A character as it may stand in a message.
fn printable(c: char) -> char {
    if c.is_control() || is_forbidden(c) {
        '?'
    } else {
        c
    }
}
