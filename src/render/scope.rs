//! A stack with everything placed: each element's map from its frame to the view, and the box it can reach.

use crate::geom::{Map, PixelMap, Rect};
use crate::plan::{ElementStep, GroupStep, Node, Plan, Stack};
use crate::resample;
use crate::settle::{Settled, SettledCut};

/// Which part of canvas space is drawn, on which grid. Finished pictures are drawn on the canvas's own; a preview
/// is drawn smaller.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    pub rect: Rect,
    pub from_canvas: Map,
}

impl View {
    /// The canvas as it is.
    pub fn whole(canvas: Rect) -> View {
        View {
            rect: canvas,
            from_canvas: Map::IDENTITY,
        }
    }

    /// A window of the canvas at another size, its corner at the origin.
    pub fn scaled(window: Rect, size: (u32, u32)) -> View {
        let sx = f64::from(size.0) / f64::from(window.width());
        let sy = f64::from(size.1) / f64::from(window.height());
        View {
            rect: Rect::of_size(size.0, size.1),
            from_canvas: Map::translation(-f64::from(window.x0), -f64::from(window.y0))
                .then(&Map::scaling(sx, sy)),
        }
    }

    pub fn is_canvas(&self) -> bool {
        self.from_canvas == Map::IDENTITY
    }
}

/// All that is needed to draw any rectangle of a picture.
#[derive(Debug)]
pub struct Scope<'a> {
    pub plan: &'a Plan,
    pub settled: &'a Settled,
    pub stack: &'a Stack,
    pub view: View,
    pub nodes: Vec<Placed<'a>>,
    /// Number of elements; each has an index below it, back to front.
    pub elements: usize,
}

#[derive(Debug)]
pub enum Placed<'a> {
    Element(PlacedElement<'a>),
    Group(PlacedGroup<'a>),
}

#[derive(Debug)]
pub struct PlacedElement<'a> {
    pub index: usize,
    pub step: &'a ElementStep,
    pub cut: &'a SettledCut,
    /// Frame to view.
    pub map: Map,
    /// View to frame.
    pub back: Map,
    /// View pixel to frame pixel, where samples are copied.
    pub copies: Option<PixelMap>,
    /// View pixels that can be touched.
    pub reach: Rect,
    /// The pivot in use, frame space, and whether it was computed.
    pub pivot: [f64; 2],
}

#[derive(Debug)]
pub struct PlacedGroup<'a> {
    pub step: &'a GroupStep,
    pub nodes: Vec<Placed<'a>>,
    pub reach: Rect,
}

impl<'a> Scope<'a> {
    pub fn new(plan: &'a Plan, settled: &'a Settled, stack: &'a Stack, view: View) -> Scope<'a> {
        let mut placer = Placer {
            plan,
            settled,
            view,
            elements: 0,
        };
        let nodes = placer.nodes(&stack.nodes);
        let elements = placer.elements;
        Scope {
            plan,
            settled,
            stack,
            view,
            nodes,
            elements,
        }
    }

    /// Every element, back to front, groups opened.
    pub fn each_element(&self, visit: &mut dyn FnMut(&PlacedElement<'a>)) {
        fn walk<'a>(nodes: &[Placed<'a>], visit: &mut dyn FnMut(&PlacedElement<'a>)) {
            for node in nodes {
                match node {
                    Placed::Element(element) => visit(element),
                    Placed::Group(group) => walk(&group.nodes, visit),
                }
            }
        }
        walk(&self.nodes, visit);
    }
}

impl Placed<'_> {
    pub fn reach(&self) -> Rect {
        match self {
            Placed::Element(element) => element.reach,
            Placed::Group(group) => group.reach,
        }
    }
}

struct Placer<'a> {
    plan: &'a Plan,
    settled: &'a Settled,
    view: View,
    elements: usize,
}

impl<'a> Placer<'a> {
    fn nodes(&mut self, nodes: &'a [Node]) -> Vec<Placed<'a>> {
        nodes
            .iter()
            .filter_map(|node| match node {
                Node::Element(step) => self.element(step).map(Placed::Element),
                Node::Group(step) => {
                    let nodes = self.nodes(&step.nodes);
                    let reach = nodes
                        .iter()
                        .fold(Rect::EMPTY, |all, node| all.united(&node.reach()));
                    Some(Placed::Group(PlacedGroup { step, nodes, reach }))
                }
            })
            .collect()
    }

    /// `None` for a placement that flattens the piece to nothing.
    fn element(&mut self, step: &'a ElementStep) -> Option<PlacedElement<'a>> {
        let index = self.elements;
        self.elements += 1;
        let cut = self.settled.cut(step.cut);
        let pivot = step.placing.pivot.unwrap_or(cut.pivot);
        // The frame goes to its plate first, and turns about where its pivot lies there.
        let (px, py) = cut.carry.apply(pivot[0], pivot[1]);
        let map = cut
            .carry
            .then(&step.placing.map([px, py]))
            .then(&step.outer)
            .then(&self.view.from_canvas);
        let back = map.inverted()?;
        let frame = self
            .plan
            .footage
            .shot(self.plan.cuts[step.cut.0].shot)
            .rect();
        debug_assert!(frame.covers(&cut.area));
        let copies = map.as_pixel_map().map(|pixels| pixels.inverted());
        let reach = match map.as_pixel_map() {
            Some(pixels) => pixels.rect(&cut.area),
            None => resample::reach(&map, &cut.area, step.kernel),
        }
        .intersected(&self.view.rect);
        Some(PlacedElement {
            index,
            step,
            cut,
            map,
            back,
            copies,
            reach,
            pivot,
        })
    }
}

impl PlacedElement<'_> {
    /// Frame pixels that can matter for `out`, within what the mask keeps.
    pub fn needs(&self, out: &Rect) -> Rect {
        let out = out.intersected(&self.reach);
        if out.is_empty() {
            return Rect::EMPTY;
        }
        match &self.copies {
            Some(pixels) => pixels.rect(&out),
            None => resample::footprint(&self.back, &out, self.step.kernel),
        }
        .intersected(&self.cut.area)
    }
}
