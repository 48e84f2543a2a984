//! Standing behind the product: the set without it, so that its soft edge keeps its own colour.
//!
//! Where the product covers a pixel in part (0 < m < 1) the picture is m product + (1 - m) set. Laying a piece over
//! that with coverage (1 - m) a would cover product and set alike; what stands behind covers the set alone. So the
//! set without the product, X, is drawn as well, everything that is laid on the picture is laid on it, and the
//! picture takes (1 - m) of what X gains: picture + (1 - m)(X' - X), for a piece of colour F and coverage a on the bare
//! plate B0 picture + (1 - m) a (F - B0). Where m is 0 or 1 that is the plain way.

use super::feed::Feeds;
use super::ground;
use super::scope::{Placed, Scope};
use crate::blend::{self, Mixing, Mode};
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::Rect;
use crate::plan::{MaskId, ShotId};
use crate::raster::{Matte, Picture, Premul};
use crate::settle::{Settled, out_of_memory};

/// A product that pieces of a picture stand behind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Product {
    pub mask: MaskId,
    /// The set without it.
    pub plate: ShotId,
    /// Canvas pixels where a piece can meet it.
    pub reach: Rect,
}

/// The products of a stack's own members. A group drawn alone has no picture of the product below it: there, and in a
/// preview, whose pixels are no plate's, coverage is all that counts.
pub(super) fn products(nodes: &[Placed], settled: &Settled, canvas: Rect) -> Vec<Product> {
    let mut products: Vec<Product> = Vec::new();
    for node in nodes {
        let Placed::Element(element) = node else {
            continue;
        };
        let (Some(mask), Some(plate)) = (element.step.behind, element.step.bare) else {
            continue;
        };
        let meets = settled
            .mask(mask, canvas)
            .rect()
            .intersected(&element.reach);
        match products.iter_mut().find(|p| p.mask == mask) {
            Some(product) => product.reach = product.reach.united(&meets),
            None => products.push(Product {
                mask,
                plate,
                reach: meets,
            }),
        }
    }
    products.retain(|product| !product.reach.is_empty());
    products
}

/// The set without one product, in the part of a tile where its edge is soft.
pub(super) struct Bare<'a> {
    mask: MaskId,
    matte: &'a Matte,
    picture: Picture,
}

/// One for each product whose soft edge a tile shows.
pub(super) fn drawn<'a>(
    scope: &Scope<'a>,
    feeds: &Feeds,
    tile: Rect,
    account: &Account,
) -> Result<Vec<Bare<'a>>, Finding> {
    let mut bares = Vec::new();
    for product in &scope.products {
        let matte = scope.settled.mask(product.mask, scope.stack.canvas);
        let Some(part) = soft(matte, product.reach.intersected(&tile)) else {
            continue;
        };
        let samples = feeds.bare(product.plate);
        bares.push(Bare {
            mask: product.mask,
            matte,
            picture: ground::drawn(
                scope,
                samples.map(|samples| (product.plate, samples)),
                part,
                None,
                account,
            )?,
        });
    }
    Ok(bares)
}

/// The box of half-covered pixels.
fn soft(matte: &Matte, within: Rect) -> Option<Rect> {
    let part = within.intersected(&matte.rect());
    let mut found = Rect::EMPTY;
    for y in part.y0..part.y1 {
        let row = matte.span(y, part.x0, part.x1);
        let half = |m: &f32| 0.0 < *m && *m < 1.0;
        if let (Some(first), Some(last)) = (row.iter().position(half), row.iter().rposition(half)) {
            found = found.united(&Rect {
                x0: part.x0 + first as i32,
                y0: y,
                x1: part.x0 + last as i32 + 1,
                y1: y + 1,
            });
        }
    }
    (!found.is_empty()).then_some(found)
}

/// How a source goes onto what is below.
#[derive(Clone, Copy)]
pub(super) struct Laying {
    pub opacity: f32,
    pub mode: Mode,
    pub mixing: Mixing,
}

impl Bare<'_> {
    pub fn is_of(&self, mask: Option<MaskId>) -> bool {
        mask == Some(self.mask)
    }

    /// Lays what does not stand behind this product on the set as on the picture.
    pub fn lay(&mut self, above: &Picture, laying: Laying) {
        let part = self.picture.rect().intersected(&above.rect());
        for y in part.y0..part.y1 {
            blend::composite(
                self.picture.span_mut(y, part.x0, part.x1),
                above.span(y, part.x0, part.x1),
                laying.opacity,
                laying.mode,
                laying.mixing,
            );
        }
    }

    /// Lays a piece behind the product on the set, and gives the picture its share where the edge is soft. `above` is
    /// the piece as if the product were not there, `before` the picture before anything of it was laid down.
    pub fn lay_behind(
        &mut self,
        above: &Picture,
        laying: Laying,
        before: &Picture,
        picture: &mut Picture,
    ) {
        let part = self.picture.rect().intersected(&above.rect());
        for y in part.y0..part.y1 {
            let old = self.picture.span(y, part.x0, part.x1).to_vec();
            let source = above.span(y, part.x0, part.x1);
            blend::composite(
                self.picture.span_mut(y, part.x0, part.x1),
                source,
                laying.opacity,
                laying.mode,
                laying.mixing,
            );
            let new = self.picture.span(y, part.x0, part.x1);
            let pixels = picture.span_mut(y, part.x0, part.x1).iter_mut();
            let sources = source.iter().zip(before.span(y, part.x0, part.x1));
            let sets = old.iter().zip(new);
            let mattes = self.matte.span(y, part.x0, part.x1);
            for (((pixel, (own, was)), (old, new)), &m) in pixels.zip(sources).zip(sets).zip(mattes)
            {
                if *own != Premul::CLEAR && 0.0 < m && m < 1.0 {
                    let gain = |k: usize| (1.0 - m) * (new.0[k] - old.0[k]);
                    *pixel = Premul(std::array::from_fn(|k| was.0[k] + gain(k)));
                }
            }
        }
    }

    /// The part of a picture that a piece behind this product may have to be given back.
    pub fn part_of(
        &self,
        picture: &Picture,
        above: Rect,
        account: &Account,
    ) -> Result<Picture, Finding> {
        picture
            .cropped(self.picture.rect().intersected(&above), account)
            .map_err(|f| out_of_memory(&f))
    }
}
