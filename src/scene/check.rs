//! What nodes say of one another: names that exist, masks without circles, outputs that don't collide.

use super::model::{
    Align, Balance, Body, Change, Crop, Element, Group, Member, NamedMask, Output, ProfileName,
    Props, Scene, Shadow, Slot, Source, SourceKind, Step, Treatment, Working,
};
use super::suggest::nearest;
use super::words::quoted;
use crate::blend::{Mixing, Mode};
use crate::diag::{Finding, Span, Spanned};
use std::collections::{BTreeMap, BTreeSet};

/// Every fault between nodes that are good in themselves.
pub(super) fn checked(scene: &Scene) -> Vec<Finding> {
    let mut check = Check {
        scene,
        plates: scene
            .plates
            .iter()
            .filter_map(|plate| plate.name.as_ref())
            .map(|name| name.value.as_str())
            .collect(),
        masks: scene
            .masks
            .iter()
            .map(|mask| mask.name.value.as_str())
            .collect(),
        findings: Vec::new(),
    };
    check.base();
    for mask in scene.masks.iter().chain(&scene.protects) {
        check.body(&mask.body);
    }
    check.mask_cycles();
    if let Some(each) = &scene.each {
        check.treatment(each);
    }
    let top = scene.each.clone().unwrap_or_default();
    check.members(&scene.members, &top.mask, &top.shadow);
    for edits in scene
        .outputs
        .iter()
        .map(|output| &output.edits)
        .chain(scene.rows.iter().map(|row| &row.edits))
    {
        for change in &edits.changes {
            check.change(change);
        }
    }
    for output in &scene.outputs {
        check.output(output);
    }
    check.same_files();
    check.findings
}

struct Check<'a> {
    scene: &'a Scene,
    plates: BTreeSet<&'a str>,
    masks: BTreeSet<&'a str>,
    findings: Vec<Finding>,
}

impl<'a> Check<'a> {
    fn tell(&mut self, finding: Finding) {
        self.findings.push(finding);
    }

    /// The same for a name that is not there: told once, with every place that uses it.
    fn tell_name(&mut self, finding: Finding) {
        let told =
            |known: &&mut Finding| known.id == finding.id && known.message == finding.message;
        let Some(known) = self.findings.iter_mut().find(told) else {
            return self.tell(finding);
        };
        let places = known
            .span
            .iter()
            .chain(known.related.iter().map(|(span, _)| span));
        if let Some(span) = finding
            .span
            .filter(|span| !places.into_iter().any(|p| p == span))
        {
            known.related.push((span, "and here".to_owned()));
        }
    }

    /// What a scene without a plate can't do.
    fn base(&mut self) {
        if !self.scene.plates.is_empty() {
            return;
        }
        if self.scene.stage.canvas.is_none() {
            let finding =
                Finding::stop("missing-node", "the scene has neither a plate nor a canvas").remedy(
                    "write `plate \"file\"`, or `canvas width height` for a picture without one",
                );
            let start = Span {
                source: crate::diag::SourceId(0),
                start: 0,
                end: 0,
            };
            self.tell(finding.at(start));
        }
        if let Some(working) = &self.scene.working
            && working.value == Working::Plate
        {
            self.needs_plate(
                working.span,
                "`working \"plate\"` takes the plate's colours, and the scene has no plate",
            );
        }
        if let Some(extend) = &self.scene.stage.extend {
            self.needs_plate(
                extend.span,
                "`extend` continues the base plate, and the scene has no plate",
            );
        }
    }

    fn needs_plate(&mut self, span: Span, words: &str) {
        self.tell(
            Finding::stop("needs-plate", words)
                .at(span)
                .remedy("add `plate \"file\"`, or delete this"),
        );
    }

    fn plate(&mut self, name: &Spanned<String>) {
        if self.plates.contains(name.value.as_str()) {
            return;
        }
        let known: Vec<&str> = self.plates.iter().copied().collect();
        let allowed = match (self.scene.plates.len(), known.is_empty()) {
            (0, _) => "nothing: the scene has no plates".to_owned(),
            (_, true) => {
                "nothing: the base plate needs no naming, and there is no other".to_owned()
            }
            _ => known.join(", "),
        };
        self.tell_name(
            Finding::stop(
                "unknown-plate",
                format!("no plate is called {}", quoted(&name.value)),
            )
            .at(name.span)
            .allowed(allowed)
            .nearest(nearest(&name.value, known.iter().copied()))
            .remedy("name a plate: plate \"file\" name=\"...\""),
        );
    }

