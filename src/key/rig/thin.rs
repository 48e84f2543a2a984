//! Thin parts that may be rods: long, as thin at their end as at the piece, straight, and on the way to the border, but
//! not followed as rods. They stay in the matte; a photographer is asked to look.

use rayon::prelude::*;

use super::domain::{AROUND, Cell, Domain};
use super::labels::{self, Joined};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Raster;

/// Cells that a thin part is long, at least, and so many times its width.
const LONG: f64 = 20.0;
const SLIM: f64 = 5.0;
/// How straight: its ends' distance against the way along it.
const STRAIGHT: f64 = 0.9;
/// The farther half holds so much of what the nearer does: a point of the piece tapers.
const EVEN: f64 = 0.6;
/// How far from the border it may end, in its lengths; and a part that lies by itself.
const SHORT: f64 = 0.5;
const ALONE: f64 = 1.5;
/// Cells along the border that are its rim.
const RIM: i32 = 3;
/// Cells from the middle of a part to its side from which it is no thin part; a share of the widest rod.
const THICK: (i32, f64) = (4, 0.1);

/// Places of such parts in cells, of the largest part `main` of the mask without `rods`, and beside it. `widest` is the
/// widest rod in pixels.
pub(super) fn parts(
    domain: &Domain,
    main: &Raster<u8>,
    rods: &Raster<u8>,
    widest: f64,
    account: &Account,
) -> Result<Vec<Rect>, OverBudget> {
    let radius = THICK.0.max((THICK.1 * widest) as i32);
    let thick = opened(main, radius, account)?;
    let mut places = Vec::new();
    if !thick.data().contains(&1) {
        return Ok(places);
    }
    let rect = domain.rect;
    let mut thin = Raster::filled(rect, 0u8, account)?;
    let mut apart = Raster::filled(rect, 0u8, account)?;
    for j in rect.y0..rect.y1 {
        for i in rect.x0..rect.x1 {
            let of_main = main.at(i, j) == 1;
            thin.put(i, j, u8::from(of_main && thick.at(i, j) == 0));
            let other = domain.at(i, j) == Cell::Mask && rods.at(i, j) == 0 && !of_main;
            apart.put(i, j, u8::from(other));
        }
    }
    let rod_like = |cells: &Vec<(i32, i32)>| {
        let limb = Limb::of(cells, &thick)?;
        let out = limb.to_border(domain);
        (limb.is_rod_like(widest) && out <= SHORT * limb.length).then_some(limb.place)
    };
    places.par_extend(members(&thin, account)?.par_iter().filter_map(rod_like));
    for cells in members(&apart, account)? {
        if !is_rim(&cells, domain) && may_be_rod(&cells, domain, main, widest) {
            places.push(place(&cells));
        }
    }
    Ok(joined(places))
}

/// Whether a part lies along the border: there plate and frame don't always meet.
fn is_rim(cells: &[(i32, i32)], domain: &Domain) -> bool {
    let at_border = |&&(i, j): &&(i32, i32)| {
        [(RIM, 0), (-RIM, 0), (0, RIM), (0, -RIM)]
            .iter()
            .any(|(a, b)| domain.at(i + a, j + b) == Cell::Outside)
    };
    2 * cells.iter().filter(at_border).count() >= cells.len()
}

/// Places that overlap, as one.
fn joined(places: Vec<Rect>) -> Vec<Rect> {
    let mut joined: Vec<Rect> = Vec::new();
    for mut place in places {
        while let Some(at) = joined
            .iter()
            .position(|other| !other.intersected(&place).is_empty())
        {
            place = place.united(&joined.remove(at));
        }
        joined.push(place);
    }
    joined
}

/// The cells of each connected part that is long enough to ask about.
fn members(mask: &Raster<u8>, account: &Account) -> Result<Vec<Vec<(i32, i32)>>, OverBudget> {
    let parts = labels::parts(mask, Joined::SidesAndCorners, account)?;
    let rect = mask.rect();
    let mut members: Vec<Vec<(i32, i32)>> = vec![Vec::new(); parts.parts.len()];
    for j in rect.y0..rect.y1 {
        for i in rect.x0..rect.x1 {
            if let Some(part) = parts.at(i, j)
                && parts.parts[part].area as f64 >= LONG
            {
                members[part].push((i, j));
            }
        }
    }
    members.retain(|cells| !cells.is_empty());
    Ok(members)
}

fn place(cells: &[(i32, i32)]) -> Rect {
    (cells.iter()).fold(Rect::EMPTY, |all, &(i, j)| {
        all.united(&Rect::new(i, j, 1, 1))
    })
}

/// What stays of a mask when all that is thinner than a square of 2 `radius` + 1 cells is taken off.
fn opened(mask: &Raster<u8>, radius: i32, account: &Account) -> Result<Raster<u8>, OverBudget> {
    let eroded = swept(mask, radius, 0, account)?;
    swept(&eroded, radius + 1, 1, account)
}

/// Spreads `value` to all cells within `radius` rows and columns; beyond the mask is 0.
fn swept(
    mask: &Raster<u8>,
    radius: i32,
    value: u8,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let rect = mask.rect();
    let mut from = mask.cropped(rect, account)?;
    for way in [(1, 0), (0, 1)] {
        let mut to = Raster::filled(rect, 1 - value, account)?;
        let width = to.width().max(1);
        let rows = to.data_mut().par_chunks_mut(width).zip(rect.y0..rect.y1);
        rows.for_each(|(to, j)| {
            for (to, i) in to.iter_mut().zip(rect.x0..) {
                let met = (-radius..=radius).any(|n| {
                    let (i, j) = (i + n * way.0, j + n * way.1);
                    let here = if rect.contains(i, j) {
                        from.at(i, j)
                    } else {
                        0
                    };
                    here == value
                });
                if met {
                    *to = value;
                }
            }
        });
        from = to;
    }
    Ok(from)
}

