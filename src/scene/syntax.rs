//! A scanned text to a tree of nodes, through the KDL parser.
//!
//! Promise: the parser runs on a stack of its own and only on what `prescan` let through; what it still refuses is
//! told in plain words at a true place. kdl 6.7.1 begins the span of a bad property value at byte 0 (kdl-rs#172), so
//! such spans are anchored on their end.

use super::lex::{FAULTS, Fault};
use super::prescan;
use super::tree::{Kind, Node, Prop, Value};
use super::words;
use crate::diag::{Finding, SourceId, Span};
use kdl::{KdlDocument, KdlEntry, KdlNode, KdlValue};

/// The parser recurses: a few hundred bytes a level in release, far more in debug builds.
const STACK_BYTES: usize = 64 << 20;

/// All nodes of `text`, or every fault of its syntax.
pub(super) fn parsed(text: &str, source: SourceId) -> Result<Vec<Node>, Vec<Finding>> {
    let finding = |fault: Fault| {
        let finding = Finding::stop(fault.id, fault.message).at(Span {
            source,
            start: fault.start as u32,
            end: fault.end as u32,
        });
        match fault.remedy {
            Some(remedy) => finding.remedy(remedy),
            None => finding,
        }
    };
    tree(text, source).map_err(|faults| faults.into_iter().map(finding).collect())
}

fn tree(text: &str, source: SourceId) -> Result<Vec<Node>, Vec<Fault>> {
    let blanked = prescan::scanned(text)?;
    let work = || match KdlDocument::parse_v2(&blanked) {
        Ok(document) => {
            let mut reader = Reader {
                source,
                text,
                faults: Vec::new(),
            };
            let nodes = reader.nodes(&document);
            if reader.faults.is_empty() {
                Ok(nodes)
            } else {
                Err(reader.faults)
            }
        }
        Err(error) => Err(error
            .diagnostics
            .iter()
            .take(FAULTS)
            .map(|told| plain(told, text))
            .collect()),
    };
    std::thread::scope(|scope| {
        let spawned = std::thread::Builder::new()
            .name("scene-parser".to_owned())
            .stack_size(STACK_BYTES)
            .spawn_scoped(scope, work);
        match spawned.map(|thread| thread.join()) {
            Ok(Ok(result)) => result,
            Ok(Err(_)) => Err(vec![Fault::new(
                0,
                0,
                "the text could not be parsed: the KDL parser gave up",
            )]),
            Err(error) => Err(vec![Fault::new(
                0,
                0,
                format!("the text could not be parsed: no thread for the parser ({error})"),
            )]),
        }
    })
}

/// The parser's own words, made plain and put at their place.
fn plain(told: &kdl::KdlDiagnostic, text: &str) -> Fault {
    let end = (told.span.offset() + told.span.len()).min(text.len());
    let mut start = told.span.offset().min(end);
    if start == 0 || text[..end].rfind('\n').is_some_and(|line| line > start) {
        // The true place is where it ends: the last word there.
        let head = text.get(..end).unwrap_or("").trim_end();
        start = head
            .rfind(|c: char| c.is_whitespace() || c == '=')
            .map_or(0, |at| {
                at + head[at..].chars().next().map_or(1, char::len_utf8)
            });
    }
    let words = told
        .message
        .clone()
        .unwrap_or_else(|| "this is no KDL".to_owned());
    let fault = Fault::new(start, end, format!("the text is no KDL 2.0: {words}"));
    match &told.help {
        Some(help) => fault.remedy(help.clone()),
        None => fault,
    }
}

struct Reader<'a> {
    source: SourceId,
    text: &'a str,
    faults: Vec<Fault>,
}

impl Reader<'_> {
    fn span(&self, start: usize, end: usize) -> Span {
        Span {
            source: self.source,
            start: start as u32,
            end: end as u32,
        }
    }

    fn nodes(&mut self, document: &KdlDocument) -> Vec<Node> {
        document
            .nodes()
            .iter()
            .map(|node| self.node(node))
            .collect()
    }

    fn node(&mut self, node: &KdlNode) -> Node {
        let name = node.name().span();
        let name_span = self.span(name.offset(), name.offset() + name.len());
        if node.ty().is_some() {
            self.faults.push(
                Fault::new(
                    node.span().offset(),
                    name.offset(),
                    "a node takes no `( )` before its name",
                )
                .remedy("delete it; (param) stands before a value"),
            );
        }
        let mut end = name_span.end;
        let mut args = Vec::new();
        let mut props = Vec::new();
        for entry in node.entries() {
            let value = self.value(entry);
            end = end.max(value.span.end);
            match entry.name() {
                None => args.push(value),
                Some(name) => props.push(Prop {
                    name: name.value().to_owned(),
                    name_span: self.span(
                        name.span().offset(),
                        name.span().offset() + name.span().len(),
                    ),
                    value,
                }),
            }
        }
        Node {
            name: node.name().value().to_owned(),
            name_span,
            span: Span { end, ..name_span },
            args,
            props,
            children: node.children().map(|document| self.nodes(document)),
        }
    }

    fn value(&mut self, entry: &KdlEntry) -> Value {
        let whole = entry.span();
        let end = whole.offset() + whole.len();
        let repr = entry
            .format()
            .map_or("", |format| format.value_repr.as_str());
        let mut start = end.saturating_sub(repr.len()).max(whole.offset());
        let kind = match (entry.ty(), entry.value()) {
            (Some(ty), value) => {
                // The annotation belongs to the value's place.
                start = self.text[whole.offset()..start]
                    .rfind('(')
                    .map_or(start, |at| whole.offset() + at);
                match value {
                    KdlValue::String(name) if ty.value() == "param" => Kind::Param(name.clone()),
                    _ => {
                        self.faults.push(
                            Fault::new(start, end, format!("({}) means nothing here", words::cut(ty.value())))
                                .remedy("only (param)\"name\" is known: it stands for a number taken from a parameter"),
                        );
                        Kind::Null
                    }
                }
            }
            (None, KdlValue::String(text)) => Kind::Text(text.clone()),
            (None, KdlValue::Bool(flag)) => Kind::Flag(*flag),
            (None, KdlValue::Null) => Kind::Null,
            (None, KdlValue::Integer(_) | KdlValue::Float(_)) => match words::number(repr) {
                Some(words::Number::Finite(number)) => Kind::Number(number, repr.to_owned()),
                _ => Kind::NotFinite(repr.to_owned()),
            },
        };
        Value {
            kind,
            span: self.span(start, end),
        }
    }
}
