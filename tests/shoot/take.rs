//! One frame and the truth about it: parts put together as light adds up, then exposed, or kept as they are.

use crate::camera::Camera;
use crate::covers::{Covers, Hanging};
use crate::layers::{Effort, Raster, hung, ratio};
use crate::sampling::hash;
use crate::shots::Placed;
use crate::tiff::{Exposure, STRIP, Sample, Tiff};
use crate::vector::V3;
use crate::world::World;
use crate::{icc, sensor};
use rayon::prelude::*;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// How one frame differs from the next by accident.
#[derive(Clone, Copy, Debug)]
pub struct Accident {
    pub gain: f32,
    /// Pixels the picture moved.
    pub bump: (f32, f32),
    pub seed: u32,
    /// The frame's number in the day's order, for its clock.
    pub number: u32,
}

/// A frame with a piece, in its parts.
pub struct Take<'b> {
    base: &'b Raster,
    accident: Accident,
    pub covers: Covers,
    /// What piece and rod do to the light of the set, on the coarser grid it was worked out on.
    pub ratio: Raster,
}

/// A piece as it is in the light, and where the finished picture has it.
pub struct Cutout {
    pub placed: Placed,
    pub covers: Covers,
    /// For what stands on the table: what it does to the table's light.
    pub ratio: Option<Raster>,
}

impl<'b> Take<'b> {
    pub fn new(
        world: &World,
        base: &'b Raster,
        camera: &Camera,
        effort: Effort,
        accident: Accident,
    ) -> Take<'b> {
        let mut moved = camera.clone();
        moved.bump = accident.bump;
        let covers = hung(world, &moved, effort);
        Take {
            base,
            accident,
            covers,
            ratio: ratio(world, camera, effort),
        }
    }

    fn ratio_at(&self, x: u32, y: u32) -> V3 {
        let (dx, dy) = self.accident.bump;
        let k = self.ratio.height as f32 / self.base.height as f32;
        let across = self.ratio.width as f32 / self.base.width as f32;
        self.ratio
            .between((x as f32 + 0.5 - dx) * across, (y as f32 + 0.5 - dy) * k)
    }

    /// The frame itself: C = a F + (1 - a) S B, rod and piece alike, then everything a camera does to it.
    pub fn frame(&self, path: &Path) -> io::Result<()> {
        picture(path, self.base.size(), Some(self.accident), |x, y| {
            self.light(x, y)
        })
    }

    /// The same as no camera sees it: at the plate's exposure, without noise.
    pub fn seen(&self, path: &Path) -> io::Result<()> {
        picture(path, self.base.size(), None, |x, y| self.light(x, y))
    }

    fn light(&self, x: u32, y: u32) -> V3 {
        let Hanging { piece, rod, .. } = self.covers.at(x as i64, y as i64);
        let under = shifted(self.base, x, y, self.accident.bump) * self.ratio_at(x, y);
        piece.colour + rod.colour + under * (1.0 - piece.alpha - rod.alpha).max(0.0)
    }

    /// The piece as it should come out of the frame: a 16-bit PNG with its straight colour at the plate's exposure,
    /// through the profile's curve, and its coverage as alpha. Without the rod and whole behind it, without noise; what is
    /// brighter than white is white.
    pub fn cut(&self, path: &Path) -> io::Result<()> {
        let (width, height) = self.base.size();
        let file = BufWriter::new(File::create(path)?);
        let mut encoder = png::Encoder::new(file, width, height);
        encoder.set_color(png::ColorType::Rgba);
        encoder.set_depth(png::BitDepth::Sixteen);
        encoder.set_compression(png::Compression::High);
        let mut writer = encoder.write_header()?;
        let mut stream = writer.stream_writer()?;
        for y in 0..height {
            let codes = |x: u32| {
                let piece = self.covers.at(x as i64, y as i64).whole;
                let lens = sensor::lens(x as f32 + 0.5, y as f32 + 0.5, width, height);
                let straight = piece.colour / piece.alpha.max(1e-6) * lens;
                let [r, g, b] = straight.array().map(sensor::code);
                [r, g, b, (piece.alpha * 65_535.0 + 0.5) as u16]
            };
            let row: Vec<u8> = (0..width)
                .flat_map(codes)
                .flat_map(u16::to_be_bytes)
                .collect();
            stream.write_all(&row)?;
        }
        stream.finish()?;
        Ok(())
    }

    /// The piece's light as it adds up, colour times coverage, linear, 1 = the most a frame holds, at the plate's exposure:
    /// nothing is cut off, so highlights above white are in it. A PNG of straight colour can't say them.
    pub fn added(&self, path: &Path) -> io::Result<()> {
        let (width, height) = self.base.size();
        let mut file = Tiff::create(path, width, height, 3, Sample::F32)?;
        each_strip(
            (width, height),
            |x, y| {
                let lens = sensor::lens(x as f32 + 0.5, y as f32 + 0.5, width, height);
                (self.covers.at(x as i64, y as i64).whole.colour * lens).array()
            },
            |s| file.push_floats(s.as_flattened()),
        )?;
        file.finish(&[], None)
    }

    /// Matte, rod, straight colour and ratio, each to the file `place` names.
    pub fn truth(&self, place: &dyn Fn(&str) -> PathBuf) -> io::Result<()> {
        let size = self.base.size();
        let write = |what: &str, part: fn(Hanging) -> f32| {
            let mut file = Tiff::create(&place(what), size.0, size.1, 1, Sample::U16)?;
            each_strip(
                size,
                |x, y| (part(self.covers.at(x as i64, y as i64)) * 65_535.0 + 0.5) as u16,
                |s| file.push(&s),
            )?;
            file.finish(&[], None)
        };
        write("matte", |hanging| hanging.piece.alpha)?;
        write("rod", |hanging| hanging.rod.alpha)?;
        picture(&place("colour"), size, None, |x, y| {
            let piece = self.covers.at(x as i64, y as i64).piece;
            if piece.alpha > 0.0 {
                piece.colour / piece.alpha * self.accident.gain
            } else {
                V3::ZERO
            }
        })?;
        let mut file = Tiff::create(&place("ratio"), size.0, size.1, 3, Sample::F32)?;
        each_strip(
            size,
            |x, y| self.ratio_at(x, y).array(),
            |s| file.push_floats(s.as_flattened()),
        )?;
        file.finish(&[], None)
    }
}

