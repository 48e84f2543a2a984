//! A frame in parts: the set once and for all, the piece and its rod as their own layers (so the truth is known exactly),
//! and the light that piece and rod take from the set or throw on it, as a ratio.

use crate::camera::Camera;
use crate::sampling::{Sampler, hash};
use crate::trace::{Ray, Tracer};
use crate::vector::V3;
use crate::world::{Layer, Meeting, World};
use rayon::prelude::*;

/// How many samples each part gets.
#[derive(Clone, Copy, Debug)]
pub struct Effort {
    pub set: u32,
    pub piece: u32,
    pub ratio: u32,
}

impl Effort {
    /// The backdrop is smooth and far out of focus.
    fn backdrop(&self) -> u32 {
        self.set.div_ceil(4)
    }

    /// Glass and polished edges send paths everywhere.
    fn product(&self) -> u32 {
        self.set * 3 / 2
    }
}

/// A picture in linear light.
#[derive(Clone, Debug)]
pub struct Raster {
    pub width: u32,
    pub height: u32,
    pub pixels: Vec<V3>,
}

impl Raster {
    pub fn at(&self, x: i64, y: i64) -> V3 {
        let x = x.clamp(0, self.width as i64 - 1) as usize;
        let y = y.clamp(0, self.height as i64 - 1) as usize;
        self.pixels[y * self.width as usize + x]
    }

    /// Bilinear, with pixel centres at halves; continues its border.
    pub fn between(&self, x: f32, y: f32) -> V3 {
        let (x, y) = (x - 0.5, y - 0.5);
        let (i, j) = (x.floor(), y.floor());
        let (a, b) = (x - i, y - j);
        let (i, j) = (i as i64, j as i64);
        self.at(i, j)
            .toward(self.at(i + 1, j), a)
            .toward(self.at(i, j + 1).toward(self.at(i + 1, j + 1), a), b)
    }
}

/// Light of one sample is held below this, so that no single path leaves a speck.
const BRIGHTEST: f32 = 24.0;

fn pixel_seed(seed: u32, x: u32, y: u32) -> u32 {
    hash(hash(seed, x), y)
}

/// The set without anything in the air.
pub fn set(world: &World, camera: &Camera, effort: Effort, seed: u32) -> Raster {
    let (width, height) = (camera.width, camera.height);
    let mut pixels = vec![V3::ZERO; width as usize * height as usize];
    pixels
        .par_chunks_mut(width as usize)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, pixel) in row.iter_mut().enumerate() {
                let (mut sum, mut taken, mut wanted) = (V3::ZERO, 0, effort.backdrop());
                while taken < wanted {
                    let i = taken;
                    taken += 1;
                    let mut s = Sampler::new(i, pixel_seed(seed, x as u32, y as u32));
                    let ray = camera.sample(x as u32, y as u32, &mut s);
                    let (t, meeting) = world.meet(ray.from, ray.d, 0.0, false);
                    if let Meeting::Solid { surface, .. } = &meeting {
                        wanted = wanted.max(if surface.is_table() {
                            effort.set
                        } else {
                            effort.product()
                        });
                    }
                    sum += Tracer::new(world, false)
                        .seen(ray, t, &meeting, s, 0)
                        .min(V3::splat(BRIGHTEST));
                }
                *pixel = sum / taken as f32;
            }
        });
    Raster {
        width,
        height,
        pixels,
    }
}

/// Premultiplied colour and coverage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cover {
    pub colour: V3,
    pub alpha: f32,
}

/// Piece and rod in rows `top..top + rows`, pixel by pixel.
pub fn hung(
    world: &World,
    camera: &Camera,
    effort: Effort,
    seed: u32,
    top: u32,
    rows: u32,
) -> Vec<[Cover; 2]> {
    let width = camera.width;
    let mut out = vec![[Cover::default(); 2]; width as usize * rows as usize];
    out.par_chunks_mut(width as usize * 4)
        .enumerate()
        .for_each(|(block, lines)| {
            let y0 = top + block as u32 * 4;
            for x0 in (0..width).step_by(4) {
                if !may_show(world, camera, seed, x0, y0) {
                    continue;
                }
                for (j, line) in lines.chunks_mut(width as usize).enumerate() {
                    for x in x0..(x0 + 4).min(width) {
                        line[x as usize] = pixel(world, camera, effort, seed, x, y0 + j as u32);
                    }
                }
            }
        });
    out
}

/// Whether any of a handful of rays through a 4 x 4 block and its neighbourhood meets piece or rod.
fn may_show(world: &World, camera: &Camera, seed: u32, x: u32, y: u32) -> bool {
    (0..40).any(|i| {
        let mut s = Sampler::new(i, pixel_seed(seed ^ 0x77, x, y));
        let (a, b) = s.pair();
        let ray = camera.ray(
            x as f32 - 3.0 + 10.0 * a,
            y as f32 - 3.0 + 10.0 * b,
            s.pair(),
        );
        let far = f32::INFINITY;
        world.piece.strike(ray.from, ray.d, 0.0, far).is_some()
            || world.rod.strike(ray.from, ray.d, 0.0, far).is_some()
    })
}

