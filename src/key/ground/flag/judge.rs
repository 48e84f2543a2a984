//! Which of the places where light departs are a flag's work. A flag stands outside the frame and far from the set: what
//! it does is broad, reaches the frame's border and runs along it, and does not fade with the distance from the piece,
//! as all does that a piece takes or throws.

use super::blocks::Blocks;

/// A departure counts from this much (logarithm of the ratio),
pub(super) const AMOUNT: f64 = 0.03;
/// and from so many deviations of how light drifts over the rest of the frame; where that is much, from more: what drifts
/// everywhere is no local change, and drifts far somewhere.
const DEVIATIONS: f64 = 8.0;
const MUCH: f64 = 0.014;
/// A place departs by so many times more than any other that is none, and than any to the other side.
const OTHERS: f64 = 1.7;
/// A block counts if so much of it is seen.
pub(super) const SEEN: f64 = 0.3;
/// A place departs by half of its most over at least this share of the frame,
const BROAD: f64 = 0.01;
/// and lies along this share of the shorter side, or has this share of the frame.
const ALONG: f64 = 0.2;
const WIDE: f64 = 0.05;
/// A place is all that departs by this share of the limit where some of it departs by all.
const SLOPE: f64 = 0.5;
/// Light that departs by less than this share of its most, where it is farthest from the piece, fades with that.
const FADES: f64 = 0.75;
/// It is plain from this share of its most on, and a place is as broad as it is plain.
const TOUCHES: f64 = 0.5;
/// Blocks that are beside what may be the piece's.
const BESIDE: usize = 3;

/// A place where light departs to one side.
#[derive(Clone, Debug)]
pub(super) struct Place {
    /// Its blocks, all beyond what may be the piece's own.
    pub blocks: Vec<usize>,
    /// Where it departs most, and by how much.
    pub at: usize,
    pub peak: f64,
    /// Whether it fades with the distance from the piece.
    pub fades: bool,
    /// Whether it is plain beside the piece.
    pub touches: bool,
    /// Blocks of the frame's border along which it is plain.
    pub along: usize,
}

/// What a place must depart by where light drifts by such a `deviation`.
pub(super) fn limit(deviation: f64) -> f64 {
    let more = (deviation - MUCH).max(0.0);
    AMOUNT.max(DEVIATIONS * (deviation + more))
}

/// Of the places those that are a flag's work: that depart by more than `limit`, and stand out from all others. Where
/// light is now brighter, now darker all over the frame, none is local.
pub(super) fn flags(places: Vec<Place>, limit: f64) -> Vec<Place> {
    let most = |of: &dyn Fn(&Place) -> bool| {
        let sizes = places.iter().filter(|p| of(p)).map(|p| p.peak.abs());
        sizes.fold(0.0f64, f64::max)
    };
    let small = most(&|p| p.peak.abs() <= limit);
    let (brighter, darker) = (most(&|p| p.peak > 0.0), most(&|p| p.peak < 0.0));
    let stands_out = |place: &Place| {
        let opposite = if place.peak > 0.0 { darker } else { brighter };
        place.peak.abs() > limit.max(OTHERS * small.max(opposite))
    };
    let mut found = places.clone();
    found.retain(stands_out);
    found
}

/// Places that depart by more than `limit` and are broad enough, in reading order. `light` is the logarithm of the
/// brightness of each block, `known` how much is seen of it, `own` what may be the piece's, `close` what lies about it.
pub(super) fn places(
    blocks: &Blocks,
    light: &[f64],
    known: &[f64],
    (own, close): (&[bool], &[bool]),
    limit: f64,
) -> Vec<Place> {
    let near = blocks.grown(own, BESIDE);
    let at_piece = blocks.grown(close, BESIDE);
    let departs = |at: usize| !own[at] && known[at] > SEEN && light[at].abs() > SLOPE * limit;
    let mut taken = vec![false; blocks.count()];
    let mut found = Vec::new();
    let shorter = blocks.width.min(blocks.height) as f64;
    for first in 0..blocks.count() {
        if taken[first] || !departs(first) {
            continue;
        }
        let (mut open, mut parts) = (vec![first], Vec::new());
        taken[first] = true;
        let (mut rim, mut beside, mut apart) = (0usize, 0.0f64, 0.0f64);
        let mut at_its_piece = 0.0f64;
        let mut at_most = first;
        while let Some(at) = open.pop() {
            parts.push(at);
            let size = light[at].abs();
            if size > light[at_most].abs() {
                at_most = at;
            }
            let part = if near[at] { &mut beside } else { &mut apart };
            *part = part.max(size);
            if at_piece[at] {
                at_its_piece = at_its_piece.max(size);
            }
            let around = blocks.beside(at);
            rim += usize::from(around.contains(&None));
            for next in around.into_iter().flatten() {
                let same = (light[next] > 0.0) == (light[first] > 0.0);
                if !taken[next] && same && departs(next) {
                    taken[next] = true;
                    open.push(next);
                }
            }
        }
        let share = |count: usize| count as f64 / blocks.count() as f64;
        let wide = share(parts.len()) >= WIDE;
        let reaches = rim as f64 >= ALONG * shorter || wide;
        let half = |at: &&usize| light[**at].abs() >= TOUCHES * light[at_most].abs();
        let broad = share(parts.iter().filter(half).count()) >= BROAD;
        let at_rim = |at: &&usize| blocks.beside(**at).contains(&None);
        let along = parts.iter().filter(half).filter(at_rim).count();
        if broad && reaches && light[at_most].abs() > limit {
            found.push(Place {
                blocks: parts,
                at: at_most,
                peak: light[at_most],
                fades: apart < FADES * beside,
                touches: at_its_piece >= TOUCHES * light[at_most].abs(),
                along,
            });
        }
    }
    found
}

/// The place with all around it that departs to the same side by more than `least`, the piece's own blocks too.
pub(super) fn reached(blocks: &Blocks, light: &[f64], place: &Place, least: f64) -> Vec<bool> {
    let mut reached = vec![false; blocks.count()];
    let mut open = place.blocks.clone();
    for &at in &open {
        reached[at] = true;
    }
    let departs = |at: usize| light[at].abs() > least && (light[at] > 0.0) == (place.peak > 0.0);
    while let Some(at) = open.pop() {
        for next in blocks.beside(at).into_iter().flatten() {
            if !reached[next] && departs(next) {
                reached[next] = true;
                open.push(next);
            }
        }
    }
    reached
}