/// The picture as it would be had everything really hung there at once: no rods, no noise. Offsets are those of 800 rows.
pub fn finished(
    path: &Path,
    mut light: Raster,
    mut cutouts: Vec<Cutout>,
    bottle: &Covers,
) -> io::Result<()> {
    cutouts.sort_by_key(|c| c.placed.order);
    let size = light.size();
    for c in &cutouts {
        let by = c
            .placed
            .offset
            .map(|o| (o as f32 * size.1 as f32 / 800.0 + 0.5).floor() as i64);
        let grid = c.ratio.as_ref().map(|r| {
            (
                r,
                r.width as f32 / size.0 as f32,
                r.height as f32 / size.1 as f32,
            )
        });
        light
            .pixels
            .par_iter_mut()
            .enumerate()
            .for_each(|(n, pixel)| {
                let (x, y) = (n as u32 % size.0, n as u32 / size.0);
                if let Some((ratio, kx, ky)) = grid {
                    *pixel = *pixel * ratio.between((x as f32 + 0.5) * kx, (y as f32 + 0.5) * ky);
                }
                let piece = c.covers.at(x as i64 - by[0], y as i64 - by[1]).whole;
                let hidden = if c.placed.behind {
                    bottle.at(x as i64, y as i64).piece.alpha
                } else {
                    0.0
                };
                *pixel =
                    piece.colour * (1.0 - hidden) + *pixel * (1.0 - piece.alpha * (1.0 - hidden));
            });
    }
    picture(path, size, None, |x, y| light.at(x as i64, y as i64))
}

/// Writes an RGB picture strip by strip; with an accident it is exposed, without one it is the truth.
pub fn picture(
    path: &Path,
    size: (u32, u32),
    accident: Option<Accident>,
    light: impl Fn(u32, u32) -> V3 + Sync,
) -> io::Result<()> {
    let (width, height) = size;
    let full = sensor::full(height);
    let mut file = Tiff::create(path, width, height, 3, Sample::U16)?;
    let codes = |x: u32, y: u32| {
        let lit = light(x, y) * sensor::lens(x as f32 + 0.5, y as f32 + 0.5, width, height);
        match accident {
            Some(a) => sensor::exposed(lit * a.gain, full, hash(a.seed, y * width + x)),
            None => lit.array().map(sensor::code),
        }
    };
    each_strip(size, codes, |s| file.push(s.as_flattened()))?;
    // One frame every five minutes from nine o'clock.
    let clock = |a: Accident| {
        let (hour, minute, second) = (9 + a.number / 12, a.number % 12 * 5, a.number * 7 % 60);
        Exposure {
            when: format!("2026:03:14 {hour:02}:{minute:02}:{second:02}"),
        }
    };
    file.finish(&icc::profile(), accident.map(clock).as_ref())
}

/// Works out a picture strip by strip, on all threads, and hands the strips over in order.
fn each_strip<T: Send>(
    (width, height): (u32, u32),
    pixel: impl Fn(u32, u32) -> T + Sync,
    mut push: impl FnMut(Vec<T>) -> io::Result<()>,
) -> io::Result<()> {
    for top in (0..height).step_by(STRIP as usize) {
        let rows = STRIP.min(height - top);
        push(
            (0..rows * width)
                .into_par_iter()
                .map(|n| pixel(n % width, top + n / width))
                .collect(),
        )?;
    }
    Ok(())
}

/// The set where a pixel of a bumped frame looks, by the cubic of Catmull and Rom.
pub fn shifted(base: &Raster, x: u32, y: u32, (dx, dy): (f32, f32)) -> V3 {
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
