//! Single values: numbers within a range, words from a list, names, paths, colours.

use super::Reader;
use crate::diag::{Finding, Span, Spanned};
use crate::scene::model::{Hex, ProfileName};
use crate::scene::params::Landing;
use crate::scene::suggest::nearest;
use crate::scene::tree::{Kind, Node, Value};
use crate::scene::words::{quoted, shown};
use std::path::PathBuf;

/// Coordinates lie within a million pixels of the origin.
pub(super) const FAR: f64 = 1_000_000.0;

/// What a number may be.
#[derive(Clone, Copy, Debug)]
pub(super) struct Range {
    low: f64,
    high: f64,
    /// `low` itself is not allowed.
    above: bool,
}

impl Range {
    pub(super) const ANY: Range = Range::of(f64::MIN, f64::MAX);

    /// `low` to `high`, both allowed.
    pub(super) const fn of(low: f64, high: f64) -> Range {
        Range {
            low,
            high,
            above: false,
        }
    }

    /// -`far` to `far`.
    pub(super) const fn within(far: f64) -> Range {
        Range::of(-far, far)
    }

    /// Above 0, up to `high`.
    pub(super) const fn above_zero(high: f64) -> Range {
        Range {
            low: 0.0,
            high,
            above: true,
        }
    }

    fn holds(self, number: f64) -> bool {
        number <= self.high
            && if self.above {
                number > self.low
            } else {
                number >= self.low
            }
    }

    fn words(self, kind: &str) -> String {
        if self.low == f64::MIN {
            return kind.replace("a number", "a finite number");
        }
        let from = if self.above { "above" } else { "from" };
        let to = if self.above { "up to" } else { "to" };
        format!(
            "{kind} {from} {} {to} {}",
            figure(self.low),
            figure(self.high)
        )
    }
}

