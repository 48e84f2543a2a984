//! Accepted areas that lack the plate's texture. A piece may have the set's tone, its light may run smoothly, and an
//! outline may be too weak somewhere to stop a flood; but grain, weave and fibres lie where they lie. Where they ought
//! to be seen and aren't, there is no plate, whatever the light says.
//!
//! What ought to be seen is learnt from the set itself: windows are sorted by how strong the plate's detail is in them
//! against noise, and in each such class most windows show how much of it a frame repeats, and how evenly.

use rayon::prelude::*;

use super::super::tools::gauss;
use super::super::tools::labels::{self, Joined};
use super::cells::pooled;
use super::texture::Texture;
use crate::budget::{Account, OverBudget};
use crate::raster::Raster;

/// Blur of the windows, in their own cells; the windows' cells are 1, 2 and 4 cells wide.
const WINDOW: f64 = 3.0;
const SCALES: usize = 3;
/// Classes of detail: two an octave, from half the noise on. Stronger detail is judged cell by cell already, and there
/// edges that moved by a tenth of a pixel would seem to be missing.
const CLASSES: usize = 10;
/// Windows of a class that speak for it.
const FEW: usize = 200;
/// Texture is missing where less than this share of the usual is seen, and where that many deviations lack.
const SEEN: f32 = 0.2;
const LACK: f32 = 5.0;
/// Windows that lack this many deviations say nothing of what is usual.
const NO_SUCH: f32 = 3.0;
/// Deviations lacking in some cells of an area without texture.
const SURELY: f32 = 10.0;
/// Share of a window that must be accepted.
const COVERED: f32 = 0.35;
/// Cells that surely lack in the smallest area without texture.
const SMALLEST: u64 = 30;
/// Steps around it where it isn't clear what is whose: nearer ones go with it, as far as no wall lies between.
const AROUND: usize = 12;

/// Frame times plate, plate times plate, light of the noise, and cells.
type Sums = [f32; 4];

/// What windows of one class show: the share of the plate's detail found in the frame, and its deviation upwards.
#[derive(Clone, Copy, Debug)]
struct Usual {
    share: f32,
    deviation: f32,
    /// Light of a cell.
    light: f32,
}

/// Takes areas without the plate's texture out of `background`.
pub(super) fn left(
    background: &mut Raster<u8>,
    texture: &Texture,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = background.rect();
    let mut level = Raster::filled(rect, [0.0f32; 4], account)?;
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if background.at(x, y) > 0 {
                level.put(x, y, texture.sums(x, y));
            }
        }
    }
    let mut bare = Raster::filled(rect, 0u8, account)?;
    for scale in 0..SCALES {
        let window = gauss::blurred(&level, WINDOW, account)?;
        let cells = (1u32 << (2 * scale)) as f32;
        let usual = learnt(&window, cells);
        let step = 1i32 << scale;
        let width = bare.width().max(1);
        bare.data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(j, row)| {
                let y = (rect.y0 + j as i32).div_euclid(step);
                for (x, bare) in (rect.x0..).zip(row) {
                    let lack = lack(&window.at(x.div_euclid(step), y), &usual, cells);
                    *bare = (*bare).max(u8::from(lack > LACK) + u8::from(lack > SURELY));
                }
            });
        if scale + 1 < SCALES {
            level = pooled(&level, account)?;
        }
    }
    for (bare, &background) in bare.data_mut().iter_mut().zip(background.data()) {
        *bare *= background;
    }
    let parts = labels::parts(&bare, Joined::Sides, account)?;
    let mut surely = vec![0u64; parts.parts.len()];
    for (&bare, &label) in bare.data().iter().zip(parts.labels.data()) {
        if label > 0 {
            surely[label as usize - 1] += u64::from(bare > 1);
        }
    }
    for (bare, &label) in bare.data_mut().iter_mut().zip(parts.labels.data()) {
        *bare = u8::from(label > 0 && surely[label as usize - 1] >= SMALLEST);
    }
    if bare.data().contains(&1) {
        taken(background, &bare, account)?;
    }
    Ok(())
}

/// The class of a window, and the share of the plate's detail it shows.
fn placed(window: &Sums, cells: f32) -> Option<(usize, f32)> {
    let [seen, own, noise, count] = *window;
    if count < COVERED * cells || own <= 0.0 || noise <= 0.0 {
        return None;
    }
    // A number's exponent and the first bit behind it count halves of octaves.
    let halves = |v: f32| (v.to_bits() >> 22) as usize;
    let class = halves((2.0 * own / noise).max(1.0)) - halves(1.0);
    (class < CLASSES).then_some((class, seen / own))
}