    fn mask(&mut self, name: &str, span: Span) {
        if self.masks.contains(name) {
            return;
        }
        let known: Vec<&str> = self.masks.iter().copied().collect();
        let allowed = if known.is_empty() {
            "nothing: the scene names no masks".to_owned()
        } else {
            known.join(", ")
        };
        self.tell_name(
            Finding::stop(
                "unknown-mask",
                format!("no mask is called {}", quoted(name)),
            )
            .at(span)
            .allowed(allowed)
            .nearest(nearest(name, known.iter().copied()))
            .remedy("name it at the top: mask \"...\" { ... }"),
        );
    }

    fn body(&mut self, body: &Body) {
        for source in sources(body) {
            match &source.kind {
                SourceKind::Mask(name) => self.mask(&name.value, name.span),
                SourceKind::Piece { plate, card, .. } => {
                    let card = card.as_ref().and_then(|card| card.plate.as_ref());
                    for name in plate.iter().chain(card) {
                        self.plate(name);
                    }
                    if plate.is_none() {
                        self.compares(
                            source.span,
                            "`piece` is what is not the plate, and the scene has no plate",
                        );
                    }
                }
                SourceKind::Rig => self.compares(
                    source.span,
                    "`rig` is found by comparing with the plate, and the scene has no plate",
                ),
                _ => {}
            }
        }
    }

    /// What can't be done without a plate.
    fn compares(&mut self, span: Span, words: &str) {
        if self.scene.plates.is_empty() {
            self.needs_plate(span, words);
        }
    }

    fn treatment(&mut self, treatment: &Treatment) {
        if let Slot::Set(align) = &treatment.align
            && matches!(
                align.value,
                Align::Shift | Align::Similarity | Align::Perspective
            )
        {
            self.compares(
                align.span,
                "`align` lays the frame onto its plate, and the scene has no plate",
            );
        }
        if let Slot::Set(balance) = &treatment.balance
            && !matches!(balance.value, Balance::Gains(_))
        {
            self.compares(
                balance.span,
                "`balance` brings the frame to its plate's light, and the scene has no plate",
            );
        }
        if let Slot::Set(body) = &treatment.mask {
            self.body(&body.value);
        }
        if let Slot::Set(name) = &treatment.behind {
            self.mask(&name.value, name.span);
        }
    }

    fn props(&mut self, props: &Props) {
        if let Some(name) = &props.plate {
            self.plate(name);
        }
    }

    /// `in="encoded"` where the mode mixes nothing.
    fn mixing(
        &mut self,
        mode: Option<&Spanned<Mode>>,
        mixing: Option<&Spanned<Mixing>>,
        told: Span,
    ) {
        if mixing.is_none_or(|mixing| mixing.value != Mixing::Encoded) {
            return;
        }
        let words = match mode.map(|mode| mode.value) {
            None | Some(Mode::Normal) => "\"normal\"",
            Some(Mode::PlusLighter) => "\"plus-lighter\"",
            Some(_) => return,
        };
        self.tell(
            Finding::stop(
                "encoded-mode",
                format!("in=\"encoded\" means nothing with blend={words}"),
            )
            .at(told)
            .allowed("in=\"encoded\" with one of the other blend modes, such as \"screen\"")
            .remedy("delete in=\"encoded\", or name the blend mode"),
        );
    }

    fn own_mixing(&mut self, props: &Props) {
        if let Some(mixing) = &props.mixing {
            self.mixing(props.blend.as_ref(), Some(mixing), mixing.span);
        }
    }

    /// Members below the nearest mask and shadow an `each` gives them.
    fn members(&mut self, members: &[Member], mask: &Slot<Body>, shadow: &Slot<Shadow>) {
        for member in members {
            match member {
                Member::Element(element) => {
                    self.element(element);
                    let treatment = &element.treatment;
                    self.shadow_needs_piece(treatment.mask.or(mask), treatment.shadow.or(shadow));
                }
                Member::Group(group) => {
                    self.group(group);
                    let unset = Treatment::default();
                    let each = group.each.as_ref().unwrap_or(&unset);
                    self.members(&group.members, each.mask.or(mask), each.shadow.or(shadow));
                }
            }
        }
    }

