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
mod sums;
mod tiles;
mod verdict;
mod warped;

use rayon::prelude::*;

use super::{Alignment, Motion, Trust};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;

use crate::raster::Seen;
use correlate::Peak;
use fit::fitted;
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
/// A peak outside the search range counts only when it is so much higher than the best inside.
const CLEARLY: f64 = 1.5;
/// Most rounds of a fit; three to eight are usual.
const ROUNDS: usize = 25;

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
    let mut coarse = [patch::whole(frame, plate, step, account)?];
    let mut pose = Pose::still(&rect);
    let mut found = None;
    if let Some(peaks) = correlate::peaks(&coarse, range, account)? {
        if let Some(beyond) = outside(&coarse, peaks, &rect) {
            return Ok(verdict::beyond(beyond));
        }
        if peaks[0].height > PEAK {
            found = Some(peaks[0].shift);
        }
    }
    if let Some(shift) = found {
        pose = pose.moved(&SHIFT, &shift);
    }
    let mut first = fitted(&coarse, pose, &SHIFT, ROUNDS);
    if ways.len() > 2 {
        first = fitted(&coarse, first.pose, &ways, ROUNDS);
    }
    if step == 1 {
        let octaves = octaves(&mut coarse, account)?;
        let last = refine::refitted(&octaves, first, &ways);
        return Ok(verdict::judged(&coarse, &octaves, last, motion, &rect));
    }
    if found.is_some() && near(&first.pose, &pose, step) {
        pose = first.pose;
    }
    drop(coarse);
    let mut fine = if rect.area() <= WHOLE {
        vec![patch::whole(frame, plate, 1, account)?]
    } else {
        tiles::chosen(frame, plate, &first.blocks, &pose.map(), account)?
    };
    if found.is_none()
        && let Some(peaks) = correlate::peaks(&fine, range, account)?
    {
        // Texture too fine to live through the reduction.
        if let Some(beyond) = outside(&fine, peaks, &rect) {
            return Ok(verdict::beyond(beyond));
        }
        if peaks[0].height > PEAK {
            pose = Pose::still(&rect).moved(&SHIFT, &peaks[0].shift);
        }
    }
    let sharp = fitted(&fine, pose, &ways, ROUNDS);
    let octaves = octaves(&mut fine, account)?;
    let last = refine::refitted(&octaves, sharp, &ways);
    Ok(verdict::judged(&fine, &octaves, last, motion, &rect))
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
fn outside(patches: &[Patch], peaks: [Peak; 2], frame: &Rect) -> Option<[f64; 2]> {
    let [inside, whole] = peaks;
    if whole.height < PEAK || whole.height < CLEARLY * inside.height {
        return None;
    }
    let start = Pose::still(frame).moved(&SHIFT, &whole.shift);
    let fit = fitted(patches, start, &SHIFT, 3);
    (fit.evidence > verdict::EVIDENCE && fit.correlation > verdict::ALIKE).then_some(whole.shift)
}

/// Whether a fit stayed near its start, as it does where there was something to fit.
fn near(fit: &Pose, start: &Pose, step: u32) -> bool {
    let (a, b) = (fit.shift(), start.shift());
    let limit = 3.0 * f64::from(step);
    (a[0] - b[0]).abs() < limit && (a[1] - b[1]).abs() < limit
}
