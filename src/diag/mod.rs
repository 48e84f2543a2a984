//! Sources, spans and findings: everything Platewright ever says about a scene or a picture is a [`Finding`].
//!
//! A finding names what, where and what to do: a stable identifier, a severity, a place in the text, a place in
//! the picture, a number with its limit, and a remedy. `stop` means exit code 1 and nothing written; `note` and
//! `look` never block. Spans take no part in equality or hashing, so moving a node never changes its meaning.

mod text;

pub use text::{Colours, all_rendered, rendered};

use crate::geom::Rect;
use std::hash::{Hash, Hasher};
use std::sync::Arc;

/// Which file of a run a span lies in: an index into [`Sources`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SourceId(pub u32);

/// A text the scene was read from. `name` is the path as the user would type it.
#[derive(Clone, Debug)]
pub struct Source {
    pub name: String,
    pub text: Arc<str>,
}

impl Source {
    /// The nearest character boundary at or before a byte.
    fn floor(&self, at: usize) -> usize {
        let mut at = at.min(self.text.len());
        while !self.text.is_char_boundary(at) {
            at -= 1;
        }
        at
    }

    /// Line and column of a byte, both from 1; columns count characters.
    pub fn line_and_column(&self, at: usize) -> (usize, usize) {
        let before = &self.text[..self.floor(at)];
        let line_start = before.rfind('\n').map_or(0, |k| k + 1);
        let line = before.matches('\n').count() + 1;
        (line, before[line_start..].chars().count() + 1)
    }
}

/// All texts of a run: the scene and what it includes, in the order they were read.
#[derive(Clone, Debug, Default)]
pub struct Sources(Vec<Source>);

impl Sources {
    pub fn add(&mut self, name: String, text: Arc<str>) -> SourceId {
        self.0.push(Source { name, text });
        SourceId((self.0.len() - 1) as u32)
    }

    pub fn get(&self, id: SourceId) -> Option<&Source> {
        self.0.get(id.0 as usize)
    }
}

/// Bytes `start..end` of a source.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Span {
    pub source: SourceId,
    pub start: u32,
    pub end: u32,
}

/// A value and the text it was read from. Equal and hashed by value alone.
#[derive(Clone, Copy, Debug)]
pub struct Spanned<T> {
    pub value: T,
    pub span: Span,
}

impl<T> Spanned<T> {
    pub fn new(value: T, span: Span) -> Spanned<T> {
        Spanned { value, span }
    }

    pub fn map<U>(self, f: impl FnOnce(T) -> U) -> Spanned<U> {
        Spanned {
            value: f(self.value),
            span: self.span,
        }
    }

    pub fn as_ref(&self) -> Spanned<&T> {
        Spanned {
            value: &self.value,
            span: self.span,
        }
    }
}

impl<T: PartialEq> PartialEq for Spanned<T> {
    fn eq(&self, other: &Self) -> bool {
        self.value == other.value
    }
}

impl<T: Eq> Eq for Spanned<T> {}

impl<T: Hash> Hash for Spanned<T> {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.value.hash(state);
    }
}

/// How much a finding matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Severity {
    /// Worth knowing.
    Note,
    /// A person should look at this before the picture goes out.
    Look,
    /// Nothing is written and the exit code is 1.
    Stop,
}

impl Severity {
    pub fn word(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Look => "look",
            Severity::Stop => "stop",
        }
    }
}

/// Which pixel grid a place is given in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Space {
    Canvas,
    Frame,
    Output,
}

/// A part of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Place {
    pub space: Space,
    pub rect: Rect,
}

/// One thing worth saying. Build it with [`Finding::stop`] and its fellows, then add what is known.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    pub severity: Severity,
    /// Stable, kebab-case, never renamed: scripts filter on it.
    pub id: &'static str,
    /// One sentence without a full stop: what is wrong, with its numbers.
    pub message: String,
    /// Where in the text.
    pub span: Option<Span>,
    /// What is allowed there ("allowed: 0..1").
    pub allowed: Option<String>,
    /// The nearest known name, if one is near.
    pub nearest: Option<String>,
    /// What to do about it.
    pub remedy: Option<String>,
    /// Other places in the text that belong to it, each with a few words.
    pub related: Vec<(Span, String)>,
    /// The frame file it is about.
    pub frame: Option<String>,
    /// The output it is about.
    pub output: Option<String>,
    /// The member it is about, as a path (`nibs/a`).
    pub member: Option<String>,
    /// Where in the picture.
    pub place: Option<Place>,
    /// What was measured.
    pub number: Option<f64>,
    /// The limit it was measured against.
    pub limit: Option<f64>,
    /// How several of a kind are told as one.
    pub together: Option<Together>,
}

/// Words for several findings of one kind: seven frames that answer the piece alike are one thing to know, not seven.
#[derive(Clone, Debug, PartialEq)]
pub struct Together {
    /// What stands behind their number: "frames differ ...".
    pub words: &'static str,
    /// What tells this one from its fellows, beside its member's name; may be empty.
    pub each: String,
    /// What to do about all of them.
    pub remedy: &'static str,
}

impl Finding {
    fn new(severity: Severity, id: &'static str, message: impl Into<String>) -> Finding {
        Finding {
            severity,
            id,
            message: message.into(),
            span: None,
            allowed: None,
            nearest: None,
            remedy: None,
            related: Vec::new(),
            frame: None,
            output: None,
            member: None,
            place: None,
            number: None,
            limit: None,
            together: None,
        }
    }

    pub fn stop(id: &'static str, message: impl Into<String>) -> Finding {
        Finding::new(Severity::Stop, id, message)
    }

    pub fn look(id: &'static str, message: impl Into<String>) -> Finding {
        Finding::new(Severity::Look, id, message)
    }

    pub fn note(id: &'static str, message: impl Into<String>) -> Finding {
        Finding::new(Severity::Note, id, message)
    }

    pub fn at(mut self, span: Span) -> Finding {
        self.span = Some(span);
        self
    }

    pub fn allowed(mut self, what: impl Into<String>) -> Finding {
        self.allowed = Some(what.into());
        self
    }

    pub fn nearest(mut self, name: Option<&str>) -> Finding {
        self.nearest = name.map(str::to_owned);
        self
    }

    pub fn remedy(mut self, what: impl Into<String>) -> Finding {
        self.remedy = Some(what.into());
        self
    }

    pub fn related(mut self, span: Span, words: impl Into<String>) -> Finding {
        self.related.push((span, words.into()));
        self
    }

    pub fn frame(mut self, path: impl Into<String>) -> Finding {
        self.frame = Some(path.into());
        self
    }

    pub fn output(mut self, name: impl Into<String>) -> Finding {
        self.output = Some(name.into());
        self
    }

    pub fn member(mut self, path: impl Into<String>) -> Finding {
        self.member = Some(path.into());
        self
    }

    pub fn place(mut self, space: Space, rect: Rect) -> Finding {
        self.place = Some(Place { space, rect });
        self
    }

    pub fn measured(mut self, number: f64, limit: f64) -> Finding {
        self.number = Some(number);
        self.limit = Some(limit);
        self
    }

    /// Lets several of this kind be told as one to a person; a program gets each.
    pub fn together(
        mut self,
        words: &'static str,
        each: impl Into<String>,
        remedy: &'static str,
    ) -> Finding {
        self.together = Some(Together {
            words,
            each: each.into(),
            remedy,
        });
        self
    }
}
