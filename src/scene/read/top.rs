//! The top of a scene: what stands in the file outside every block.

use super::edits::{EDITS, Paths, paths};
use super::mask::Where;
use super::stage::STAGE;
use super::value::INPUT_PROFILES;
use super::{Block, Range, Reader, Shape};
use crate::diag::{Finding, SourceId, Span, Spanned};
use crate::scene::include::Gathered;
use crate::scene::model::{NamedMask, Plate, Row, Scene, Working};
use crate::scene::tree::{Kind, Node};
use crate::scene::words::quoted;
use std::collections::BTreeMap;

const ONCE: [&str; 5] = ["backdrop", "working", "each", "series", "include"];
const MANY: [&str; 10] = [
    "scene", "param", "plate", "safe", "protect", "row", "mask", "group", "element", "output",
];

const WORKING: [(&str, Working); 4] = [
    ("plate", Working::Plate),
    ("srgb", Working::Srgb),
    ("display-p3", Working::DisplayP3),
    ("rec2020", Working::Rec2020),
];

/// The scene its nodes make, and every fault found on the way.
pub(in crate::scene) fn scene(gathered: &Gathered) -> (Scene, Vec<Finding>) {
    let mut reader = Reader::new(&gathered.params, &gathered.folders);
    let mut known: Vec<&str> = ONCE.to_vec();
    known.extend(STAGE);
    let nodes = reader.known_nodes(&gathered.nodes, "a scene", &known, &MANY);
    let mut scene = Scene {
        name: gathered.params.scene.clone(),
        params: gathered.params.settled(),
        sources: gathered.sources.clone(),
        ..Scene::default()
    };
    reader.header(&gathered.nodes, &nodes, &mut scene);
    reader.plates(&nodes, &mut scene);
    for node in &nodes {
        reader.top_node(node, &mut scene);
    }
    scene.masks = reader.named_masks(&nodes, Where::Named);
    scene.protects = reader.named_masks(&nodes, Where::Protect);
    scene.members = reader.members(&nodes);
    let paths = paths(&scene.members);
    reader.outputs(&nodes, &paths, &mut scene);
    reader.rows(&nodes, &paths, &mut scene);
    (scene, reader.findings)
}

