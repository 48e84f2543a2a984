//! Parameters: declared by `param`, set by `--set`, put into texts as `{name}` and into numbers as `(param)"name"`.
//!
//! Promise: every unknown or unset name is told once, with the nearest known one; a value that lands in a file name
//! can't leave its folder.

use super::suggest::nearest;
use super::tree::{Kind, Node};
use super::words::{self, quoted, shown};
use crate::diag::{Finding, Span};

/// Names every scene has.
pub(super) const BUILT_IN: [&str; 3] = ["scene", "output", "row"];

#[derive(Debug)]
struct Param {
    name: String,
    span: Span,
    /// `None` until it is set.
    text: Option<String>,
}

#[derive(Debug, Default)]
pub(super) struct Params {
    declared: Vec<Param>,
    settings: Vec<(String, String)>,
    /// What `{scene}` stands for.
    pub(super) scene: String,
    /// A series sets parameters too, row by row.
    pub(super) series: bool,
}

/// Where a text stands, for the names built in.
#[derive(Clone, Debug, Default)]
pub(super) struct Scope {
    /// The output around it.
    pub(super) output: Option<String>,
}

/// Whether a text names a file to be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Landing {
    Anywhere,
    File,
}

impl Params {
    pub(super) fn new(settings: &[(String, String)]) -> Params {
        Params {
            settings: settings.to_vec(),
            ..Params::default()
        }
    }

    /// Takes in one `param` node.
    pub(super) fn declare(&mut self, node: &Node, findings: &mut Vec<Finding>) {
        let usage = "param \"name\" \"default\", or param \"name\" without a default";
        if let Some(prop) = node.props.first() {
            findings.push(
                Finding::stop(
                    "unknown-property",
                    format!("{} is no property of `param`", shown(&prop.name)),
                )
                .at(prop.name_span)
                .allowed(usage),
            );
        }
        if let Some(children) = &node.children {
            let span = children.first().map_or(node.span, |child| child.name_span);
            findings.push(
                Finding::stop("no-block", "`param` takes no block")
                    .at(span)
                    .allowed(usage),
            );
        }
        let Some(first) = node.args.first() else {
            findings.push(
                Finding::stop("missing-argument", "`param` has no name")
                    .at(node.span)
                    .allowed(usage),
            );
            return;
        };
        if let Some(extra) = node.args.get(2) {
            findings.push(
                Finding::stop(
                    "extra-argument",
                    "`param` takes a name and a default, and this is one too many",
                )
                .at(extra.span)
                .allowed(usage),
            );
        }
        let Kind::Text(name) = &first.kind else {
            findings.push(
                Finding::stop(
                    "wrong-type",
                    format!("`param` takes a name first, and this is {}", first.sort()),
                )
                .at(first.span)
                .allowed(usage),
            );
            return;
        };
        let good = name.starts_with(|c: char| c.is_ascii_lowercase())
            && name
                .chars()
                .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-');
        if !good {
            findings.push(
                Finding::stop(
                    "bad-name",
                    format!("{} can't name a parameter", quoted(name)),
                )
                .at(first.span)
                .allowed("small letters a to z, digits and `-`, a letter first"),
            );
            return;
        }
        if BUILT_IN.contains(&name.as_str()) {
            findings.push(
                Finding::stop(
                    "bad-name",
                    format!("{} is built in and can't be declared", quoted(name)),
                )
                .at(first.span)
                .remedy(format!("use {{{name}}} as it is, or choose another name")),
            );
            return;
        }
        if let Some(before) = self.declared.iter().find(|param| &param.name == name) {
            findings.push(
                Finding::stop(
                    "duplicate-name",
                    format!("two parameters are called {}", quoted(name)),
                )
                .at(first.span)
                .related(before.span, "the first one")
                .remedy("delete one, or give it another name"),
            );
            return;
        }
        let before = findings.len();
        let default = node.args.get(1).and_then(|value| match &value.kind {
            Kind::Text(text) => self.put(
                text,
                value.span,
                &Scope::default(),
                Landing::Anywhere,
                findings,
            ),
            Kind::Number(_, spelled) => Some(spelled.clone()),
            Kind::NotFinite(_) => {
                findings.push(
                    Finding::stop(
                        "not-finite",
                        "a parameter can't be infinite or not a number",
                    )
                    .at(value.span)
                    .allowed("a text or a finite number"),
                );
                Some(String::new())
            }
            _ => {
                findings.push(
                    Finding::stop(
                        "wrong-type",
                        format!(
                            "a parameter's default is a text or a number, and this is {}",
                            value.sort()
                        ),
                    )
                    .at(value.span)
                    .allowed(usage),
                );
                Some(String::new())
            }
        });
        for finding in findings[before..]
            .iter_mut()
            .filter(|finding| finding.id == "unknown-parameter")
        {
            finding
                .remedy
                .get_or_insert_with(|| "a default sees only the parameters above it".to_owned());
        }
        let set = self
            .settings
            .iter()
            .find(|(set, _)| set == name)
            .map(|(_, text)| text.clone());
        // A default that is wrong was told; it counts as one.
        let text = set
            .or(default)
            .or_else(|| node.args.get(1).map(|_| String::new()));
        self.declared.push(Param {
            name: name.clone(),
            span: node.span,
            text,
        });
    }