/// A thin part that grows out of the piece in one place.
struct Limb {
    place: Rect,
    /// From where it leaves the piece to its end.
    root: (f64, f64),
    tip: (f64, f64),
    /// Along it, in cells.
    length: f64,
    width: f64,
    /// What its farther half holds against the nearer.
    even: f64,
}

impl Limb {
    fn of(cells: &[(i32, i32)], thick: &Raster<u8>) -> Option<Limb> {
        let all: std::collections::BTreeSet<(i32, i32)> = cells.iter().copied().collect();
        let rect = thick.rect();
        let rooted = |&(i, j): &(i32, i32)| {
            (AROUND.iter()).any(|(a, b)| rect.contains(i + a, j + b) && thick.at(i + a, j + b) == 1)
        };
        let roots: Vec<(i32, i32)> = cells.iter().copied().filter(rooted).collect();
        let mut met: std::collections::BTreeSet<(i32, i32)> = roots.iter().copied().collect();
        let mut layers = vec![roots];
        loop {
            let mut next = Vec::new();
            for &(i, j) in &layers[layers.len() - 1] {
                for (a, b) in AROUND {
                    let cell = (i + a, j + b);
                    if all.contains(&cell) && met.insert(cell) {
                        next.push(cell);
                    }
                }
            }
            if next.is_empty() {
                break;
            }
            layers.push(next);
        }
        let length = layers.len() as f64;
        let held = |layers: &[Vec<(i32, i32)>]| layers.iter().map(Vec::len).sum::<usize>() as f64;
        let (near, far) = layers.split_at(layers.len() / 2);
        let (root, tip) = (middle(layers.first()?)?, middle(layers.last()?)?);
        let width = held(&layers) / length;
        // Two roots hold a loop.
        let across = place(&layers[0]);
        let one = f64::from(across.width().max(across.height())) <= 2.5 * width + 4.0;
        one.then(|| Limb {
            place: place(cells),
            root,
            tip,
            length,
            width,
            even: held(far) / held(near).max(1.0),
        })
    }

    fn is_rod_like(&self, widest: f64) -> bool {
        let way = (self.tip.0 - self.root.0, self.tip.1 - self.root.1);
        // Layers go as fast across corners as along sides.
        let reached = way.0.abs().max(way.1.abs());
        self.length >= LONG
            && self.length >= SLIM * self.width
            && 2.0 * self.width <= widest
            && reached >= STRAIGHT * (self.length - 1.0)
            && self.even >= EVEN
    }

    /// Cells from its end straight on to the border.
    fn to_border(&self, domain: &Domain) -> f64 {
        to_outside(
            domain,
            self.tip,
            (self.tip.0 - self.root.0, self.tip.1 - self.root.1),
        )
    }
}

fn middle(cells: &[(i32, i32)]) -> Option<(f64, f64)> {
    let count = cells.len() as f64;
    let sum = (cells.iter()).fold((0.0, 0.0), |s, &(i, j)| {
        (s.0 + f64::from(i), s.1 + f64::from(j))
    });
    (count > 0.0).then(|| (sum.0 / count, sum.1 / count))
}

/// Steps of a cell from a place along a way to the first that lies outside.
fn to_outside(domain: &Domain, from: (f64, f64), way: (f64, f64)) -> f64 {
    steps(domain, from, way, |i, j| domain.at(i, j) == Cell::Outside)
}

/// Steps to the first cell that `ends` the way; without end beyond the domain.
fn steps(
    domain: &Domain,
    from: (f64, f64),
    way: (f64, f64),
    ends: impl Fn(i32, i32) -> bool,
) -> f64 {
    let long = libm::hypot(way.0, way.1);
    if long == 0.0 {
        return f64::INFINITY;
    }
    let most = domain.rect.width() + domain.rect.height();
    for n in 0..most {
        let (i, j) = (
            (from.0 + f64::from(n) * way.0 / long).round() as i32,
            (from.1 + f64::from(n) * way.1 / long).round() as i32,
        );
        if ends(i, j) {
            return f64::from(n);
        }
        if !domain.rect.contains(i, j) {
            break;
        }
    }
    f64::INFINITY
}

/// Whether a part by itself is long and thin, leads to the piece one way and soon to the border the other.
fn may_be_rod(cells: &[(i32, i32)], domain: &Domain, main: &Raster<u8>, widest: f64) -> bool {
    let Some(at) = middle(cells) else {
        return false;
    };
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for &(i, j) in cells {
        let (x, y) = (f64::from(i) - at.0, f64::from(j) - at.1);
        (xx, xy, yy) = (xx + x * x, xy + x * y, yy + y * y);
    }
    let count = cells.len() as f64;
    let half = 0.5 * (xx - yy);
    let root = (half * half + xy * xy).sqrt();
    // Sides of the even bar with such moments.
    let side = |moment: f64| (12.0 * moment.max(0.0) / count + 1.0).sqrt();
    let (long, wide) = (side(0.5 * (xx + yy) + root), side(0.5 * (xx + yy) - root));
    if long < LONG || long < SLIM * wide || 2.0 * wide > widest {
        return false;
    }
    let way = if xx >= yy {
        (half + root, xy)
    } else {
        (xy, root - half)
    };
    let to_piece = |way| {
        steps(domain, at, way, |i, j| {
            main.rect().contains(i, j) && main.at(i, j) == 1
        })
    };
    [(way, (-way.0, -way.1)), ((-way.0, -way.1), way)]
        .iter()
        .any(|&(in_, out)| {
            to_piece(in_).is_finite() && to_outside(domain, at, out) <= (0.5 + ALONE) * long
        })
}