fn learnt(window: &Raster<Sums>, cells: f32) -> [Option<Usual>; CLASSES] {
    let mut shares: [Vec<f32>; CLASSES] = std::array::from_fn(|_| Vec::new());
    let mut lights: [f64; CLASSES] = [0.0; CLASSES];
    for window in window.data() {
        // Whole windows are as sure as each other.
        if window[3] > 0.9 * cells
            && let Some((class, share)) = placed(window, cells)
        {
            shares[class].push(share);
            lights[class] += f64::from(window[2] / window[3]);
        }
    }
    std::array::from_fn(|class| {
        let shares = &mut shares[class];
        let count = shares.len();
        if count < FEW {
            return None;
        }
        // Upwards only: pieces the flood entered lie below. Twice: the second time without those.
        let (mut middle, mut high) = (0.0, 0.0);
        for _ in 0..2 {
            let mut at = |q: f32| {
                let i = (q * (shares.len() - 1) as f32) as usize;
                *shares.select_nth_unstable_by(i, f32::total_cmp).1
            };
            (middle, high) = (at(0.5), at(0.84));
            shares.retain(|share| *share >= middle - NO_SUCH * (high - middle));
        }
        Some(Usual {
            share: middle,
            deviation: high - middle,
            light: (lights[class] / count as f64) as f32,
        })
    })
}

/// How many deviations a window lacks of what is usual, 0 where it shows a fair share.
fn lack(window: &Sums, usual: &[Option<Usual>; CLASSES], cells: f32) -> f32 {
    let usual = placed(window, cells).and_then(|(class, share)| Some((usual[class]?, share)));
    match usual {
        Some((usual, share)) if share < SEEN * usual.share => {
            // Fewer cells are less sure, and so is what lies in shadow.
            let dim = (window[2] / window[3] / usual.light).min(1.0);
            let sure = dim * (window[3] / cells).min(1.0).sqrt();
            (usual.share - share) * sure / usual.deviation.max(1e-6)
        }
        _ => 0.0,
    }
}

/// Takes `bare` and what is nearer to it than to what is surely the set out of `background`. Steps go over accepted
/// cells only: what lies behind a wall isn't near.
fn taken(
    background: &mut Raster<u8>,
    bare: &Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = background.rect();
    let _held = account.charge(16 * background.data().len() as u64, "bare areas")?;
    // 0 open, 1 set, 2 bare.
    let mut owner = Raster::filled(rect, 0u8, account)?;
    let mut near = Raster::filled(rect, 0u8, account)?;
    let mut front = Vec::new();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if bare.at(x, y) > 0 {
                owner.put(x, y, 2);
                near.put(x, y, 1);
                front.push((x, y));
            }
        }
    }
    let bares = front.clone();
    for _ in 0..AROUND {
        front = stepped(&front, |x, y| {
            let new = rect.contains(x, y) && near.at(x, y) == 0;
            if new {
                near.put(x, y, 1);
            }
            new
        });
    }
    let mut sets = Vec::new();
    for y in rect.y0..rect.y1 {
        for x in rect.x0..rect.x1 {
            if background.at(x, y) > 0 && near.at(x, y) == 0 {
                owner.put(x, y, 1);
                sets.push((x, y));
            }
        }
    }
    let mut fronts = [sets, bares];
    while fronts.iter().any(|front| !front.is_empty()) {
        for (front, own) in fronts.iter_mut().zip([1, 2]) {
            *front = stepped(front, |x, y| {
                let new = rect.contains(x, y) && background.at(x, y) > 0 && owner.at(x, y) == 0;
                if new {
                    owner.put(x, y, own);
                }
                new
            });
        }
    }
    for (background, &owner) in background.data_mut().iter_mut().zip(owner.data()) {
        if owner == 2 {
            *background = 0;
        }
    }
    Ok(())
}

/// The neighbours of a front that `enters` says are new.
fn stepped(front: &[(i32, i32)], mut enters: impl FnMut(i32, i32) -> bool) -> Vec<(i32, i32)> {
    let mut next = Vec::new();
    for &(x, y) in front {
        for (px, py) in [(x, y - 1), (x - 1, y), (x + 1, y), (x, y + 1)] {
            if enters(px, py) {
                next.push((px, py));
            }
        }
    }
    next
}