fn pixel(world: &World, camera: &Camera, effort: Effort, seed: u32, x: u32, y: u32) -> [Cover; 2] {
    let mut cover = [Cover::default(); 2];
    for i in 0..effort.piece {
        let mut s = Sampler::new(i, pixel_seed(seed, x, y));
        let ray = camera.sample(x, y, &mut s);
        let (t, meeting) = world.meet(ray.from, ray.d, 0.0, true);
        let which = match &meeting {
            Meeting::Solid {
                layer: Layer::Piece,
                ..
            } => 0,
            Meeting::Solid {
                layer: Layer::Rod, ..
            } => 1,
            _ => continue,
        };
        cover[which].colour += Tracer::new(world, true)
            .seen(ray, t, &meeting, s, 0)
            .min(V3::splat(BRIGHTEST));
        cover[which].alpha += 1.0;
    }
    let n = effort.piece as f32;
    cover.map(|c| Cover {
        colour: c.colour / n,
        alpha: c.alpha / n,
    })
}

/// What piece and rod do to the light of the set, as a ratio a channel: 1 where nothing changes, less in shadow, more where
/// they throw light or are mirrored. On a grid of its own, at most `finest` rows, then smoothed a little.
pub fn ratio(world: &World, camera: &Camera, effort: Effort, seed: u32, finest: u32) -> Raster {
    let height = finest.min(camera.height.div_ceil(2));
    let width = (height as u64 * camera.width as u64 / camera.height as u64) as u32;
    let step = camera.height as f32 / height as f32;
    let cell = |x: u32, y: u32, i: u32| {
        let mut s = Sampler::new(i, pixel_seed(seed, x, y));
        let (a, b) = s.pair();
        let ray = camera.ray((x as f32 + a) * step, (y as f32 + b) * step, s.pair());
        pair(world, ray, s)
    };
    // First a look at blocks of 4 x 4 cells: most of the set knows nothing of the piece.
    let (bw, bh) = (width.div_ceil(4), height.div_ceil(4));
    let stirred: Vec<bool> = (0..bw * bh)
        .into_par_iter()
        .map(|b| {
            let (x0, y0) = (b % bw * 4, b / bw * 4);
            (0..16).any(|k| {
                (0..3).any(|i| {
                    cell(
                        (x0 + k % 4).min(width - 1),
                        (y0 + k / 4).min(height - 1),
                        i * 7,
                    )
                    .is_some_and(|p| p.2)
                })
            })
        })
        .collect();
    let near = |x: u32, y: u32| {
        let (bx, by) = (x / 4, y / 4);
        (by.saturating_sub(1)..=(by + 1).min(bh - 1)).any(|j| {
            (bx.saturating_sub(1)..=(bx + 1).min(bw - 1)).any(|i| stirred[(j * bw + i) as usize])
        })
    };
    let mut pixels = vec![V3::ONE; (width * height) as usize];
    pixels
        .par_chunks_mut(width as usize)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, pixel) in row.iter_mut().enumerate() {
                let (x, y) = (x as u32, y as u32);
                if !near(x, y) {
                    continue;
                }
                let (mut with, mut without) = (V3::splat(1e-4), V3::splat(1e-4));
                for (w, o, _) in (0..effort.ratio).filter_map(|i| cell(x, y, i)) {
                    with += w;
                    without += o;
                }
                *pixel = V3 {
                    x: with.x / without.x,
                    y: with.y / without.y,
                    z: with.z / without.z,
                };
            }
        });
    smoothed(Raster {
        width,
        height,
        pixels,
    })
}

/// One sample of the set with and without the piece, and whether it made a difference; none off the set.
fn pair(world: &World, ray: Ray, s: Sampler) -> Option<(V3, V3, bool)> {
    let (t, meeting) = world.meet(ray.from, ray.d, 0.0, false);
    if !matches!(meeting, Meeting::Solid { .. }) {
        return None;
    }
    let most = V3::splat(BRIGHTEST);
    let mut tracer = Tracer::new(world, true);
    let with = tracer.seen(ray, t, &meeting, s, 0).min(most);
    let without = if tracer.touched {
        Tracer::new(world, false)
            .seen(ray, t, &meeting, s, 0)
            .min(most)
    } else {
        with
    };
    Some((with, without, tracer.touched))
}

fn smoothed(raster: Raster) -> Raster {
    let taps = [1.0, 4.0, 6.0, 4.0, 1.0];
    let pass = |r: &Raster, dx: i64, dy: i64| {
        let pixels = (0..r.pixels.len() as i64)
            .map(|n| {
                let (x, y) = (n % r.width as i64, n / r.width as i64);
                let sum = (0..5).fold(V3::ZERO, |s, k| {
                    s + r.at(x + (k - 2) * dx, y + (k - 2) * dy) * taps[k as usize]
                });
                sum / 16.0
            })
            .collect();
        Raster { pixels, ..*r }
    };
    pass(&pass(&raster, 1, 0), 0, 1)
}
