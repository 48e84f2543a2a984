//! What lies over a protected area: which member covers how much of it, and where.
//!
//! Each element's visible share of a pixel is its coverage times what everything above lets through, so that all
//! shares and the ground's add up to one. Shares are summed as whole 65,536ths of a pixel: no tiling or thread
//! count can change a reported number.

use crate::geom::Rect;
use crate::raster::{Matte, Picture};
use std::collections::BTreeMap;

/// A protected area as one output sees it.
#[derive(Debug)]
pub struct Watch<'a> {
    /// Canvas space.
    pub matte: &'a Matte,
    /// The output's window.
    pub window: Rect,
}

/// How much of a watch a tile's members cover, by element index.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    pub members: BTreeMap<usize, Covered>,
    /// The watch's own area in the tile.
    pub area: u64,
}

/// Area in 65,536ths of a pixel, and the box around what is covered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Covered {
    pub area: u64,
    pub place: Rect,
}

impl Tally {
    pub fn add(&mut self, other: &Tally) {
        self.area += other.area;
        for (index, covered) in &other.members {
            let own = self.members.entry(*index).or_insert(Covered {
                area: 0,
                place: Rect::EMPTY,
            });
            own.area += covered.area;
            own.place = own.place.united(&covered.place);
        }
    }
}

const UNIT: f32 = 65_536.0;

/// The visible share of every element in the watched part of one tile.
pub(super) struct Visible<'a> {
    watches: &'a [Watch<'a>],
    tile: Rect,
    /// Around all watches in the tile; empty when there are none.
    rect: Rect,
    layers: Vec<(usize, Vec<f32>)>,
}

/// Where a group's layers begin.
pub(super) struct Opened(usize);

impl<'a> Visible<'a> {
    pub fn new(watches: &'a [Watch<'a>], tile: Rect) -> Visible<'a> {
        let rect = watches.iter().fold(Rect::EMPTY, |all, watch| {
            let seen = watch.matte.rect().intersected(&watch.window);
            all.united(&seen.intersected(&tile))
        });
        Visible {
            watches,
            tile,
            rect,
            layers: Vec::new(),
        }
    }

    pub fn element(&mut self, index: usize, above: &Picture, opacity: f32) {
        let part = self.rect.intersected(&above.rect());
        if part.is_empty() {
            return;
        }
        let alpha = self.plane(part, |x, y| above.at(x, y).alpha() * opacity);
        for (_, share) in &mut self.layers {
            dim(share, &alpha);
        }
        self.layers.push((index, alpha));
    }

    pub fn open(&mut self) -> Opened {
        Opened(self.layers.len())
    }

    /// A group's mask acts on what is inside it.
    pub fn masked(&mut self, opened: &Opened, out: Rect, matte: Option<&Matte>) {
        let part = self.rect.intersected(&out);
        if part.is_empty() {
            return;
        }
        let factor = self.plane(part, |x, y| matte.map_or(0.0, |m| m.at(x, y)));
        for (_, share) in &mut self.layers[opened.0..] {
            for (s, f) in share.iter_mut().zip(&factor) {
                *s *= f;
            }
        }
    }

    /// The group goes down as one: it hides what lay there before it.
    pub fn close(&mut self, opened: Opened, group: &Picture, opacity: f32) {
        let part = self.rect.intersected(&group.rect());
        if part.is_empty() {
            return;
        }
        let alpha = self.plane(part, |x, y| group.at(x, y).alpha() * opacity);
        for (_, share) in &mut self.layers[..opened.0] {
            dim(share, &alpha);
        }
        for (_, share) in &mut self.layers[opened.0..] {
            for s in share {
                *s *= opacity;
            }
        }
    }

    pub fn tallies(self) -> Vec<Tally> {
        self.watches.iter().map(|watch| self.tally(watch)).collect()
    }

    fn tally(&self, watch: &Watch) -> Tally {
        let part = watch
            .matte
            .rect()
            .intersected(&watch.window)
            .intersected(&self.tile);
        let mut tally = Tally::default();
        for y in part.y0..part.y1 {
            for x in part.x0..part.x1 {
                tally.area += u64::from(whole(watch.matte.at(x, y)));
            }
        }
        for (index, share) in &self.layers {
            let mut covered = Covered {
                area: 0,
                place: Rect::EMPTY,
            };
            for y in part.y0..part.y1 {
                for x in part.x0..part.x1 {
                    let at = (y - self.rect.y0) as usize * self.rect.width() as usize
                        + (x - self.rect.x0) as usize;
                    let amount = whole(watch.matte.at(x, y) * share[at]);
                    covered.area += u64::from(amount);
                    // Less than one 8-bit code is nothing anyone could point at.
                    if f32::from(u16::try_from(amount).unwrap_or(u16::MAX)) > UNIT / 255.0 {
                        covered.place = covered.place.united(&Rect::new(x, y, 1, 1));
                    }
                }
            }
            if covered.area > 0 {
                tally.members.insert(*index, covered);
            }
        }
        tally
    }

    /// A plane over the watched part, zero outside `part`.
    fn plane(&self, part: Rect, value: impl Fn(i32, i32) -> f32) -> Vec<f32> {
        let width = self.rect.width() as usize;
        let mut plane = vec![0.0; self.rect.area() as usize];
        for y in part.y0..part.y1 {
            let row = (y - self.rect.y0) as usize * width;
            for x in part.x0..part.x1 {
                plane[row + (x - self.rect.x0) as usize] = value(x, y).clamp(0.0, 1.0);
            }
        }
        plane
    }
}

fn dim(share: &mut [f32], alpha: &[f32]) {
    for (s, a) in share.iter_mut().zip(alpha) {
        *s *= 1.0 - a;
    }
}

/// A share as whole 65,536ths.
fn whole(share: f32) -> u32 {
    (share * UNIT + 0.5) as u32
}
