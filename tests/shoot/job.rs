//! One run: which files, in which order, and what goes into each.

use crate::camera::Camera;
use crate::layers::{Cover, Effort, Raster, hung, ratio, set};
use crate::masks::{Coverage, outline, painted, painted_with_surroundings};
use crate::sampling::{hash, unit};
use crate::shots::{Hung, Placed, Plate, Shot, list};
use crate::studio::{Ink, added, hang, plate};
use crate::tiff::{Exposure, STRIP, Sample, Tiff};
use crate::vector::V3;
use crate::world::World;
use crate::{icc, sensor};
use rayon::prelude::*;
use std::io;
use std::path::{Path, PathBuf};

/// Everything, or what goes with the scenes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Scope {
    Whole,
    Small,
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

/// How one frame differs from the next by accident.
#[derive(Clone, Copy, Debug)]
struct Accident {
    gain: f32,
    /// Pixels the picture moved.
    bump: (f32, f32),
    seed: u32,
    /// The frame's number in the day's order, for its clock.
    number: u32,
}

/// A piece as it is in the light, in the part of the frame it covers.
struct Cutout {
    placed: Placed,
    left: u32,
    top: u32,
    width: u32,
    covers: Vec<Cover>,
    /// For what stands on the table: what it does to the table's light.
    ratio: Option<Raster>,
}

/// The plates in the order they were taken: dry three times, with the splash on the table, and without the bottle.
const PLATES: [(&str, Plate); 5] = [
    ("dry-1", Plate::Dry),
    ("dry-2", Plate::Dry),
    ("dry-3", Plate::Dry),
    ("wet-1", Plate::Wet),
    ("table", Plate::Bare),
];

impl Job {
    pub fn run(&self) -> io::Result<()> {
        for folder in ["frames", "masks", "truth"] {
            if folder != "truth" || self.scope == Scope::Whole {
                std::fs::create_dir_all(self.out.join(folder))?;
            }
        }
        let camera = Camera::tabletop(self.height);
        let effort = self.effort();
        let mut bases: Vec<(Plate, World, Raster)> = Vec::new();
        for which in [Plate::Bare, Plate::Dry, Plate::Wet] {
            if which != Plate::Wet || self.needs(which) {
                let before = bases.last().map(|b| &b.2);
                let base = set(&added(which, self.ink), &camera, effort, before);
                bases.push((which, plate(which, self.ink), base));
            }
        }
        let mut number = 0;
        for (name, which) in PLATES {
            number += 1;
            let name = &self.named(name);
            if let Some((_, _, base)) = bases.iter().find(|b| b.0 == which)
                && self.wants(name, self.chosen(name))
            {
                // The first plate is the one everything else is compared with: it stands still.
                let accident = if number == 1 {
                    Accident {
                        gain: 1.0,
                        bump: (0.0, 0.0),
                        ..self.accident(1)
                    }
                } else {
                    self.accident(number)
                };
                self.plain(name, base, accident)?;
            }
        }
        if let Some((_, world, _)) = bases.iter().find(|b| b.0 == Plate::Dry)
            && self.wants("bottle", true)
        {
            let bare = Coverage::new(camera.width, camera.height);
            let mask = painted(&outline(world.clone(), &camera, effort), &bare);
            mask.save(&self.file("masks", "bottle", "png"))?;
        }
        let mut cutouts = Vec::new();
        for shot in list() {
            number += 1;
            let name = self.named(shot.name);
            if !self.wants(&name, shot.chosen) {
                continue;
            }
            if let Some((_, world, base)) = bases.iter().find(|b| b.0 == shot.plate) {
                let mut world = world.clone();
                hang(
                    &mut world,
                    &shot,
                    self.ink,
                    (600.0 / self.height as f32).clamp(0.3, 0.9),
                );
                cutouts.extend(self.frame(
                    &shot,
                    &name,
                    &world,
                    base,
                    &camera,
                    self.accident(number),
                )?);
            }
        }
        if self.scope == Scope::Whole
            && self.only.is_none()
            && let Some((_, world, base)) = bases.into_iter().find(|b| b.0 == Plate::Dry)
        {
            self.finished(base, cutouts, &outline(world, &camera, effort))?;
        }
        Ok(())
    }

    /// Samples a pixel, fewer when there are many pixels: from 4 MP on the same work is spread thinner.
    fn effort(&self) -> Effort {
        let pixels = self.height as f32 * self.height as f32 * 0.8;
        let n = self
            .samples
            .unwrap_or((64.0 * (4.0e6 / pixels).min(1.0)).max(5.0) as u32);
        Effort {
            set: n,
            piece: n * 4,
            ratio: 32,
        }
    }

