//! One run: which files, in which order, and what goes into each.

use crate::camera::Camera;
use crate::layers::{Effort, Raster, set};
use crate::masks::{outline, painted, painted_with_surroundings};
use crate::sampling::{hash, unit};
use crate::sensor;
use crate::shots::{Hung, Plate, list};
use crate::studio::{Ink, added, hang, plate};
use crate::take::{Accident, Cutout, Take, finished, picture, shifted};
use crate::world::World;
use std::io;
use std::path::PathBuf;

/// Everything, or what goes with the scenes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Scope {
    Whole,
    Small,
    /// See `more.rs`.
    More,
}

/// What was asked for.
#[derive(Clone, Debug)]
pub struct Job {
    pub out: PathBuf,
    pub height: u32,
    pub seed: u32,
    pub samples: Option<u32>,
    pub scope: Scope,
    pub ink: Ink,
    pub only: Option<String>,
}

/// The plates in the order they were taken: dry three times, with the splash on the table, and without the bottle.
pub(crate) const PLATES: [(&str, Plate); 5] = [
    ("dry-1", Plate::Dry),
    ("dry-2", Plate::Dry),
    ("dry-3", Plate::Dry),
    ("wet-1", Plate::Wet),
    ("table", Plate::Bare),
];

impl Job {
    pub fn run(&self) -> io::Result<()> {
        for folder in ["frames", "masks", "truth"] {
            std::fs::create_dir_all(self.out.join(folder))?;
        }
        if self.scope == Scope::More {
            return self.more();
        }
        let camera = Camera::tabletop(self.height);
        let effort = self.effort();
        // Bare, then dry, then wet: each is worked out from the one before it.
        let (mut before, mut cutouts) = (None, Vec::new());
        for which in [Plate::Bare, Plate::Dry, Plate::Wet] {
            if which == Plate::Wet && !self.needs(which) {
                continue;
            }
            let base = set(&added(which, self.ink), &camera, effort, before.as_ref());
            let world = plate(which, self.ink);
            self.plates(which, &base)?;
            if which == Plate::Dry && self.wants("bottle", true) {
                let outline = outline(world.clone(), &camera, effort);
                painted(&outline).save(&self.file("masks", "bottle", "png"))?;
            }
            cutouts.extend(self.frames(which, &world, &base, &camera)?);
            if which != Plate::Wet {
                before = Some(base);
            }
        }
        match before {
            Some(dry) if self.scope == Scope::Whole && self.only.is_none() => {
                let bottle = outline(plate(Plate::Dry, self.ink), &camera, effort);
                finished(
                    &self.file("truth", "finished", "tif"),
                    dry,
                    cutouts,
                    &bottle,
                )
            }
            _ => Ok(()),
        }
    }

    /// The plates of one state of the set.
    pub(crate) fn plates(&self, which: Plate, base: &Raster) -> io::Result<()> {
        for (number, (name, state)) in (1..).zip(PLATES) {
            let name = &self.named(name);
            if state == which && self.wants(name, self.chosen(name)) {
                // The first plate is the one everything else is compared with: it stands still.
                let accident = match number {
                    1 => Accident {
                        gain: 1.0,
                        bump: (0.0, 0.0),
                        ..self.accident(1)
                    },
                    _ => self.accident(number),
                };
                let path = self.file("frames", name, "tif");
                picture(&path, base.size(), Some(accident), |x, y| {
                    shifted(base, x, y, accident.bump)
                })?;
            }
        }
        Ok(())
    }