    /// What can be known once every `param` was seen: settings without one, parameters without a value.
    pub(super) fn finish(&self, findings: &mut Vec<Finding>) {
        for (k, (name, _)) in self.settings.iter().enumerate() {
            if self.settings[..k].iter().any(|(before, _)| before == name) {
                findings.push(
                    Finding::stop("set-twice", format!("--set gives {} twice", quoted(name)))
                        .remedy("keep one"),
                );
            } else if !self.declared.iter().any(|param| &param.name == name) {
                findings.push(
                    Finding::stop(
                        "unknown-parameter",
                        format!(
                            "--set gives {}, and the scene declares no such parameter",
                            quoted(name)
                        ),
                    )
                    .allowed(self.known())
                    .nearest(nearest(name, self.names())),
                );
            }
        }
        if self.series {
            return;
        }
        for param in self.declared.iter().filter(|param| param.text.is_none()) {
            findings.push(
                Finding::stop("unset-parameter", format!("parameter {} has no value", quoted(&param.name)))
                    .at(param.span)
                    .remedy(format!(
                        "give it on the command line with --set {0}=..., or write a default: param \"{0}\" \"...\"",
                        param.name
                    )),
            );
        }
    }

    fn names(&self) -> impl Iterator<Item = &str> {
        self.declared.iter().map(|param| param.name.as_str())
    }

    fn known(&self) -> String {
        if self.declared.is_empty() {
            return "no parameters: the scene declares none".to_owned();
        }
        self.names().take(40).collect::<Vec<_>>().join(", ")
    }

    fn unknown(&self, name: &str, span: Span) -> Finding {
        Finding::stop(
            "unknown-parameter",
            format!("no parameter is called {}", quoted(name)),
        )
        .at(span)
        .allowed(format!(
            "{}; built in: {}",
            self.known(),
            BUILT_IN.join(", ")
        ))
        .nearest(nearest(name, self.names().chain(BUILT_IN)))
    }