/// A number as messages show it: thousands apart.
pub(super) fn figure(number: f64) -> String {
    let plain = format!("{number}");
    let digits = plain.strip_prefix('-').unwrap_or(&plain);
    if digits.len() < 4 || !digits.bytes().all(|b| b.is_ascii_digit()) || digits.len() > 15 {
        return plain;
    }
    let mut out = String::new();
    for (k, c) in digits.chars().enumerate() {
        if k > 0 && (digits.len() - k).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    if number < 0.0 { format!("-{out}") } else { out }
}

impl Reader<'_> {
    /// A value of the wrong kind; `allowed` says more than the kind where there is more.
    pub(super) fn wrong(&mut self, value: &Value, of: &str, kind: &str, allowed: Option<String>) {
        let mut finding = Finding::stop(
            "wrong-type",
            format!("{} takes {kind}, and this is {}", shown(of), value.sort()),
        )
        .at(value.span);
        finding.allowed = allowed;
        self.tell(finding);
    }

    /// The finite number a value is, parameters put in; not yet checked against a range.
    fn raw_number(&mut self, value: &Value, of: &str, kind: &str, range: Range) -> Option<f64> {
        match &value.kind {
            Kind::Number(number, _) => Some(*number),
            Kind::Param(name) => self.params.number(name, value.span, &mut self.findings),
            Kind::NotFinite(_) => {
                self.tell(
                    Finding::stop(
                        "not-finite",
                        format!("{} must be a finite number", shown(of)),
                    )
                    .at(value.span)
                    .allowed(range.words(kind)),
                );
                None
            }
            _ => {
                self.wrong(value, of, kind, Some(range.words(kind)));
                None
            }
        }
    }

    /// A number within `range`.
    pub(super) fn number(&mut self, value: &Value, of: &str, range: Range) -> Option<f64> {
        let kind = "a number";
        let number = self.raw_number(value, of, kind, range)?;
        self.held(value.span, of, number, range, kind)
    }

    /// A whole number within `range`.
    pub(super) fn whole(&mut self, value: &Value, of: &str, range: Range) -> Option<i64> {
        let kind = "a whole number";
        let number = self.raw_number(value, of, kind, range)?;
        if number != number.trunc() {
            self.tell(
                Finding::stop(
                    "not-whole",
                    format!("{} must be a whole number, and is {number}", shown(of)),
                )
                .at(value.span)
                .allowed(range.words(kind)),
            );
            return None;
        }
        let number = self.held(value.span, of, number, range, kind)?;
        Some(number as i64)
    }

    fn held(&mut self, span: Span, of: &str, number: f64, range: Range, kind: &str) -> Option<f64> {
        if range.holds(number) {
            // -0 and 0 are one number here.
            return Some(number + 0.0);
        }
        self.tell(
            Finding::stop(
                "out-of-range",
                format!("{} can't be {}", shown(of), figure(number)),
            )
            .at(span)
            .allowed(range.words(kind)),
        );
        None
    }

    /// `N` numbers from the arguments of a node whose count is right.
    pub(super) fn numbers<const N: usize>(
        &mut self,
        node: &Node,
        range: Range,
    ) -> Option<[f64; N]> {
        let mut out = [0.0; N];
        let mut whole = node.args.len() == N;
        for (slot, value) in out.iter_mut().zip(&node.args) {
            match self.number(value, &node.name, range) {
                Some(number) => *slot = number,
                None => whole = false,
            }
        }
        whole.then_some(out)
    }

    pub(super) fn flag(&mut self, value: &Value, of: &str) -> Option<bool> {
        if let Kind::Flag(flag) = value.kind {
            return Some(flag);
        }
        self.wrong(value, of, "#true or #false", None);
        None
    }

    /// A text with parameters put in.
    pub(super) fn text(&mut self, value: &Value, of: &str) -> Option<Spanned<String>> {
        self.landing_text(value, of, Landing::Anywhere)
    }

    pub(super) fn landing_text(
        &mut self,
        value: &Value,
        of: &str,
        landing: Landing,
    ) -> Option<Spanned<String>> {
        match &value.kind {
            Kind::Text(text) => {
                let text = self.put(text, value.span, landing)?;
                Some(Spanned::new(text, value.span))
            }
            Kind::Param(name) => {
                self.tell(
                    Finding::stop(
                        "wrong-type",
                        format!(
                            "{} takes a text, and (param) stands for a number",
                            shown(of)
                        ),
                    )
                    .at(value.span)
                    .remedy(format!("write \"{{{name}}}\"")),
                );
                None
            }
            _ => {
                self.wrong(value, of, "a text", None);
                None
            }
        }
    }

    /// A text without control characters, for titles.
    pub(super) fn line(&mut self, value: &Value, of: &str) -> Option<Spanned<String>> {
        let text = self.text(value, of)?;
        if text.value.chars().any(|c| c == '\0') {
            self.tell(
                Finding::stop("wrong-type", format!("{} holds a NUL character", shown(of)))
                    .at(value.span),
            );
            return None;
        }
        Some(text)
    }

    /// One of a list of words.
    pub(super) fn word<T: Clone>(
        &mut self,
        value: &Value,
        of: &str,
        known: &[(&str, T)],
    ) -> Option<T> {
        let list = || {
            known
                .iter()
                .map(|(word, _)| format!("\"{word}\""))
                .collect::<Vec<_>>()
                .join(", ")
        };
        if !matches!(value.kind, Kind::Text(_) | Kind::Param(_)) {
            let allowed = Some(list());
            self.wrong(value, of, "a text", allowed);
            return None;
        }
        let text = self.text(value, of)?;
        if let Some((_, found)) = known.iter().find(|(word, _)| *word == text.value) {
            return Some(found.clone());
        }
        self.tell(
            Finding::stop(
                "unknown-value",
                format!("{} can't be {}", shown(of), quoted(&text.value)),
            )
            .at(value.span)
            .allowed(list())
            .nearest(nearest(&text.value, known.iter().map(|(word, _)| *word))),
        );
        None
    }

    /// The name of an element, group, mask, plate, output or row.
    pub(super) fn name(&mut self, value: &Value, of: &str) -> Option<Spanned<String>> {
        let name = self.text(value, of)?;
        let text = &name.value;
        if !text.is_empty() && !text.contains(['/', '\\']) && !text.chars().any(char::is_control) {
            return Some(name);
        }
        let words = if text.is_empty() {
            format!("the name of {of} is empty")
        } else {
            format!("{} can't name {of}", quoted(text))
        };
        self.tell(
            Finding::stop("bad-name", words)
                .at(value.span)
                .allowed("a text that is not empty, without `/`, `\\` and control characters"),
        );
        None
    }

    /// The only argument of a node as a name; something harmless if it is none.
    pub(super) fn own_name(&mut self, node: &Node, of: &str) -> Spanned<String> {
        node.args
            .first()
            .and_then(|value| self.name(value, of))
            .unwrap_or_else(|| Spanned::new(String::new(), node.name_span))
    }

    /// A path to read, joined to the folder of the file that names it.
    pub(super) fn path(&mut self, value: &Value, of: &str) -> Option<Spanned<PathBuf>> {
        let text = self.text(value, of)?;
        let words = if text.value.is_empty() {
            "the path is empty".to_owned()
        } else if text.value.contains('\\') {
            format!("{} holds a backslash", quoted(&text.value))
        } else if text.value.chars().any(char::is_control) {
            format!("{} holds a control character", quoted(&text.value))
        } else {
            let folder = self
                .folders
                .get(value.span.source.0 as usize)
                .cloned()
                .unwrap_or_default();
            return Some(text.map(|text| folder.join(text)));
        };
        self.tell(
            Finding::stop("bad-path", words)
                .at(value.span)
                .allowed("a path with `/` between folders, from the folder of this file"),
        );
        None
    }

    pub(super) fn hex(&mut self, value: &Value, of: &str) -> Option<Hex> {
        let text = self.text(value, of)?;
        if let Some(hex) = hex(&text.value) {
            return Some(hex);
        }
        self.tell(
            Finding::stop(
                "unknown-value",
                format!("{} can't be {}", shown(of), quoted(&text.value)),
            )
            .at(value.span)
            .allowed("a colour as \"#rrggbb\", such as \"#f4f0e8\""),
        );
        None
    }

    /// `profile`: for frames and plates, `"plate"` means nothing.
    pub(super) fn profile(
        &mut self,
        value: &Value,
        words: &[(&str, ProfileName)],
    ) -> Option<ProfileName> {
        if let Kind::Text(_) = &value.kind {
            let text = self.text(value, "profile")?;
            if text.value.to_ascii_lowercase().ends_with(".icc") {
                return self
                    .path(value, "profile")
                    .map(|path| ProfileName::File(path.value));
            }
        }
        let before = self.findings.len();
        let found = self.word(value, "profile", words);
        for finding in &mut self.findings[before..] {
            if let Some(allowed) = &mut finding.allowed {
                allowed.push_str(", or an .icc file");
            }
        }
        found
    }
}

/// The profiles a frame or plate can state.
pub(super) const INPUT_PROFILES: [(&str, ProfileName); 5] = [
    ("srgb", ProfileName::Srgb),
    ("display-p3", ProfileName::DisplayP3),
    ("a98-rgb", ProfileName::A98Rgb),
    ("rec2020", ProfileName::Rec2020),
    ("gray", ProfileName::Gray),
];

pub(super) fn hex(text: &str) -> Option<Hex> {
    let digits = text.strip_prefix('#')?;
    if digits.len() != 6 || !digits.bytes().all(|b| b.is_ascii_hexdigit()) {
        return None;
    }
    let number = u32::from_str_radix(digits, 16).ok()?;
    let [_, red, green, blue] = number.to_be_bytes();
    Some(Hex([red, green, blue]))
}
