//! Mask bodies with their files opened and their names looked up, ready to be turned into coverage.

use super::footage::{Opener, PaintedId};
use crate::diag::{Finding, Spanned};
use crate::frame::Colour;
use crate::geom::Rect;
use crate::scene::{Body, Channel, NamedMask, Source, SourceKind, Step};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct MaskId(pub usize);

#[derive(Clone, Debug, PartialEq)]
pub struct MaskRecipe {
    pub steps: Vec<StepRecipe>,
}

#[derive(Clone, Debug, PartialEq)]
pub enum StepRecipe {
    Keep(Vec<LayerRecipe>),
    Within(Vec<LayerRecipe>),
    Cut(Vec<LayerRecipe>),
    Feather(f64),
    Dilate(f64),
    Erode(f64),
    Ramp(f64, f64),
    Invert,
}

#[derive(Clone, Debug, PartialEq)]
pub struct LayerRecipe {
    pub source: SourceRecipe,
    pub feather: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub enum SourceRecipe {
    /// A drawn shape, or `all`.
    Drawn(SourceKind),
    /// A channel of a painted mask with its top-left pixel at a place.
    Painted {
        mask: PaintedId,
        channel: usize,
        at: [i32; 2],
    },
    /// Linear relative luminance of the element's frame.
    Luminance {
        low: f64,
        high: f64,
    },
    Named(MaskId),
}

impl MaskRecipe {
    /// `mask { all }`: full coverage, no raster needed.
    pub fn is_all(&self) -> bool {
        matches!(
            self.steps.as_slice(),
            [StepRecipe::Keep(layers)] if layers.iter().any(|l| l.source == SourceRecipe::Drawn(SourceKind::All))
        )
    }

    /// `mask { all }`.
    pub fn all() -> MaskRecipe {
        MaskRecipe {
            steps: vec![StepRecipe::Keep(vec![LayerRecipe {
                source: SourceRecipe::Drawn(SourceKind::All),
                feather: 0.0,
            }])],
        }
    }
}

/// The canvas-space masks in use, each once.
#[derive(Debug, Default)]
pub(super) struct Masks {
    pub recipes: Vec<MaskRecipe>,
    named: Vec<(String, Option<MaskId>)>,
}

impl Masks {
    pub fn intern(&mut self, recipe: MaskRecipe) -> MaskId {
        match self.recipes.iter().position(|r| *r == recipe) {
            Some(index) => MaskId(index),
            None => {
                self.recipes.push(recipe);
                MaskId(self.recipes.len() - 1)
            }
        }
    }

    /// The mask of that name. The scene has already checked that it exists and that names form no cycle.
    pub fn by_name(
        &mut self,
        name: &str,
        all: &[NamedMask],
        opener: &mut Opener,
        space: Rect,
    ) -> Option<MaskId> {
        if let Some((_, id)) = self.named.iter().find(|(n, _)| n == name) {
            return *id;
        }
        let mask = all.iter().find(|m| m.name.value == name)?;
        let id = self
            .recipe(&mask.body, all, opener, space)
            .map(|recipe| self.intern(recipe));
        self.named.push((name.to_owned(), id));
        id
    }

    /// A body with its files opened. `space` is the frame or the canvas the mask is drawn on.
    pub fn recipe(
        &mut self,
        body: &Body,
        all: &[NamedMask],
        opener: &mut Opener,
        space: Rect,
    ) -> Option<MaskRecipe> {
        let mut steps = Vec::with_capacity(body.steps.len());
        let mut whole = true;
        for step in &body.steps {
            let mut layers = |sources: &[Source]| {
                let mut layers = Vec::with_capacity(sources.len());
                for source in sources {
                    match self.layer(source, all, opener, space) {
                        Some(layer) => layers.push(layer),
                        None => whole = false,
                    }
                }
                layers
            };
            steps.push(match &step.value {
                Step::Keep(sources) => StepRecipe::Keep(layers(sources)),
                Step::Within(sources) => StepRecipe::Within(layers(sources)),
                Step::Cut(sources) => StepRecipe::Cut(layers(sources)),
                Step::Feather(s) => StepRecipe::Feather(*s),
                Step::Dilate(d) => StepRecipe::Dilate(*d),
                Step::Erode(d) => StepRecipe::Erode(*d),
                Step::Ramp(low, high) => StepRecipe::Ramp(*low, *high),
                Step::Invert => StepRecipe::Invert,
            });
        }
        whole.then_some(MaskRecipe { steps })
    }

    fn layer(
        &mut self,
        source: &Source,
        all: &[NamedMask],
        opener: &mut Opener,
        space: Rect,
    ) -> Option<LayerRecipe> {
        let recipe = match &source.kind {
            SourceKind::Image { path, channel, at } => {
                let mask = opener.painted(&path.value, path.span)?;
                let channel = channel_index(opener, mask, path.span, channel.as_ref())?;
                let header = opener.footage.painted(mask).frame.header();
                let size = Rect::of_size(header.width, header.height);
                if *at == [0, 0] && (size.width(), size.height()) != (space.width(), space.height())
                {
                    opener.findings.push(
                        Finding::look(
                            "mask-size",
                            format!(
                                "the mask is {} x {} px, what it masks is {} x {} px: was it painted for another frame?",
                                size.width(), size.height(), space.width(), space.height()
                            ),
                        )
                        .at(path.span)
                        .frame(path.value.display().to_string())
                        .remedy("paint it at the frame's size, or say where it lies: `at x y`"),
                    );
                }
                SourceRecipe::Painted {
                    mask,
                    channel,
                    at: *at,
                }
            }
            SourceKind::Luminance { low, high } => SourceRecipe::Luminance {
                low: *low,
                high: *high,
            },
            SourceKind::Mask(name) => {
                SourceRecipe::Named(self.by_name(&name.value, all, opener, space)?)
            }
            drawn => SourceRecipe::Drawn(drawn.clone()),
        };
        Some(LayerRecipe {
            source: recipe,
            feather: source.feather,
        })
    }
}

/// Which stored sample of a painted mask is the coverage.
fn channel_index(
    opener: &mut Opener,
    mask: PaintedId,
    span: crate::diag::Span,
    channel: Option<&Spanned<Channel>>,
) -> Option<usize> {
    let header = opener.footage.painted(mask).frame.header();
    let colours = match header.colour {
        Colour::Gray => 1,
        Colour::Rgb => 3,
    };
    let extra = usize::from(header.channels) > colours;
    let index = match (header.colour, channel.map(|c| c.value)) {
        (Colour::Gray, None | Some(Channel::Gray)) => Some(0),
        (Colour::Rgb, Some(Channel::Red)) => Some(0),
        (Colour::Rgb, Some(Channel::Green)) => Some(1),
        (Colour::Rgb, Some(Channel::Blue)) => Some(2),
        (_, Some(Channel::Alpha)) if extra => Some(colours),
        _ => None,
    };
    if index.is_none() {
        let has = match (header.colour, extra) {
            (Colour::Gray, false) => "gray",
            (Colour::Gray, true) => "gray, alpha",
            (Colour::Rgb, false) => "red, green, blue",
            (Colour::Rgb, true) => "red, green, blue, alpha",
        };
        let message = match channel {
            None => "a mask that is not gray needs to say which channel holds the coverage".into(),
            Some(c) => format!("the mask has no {:?} channel", c.value).to_lowercase(),
        };
        opener.findings.push(
            Finding::stop("mask-channel", message)
                .at(channel.map_or(span, |c| c.span))
                .allowed(format!("channel= one of {has}")),
        );
    }
    index
}