impl Reader<'_> {
    /// `scene "name" language=1 { title; creator; rights }`, the file's first node.
    fn header(&mut self, all: &[Node], nodes: &[&Node], scene: &mut Scene) {
        let usage = "scene \"name\" language=1 { title \"...\"; creator \"...\"; rights \"...\" }";
        let Some(node) = nodes.iter().find(|node| node.name == "scene") else {
            let mut finding = Finding::stop("missing-node", "the file has no `scene` node")
                .allowed(usage)
                .remedy("write it as the first line");
            let start = all.iter().find(|node| node.span.source == SourceId(0));
            finding = finding.at(start.map_or(
                Span {
                    source: SourceId(0),
                    start: 0,
                    end: 0,
                },
                |node| node.span,
            ));
            self.tell(finding);
            return;
        };
        for other in nodes.iter().filter(|node| node.name == "scene") {
            if other.span.source != SourceId(0) {
                self.tell(
                    Finding::stop("scene-place", "an included file has no `scene` node")
                        .at(other.span)
                        .remedy("keep `scene` in the file that includes this one"),
                );
            } else if other.span != node.span {
                self.tell(
                    Finding::stop("repeated-node", "`scene` stands twice, and may stand once")
                        .at(other.span)
                        .related(node.span, "the first one")
                        .remedy("keep one"),
                );
            }
        }
        if node.span.source != SourceId(0) {
            return;
        }
        if let Some(first) = all.first()
            && first.name != "scene"
        {
            self.tell(
                Finding::stop("scene-place", "`scene` is not the first node")
                    .at(node.span)
                    .related(first.span, "this stands before it")
                    .remedy("move it to the top of the file"),
            );
        }
        self.shaped(
            node,
            &Shape::args(usage, 0..=1)
                .props(&["language"])
                .block(Block::Allowed),
        );
        if let Some(value) = node.args.first() {
            let named = match &value.kind {
                Kind::Text(text) if text.contains(['{', '}']) => {
                    self.tell(
                        Finding::stop("bad-name", "the scene's own name holds no parameters")
                            .at(value.span)
                            .allowed("a text without `{` and `}`"),
                    );
                    None
                }
                _ => self.name(value, "a scene"),
            };
            if let Some(name) = named {
                scene.name = name.value;
            }
        }
        match self.prop(node, "language") {
            Some(value) => {
                if let Some(language) = self.whole(value, "language", Range::ANY)
                    && language != 1
                {
                    self.tell(
                        Finding::stop(
                            "unknown-value",
                            format!("language {language} is not known to this program"),
                        )
                        .at(value.span)
                        .allowed("language=1"),
                    );
                }
            }
            None => self.tell(
                Finding::stop("missing-property", "`scene` does not say its language")
                    .at(node.span)
                    .allowed(usage)
                    .remedy("write language=1 on this line"),
            ),
        }
        for child in self.known_nodes(
            node.children(),
            "`scene`",
            &["title", "creator", "rights"],
            &[],
        ) {
            if !self.shaped(
                child,
                &Shape::args("title \"...\", creator \"...\" or rights \"...\"", 1..=1),
            ) {
                continue;
            }
            let text = self.line(&child.args[0], &child.name);
            match child.name.as_str() {
                "title" => scene.title = text,
                "creator" => scene.creator = text,
                _ => scene.rights = text,
            }
        }
    }

    fn plates(&mut self, nodes: &[&Node], scene: &mut Scene) {
        let mut names: BTreeMap<String, Span> = BTreeMap::new();
        for node in nodes.iter().filter(|node| node.name == "plate") {
            let usage = "plate \"file\" for the base; plate \"file\" name=\"wet\" for others";
            let counted = self.shaped(
                node,
                &Shape::args(usage, 1..=64).props(&["name", "profile"]),
            );
            let base = scene.plates.is_empty();
            let name = self
                .prop(node, "name")
                .and_then(|value| self.name(value, "a plate"));
            match (base, &name) {
                (true, Some(name)) => self.tell(
                    Finding::stop("plate-name", "the first plate is the base and carries no name")
                        .at(name.span)
                        .remedy("delete the name, or put the base plate above this one"),
                ),
                (false, None) if self.prop(node, "name").is_none() => self.tell(
                    Finding::stop("plate-name", "a plate after the first needs a name")
                        .at(node.span)
                        .allowed(usage)
                        .remedy("several files of one empty set stand on one line: plate \"a.tif\" \"b.tif\""),
                ),
                (_, Some(name)) => self.unique(&mut names, name, "plates"),
                _ => {}
            }
            let profile = self.prop(node, "profile").and_then(|value| {
                self.profile(value, &INPUT_PROFILES)
                    .map(|profile| Spanned::new(profile, value.span))
            });
            let mut files = Vec::new();
            if counted {
                for value in &node.args {
                    files.extend(self.path(value, "plate"));
                }
            }
            scene.plates.push(Plate {
                span: node.span,
                files,
                name: name.filter(|_| !base),
                profile,
            });
        }
    }

    /// Everything at the top that is neither plate, mask, member nor output.
    fn top_node(&mut self, node: &Node, scene: &mut Scene) {
        if self.staged(node, &mut scene.stage, &mut scene.guides) {
            return;
        }
        let usage = match node.name.as_str() {
            "backdrop" => "backdrop \"#rrggbb\"",
            "working" => "working \"plate\"",
            "series" => "series \"products.csv\"",
            "each" => {
                scene.each = Some(self.each(node));
                return;
            }
            _ => return,
        };
        if !self.shaped(node, &Shape::args(usage, 1..=1)) {
            return;
        }
        let (name, value) = (node.name.as_str(), &node.args[0]);
        match name {
            "backdrop" => {
                scene.backdrop = self
                    .hex(value, name)
                    .map(|colour| Spanned::new(colour, node.span));
            }
            "working" => {
                scene.working = self
                    .word(value, name, &WORKING)
                    .map(|working| Spanned::new(working, node.span));
            }
            _ => scene.series = self.path(value, name),
        }
    }

    /// Named masks, or protected places.
    fn named_masks(&mut self, nodes: &[&Node], place: Where) -> Vec<NamedMask> {
        let (wanted, what) = match place {
            Where::Protect => ("protect", "protected places"),
            _ => ("mask", "masks"),
        };
        let mut names = BTreeMap::new();
        let mut masks = Vec::new();
        for node in nodes.iter().filter(|node| node.name == wanted) {
            let mask = self.named_mask(node, place);
            self.unique(&mut names, &mask.name, what);
            masks.push(mask);
        }
        masks
    }

    fn outputs(&mut self, nodes: &[&Node], paths: &Paths, scene: &mut Scene) {
        let mut names = BTreeMap::new();
        for node in nodes.iter().filter(|node| node.name == "output") {
            let output = self.output(node, paths);
            self.unique(&mut names, &output.name, "outputs");
            scene.outputs.push(output);
        }
    }

    fn rows(&mut self, nodes: &[&Node], paths: &Paths, scene: &mut Scene) {
        let mut names = BTreeMap::new();
        for node in nodes.iter().filter(|node| node.name == "row") {
            let usage = "row \"value of the first column\" { change ...; hide ...; show ... }";
            self.shaped(node, &Shape::args(usage, 1..=1).block(Block::Required));
            let name = node.args.first().and_then(|value| self.text(value, "row"));
            let name = name.unwrap_or_else(|| Spanned::new(String::new(), node.span));
            self.unique(&mut names, &name, "rows");
            let nodes = self.known_nodes(node.children(), "`row`", &[], &EDITS);
            let edits = self.edits(&nodes, paths);
            if !self.params.series {
                self.tell(
                    Finding::stop(
                        "row-place",
                        format!("row {} belongs to no series", quoted(&name.value)),
                    )
                    .at(node.span)
                    .remedy("add `series \"products.csv\"`"),
                );
            }
            scene.rows.push(Row {
                span: node.span,
                name,
                edits,
            });
        }
    }
}