    /// Without a mask a scene with a plate finds the piece by itself.
    fn shadow_needs_piece(&mut self, mask: &Slot<Body>, shadow: &Slot<Shadow>) {
        let Slot::Set(shadow) = shadow else { return };
        let piece = match mask {
            Slot::Set(body) => {
                body.value.unread
                    || sources(&body.value)
                        .any(|source| matches!(source.kind, SourceKind::Piece { .. }))
            }
            _ => !self.scene.plates.is_empty(),
        };
        if !piece {
            self.tell(
                Finding::stop(
                    "needs-piece",
                    "`shadow` needs a mask with a `piece`, and this element has none",
                )
                .at(shadow.span)
                .remedy("delete the shadow, or use `piece` in the mask"),
            );
        }
    }

    fn element(&mut self, element: &Element) {
        self.props(&element.props);
        self.own_mixing(&element.props);
        self.treatment(&element.treatment);
    }

    fn group(&mut self, group: &Group) {
        self.props(&group.props);
        self.own_mixing(&group.props);
        if let Some(each) = &group.each {
            self.treatment(each);
        }
        if let Slot::Set(body) = &group.mask {
            self.body(&body.value);
        }
    }

    fn change(&mut self, change: &Change) {
        self.props(&change.props);
        self.treatment(&change.treatment);
        if let Some(each) = &change.each {
            self.treatment(each);
        }
        // Judged with what the member itself says, where the change leaves it alone.
        let told = match (&change.props.mixing, &change.props.blend) {
            (Some(mixing), _) => mixing.span,
            (None, Some(mode)) => mode.span,
            (None, None) => return,
        };
        let Some(own) = props_at(&self.scene.members, &change.path.value) else {
            return;
        };
        let mode = change.props.blend.as_ref().or(own.blend.as_ref());
        let mixing = change.props.mixing.as_ref().or(own.mixing.as_ref());
        self.mixing(mode, mixing, told);
    }

    fn output(&mut self, output: &Output) {
        if self.scene.plates.is_empty() {
            if let Some(profile) = &output.profile
                && profile.value == ProfileName::Plate
            {
                self.needs_plate(
                    profile.span,
                    "`profile \"plate\"` is the plate's own, and the scene has no plate",
                );
            }
            if let Some(extend) = &output.stage.extend {
                self.needs_plate(
                    extend.span,
                    "`extend` continues the base plate, and the scene has no plate",
                );
            }
        }
        let (Some(crop), Some(canvas)) = (
            &output.crop,
            output
                .stage
                .canvas
                .as_ref()
                .or(self.scene.stage.canvas.as_ref()),
        ) else {
            return;
        };
        let canvas = canvas.value;
        let (right, bottom) = (
            i64::from(canvas.x) + i64::from(canvas.width),
            i64::from(canvas.y) + i64::from(canvas.height),
        );
        let words = match crop.value {
            Crop::Rect(rect) => {
                let inside = rect.x >= canvas.x
                    && rect.y >= canvas.y
                    && i64::from(rect.x) + i64::from(rect.width) <= right
                    && i64::from(rect.y) + i64::from(rect.height) <= bottom;
                if inside {
                    return;
                }
                "this crop reaches beyond the canvas".to_owned()
            }
            Crop::Ratio {
                centre: Some([x, y]),
                ..
            } => {
                let inside = x >= f64::from(canvas.x)
                    && y >= f64::from(canvas.y)
                    && x <= right as f64
                    && y <= bottom as f64;
                if inside {
                    return;
                }
                format!("the centre {x}, {y} lies outside the canvas")
            }
            Crop::Ratio { .. } => return,
        };
        self.tell(
            Finding::stop("outside-canvas", words)
                .at(crop.span)
                .allowed(format!(
                    "x from {} to {right}, y from {} to {bottom}",
                    canvas.x, canvas.y
                )),
        );
    }

