//! Where a frame lies on its plate, from coarse to fine.
//!
//! Both pictures are read once in bands at reduced size, where a whitened correlation finds the whole-pixel start
//! and a robust fit improves it; then full-size tiles with the most texture outside of pieces (the whole frame when
//! it is small) give the sub-pixel answer. What is not significant is not moved.

mod correlate;
mod fit;
mod fourier;
mod measure;
mod patch;
mod plane;
mod pose;
mod refine;
mod strange;
mod sums;
#[cfg(test)]
mod tests;
mod tiles;
mod verdict;
mod warped;

use rayon::prelude::*;

use super::{Alignment, Motion, Trust};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Seen;
use correlate::Peak;
use fit::{Fit, Place, approached, fitted};
use patch::Patch;
use pose::{GROWTH, Pose, SHIFT, TURN, Way};

/// Longest side of the reduced pictures, px.
const REDUCED: u32 = 512;
/// Frames up to so many pixels are compared whole at full size.
const WHOLE: u64 = 1_600_000;
/// Smaller pictures hold nothing to go by.
const SMALLEST: u32 = 24;
/// Search range: share of the longer side, and the least, px.
const RANGE: f64 = 0.04;
const LEAST_RANGE: f64 = 12.0;
/// A correlation peak this far above its surface's root mean square is no chance.
const PEAK: f64 = 7.0;
/// Below this height the set is faint.
const FAINT: f64 = 15.0;
/// A peak outside the search range counts only when it is so much higher than the best inside.
const CLEARLY: f64 = 1.5;
/// A fit at full size that correlates less than this may have begun too far off.
const LOST: f64 = 0.5;
/// Most rounds of a fit; three to eight are usual.
const ROUNDS: usize = 25;
/// A start on the reduced pictures is right to within so many of their pixels; lines or a weave of few reduced pixels
/// are seen as false pattern that leads a fit away.
const NEAR: f64 = 0.8;
/// A fit that stayed so near its start is right.
const ALIKE: f64 = 0.35;

/// Estimates where `frame` lies on `plate`.
///
/// A shift shorter than 0.05 px or than 3 of its own standard deviations is exactly zero; a turn or a change of
/// scale counts beyond 4.5 of its own and if it moves a corner by 0.05 px. The range searched is 4 % of the longer
/// side, at least 12 px. Memory stays below about 115 MB (sixteen tiles; 40 MB for a frame of 900 x 900 px) beside what
/// `frame` and `plate` hold.
pub fn aligned<F: Seen, P: Seen<Fault = F::Fault>>(
    frame: &F,
    plate: &P,
    motion: Motion,
    account: &Account,
) -> Result<Alignment, F::Fault> {
    let (rect, under) = (frame.rect(), plate.rect());
    let sides = [rect.width(), rect.height(), under.width(), under.height()];
    if sides.iter().any(|&side| side < SMALLEST) {
        return Ok(verdict::unknown(Trust::Featureless));
    }
    let longest = rect.width().max(rect.height());
    let shortest = sides.iter().copied().min().unwrap_or(1);
    let step = longest.div_ceil(REDUCED).min(shortest / SMALLEST).max(1);
    let range = (RANGE * f64::from(longest)).max(LEAST_RANGE);
    let ways = ways(motion);
    let still = Pose::still(&rect);
    let mut coarse = [patch::whole(frame, plate, step, account)?];
    let start = started(&mut coarse, &still, range, account)?;
    let pose = match start {
        Start::Beyond(shift) => return Ok(verdict::beyond(shift)),
        Start::Grain(pose) if step == 1 => {
            let place = grain(&coarse, pose, &ways);
            return Ok(concluded(&mut coarse, place, motion, &rect, account)?);
        }
        Start::Nowhere => still,
        Start::At(pose, _) | Start::Grain(pose) => pose,
    };
    let mut first = fitted(&coarse, pose, &SHIFT, ROUNDS);
    if ways.len() > 2 {
        first = fitted(&coarse, first.pose, &ways, ROUNDS);
    }
    if step == 1 {
        return Ok(concluded(
            &mut coarse,
            first.place(),
            motion,
            &rect,
            account,
        )?);
    }
    drop(coarse);
    let mut fine = if rect.area() <= WHOLE {
        vec![patch::whole(frame, plate, 1, account)?]
    } else {
        tiles::chosen(frame, plate, &first.blocks, &pose.map(), account)?
    };
    let off = first.pose.apart(&pose) / f64::from(step);
    let starts = match start {
        Start::Nowhere => vec![pose],
        _ if off < ALIKE => vec![first.pose],
        _ if off < NEAR => vec![pose, first.pose],
        _ => vec![pose],
    };
    let begun = likest(&fine, starts);
    let clear = matches!(start, Start::At(_, height) if height > FAINT);
    let led = clear.then(|| approached(&fine, begun, &ways, ROUNDS));
    if let Some(place) = led
        && fitted(&fine, place.pose, &ways, 0).correlation >= LOST
    {
        return Ok(concluded(&mut fine, place, motion, &rect, account)?);
    }
    // Texture too fine to live through the reduction, or so fine that a start a few pixels off is too far.
    let place = match started(&mut fine, &pose, range, account)? {
        Start::Beyond(shift) => return Ok(verdict::beyond(shift)),
        Start::Grain(pose) => grain(&fine, pose, &ways),
        Start::At(near, _) => {
            let starts = led.iter().map(|led| led.pose).chain([near]).collect();
            approached(&fine, likest(&fine, starts), &ways, ROUNDS)
        }
        Start::Nowhere => led.unwrap_or_else(|| approached(&fine, begun, &ways, ROUNDS)),
    };
    Ok(concluded(&mut fine, place, motion, &rect, account)?)
}

