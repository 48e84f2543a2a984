//! Mask bodies with their files opened and their names looked up, ready to be turned into coverage.

use super::footage::{Opener, PaintedId};
use super::laying::Laying;
use super::pieces::{self, Footing, PieceId, PieceRecipe};
use super::plates::{PlateId, PlateSet};
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
    /// A piece's own coverage.
    Piece(PieceId),
    /// What holds that piece.
    Rig(PieceId),
}

impl MaskRecipe {
    /// The piece that governs: the first one kept.
    pub fn piece(&self) -> Option<PieceId> {
        self.sources().find_map(|source| match source {
            SourceRecipe::Piece(id) => Some(*id),
            _ => None,
        })
    }

    /// Every source, in the order written.
    pub fn sources(&self) -> impl Iterator<Item = &SourceRecipe> {
        self.steps
            .iter()
            .flat_map(|step| match step {
                StepRecipe::Keep(layers) | StepRecipe::Within(layers) | StepRecipe::Cut(layers) => {
                    layers.as_slice()
                }
                _ => &[],
            })
            .map(|layer| &layer.source)
    }

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

/// The canvas-space masks in use and the pieces found for any mask, each once.
#[derive(Debug, Default)]
pub(super) struct Masks {
    pub recipes: Vec<MaskRecipe>,
    pub pieces: Vec<PieceRecipe>,
    pub plates: Vec<PlateSet>,
    named: Vec<(String, Option<MaskId>)>,
}

/// What a mask is drawn on.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ground<'a> {
    /// The frame, or the canvas.
    pub space: Rect,
    /// What its pieces are found in: the frame, or the base plate. `None` where there is no plate.
    pub footing: Option<&'a Footing>,
}

impl Masks {
    pub fn of(plates: Vec<PlateSet>) -> Masks {
        Masks {
            plates,
            ..Masks::default()
        }
    }

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
        let footing = self.canvas_footing();
        let ground = Ground {
            space,
            footing: footing.as_ref(),
        };
        let id = self
            .recipe(&mask.body, all, opener, ground)
            .map(|recipe| self.intern(recipe));
        self.named.push((name.to_owned(), id));
        id
    }

    /// What a piece in canvas space is found in: the base plate as it is shown.
    fn canvas_footing(&self) -> Option<Footing> {
        let shot = self.plates.first()?.shots.first().copied()?;
        Some(Footing {
            shot,
            plate: PlateId::BASE,
            laying: Laying::FOUND,
            member: None,
        })
    }

    /// A body with its files opened.
    pub fn recipe(
        &mut self,
        body: &Body,
        all: &[NamedMask],
        opener: &mut Opener,
        ground: Ground,
    ) -> Option<MaskRecipe> {
        let mut steps = Vec::with_capacity(body.steps.len());
        let mut whole = true;
        let within = self.limit(body, all, opener, ground);
        let rig = pieces::held(body);
        for step in &body.steps {
            let mut layers = |sources: &[Source]| {
                let mut layers = Vec::with_capacity(sources.len());
                for source in sources {
                    let layer = match &source.kind {
                        SourceKind::Piece { .. } => self
                            .piece(&source.kind, source.span, ground, within.as_ref(), opener)
                            .map(SourceRecipe::Piece),
                        SourceKind::Rig => self
                            .piece(&rig, source.span, ground, within.as_ref(), opener)
                            .map(SourceRecipe::Rig),
                        _ => self.source(source, all, opener, ground),
                    }
                    .map(|recipe| LayerRecipe {
                        source: recipe,
                        feather: source.feather,
                    });
                    match layer {
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

    /// The hard limit of a body's pieces.
    fn limit(
        &mut self,
        body: &Body,
        all: &[NamedMask],
        opener: &mut Opener,
        ground: Ground,
    ) -> Option<MaskRecipe> {
        let mut steps = Vec::new();
        for k in pieces::limits(&body.steps) {
            let Step::Within(sources) = &body.steps[k].value else {
                continue;
            };
            let mut layers = Vec::with_capacity(sources.len());
            for source in sources {
                layers.push(LayerRecipe {
                    source: self.source(source, all, opener, ground)?,
                    feather: source.feather,
                });
            }
            steps.push(StepRecipe::Within(layers));
        }
        pieces::limiting(steps, body)
    }

    /// A piece, or the piece that a rig holds.
    pub fn piece(
        &mut self,
        kind: &SourceKind,
        span: crate::diag::Span,
        ground: Ground,
        within: Option<&MaskRecipe>,
        opener: &mut Opener,
    ) -> Option<PieceId> {
        let footing = ground.footing?;
        let (sigma, plate, card) = match kind {
            SourceKind::Piece { sigma, plate, card } => (*sigma, plate.as_ref(), card.as_ref()),
            _ => (None, None, None),
        };
        let plate = match plate {
            Some(name) => pieces::by_name(&self.plates, &name.value)?,
            None => footing.plate,
        };
        let footing = Footing {
            plate,
            ..footing.clone()
        };
        if !pieces::comparable(&footing, true, &self.plates, span, opener) {
            return None;
        }
        let card = match card {
            Some(card) => Some(pieces::card(card, &footing, &self.plates, opener)?),
            None => None,
        };
        let recipe = PieceRecipe {
            shot: footing.shot,
            plate,
            sigma,
            card,
            laying: footing.laying,
            within: within.cloned(),
            member: footing.member,
            span,
        };
        let known = self.pieces.iter().position(|piece| *piece == recipe);
        Some(PieceId(known.unwrap_or_else(|| {
            self.pieces.push(recipe);
            self.pieces.len() - 1
        })))
    }

    fn source(
        &mut self,
        source: &Source,
        all: &[NamedMask],
        opener: &mut Opener,
        ground: Ground,
    ) -> Option<SourceRecipe> {
        let space = ground.space;
        Some(match &source.kind {
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
