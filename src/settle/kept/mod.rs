//! What settling asks the store before it computes: how a frame lies on its plate, whether a plate's files agree, and
//! cut-outs.
//!
//! A key holds all that decides the answer: the bytes of the files, how their codes become light, what is wished. A
//! name, a place in the text, a placement is no part of it: moving a piece or a node costs nothing. Whoever adds to
//! what decides a cut-out adds it to [`Keeper::cut_out`]; recipes are taken apart there field by field, so that a new
//! one does not compile until it is thought of. What is kept is the result without words: findings are told anew.

mod form;
mod planes;
mod words;

use super::Keep;
use super::lay::Laid;
use crate::budget::Account;
use crate::digest::{Digest, Keying};
use crate::key::Cutout;
use crate::plan::{
    CardRecipe, Carry, Gains, Laying, Part, PieceRecipe, Plan, PlateId, Shot, ShotId,
};
use crate::raster::Matte;
use crate::register::Motion;
use crate::store::{Source, Store};
use std::sync::OnceLock;

const LAID: &str = "laid";
const AGREED: &str = "agreed";
const CUT_OUTS: &str = "cut-outs";

/// Where a cut-out came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// From the store, as an earlier run left it.
    Kept,
    /// Computed now.
    Found,
}

/// The store, and the files of a plan by what is in them.
#[derive(Debug)]
pub(super) struct Keeper<'a> {
    plan: &'a Plan,
    store: &'a Store,
    /// One for each shot; `None` inside where nothing can be kept of it.
    known: Vec<OnceLock<Option<Known>>>,
}

/// What decides a frame's light.
#[derive(Debug)]
struct Known {
    source: Source,
    /// Of the bytes and of how codes become light.
    light: Digest,
}

/// Where an answer is kept, and the files it was made of.
#[derive(Debug)]
pub(super) struct Ticket {
    key: Digest,
    shots: Vec<ShotId>,
}