/// From a fit on everything to the answer: what is no part of the set is left out, then octaves are weighed.
fn concluded(
    patches: &mut [Patch],
    place: Place,
    motion: Motion,
    frame: &Rect,
    account: &Account,
) -> Result<Alignment, OverBudget> {
    let ways = ways(motion);
    leave_out(patches, &place.pose, place.spread, strange::FITTED, account)?;
    let sharp = Fit {
        proven: place.proven,
        ..fitted(patches, place.pose, &ways, 0)
    };
    let octaves = octaves(patches, account)?;
    let last = refine::refitted(&octaves, sharp, &ways);
    Ok(verdict::judged(patches, &octaves, last, motion, frame))
}

/// A fit that stays where a start by grain alone is: coarser detail than grain, that a fit would follow, knows less.
fn grain(patches: &[Patch], pose: Pose, ways: &[Way]) -> Place {
    Place {
        proven: true,
        ..fitted(patches, pose, ways, 0).place()
    }
}

/// Where the fit begins.
#[derive(Clone, Copy, Debug)]
enum Start {
    /// No match stands out.
    Nowhere,
    /// A whole-pixel match, and how high it stands.
    At(Pose, f64),
    /// A match of faint grain, to a fraction of a pixel.
    Grain(Pose),
    /// The best match lies beyond the range.
    Beyond([f64; 2]),
}

/// The best match of everything, or where that is no clear one, of the set alone: a piece drowns faint grain.
fn started(
    patches: &mut [Patch],
    pose: &Pose,
    range: f64,
    account: &Account,
) -> Result<Start, OverBudget> {
    let all = correlate::peaks(patches, range, correlate::COMMON, account)?;
    let height = |peaks: Option<[Peak; 2]>| peaks.map_or(0.0, |[inside, _]| inside.height);
    if height(all) < FAINT {
        let spread = fitted(patches, *pose, &SHIFT, 0).place().spread;
        leave_out(patches, pose, spread, strange::STARTED, account)?;
        let beside = correlate::peaks(patches, range, correlate::GRAIN, account)?;
        if let Some([peak, _]) = beside
            && peak.height > PEAK.max(height(all))
        {
            let place = [0, 1].map(|k| peak.shift[k] + peak.summit[k]);
            return Ok(Start::Grain(pose.placed(place)));
        }
        for patch in patches.iter_mut() {
            patch.set = None;
        }
    }
    let Some(peaks) = all else {
        return Ok(Start::Nowhere);
    };
    if let Some(beyond) = outside(patches, peaks, pose) {
        return Ok(Start::Beyond(beyond));
    }
    Ok(if peaks[0].height > PEAK {
        Start::At(pose.placed(peaks[0].shift), peaks[0].height)
    } else {
        Start::Nowhere
    })
}

/// Leaves out what is no part of the set under a pose.
fn leave_out(
    patches: &mut [Patch],
    pose: &Pose,
    spread: f32,
    off: f32,
    account: &Account,
) -> Result<(), OverBudget> {
    for patch in patches.iter_mut() {
        patch.set = Some(strange::found(patch, &pose.map(), spread, off, account)?);
    }
    Ok(())
}

/// The start under which the pictures are most alike.
fn likest(patches: &[Patch], starts: Vec<Pose>) -> Pose {
    let mut best = starts[0];
    if starts.len() > 1 {
        let mut most = f64::NEG_INFINITY;
        for start in starts {
            let blocks = fitted(patches, start, &SHIFT, 0).blocks;
            let alike = blocks.iter().map(|block| block.cut_product).sum();
            if alike > most {
                (best, most) = (start, alike);
            }
        }
    }
    best
}

/// All patches by octaves, finest first.
fn octaves(patches: &mut [Patch], account: &Account) -> Result<Vec<Vec<Patch>>, OverBudget> {
    let mut octaves: Vec<Vec<Patch>> = Vec::new();
    let split: Vec<Result<Vec<Patch>, OverBudget>> = patches
        .par_iter_mut()
        .map(|patch| patch.octaves(account))
        .collect();
    for patch in split {
        for (level, octave) in patch?.into_iter().enumerate() {
            if octaves.len() == level {
                octaves.push(Vec::new());
            }
            octaves[level].push(octave);
        }
    }
    Ok(octaves)
}

fn ways(motion: Motion) -> Vec<Way> {
    match motion {
        Motion::Shift => SHIFT.to_vec(),
        Motion::Similarity => vec![SHIFT[0], SHIFT[1], TURN, GROWTH],
        Motion::Perspective => pose::perspective(),
    }
}

/// The match beyond the range, where it is the better one and a fit there finds the pictures alike.
fn outside(patches: &[Patch], peaks: [Peak; 2], pose: &Pose) -> Option<[f64; 2]> {
    let [inside, whole] = peaks;
    if whole.height < PEAK || whole.height < CLEARLY * inside.height {
        return None;
    }
    let start = pose.placed(whole.shift);
    let fit = fitted(patches, start, &SHIFT, 3);
    (fit.evidence > verdict::EVIDENCE && fit.correlation > verdict::ALIKE).then_some(whole.shift)
}