    /// The frames taken before one state of the set.
    fn frames(
        &self,
        which: Plate,
        set: &World,
        base: &Raster,
        camera: &Camera,
    ) -> io::Result<Vec<Cutout>> {
        let mut cutouts = Vec::new();
        for (number, shot) in (1 + PLATES.len() as u32..).zip(list()) {
            let name = self.named(shot.name);
            if shot.plate != which || !self.wants(&name, shot.chosen) {
                continue;
            }
            let mut world = set.clone();
            hang(&mut world, &shot, self.ink, self.cell());
            let take = Take::new(&world, base, camera, self.effort(), self.accident(number));
            take.frame(&self.file("frames", &name, "tif"))?;
            let mask = match shot.hung {
                Hung::Piece { .. } => painted(&take.covers),
                _ => painted_with_surroundings(&take.covers, &take.ratio),
            };
            mask.save(&self.file("masks", &name, "png"))?;
            take.cut(&self.file("truth", &name, "png"))?;
            take.added(&self.file("truth", &format!("{name}-light"), "tif"))?;
            if self.scope == Scope::Whole {
                take.truth(&|what: &str| self.file("truth", &format!("{name}-{what}"), "tif"))?;
                let Take { covers, ratio, .. } = take;
                let ratio = matches!(shot.hung, Hung::Crown { .. }).then_some(ratio);
                cutouts.extend(shot.placed.map(|placed| Cutout {
                    placed,
                    covers,
                    ratio,
                }));
            }
        }
        Ok(cutouts)
    }

    /// Side of the cells liquid is modelled in, mm.
    pub(crate) fn cell(&self) -> f32 {
        (600.0 / self.height as f32).clamp(0.4, 0.9)
    }

    /// Samples a pixel, fewer when there are many pixels: from 4 MP on the same work is spread thinner.
    pub(crate) fn effort(&self) -> Effort {
        let pixels = self.height as f32 * self.height as f32 * 0.8;
        let usual = if self.scope == Scope::Whole {
            20.0
        } else {
            40.0
        };
        let thinned = (usual * (4.0e6 / pixels).min(1.0)).max(2.0) as u32;
        let n = self.samples.unwrap_or(thinned);
        Effort {
            set: n,
            piece: n * self.looks(),
            ratio: 32,
        }
    }

    /// Paths on a piece for each on the set. What is looked at at 400 % may show none of their grain: metal sends few of
    /// them to a lamp.
    fn looks(&self) -> u32 {
        match self.scope {
            Scope::Small => 32,
            Scope::Whole | Scope::More => 4,
        }
    }

    pub(crate) fn wants(&self, name: &str, small: bool) -> bool {
        (self.scope == Scope::Whole || small)
            && self.only.as_ref().is_none_or(|o| name.contains(o.as_str()))
    }

    fn needs(&self, which: Plate) -> bool {
        let seen = PLATES
            .iter()
            .any(|(n, p)| *p == which && self.wants(&self.named(n), self.chosen(n)));
        let hung = list()
            .iter()
            .any(|s| s.plate == which && self.wants(&self.named(s.name), s.chosen));
        seen || hung || (which == Plate::Dry && self.wants("bottle", true))
    }

    /// Pictures that show ink in the finished picture are made in several inks and say which in their name.
    pub(crate) fn named(&self, name: &str) -> String {
        let shows_ink = name.starts_with("dry") || name.starts_with("crown");
        if shows_ink {
            format!("{name}-{}", self.ink.name())
        } else {
            name.to_string()
        }
    }

    /// Whether a plate belongs to the small set.
    fn chosen(&self, plate: &str) -> bool {
        !plate.starts_with("dry-2") && !plate.starts_with("dry-3")
    }

    pub(crate) fn accident(&self, number: u32) -> Accident {
        let draw = |k: u32| 2.0 * unit(hash(hash(self.seed, number), k)) - 1.0;
        let still = draw(4) > 0.3;
        let bump = if still {
            (0.0, 0.0)
        } else {
            (0.8 * draw(2), 0.6 * draw(3))
        };
        Accident {
            gain: sensor::stops(0.03 * draw(1)),
            bump,
            seed: hash(self.seed ^ 0xa5, number),
            number,
        }
    }

    pub(crate) fn file(&self, folder: &str, name: &str, ending: &str) -> PathBuf {
        self.out.join(folder).join(format!("{name}.{ending}"))
    }
}
