//! A text as nodes with names, values and places: what the parser understood, nothing of its meaning yet.

use crate::diag::Span;

#[derive(Clone, Debug)]
pub(super) struct Node {
    pub(super) name: String,
    /// The name alone.
    pub(super) name_span: Span,
    /// From the name to the last argument or property, without the block.
    pub(super) span: Span,
    pub(super) args: Vec<Value>,
    pub(super) props: Vec<Prop>,
    /// `None` without a block.
    pub(super) children: Option<Vec<Node>>,
}

impl Node {
    pub(super) fn children(&self) -> &[Node] {
        self.children.as_deref().unwrap_or(&[])
    }
}

#[derive(Clone, Debug)]
pub(super) struct Prop {
    pub(super) name: String,
    pub(super) name_span: Span,
    pub(super) value: Value,
}

#[derive(Clone, Debug)]
pub(super) struct Value {
    pub(super) kind: Kind,
    pub(super) span: Span,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) enum Kind {
    Text(String),
    /// The number, and as it was spelled.
    Number(f64, String),
    Flag(bool),
    /// `#inf`, `#-inf` or `#nan`.
    NotFinite(String),
    Null,
    /// `(param)"name"`.
    Param(String),
}

impl Value {
    /// What it is, in a message.
    pub(super) fn sort(&self) -> &'static str {
        match self.kind {
            Kind::Text(_) => "a text",
            Kind::Number(..) => "a number",
            Kind::Flag(_) => "#true or #false",
            Kind::NotFinite(_) => "no finite number",
            Kind::Null => "#null",
            Kind::Param(_) => "a number from a parameter",
        }
    }
}
