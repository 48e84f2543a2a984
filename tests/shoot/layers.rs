//! A frame in parts: the set once and for all, the piece and its rod as their own layers (so the truth is known exactly),
//! and the light that piece and rod take from the set or throw on it, as a ratio.

use crate::camera::Camera;
use crate::covers::{Cover, Covers, Hanging};
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
        self.set * 2
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
    pub fn size(&self) -> (u32, u32) {
        (self.width, self.height)
    }

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

/// `part` tells plates (1), pieces (2), ratios (3) and first looks (4) apart.
fn pixel_seed(part: u32, x: u32, y: u32) -> u32 {
    hash(hash(part, x), y)
}

/// A plate. With `before`, the plate before this one: what was added since stands in the world's piece slot, and only
/// what it touches, by light or by sight, is done anew.
pub fn set(world: &World, camera: &Camera, effort: Effort, before: Option<&Raster>) -> Raster {
    let (width, height) = (camera.width, camera.height);
    let look = |x: u32, y: u32, i: u32| {
        let mut s = Sampler::new(i, pixel_seed(1, x, y));
        let ray = camera.sample(x, y, &mut s);
        let (t, meeting) = world.meet(ray.from, ray.d, 0.0, true);
        let mut tracer = Tracer::new(world, true);
        let light = tracer
            .seen(ray, t, &meeting, s, 0)
            .min(V3::splat(BRIGHTEST));
        (light, meeting, tracer.touched)
    };
    let stirred = before.map(|_| Stirred::new(width, height, |x, y, i| look(x, y, i).2));
    let mut pixels = vec![V3::ZERO; width as usize * height as usize];
    pixels
        .par_chunks_mut(width as usize)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, pixel) in row.iter_mut().enumerate() {
                let (x, y) = (x as u32, y as u32);
                if let (Some(before), Some(stirred)) = (before, &stirred)
                    && !stirred.near(x, y)
                {
                    *pixel = before.at(x as i64, y as i64);
                    continue;
                }
                let (mut sum, mut taken, mut wanted) = (V3::ZERO, 0, effort.backdrop());
                while taken < wanted {
                    let (light, meeting, _) = look(x, y, taken);
                    taken += 1;
                    sum += light;
                    if let Meeting::Solid { surface, .. } = &meeting {
                        wanted = wanted.max(if surface.is_table() {
                            effort.set
                        } else {
                            effort.product()
                        });
                    }
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

/// Pixels along the side of the square blocks that are looked at before work is put into them; it divides a strip.
fn block(height: u32) -> u32 {
    if height <= 2000 { 4 } else { 16 }
}

/// Which blocks of a grid know of something that was added.
struct Stirred {
    blocks: Vec<bool>,
    wide: u32,
    high: u32,
    edge: u32,
}

impl Stirred {
    /// Looks at each block with 48 samples; `touched` answers for sample `i` of a cell.
    fn new(width: u32, height: u32, touched: impl Fn(u32, u32, u32) -> bool + Sync) -> Stirred {
        let edge = block(height);
        let (wide, high) = (width.div_ceil(edge), height.div_ceil(edge));
        let apart = edge / 4;
        let look = |b: u32| {
            let (x, y) = (b % wide * edge, b / wide * edge);
            (0..48).any(|k| {
                let (x, y) = (x + k % 4 * apart, y + k / 4 % 4 * apart);
                touched(x.min(width - 1), y.min(height - 1), k / 16 * 7)
            })
        };
        let blocks = (0..wide * high).into_par_iter().map(look).collect();
        Stirred {
            blocks,
            wide,
            high,
            edge,
        }
    }

    /// Whether the block of a cell or one beside it is stirred.
    fn near(&self, x: u32, y: u32) -> bool {
        let (x, y) = (x / self.edge, y / self.edge);
        let rows = y.saturating_sub(1)..=(y + 1).min(self.high - 1);
        let columns = x.saturating_sub(1)..=(x + 1).min(self.wide - 1);
        rows.into_iter().any(|j| {
            columns
                .clone()
                .any(|i| self.blocks[(j * self.wide + i) as usize])
        })
    }
}

/// Piece and rod of a whole frame, pixel by pixel.
pub fn hung(world: &World, camera: &Camera, effort: Effort) -> Covers {
    let (width, height) = (camera.width, camera.height);
    let edge = block(height);
    let mut covers = Covers::new(width, height);
    for top in (0..height).step_by(64) {
        let rows = 64.min(height - top);
        let mut band = vec![Hanging::default(); width as usize * rows as usize];
        band.par_chunks_mut((width * edge) as usize)
            .enumerate()
            .for_each(|(block, lines)| {
                let y0 = top + block as u32 * edge;
                for x0 in (0..width).step_by(edge as usize) {
                    if !may_show(world, camera, x0, y0, edge as f32) {
                        continue;
                    }
                    for (j, line) in lines.chunks_mut(width as usize).enumerate() {
                        for x in x0..(x0 + edge).min(width) {
                            line[x as usize] = pixel(world, camera, effort, x, y0 + j as u32);
                        }
                    }
                }
            });
        band.chunks(width as usize).for_each(|row| covers.push(row));
    }
    covers
}

/// Whether any of a handful of rays through a block and its neighbourhood meets piece or rod.
fn may_show(world: &World, camera: &Camera, x: u32, y: u32, edge: f32) -> bool {
    (0..40).any(|i| {
        let mut s = Sampler::new(i, pixel_seed(4, x, y));
        let (a, b) = s.pair();
        let ray = camera.ray(
            x as f32 - 3.0 + (edge + 6.0) * a,
            y as f32 - 3.0 + (edge + 6.0) * b,
            s.pair(),
        );
        let far = f32::INFINITY;
        world.piece.strike(ray.from, ray.d, 0.0, far).is_some()
            || world.rod.strike(ray.from, ray.d, 0.0, far).is_some()
    })
}

fn pixel(world: &World, camera: &Camera, effort: Effort, x: u32, y: u32) -> Hanging {
    let mut cover = Hanging::default();
    for i in 0..effort.piece {
        let mut s = Sampler::new(i, pixel_seed(2, x, y));
        let ray = camera.sample(x, y, &mut s);
        let seen = |(t, meeting): (f32, Meeting)| {
            let Meeting::Solid { layer, .. } = meeting else {
                return None;
            };
            let light = (layer != Layer::Set).then(|| {
                Tracer::new(world, true)
                    .seen(ray, t, &meeting, s, 0)
                    .min(V3::splat(BRIGHTEST))
            });
            light.map(|light| (layer, light))
        };
        let add = |cover: &mut Cover, light| {
            cover.colour += light;
            cover.alpha += 1.0;
        };
        match seen(world.meet(ray.from, ray.d, 0.0, true)) {
            Some((Layer::Rod, light)) => {
                add(&mut cover.rod, light);
                // Light is as it was with the rod there: only the eye looks past it.
                if let Some((_, light)) = seen(world.meet_past_rod(ray.from, ray.d)) {
                    add(&mut cover.whole, light);
                }
            }
            Some((_, light)) => {
                add(&mut cover.piece, light);
                add(&mut cover.whole, light);
            }
            None => {}
        }
    }
    let n = effort.piece as f32;
    for part in [&mut cover.piece, &mut cover.rod, &mut cover.whole] {
        part.colour = part.colour / n;
        part.alpha /= n;
    }
    cover
}

/// Rows of the grid the ratio is worked out on, at most: it is smooth.
const FINEST: u32 = 450;

/// What piece and rod do to the light of the set, as a ratio a channel: 1 where nothing changes, less in shadow, more where
/// they throw light or are mirrored. On a grid of its own, then smoothed a little.
pub fn ratio(world: &World, camera: &Camera, effort: Effort) -> Raster {
    let height = FINEST.min(camera.height.div_ceil(2));
    let width = (height as u64 * camera.width as u64 / camera.height as u64) as u32;
    let step = camera.height as f32 / height as f32;
    let cell = |x: u32, y: u32, i: u32| {
        let mut s = Sampler::new(i, pixel_seed(3, x, y));
        let (a, b) = s.pair();
        let ray = camera.ray((x as f32 + a) * step, (y as f32 + b) * step, s.pair());
        pair(world, ray, s)
    };
    let stirred = Stirred::new(width, height, |x, y, i| cell(x, y, i).is_some_and(|p| p.2));
    let mut pixels = vec![V3::ONE; (width * height) as usize];
    pixels
        .par_chunks_mut(width as usize)
        .enumerate()
        .for_each(|(y, row)| {
            for (x, pixel) in row.iter_mut().enumerate() {
                let (x, y) = (x as u32, y as u32);
                if !stirred.near(x, y) {
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
