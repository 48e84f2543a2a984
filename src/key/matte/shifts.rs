//! Shifts of a window's edge tried several at a time, side by side: the light that explains the window best under each.

use super::lanes::{Lanes, each, exp};
use super::plane::{Normals, Plane, TERMS};
use super::window::{Seen, USUAL, Window};

/// Shifts tried at a time.
const ABREAST: usize = 8;

/// An outward shift of a window's edge and of a bar's other one, in pixels, and the deviation of their profiles.
#[derive(Clone, Copy, Debug)]
pub struct Shift {
    pub by: f32,
    pub over: f32,
    pub deviation: f32,
}

/// Which edge of a bar is shifted.
#[derive(Clone, Copy, Debug)]
pub enum Which {
    Own,
    Other,
}

/// The best light along the hue and across it.
pub type Planes = Option<(Plane<1>, Plane<2>)>;

impl Window<'_> {
    /// The best planes of light for so many shifts.
    pub fn planes<const L: usize>(&self, seen: &Seen, shifts: [Shift; L]) -> [Planes; L] {
        let (mut along, mut across) = (Normals::<1, L>::NONE, Normals::<2, L>::NONE);
        let deviation: Lanes<L> = each(|l| shifts[l].deviation);
        let sharp: Lanes<L> = each(|l| 1.0 / deviation[l]);
        let by: Lanes<L> = each(|l| shifts[l].by);
        let over: Lanes<L> = each(|l| shifts[l].over);
        for p in &seen.pixels {
            let moved = if p.other { over } else { by };
            let z: Lanes<L> = each(|l| (p.distance + moved[l]) * sharp[l]);
            // Beyond the edge there is nothing but backdrop.
            let beyond = z.map(|z| z < -4.0);
            let bare = p.weight[1] * (p.off[1] * p.off[1] + p.off[2] * p.off[2]);
            let barely: Lanes<L> = each(|l| across.s[l] + bare);
            if beyond == [true; L] {
                let bare = p.weight[0] * p.off[0] * p.off[0];
                along.s = each(|l| along.s[l] + bare);
                across.s = barely;
                continue;
            }
            let s: Lanes<L> = each(|l| if beyond[l] { 0.0 } else { self.share(z[l]) });
            let rim = rims(z, deviation);
            let rim: Lanes<L> = each(|l| if beyond[l] { 0.0 } else { rim[l] });
            let depth: Lanes<L> = each(|l| p.depth + by[l]);
            let mut t = terms(s, rim, p.to, depth, p.way, deviation);
            if p.other {
                // Light of the last term is that seen from the first edge, cut off at the second.
                let cut: Lanes<L> = each(|l| {
                    (depth[l] * depth[l] + deviation[l] * deviation[l]) * s[l]
                        - (2.0 * depth[l] + z[l] * deviation[l]) * rim[l]
                });
                let last = t[TERMS - 1];
                t[TERMS - 1] = each(|l| if z[l] < 5.0 { cut[l] } else { last[l] });
            }
            let [a, b, c]: [Lanes<L>; 3] =
                [0, 1, 2].map(|k| each(|l| p.off[k] - s[l] * p.backdrop[k]));
            along.add(p.weight[0], &t, [a]);
            across.add(p.weight[1], &t, [b, c]);
            let whole = across.s;
            across.s = each(|l| if beyond[l] { barely[l] } else { whole[l] });
        }
        std::array::from_fn(|l| {
            let along = along.of(l).solved(seen.ridge[0])?;
            Some((along, across.of(l).solved(seen.ridge[1])?))
        })
    }

    /// What each of some shifts costs; infinite where nothing can be said.
    pub fn costs<const N: usize>(&self, seen: &Seen, shifts: [Shift; N], which: Which) -> [f32; N] {
        let mut costs = [f32::INFINITY; N];
        let all = shifts.chunks(ABREAST).zip(costs.chunks_mut(ABREAST));
        for (some, costs) in all {
            let last = some.len() - 1;
            let planes = self.planes::<ABREAST>(seen, std::array::from_fn(|l| some[l.min(last)]));
            for ((cost, shift), plane) in costs.iter_mut().zip(some).zip(planes) {
                let by = match which {
                    Which::Own => shift.by,
                    Which::Other => shift.over,
                };
                if let Some((along, across)) = plane {
                    *cost = along.cost + across.cost + by * by / (USUAL * USUAL);
                }
            }
        }
        costs
    }
}

/// A Gaussian's height over where it is cut, times its deviation; 0 far off.
#[inline(always)]
pub fn rims<const L: usize>(z: Lanes<L>, deviation: Lanes<L>) -> Lanes<L> {
    let near = z.map(|z| z.abs() < 5.0);
    let height: Lanes<L> = exp(each(|l| if near[l] { -0.5 * z[l] * z[l] } else { 0.0 }));
    each(|l| {
        if near[l] {
            deviation[l] * 0.398_942_3 * height[l]
        } else {
            0.0
        }
    })
}

/// See [`Window::terms`]; `rim` is what [`rims`] says.
#[inline(always)]
pub fn terms<const L: usize>(
    share: Lanes<L>,
    rim: Lanes<L>,
    to: [f32; 2],
    depth: Lanes<L>,
    way: [f32; 2],
    deviation: Lanes<L>,
) -> [Lanes<L>; TERMS] {
    [
        share,
        each(|l| share[l] * to[0] + rim[l] * way[0]),
        each(|l| share[l] * to[1] + rim[l] * way[1]),
        each(|l| {
            (depth[l] * depth[l] + deviation[l] * deviation[l]) * share[l] + depth[l] * rim[l]
        }),
    ]
}