impl<'a> Keeper<'a> {
    pub fn new(plan: &'a Plan, store: &'a Store) -> Keeper<'a> {
        Keeper {
            plan,
            store,
            known: plan.footage.shots.iter().map(|_| OnceLock::new()).collect(),
        }
    }

    /// The question how a frame lies on its plate; nothing where nothing is estimated.
    pub fn laying(&self, shot: ShotId, plate: PlateId, laying: Laying) -> Option<Ticket> {
        if !laying.needs_plate() {
            return None;
        }
        let shots = self.with_files(shot, plate);
        let Laying { carry, gains } = laying;
        let key = self.lights(Keying::of("how a frame lies"), &shots)?;
        let key = match carry {
            Carry::Off => key.bytes(b"off"),
            Carry::Stated(map) => key.bytes(b"stated").numbers(map.0.as_flattened()),
            Carry::Estimated(Motion::Shift) => key.bytes(b"shift"),
            Carry::Estimated(Motion::Similarity) => key.bytes(b"similarity"),
            Carry::Estimated(Motion::Perspective) => key.bytes(b"perspective"),
        };
        let key = match gains {
            Gains::Off => key.bytes(b"off"),
            Gains::Stated(gains) => key.bytes(b"stated").numbers(&gains),
            Gains::Estimated(Part::Both) => key.bytes(b"both"),
            Gains::Estimated(Part::Exposure) => key.bytes(b"exposure"),
            Gains::Estimated(Part::White) => key.bytes(b"white"),
        };
        Some(Ticket {
            key: key.done(),
            shots,
        })
    }

    /// The question how a file of a plate lies on the first one.
    pub fn fellow(&self, file: ShotId, first: ShotId) -> Option<Ticket> {
        let shots = vec![file, first];
        let key = self.lights(Keying::of("how a plate's file lies"), &shots)?;
        Some(Ticket {
            key: key.done(),
            shots,
        })
    }

    /// The question whether the files of a plate agree.
    pub fn agreement(&self, plate: PlateId) -> Option<Ticket> {
        let shots = self.plan.plates[plate.0].shots.clone();
        if shots.len() < 2 {
            return None;
        }
        let key = self.lights(Keying::of("files of a plate"), &shots)?;
        Some(Ticket {
            key: key.done(),
            shots,
        })
    }

    /// The question what a piece cut out is. `laid` is how its frame lies, `card` the same for its second one: the
    /// numbers count, not who found them, so that pinned values find what was estimated.
    pub fn cut_out(
        &self,
        recipe: &PieceRecipe,
        laid: &Laid,
        card: Option<&Laid>,
        within: Option<&Matte>,
        keep: Keep,
    ) -> Option<Ticket> {
        let PieceRecipe {
            shot,
            plate,
            sigma,
            card: second,
            laying: _,
            within: _,
            member: _,
            span: _,
        } = recipe;
        let mut shots = self.with_files(*shot, *plate);
        let key = self.lights(Keying::of("a cut-out"), &shots)?;
        let mut key = lies(key, laid);
        if let (Some(CardRecipe { shot, plate }), Some(laid)) = (*second, card) {
            let more = self.with_files(shot, plate);
            key = lies(self.lights(key.bytes(b"card"), &more)?, laid);
            shots.extend(more);
        }
        key = match sigma {
            Some(sigma) => key.numbers(&[*sigma]),
            None => key.numbers(&[]),
        };
        key = match within {
            Some(limit) => key.digest(&planes::digest(limit)),
            None => key.bytes(b"everywhere"),
        };
        key = match keep {
            Keep::NearPieces => key.bytes(b"near pieces"),
            Keep::AllLight => key.bytes(b"all light"),
        };
        Some(Ticket {
            key: key.done(),
            shots,
        })
    }

    /// How a frame lies, without findings.
    pub fn laid(&self, ticket: &Ticket, account: &Account) -> Option<Laid> {
        let kept = self.store.given(LAID, &ticket.key, account)?;
        form::laid(&kept.bytes)
    }

    pub fn keep_laid(&self, ticket: &Ticket, laid: &Laid) {
        if self.stands(ticket) {
            self.store.keep(LAID, &ticket.key, &form::of_laid(laid));
        }
    }

    /// Whether files were found to agree.
    pub fn agreed(&self, ticket: &Ticket, account: &Account) -> bool {
        self.store.given(AGREED, &ticket.key, account).is_some()
    }

    pub fn keep_agreed(&self, ticket: &Ticket) {
        if self.stands(ticket) {
            self.store.keep(AGREED, &ticket.key, &[]);
        }
    }

    /// Whether a cut-out was left, as far as can be said without reading all of it.
    pub fn holds(&self, ticket: &Ticket) -> bool {
        self.store.holds(CUT_OUTS, &ticket.key)
    }

    pub fn given(&self, ticket: &Ticket, account: &Account) -> Option<Cutout> {
        let kept = self.store.given(CUT_OUTS, &ticket.key, account)?;
        form::cutout(&kept.bytes, account)
    }

    pub fn keep(&self, ticket: &Ticket, cutout: &Cutout, account: &Account) {
        if !self.stands(ticket) {
            return;
        }
        // What can't be written down in the memory that is left is not kept.
        let Ok(_charge) = account.charge(form::most(cutout), "cut-outs to be kept") else {
            return;
        };
        let bytes = form::of_cutout(cutout);
        self.store.keep(CUT_OUTS, &ticket.key, &bytes);
    }

    /// Whether the files are still those that were digested: a frame exported anew while it was read is neither its
    /// old nor its new self.
    fn stands(&self, ticket: &Ticket) -> bool {
        ticket.shots.iter().all(|&id| {
            let file = self.plan.footage.shot(id).frame.file();
            self.known(id)
                .is_some_and(|known| known.source.stands(file))
        })
    }

    fn with_files(&self, shot: ShotId, plate: PlateId) -> Vec<ShotId> {
        let mut shots = vec![shot];
        shots.extend(&self.plan.plates[plate.0].shots);
        shots
    }

    fn lights(&self, key: Keying, shots: &[ShotId]) -> Option<Keying> {
        let mut key = key.count(shots.len() as u64);
        for &shot in shots {
            key = key.digest(&self.known(shot)?.light);
        }
        Some(key)
    }

    fn known(&self, id: ShotId) -> Option<&Known> {
        let known = self.known[id.0].get_or_init(|| {
            let shot = self.plan.footage.shot(id);
            let source = self.store.source(shot.frame.file())?;
            let light = light(shot, &source.digest);
            Some(Known { source, light })
        });
        known.as_ref()
    }
}

fn lies(key: Keying, laid: &Laid) -> Keying {
    key.numbers(laid.carry.0.as_flattened())
        .numbers(&laid.gains)
}

/// The file, its profile (stated or its own) and what that makes of codes in the working space.
fn light(shot: &Shot, file: &Digest) -> Digest {
    let decoding = &shot.decoding;
    let mut key = Keying::of("light of a frame")
        .digest(file)
        .bytes(shot.profile.bytes());
    for channel in 0..3 {
        let table = decoding.table16(channel).iter();
        let table: Vec<u8> = table.flat_map(|light| light.to_le_bytes()).collect();
        key = key.bytes(&table);
    }
    for primary in [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]] {
        key = key.numbers(&decoding.to_space(primary).map(f64::from));
    }
    key.done()
}
