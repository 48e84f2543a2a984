//! `--more`: frames that no finished picture has, for what is shot beside it: the action frame, pieces hung when the set
//! was wet already, a see-through thing before two cards.
//!
//! Plates and the crown come out as in the other scopes at the same height and samples.

use crate::camera::Camera;
use crate::job::{Job, PLATES};
use crate::layers::{Raster, set};
use crate::shots::{Plate, Shot, list, more};
use crate::studio::{added, hang, plate};
use crate::take::{Accident, Take, picture};
use std::io;

/// The action frame that belongs to the set.
const ACTION: &str = "crown-27";

/// The cards, with what their empty pictures are called.
const CARDS: [(&str, Plate); 2] = [
    ("card-dark", Plate::DarkCard),
    ("card-light", Plate::LightCard),
];

/// Numbers of the day's frames from here on: behind the whole list.
const FIRST: u32 = 60;

/// What the camera does to the truth: nothing.
const NONE: Accident = Accident {
    gain: 1.0,
    bump: (0.0, 0.0),
    seed: 0,
    number: 0,
};

impl Job {
    pub(crate) fn more(&self) -> io::Result<()> {
        let camera = Camera::tabletop(self.height);
        let mut before = None;
        for which in [Plate::Bare, Plate::Dry, Plate::Wet] {
            let shots = self.shots(which);
            if !(before.is_some() || which == Plate::Bare) {
                break;
            }
            let base = set(
                &added(which, self.ink),
                &camera,
                self.effort(),
                before.as_ref(),
            );
            self.plates(which, &base)?;
            self.taken(which, &shots, &base, &camera)?;
            before = Some(base);
        }
        for (number, (name, which)) in (FIRST..).zip(CARDS) {
            let shots = self.shots(which);
            if shots.is_empty() && !self.wants(name, true) {
                continue;
            }
            let base = set(&plate(which, self.ink), &camera, self.effort(), None);
            let accident = Accident {
                gain: 1.0,
                bump: (0.0, 0.0),
                ..self.accident(number)
            };
            let path = self.file("frames", name, "tif");
            picture(&path, base.size(), Some(accident), |x, y| {
                base.at(x.into(), y.into())
            })?;
            self.taken(which, &shots, &base, &camera)?;
        }
        Ok(())
    }

    /// Frames wanted before one state of the set, each with its number in the day's order.
    fn shots(&self, which: Plate) -> Vec<(u32, Shot)> {
        let day = (1 + PLATES.len() as u32..).zip(list());
        let action = day.filter(|(_, shot)| shot.name == ACTION);
        let after = FIRST + CARDS.len() as u32;
        let wanted = |shot: &Shot| shot.plate == which && self.wants(&self.named(shot.name), true);
        action
            .chain((after..).zip(more()))
            .filter(|(_, shot)| wanted(shot))
            .collect()
    }

    fn taken(
        &self,
        which: Plate,
        shots: &[(u32, Shot)],
        base: &Raster,
        camera: &Camera,
    ) -> io::Result<()> {
        for (number, shot) in shots {
            let name = self.named(shot.name);
            let mut world = plate(which, self.ink);
            hang(&mut world, shot, self.ink, self.cell());
            // The cards' frame of the bare table is what a triangulated piece laid over it has to give.
            let accident = match which {
                Plate::Bare => NONE,
                _ => self.accident(*number),
            };
            let take = Take::new(&world, base, camera, self.effort(), accident);
            match which {
                Plate::Bare => take.seen(&self.file("truth", &name, "tif"))?,
                _ => take.frame(&self.file("frames", &name, "tif"))?,
            }
            take.truth(&|what: &str| self.file("truth", &format!("{name}-{what}"), "tif"))?;
        }
        Ok(())
    }
}