    /// `text` with every `{name}` replaced. `None` where one is unknown (told) or has no value (told elsewhere).
    pub(super) fn put(
        &self,
        text: &str,
        span: Span,
        scope: &Scope,
        landing: Landing,
        findings: &mut Vec<Finding>,
    ) -> Option<String> {
        let mut out = String::with_capacity(text.len());
        let mut rest = text;
        let mut whole = true;
        while let Some(at) = rest.find(['{', '}']) {
            out.push_str(&rest[..at]);
            let brace = &rest[at..=at];
            rest = &rest[at + 1..];
            if let Some(after) = rest.strip_prefix(brace) {
                out.push_str(brace);
                rest = after;
                continue;
            }
            let end = if brace == "{" {
                rest.find(['{', '}'])
            } else {
                None
            };
            let Some(end) = end.filter(|&end| rest[end..].starts_with('}')) else {
                findings.push(
                    Finding::stop("brace", format!("a single `{brace}` stands in this text"))
                        .at(span)
                        .remedy("write {name} for a parameter, {{ or }} for the brace itself"),
                );
                return None;
            };
            let name = &rest[..end];
            rest = &rest[end + 1..];
            match self.value(name, span, scope, findings) {
                Some(value) => {
                    if landing == Landing::File {
                        self.check_landing(name, &value, span, findings);
                    }
                    out.push_str(&value);
                }
                None => whole = false,
            }
            // Parameters put into parameters could double without end.
            if out.len() > super::prescan::FILE_BYTES {
                findings.push(
                    Finding::stop(
                        "too-large",
                        "the parameters put in here make this text longer than 1 MiB",
                    )
                    .at(span)
                    .remedy("use shorter values"),
                );
                return None;
            }
        }
        out.push_str(rest);
        whole.then_some(out)
    }

    fn value(
        &self,
        name: &str,
        span: Span,
        scope: &Scope,
        findings: &mut Vec<Finding>,
    ) -> Option<String> {
        match name {
            "scene" => return Some(self.scene.clone()),
            "output" => {
                if scope.output.is_none() {
                    findings.push(
                        Finding::stop(
                            "unknown-parameter",
                            "{output} is known only inside an output",
                        )
                        .at(span)
                        .remedy("use it in an output's nodes, or write the text itself"),
                    );
                }
                return scope.output.clone();
            }
            "row" => {
                if !self.series {
                    findings.push(
                        Finding::stop(
                            "unknown-parameter",
                            "{row} is known only in a scene with a `series`",
                        )
                        .at(span)
                        .remedy("declare a parameter: param \"ink\" \"indigo\", and use {ink}"),
                    );
                    return None;
                }
                return Some("row".to_owned());
            }
            _ => {}
        }
        match self.declared.iter().find(|param| param.name == name) {
            Some(param) => param.text.clone(),
            None => {
                findings.push(self.unknown(name, span));
                None
            }
        }
    }

    fn check_landing(&self, name: &str, value: &str, span: Span, findings: &mut Vec<Finding>) {
        let bad = value.contains(['/', '\\'])
            || value.contains("..")
            || value.chars().any(char::is_control);
        if bad {
            findings.push(
                Finding::stop(
                    "unsafe-file",
                    format!(
                        "{{{name}}} is {} here, and can't be part of a file name",
                        quoted(value)
                    ),
                )
                .at(span)
                .allowed("a value without `/`, `\\`, `..` and control characters"),
            );
        }
    }

    /// The number a `(param)"name"` stands for, with its spelling.
    pub(super) fn number(
        &self,
        name: &str,
        span: Span,
        findings: &mut Vec<Finding>,
    ) -> Option<f64> {
        let Some(param) = self.declared.iter().find(|param| param.name == name) else {
            findings.push(self.unknown(name, span));
            return None;
        };
        let text = param.text.as_deref()?;
        let fault = match words::number(text) {
            Some(words::Number::Finite(number)) => return Some(number),
            Some(words::Number::TooLarge) => "not-finite",
            None => "wrong-type",
        };
        findings.push(
            Finding::stop(
                fault,
                format!(
                    "parameter {} is {}, and a number is needed here",
                    quoted(name),
                    quoted(text)
                ),
            )
            .at(span)
            .related(param.span, "declared here")
            .allowed("a finite number, such as 12 or -0.5"),
        );
        None
    }

    /// Every parameter with its settled text, in the order declared.
    pub(super) fn settled(&self) -> Vec<(String, String)> {
        self.declared
            .iter()
            .map(|param| (param.name.clone(), param.text.clone().unwrap_or_default()))
            .collect()
    }
}