    fn wants(&self, name: &str, small: bool) -> bool {
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
    fn named(&self, name: &str) -> String {
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

    fn accident(&self, number: u32) -> Accident {
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

    fn file(&self, folder: &str, name: &str, ending: &str) -> PathBuf {
        self.out.join(folder).join(format!("{name}.{ending}"))
    }

    /// A plate: the set alone.
    fn plain(&self, name: &str, base: &Raster, accident: Accident) -> io::Result<()> {
        let path = self.file("frames", name, "tif");
        self.tiff(&path, base, Some(accident), |x, y| {
            shifted(base, x, y, accident.bump)
        })
    }

    /// Writes an RGB picture strip by strip; with an accident it is exposed, without one it is the truth.
    fn tiff(
        &self,
        path: &Path,
        size: &Raster,
        accident: Option<Accident>,
        light: impl Fn(u32, u32) -> V3 + Sync,
    ) -> io::Result<()> {
        let (width, height) = (size.width, size.height);
        let full = sensor::full(height);
        let mut file = Tiff::create(path, width, height, 3, Sample::U16)?;
        for top in (0..height).step_by(STRIP as usize) {
            let rows = STRIP.min(height - top);
            let strip: Vec<[u16; 3]> = (0..rows * width)
                .into_par_iter()
                .map(|n| {
                    let (x, y) = (n % width, top + n / width);
                    let lit =
                        light(x, y) * sensor::lens(x as f32 + 0.5, y as f32 + 0.5, width, height);
                    match accident {
                        Some(a) => sensor::exposed(lit * a.gain, full, hash(a.seed, y * width + x)),
                        None => lit.array().map(sensor::code),
                    }
                })
                .collect();
            file.push(strip.as_flattened())?;
        }
        let minute = |a: Accident| Exposure {
            when: format!(
                "2026:03:14 {:02}:{:02}:{:02}",
                9 + a.number / 12,
                a.number % 12 * 5,
                a.number * 7 % 60
            ),
        };
        file.finish(&icc::profile(), accident.map(minute).as_ref())
    }

    /// A frame with a piece, its mask, and the truth about it.
    fn frame(
        &self,
        shot: &Shot,
        name: &str,
        world: &World,
        base: &Raster,
        camera: &Camera,
        accident: Accident,
    ) -> io::Result<Option<Cutout>> {
        let mut moved = camera.clone();
        moved.bump = accident.bump;
        let (width, height) = (camera.width, camera.height);
        let effort = self.effort();
        let light = ratio(world, camera, effort, 3, 700);
        let mut covers = Vec::with_capacity(base.pixels.len());
        for top in (0..height).step_by(STRIP as usize) {
            covers.extend(hung(world, &moved, effort, 2, top, STRIP.min(height - top)));
        }
        let (kx, ky) = (
            light.width as f32 / width as f32,
            light.height as f32 / height as f32,
        );
        let (dx, dy) = accident.bump;
        let ratio_at =
            |x: u32, y: u32| light.between((x as f32 + 0.5 - dx) * kx, (y as f32 + 0.5 - dy) * ky);
        let at = |x: u32, y: u32| covers[y as usize * width as usize + x as usize];
        self.tiff(
            &self.file("frames", name, "tif"),
            base,
            Some(accident),
            |x, y| {
                let [piece, rod] = at(x, y);
                let under = shifted(base, x, y, accident.bump) * ratio_at(x, y);
                piece.colour + rod.colour + under * (1.0 - piece.alpha - rod.alpha).max(0.0)
            },
        )?;
        let coverage = |which: usize| Coverage {
            width,
            height,
            values: covers.iter().map(|c| c[which].alpha).collect(),
        };
        let (matte, rod) = (coverage(0), coverage(1));
        let mask = match shot.hung {
            Hung::Piece { .. } => painted(&matte, &rod),
            Hung::Crown { .. } => painted_with_surroundings(&matte, &light),
        };
        mask.save(&self.file("masks", name, "png"))?;
        if self.scope == Scope::Small {
            return Ok(None);
        }
        gray(&self.file("truth", &format!("{name}-matte"), "tif"), &matte)?;
        gray(&self.file("truth", &format!("{name}-rod"), "tif"), &rod)?;
        self.tiff(
            &self.file("truth", &format!("{name}-colour"), "tif"),
            base,
            None,
            |x, y| {
                let piece = at(x, y)[0];
                if piece.alpha > 0.0 {
                    piece.colour / piece.alpha * accident.gain
                } else {
                    V3::ZERO
                }
            },
        )?;
        let mut file = Tiff::create(
            &self.file("truth", &format!("{name}-ratio"), "tif"),
            width,
            height,
            3,
            Sample::F32,
        )?;
        for top in (0..height).step_by(STRIP as usize) {
            let rows = top..(top + STRIP).min(height);
            let strip: Vec<f32> = rows
                .flat_map(|y| (0..width).flat_map(move |x| ratio_at(x, y).array()))
                .collect();
            file.push_floats(&strip)?;
        }
        file.finish(&[], None)?;
        let ratio = matches!(shot.hung, Hung::Crown { .. }).then_some(light);
        Ok(shot
            .placed
            .map(|placed| cutout(&covers, width, placed, ratio)))
    }

    /// The picture as it would be had everything really hung there at once: no rods, no noise.
    fn finished(
        &self,
        mut picture: Raster,
        mut cutouts: Vec<Cutout>,
        bottle: &Coverage,
    ) -> io::Result<()> {
        cutouts.sort_by_key(|c| c.placed.order);
        let (width, height) = (picture.width as i64, picture.height as i64);
        for c in &cutouts {
            if let Some(ratio) = &c.ratio {
                let (kx, ky) = (
                    ratio.width as f32 / width as f32,
                    ratio.height as f32 / height as f32,
                );
                for (n, p) in picture.pixels.iter_mut().enumerate() {
                    let (x, y) = (n as i64 % width, n as i64 / width);
                    *p = *p * ratio.between((x as f32 + 0.5) * kx, (y as f32 + 0.5) * ky);
                }
            }
            let by = c
                .placed
                .offset
                .map(|o| (o as f32 * self.height as f32 / 800.0 + 0.5).floor() as i64);
            for (n, cover) in c.covers.iter().enumerate() {
                let (x, y) = (
                    c.left as i64 + (n as u32 % c.width) as i64 + by[0],
                    c.top as i64 + (n as u32 / c.width) as i64 + by[1],
                );
                if (0..width).contains(&x) && (0..height).contains(&y) {
                    let at = (y * width + x) as usize;
                    let shown = if c.placed.behind {
                        1.0 - bottle.values[at]
                    } else {
                        1.0
                    };
                    picture.pixels[at] =
                        cover.colour * shown + picture.pixels[at] * (1.0 - cover.alpha * shown);
                }
            }
        }
        self.tiff(
            &self.file("truth", "finished", "tif"),
            &picture,
            None,
            |x, y| picture.at(x as i64, y as i64),
        )
    }
}

/// The part of the frame a piece covers.
fn cutout(covers: &[[Cover; 2]], width: u32, placed: Placed, ratio: Option<Raster>) -> Cutout {
    let (mut low, mut high) = ([u32::MAX; 2], [0; 2]);
    for (n, _) in covers.iter().enumerate().filter(|(_, c)| c[0].alpha > 0.0) {
        let p = [n as u32 % width, n as u32 / width];
        low = [low[0].min(p[0]), low[1].min(p[1])];
        high = [high[0].max(p[0] + 1), high[1].max(p[1] + 1)];
    }
    let rows = low[1].min(high[1])..high[1];
    let columns = low[0].min(high[0])..high[0];
    let part = rows.flat_map(|y| {
        columns
            .clone()
            .map(move |x| covers[y as usize * width as usize + x as usize][0])
    });
    Cutout {
        placed,
        left: low[0],
        top: low[1],
        width: high[0].saturating_sub(low[0]).max(1),
        covers: part.collect(),
        ratio,
    }
}

/// The set where a pixel of a bumped frame looks, by the cubic of Catmull and Rom.
fn shifted(base: &Raster, x: u32, y: u32, (dx, dy): (f32, f32)) -> V3 {
    if dx == 0.0 && dy == 0.0 {
        return base.at(x as i64, y as i64);
    }
    let weights = |t: f32| {
        [
            ((2.0 - t) * t - 1.0) * t * 0.5,
            ((3.0 * t - 5.0) * t * t + 2.0) * 0.5,
            ((4.0 - 3.0 * t) * t + 1.0) * t * 0.5,
            (t - 1.0) * t * t * 0.5,
        ]
    };
    let (u, w) = (x as f32 - dx, y as f32 - dy);
    let (i, j) = (u.floor(), w.floor());
    let (wx, wy) = (weights(u - i), weights(w - j));
    let mut sum = V3::ZERO;
    for (b, ky) in wy.iter().enumerate() {
        for (a, kx) in wx.iter().enumerate() {
            sum += base.at(i as i64 + a as i64 - 1, j as i64 + b as i64 - 1) * (kx * ky);
        }
    }
    sum.max(V3::ZERO)
}

/// A 16-bit gray file of coverage.
fn gray(path: &Path, coverage: &Coverage) -> io::Result<()> {
    let mut file = Tiff::create(path, coverage.width, coverage.height, 1, Sample::U16)?;
    for strip in coverage
        .values
        .chunks(coverage.width as usize * STRIP as usize)
    {
        let codes: Vec<u16> = strip.iter().map(|v| (v * 65_535.0 + 0.5) as u16).collect();
        file.push(&codes)?;
    }
    file.finish(&[], None)
}
