//! Files read and put together: the scene, and what `include` brings in, in place.
//!
//! Promise: at most 64 included files, 10,000 nodes and 32 open braces after everything is in place; a cycle is told
//! with its chain. Parameters are declared on the way, so that an include sees those above it.

use super::load::Loader;
use super::params::{Landing, Params, Scope};
use super::prescan::{DEPTH, NODES, VALUES};
use super::syntax;
use super::tree::{Kind, Node};
use super::words::{quoted, shown};
use crate::diag::{Finding, SourceId, Sources, Span};
use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

/// Files a scene may include, each time counted.
const FILES: usize = 64;

/// All nodes of a scene in place, and what went wrong on the way.
#[derive(Debug, Default)]
pub(super) struct Gathered {
    pub(super) nodes: Vec<Node>,
    pub(super) sources: Sources,
    /// The folder each source's paths are relative to.
    pub(super) folders: Vec<PathBuf>,
    pub(super) params: Params,
    pub(super) findings: Vec<Finding>,
    /// A file is missing or no KDL: names it would have brought are unknown.
    pub(super) whole: bool,
    /// A text is no KDL, or the scene itself can't be read: what it means is unknown.
    pub(super) broken: bool,
}

/// Reads `path` and all it includes.
pub(super) fn gathered(
    path: &Path,
    settings: &[(String, String)],
    loader: &dyn Loader,
) -> Gathered {
    let mut gather = Gather {
        loader,
        out: Gathered {
            params: Params::new(settings),
            whole: true,
            ..Gathered::default()
        },
        read: BTreeMap::new(),
        chain: Vec::new(),
        files: 0,
        nodes: 0,
        values: 0,
    };
    gather.out.params.scene = path
        .file_stem()
        .map(|stem| stem.to_string_lossy().into_owned())
        .unwrap_or_default();
    gather.out.nodes = gather.file(path, None, Place::Top, 0);
    let mut out = gather.out;
    if out.whole {
        out.params.finish(&mut out.findings);
    }
    out
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Place {
    Top,
    Group,
    Output,
    /// Anywhere else, where `include` does not stand.
    Inside,
}

struct Gather<'a> {
    loader: &'a dyn Loader,
    out: Gathered,
    /// Files parsed already, by their plain path; `None` where that failed.
    read: BTreeMap<PathBuf, Option<Vec<Node>>>,
    /// Files being read now, outermost first, with the `include` that led there.
    chain: Vec<(PathBuf, Option<Span>)>,
    files: usize,
    nodes: usize,
    values: usize,
}