    /// Two outputs written to one file. One that is left out collides with nothing.
    fn same_files(&mut self) {
        let mut seen: BTreeMap<String, Span> = BTreeMap::new();
        for output in self.scene.outputs.iter().filter(|output| !output.off) {
            if output.file.value.is_empty() {
                continue;
            }
            let plain: Vec<&str> = output
                .file
                .value
                .split('/')
                .filter(|part| *part != ".")
                .collect();
            // Case decides nothing on many disks.
            let plain = plain.join("/").to_lowercase();
            match seen.get(&plain) {
                Some(first) => {
                    let finding = Finding::stop(
                        "same-file",
                        format!("two outputs are written to {}", quoted(&output.file.value)),
                    )
                    .at(output.file.span)
                    .related(*first, "the first one")
                    .remedy("give each its own file, for instance with {output} in the name");
                    self.tell(finding);
                }
                None => {
                    seen.insert(plain, output.file.span);
                }
            }
        }
    }

    /// Named masks made of one another in a circle.
    fn mask_cycles(&mut self) {
        let by_name: BTreeMap<&str, &'a NamedMask> = self
            .scene
            .masks
            .iter()
            .rev()
            .map(|mask| (mask.name.value.as_str(), mask))
            .collect();
        let mut done: BTreeSet<&str> = BTreeSet::new();
        for mask in &self.scene.masks {
            self.walk(mask, &by_name, &mut done);
        }
    }

    /// Depth first without recursion: ten thousand masks may hang on one another.
    fn walk(
        &mut self,
        start: &'a NamedMask,
        by_name: &BTreeMap<&'a str, &'a NamedMask>,
        done: &mut BTreeSet<&'a str>,
    ) {
        if done.contains(start.name.value.as_str()) {
            return;
        }
        let links = |mask: &'a NamedMask| -> Vec<&'a Spanned<String>> {
            sources(&mask.body)
                .filter_map(|source| match &source.kind {
                    SourceKind::Mask(name) => Some(name),
                    _ => None,
                })
                .collect()
        };
        let mut open: BTreeMap<&'a str, usize> = BTreeMap::from([(start.name.value.as_str(), 0)]);
        let mut chain = vec![(start, links(start), 0usize)];
        while let Some((mask, names, at)) = chain.last_mut() {
            let Some(name) = names.get(*at).copied() else {
                let name = mask.name.value.as_str();
                open.remove(name);
                done.insert(name);
                chain.pop();
                continue;
            };
            *at += 1;
            if let Some(&first) = open.get(name.value.as_str()) {
                let mut words: Vec<String> = chain[first..]
                    .iter()
                    .map(|(mask, _, _)| quoted(&mask.name.value))
                    .collect();
                words.push(quoted(&name.value));
                let shown = if words.len() > 12 {
                    format!(
                        "{} -> ... -> {}",
                        words[..10].join(" -> "),
                        words[words.len() - 1]
                    )
                } else {
                    words.join(" -> ")
                };
                self.tell(
                    Finding::stop(
                        "mask-cycle",
                        format!("masks are made of one another in a circle: {shown}"),
                    )
                    .at(name.span)
                    .remedy("take one of them out of the circle"),
                );
                continue;
            }
            if done.contains(name.value.as_str()) {
                continue;
            }
            if let Some(next) = by_name.get(name.value.as_str()) {
                open.insert(next.name.value.as_str(), chain.len());
                chain.push((next, links(next), 0));
            }
        }
    }
}

/// Every source of a mask.
pub(super) fn sources(body: &Body) -> impl Iterator<Item = &Source> {
    body.steps.iter().flat_map(|step| match &step.value {
        Step::Keep(sources) | Step::Within(sources) | Step::Cut(sources) => sources.as_slice(),
        _ => &[],
    })
}

/// The properties of the member a path names.
fn props_at<'m>(members: &'m [Member], path: &str) -> Option<&'m Props> {
    let (name, rest) = match path.split_once('/') {
        Some((name, rest)) => (name, Some(rest)),
        None => (path, None),
    };
    members.iter().find_map(|member| match (member, rest) {
        (Member::Element(element), None) if element.name.value == name => Some(&element.props),
        (Member::Group(group), None) if group.name.value == name => Some(&group.props),
        (Member::Group(group), Some(rest)) if group.name.value == name => {
            props_at(&group.members, rest)
        }
        _ => None,
    })
}
