//! Standing behind the product: the set without it, so that its soft edge keeps its own colour.
//!
//! Where the product covers a pixel in part (0 < m < 1) the picture is m product + (1 - m) set. Laying a piece over
//! that with coverage (1 - m) a would cover product and set alike; what stands behind covers the set alone. So the
//! set without the product, X, is kept as well, everything that is laid on the picture is laid on it, and the picture
//! takes (1 - m) of what X gains: picture + (1 - m)(X' - X), for a piece of colour F and coverage a on the bare plate
//! B0 picture + (1 - m) a (F - B0). Where m is 0 or 1 that is the plain way.

use super::scope::{Placed, Scope};
use super::shadow;
use crate::blend::{self, Mixing, Mode};
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::Rect;
use crate::plan::MaskId;
use crate::raster::{Light, Matte, Picture, Premul};
use crate::settle::{BareSet, Settled, out_of_memory};

/// A product that pieces of a picture stand behind.
#[derive(Clone, Copy, Debug)]
pub struct Product<'a> {
    mask: MaskId,
    matte: &'a Matte,
    set: &'a BareSet,
    /// Canvas pixels where a piece can meet it.
    reach: Rect,
}

/// The products of a stack's own members. A group drawn alone has no picture of the product below it: there, and in a
/// preview, whose pixels are no plate's, coverage is all that counts.
pub(super) fn products<'a>(
    nodes: &[Placed],
    settled: &'a Settled,
    canvas: Rect,
) -> Vec<Product<'a>> {
    let mut products: Vec<Product> = Vec::new();
    for node in nodes {
        let Placed::Element(element) = node else {
            continue;
        };
        let Some(mask) = element.step.behind else {
            continue;
        };
        let Some(set) = settled.bare_set(mask, canvas) else {
            continue;
        };
        let matte = settled.mask(mask, canvas);
        let meets = matte.rect().intersected(&element.reach);
        match products.iter_mut().find(|p| p.mask == mask) {
            Some(product) => product.reach = product.reach.united(&meets),
            None => products.push(Product {
                mask,
                matte,
                set,
                reach: meets,
            }),
        }
    }
    products
}

/// The set without one product, in the part of a tile where its edge is soft. Elsewhere it is empty and unused.
pub(super) struct Bare<'a> {
    mask: MaskId,
    matte: &'a Matte,
    picture: Picture,
}

/// One for each product whose soft edge a tile shows.
pub(super) fn drawn<'a>(
    scope: &Scope<'a>,
    tile: Rect,
    account: &Account,
) -> Result<Vec<Bare<'a>>, Finding> {
    let mut bares = Vec::new();
    for product in &scope.products {
        let part = product.reach.intersected(&tile);
        let mut soft = Rect::EMPTY;
        for y in part.y0..part.y1 {
            let row = product.set.row(y, part.x0, part.x1);
            if let (Some((first, _)), Some((last, _))) = (row.first(), row.last()) {
                soft = soft.united(&Rect {
                    x0: *first,
                    y0: y,
                    x1: last + 1,
                    y1: y + 1,
                });
            }
        }
        if soft.is_empty() {
            continue;
        }
        let mut picture =
            Picture::filled(soft, Premul::CLEAR, account).map_err(|f| out_of_memory(&f))?;
        let mut ratios = Light::filled(soft, [1.0; 3], account).map_err(|f| out_of_memory(&f))?;
        // Shadows lie on the set behind the product as they lie on the picture of it.
        shadow::cast(&scope.shadows, &mut ratios);
        for y in soft.y0..soft.y1 {
            for &(x, light) in product.set.row(y, soft.x0, soft.x1) {
                let ratio = ratios.at(x, y);
                let [r, g, b] = std::array::from_fn(|k| light[k] * ratio[k]);
                picture.put(x, y, Premul([r, g, b, 1.0]));
            }
        }
        bares.push(Bare {
            mask: product.mask,
            matte: product.matte,
            picture,
        });
    }
    Ok(bares)
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

#[cfg(test)]
mod tests {
    use super::*;

    const NORMAL: Laying = Laying {
        opacity: 1.0,
        mode: Mode::Normal,
        mixing: Mixing::Linear,
    };

    fn sheet(value: f32, alpha: f32) -> Picture {
        let rect = Rect::of_size(1, 1);
        let pixel = Premul([value * alpha, value * alpha, value * alpha, alpha]);
        Picture::filled(rect, pixel, &Account::unlimited()).unwrap()
    }

    /// Product .8 over set .3 with coverage .4 is .5. Behind it a piece of .1 and then one of .6 that covers a half:
    /// each time m product + (1 - m) of what stands there.
    #[test]
    fn the_edge_of_a_product_keeps_its_colour() {
        let matte = Matte::filled(Rect::of_size(1, 1), 0.4, &Account::unlimited()).unwrap();
        let mut bare = Bare {
            mask: MaskId(0),
            matte: &matte,
            picture: sheet(0.3, 1.0),
        };
        let mut picture = sheet(0.5, 1.0);
        let mut set = 0.3;
        for (colour, alpha) in [(0.1, 1.0), (0.6, 0.5), (0.9, 0.25)] {
            let before = picture
                .cropped(picture.rect(), &Account::unlimited())
                .unwrap();
            bare.lay_behind(&sheet(colour, alpha), NORMAL, &before, &mut picture);
            set = alpha * colour + (1.0 - alpha) * set;
            let expected = 0.4 * 0.8 + 0.6 * set;
            let [r, .., a] = picture.at(0, 0).0;
            assert!((r - expected).abs() < 1e-6, "{r} {expected}");
            assert_eq!(a, 1.0);
        }
        // Nothing there changes nothing.
        let before = picture
            .cropped(picture.rect(), &Account::unlimited())
            .unwrap();
        bare.lay_behind(&sheet(0.9, 0.0), NORMAL, &before, &mut picture);
        assert_eq!(picture.data(), before.data());
    }
}