impl Gather<'_> {
    fn file(&mut self, path: &Path, from: Option<Span>, place: Place, depth: usize) -> Vec<Node> {
        let plain = plain(path);
        if self.chain.iter().any(|(open, _)| *open == plain) {
            self.cycle(&plain, from);
            return Vec::new();
        }
        let nodes = match self.read.get(&plain) {
            Some(nodes) => nodes.clone(),
            None => {
                let nodes = self.parsed(path, from);
                self.read.insert(plain.clone(), nodes.clone());
                nodes
            }
        };
        let Some(nodes) = nodes else {
            self.out.whole = false;
            return Vec::new();
        };
        self.chain.push((plain, from));
        let nodes = self.expanded(nodes, place, depth);
        self.chain.pop();
        nodes
    }

    fn parsed(&mut self, path: &Path, from: Option<Span>) -> Option<Vec<Node>> {
        let text = match self.loader.load(path) {
            Ok(text) => text,
            Err(fault) => {
                let finding = Finding::stop(
                    fault.id(),
                    format!("\"{}\" can't be read: {fault}", path.display()),
                )
                .remedy(fault.remedy_for(from));
                self.out.findings.push(match from {
                    Some(span) => finding.at(span),
                    None => finding,
                });
                self.out.broken |= from.is_none();
                return None;
            }
        };
        let source = self
            .out
            .sources
            .add(path.display().to_string(), Arc::from(text.as_str()));
        self.out
            .folders
            .push(path.parent().map(Path::to_path_buf).unwrap_or_default());
        debug_assert_eq!(source, SourceId(self.out.folders.len() as u32 - 1));
        match syntax::parsed(&text, source) {
            Ok(nodes) => Some(nodes),
            Err(findings) => {
                self.out.findings.extend(findings);
                self.out.broken = true;
                None
            }
        }
    }

    fn cycle(&mut self, plain: &Path, from: Option<Span>) {
        let start = self
            .chain
            .iter()
            .position(|(open, _)| open == plain)
            .unwrap_or(0);
        let mut names: Vec<String> = self.chain[start..]
            .iter()
            .map(|(open, _)| open.display().to_string())
            .collect();
        names.push(plain.display().to_string());
        let mut finding = Finding::stop(
            "include-cycle",
            format!(
                "the files include one another in a circle: {}",
                names.join(" -> ")
            ),
        )
        .remedy("delete one of these includes");
        if let Some(span) = from {
            finding = finding.at(span);
        }
        for (_, led) in &self.chain[start + 1..] {
            if let Some(span) = led {
                finding = finding.related(*span, "and included here");
            }
        }
        self.out.findings.push(finding);
    }

    /// Nodes with every `include` replaced by what it brings.
    fn expanded(&mut self, nodes: Vec<Node>, place: Place, depth: usize) -> Vec<Node> {
        let mut out = Vec::with_capacity(nodes.len());
        for mut node in nodes {
            self.nodes += 1;
            self.values += node.args.len() + node.props.len();
            if self.nodes > NODES || self.values > VALUES {
                self.too_large(&node);
                return out;
            }
            if node.name == "include" && place != Place::Inside {
                out.extend(self.included(&node, place, depth));
                continue;
            }
            if place == Place::Top {
                self.note(&node);
            }
            if let Some(children) = node.children.take() {
                if depth == DEPTH && !children.is_empty() {
                    self.out.findings.push(
                        Finding::stop(
                            "too-deep",
                            format!("blocks lie more than {DEPTH} deep in one another"),
                        )
                        .at(node.span)
                        .remedy("use fewer groups or includes inside one another"),
                    );
                    continue;
                }
                let inner = match (place, node.name.as_str()) {
                    (Place::Top | Place::Group, "group") => Place::Group,
                    (Place::Top, "output") => Place::Output,
                    _ => Place::Inside,
                };
                node.children = Some(self.expanded(children, inner, depth + 1));
            }
            out.push(node);
        }
        out
    }

    /// Too much once everything is in place; what it means does not matter then.
    fn too_large(&mut self, node: &Node) {
        if !self.out.broken {
            self.out.findings.push(
                Finding::stop(
                    "too-large",
                    format!(
                        "the scene holds more than {NODES} nodes or {VALUES} values with all its includes"
                    ),
                )
                .at(node.span)
                .remedy("split it into several scenes"),
            );
        }
        self.out.broken = true;
    }

    /// What later nodes need to know of a top-level one.
    fn note(&mut self, node: &Node) {
        let out = &mut self.out;
        match node.name.as_str() {
            "param" => out.params.declare(node, &mut out.findings),
            "series" => out.params.series = true,
            "scene" => {
                // Wrong names are told where the scene node is read.
                if let Some(Kind::Text(name)) = node.args.first().map(|value| &value.kind)
                    && !name.contains(['{', '}'])
                {
                    out.params.scene = name.clone();
                }
            }
            _ => {}
        }
    }

    fn included(&mut self, node: &Node, place: Place, depth: usize) -> Vec<Node> {
        let usage = "include \"file.kdl\"";
        if let Some(prop) = node.props.first() {
            self.out.findings.push(
                Finding::stop(
                    "unknown-property",
                    format!("{} is no property of `include`", shown(&prop.name)),
                )
                .at(prop.name_span)
                .allowed(usage),
            );
        }
        if node.children.is_some() {
            self.out.findings.push(
                Finding::stop("no-block", "`include` takes no block")
                    .at(node.span)
                    .allowed(usage),
            );
        }
        let (path, span) = match node.args.as_slice() {
            [value] => match &value.kind {
                Kind::Text(text) => (text, value.span),
                _ => {
                    self.out.findings.push(
                        Finding::stop(
                            "wrong-type",
                            format!("`include` takes a path, and this is {}", value.sort()),
                        )
                        .at(value.span)
                        .allowed(usage),
                    );
                    return Vec::new();
                }
            },
            args => {
                let (id, span) = match args.get(1) {
                    Some(extra) => ("extra-argument", extra.span),
                    None => ("missing-argument", node.span),
                };
                self.out.findings.push(
                    Finding::stop(
                        id,
                        format!("`include` takes one path, and has {}", args.len()),
                    )
                    .at(span)
                    .allowed(usage),
                );
                return Vec::new();
            }
        };
        self.files += 1;
        if self.files > FILES {
            if self.files == FILES + 1 {
                self.out.findings.push(
                    Finding::stop(
                        "too-large",
                        format!("the scene includes more than {FILES} files"),
                    )
                    .at(span)
                    .remedy("put what belongs together into one file"),
                );
            }
            self.out.whole = false;
            return Vec::new();
        }
        let out = &mut self.out;
        let Some(path) = out.params.put(
            path,
            span,
            &Scope::default(),
            Landing::Anywhere,
            &mut out.findings,
        ) else {
            out.whole = false;
            return Vec::new();
        };
        if path.is_empty() || path.chars().any(char::is_control) {
            out.findings.push(
                Finding::stop("bad-path", format!("{} is no path", quoted(&path)))
                    .at(span)
                    .allowed(usage),
            );
            return Vec::new();
        }
        let folder = out
            .folders
            .get(span.source.0 as usize)
            .cloned()
            .unwrap_or_default();
        self.file(&folder.join(path), Some(span), place, depth)
    }
}

/// A path without `.` and with `a/..` taken out, to know a file again. Links may fool it; the count of files ends
/// what it misses.
fn plain(path: &Path) -> PathBuf {
    let mut out = PathBuf::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir
                if matches!(out.components().next_back(), Some(Component::Normal(_))) =>
            {
                out.pop();
            }
            _ => out.push(part),
        }
    }
    out
}
