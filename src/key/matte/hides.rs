//! What hides the plate though it looks like it: paper before paper.
//!
//! Where a piece has the plate's own tone no pixel tells coverage, and one edge looks as wide as another. But a plate
//! has texture, and what hides it shows none of that: where a window shows nothing of the plate's texture the piece
//! is solid, however little it differs.

use super::measure::Sensed;
use super::slope::{self, slopes};
use crate::budget::{Account, OverBudget};
use crate::raster::{Matte, Raster};

/// The window, in pixels (deviation).
const WINDOW: f64 = 6.0;
/// A piece looks like the plate where it differs by less than this share of it in every channel.
const ALIKE: f32 = 0.15;
/// So far inside the outline windows begin, and what is asked lies, in pixels.
const RIM: f32 = 2.0;
const DEEP: f32 = 4.0;
/// Hidden where less than this of the texture shows, and so many standard deviations less than half.
const LITTLE: f32 = 0.2;
const HALF: f32 = 0.5;
const SURE: f32 = 4.0;
/// Looked for only where so many pixels were found less covered than this.
const MISSED: usize = 60;
const VEIL: f32 = 0.5;

/// Marks in `solid` those of the pixels `asked` that hide the plate, if `matte` misses many of them. `depth` in pixels
/// inside the outline; `seen` is 0 where no hole is known.
pub fn marked(
    sensed: &Sensed,
    depth: &Raster<f32>,
    seen: &Raster<u8>,
    asked: impl Iterator<Item = usize> + Clone,
    matte: &Matte,
    solid: &mut Raster<u8>,
    account: &Account,
) -> Result<(), OverBudget> {
    let asked = asked.filter(|&i| depth.data()[i] > DEEP && alike(sensed, i));
    let missed = asked.clone().filter(|&i| matte.data()[i] < VEIL);
    if missed.take(MISSED).count() < MISSED {
        return Ok(());
    }
    let windows = windows(sensed, depth, seen, account)?;
    for i in asked.filter(|&i| hidden(windows.data()[i])) {
        solid.data_mut()[i] = 1;
    }
    Ok(())
}

/// What windows of the piece show of the plate's texture, as [`slopes`] has it, over what has no hole.
pub fn windows(
    sensed: &Sensed,
    depth: &Raster<f32>,
    seen: &Raster<u8>,
    account: &Account,
) -> Result<Raster<[f32; 3]>, OverBudget> {
    let mut whole = Raster::filled(depth.rect(), 0.0f32, account)?;
    for (i, whole) in whole.data_mut().iter_mut().enumerate() {
        *whole = f32::from(u8::from(depth.data()[i] > RIM && seen.data()[i] == 0));
    }
    slopes(sensed, &whole, (slope::FINE, WINDOW), account)
}

/// Whether a window's slope of frame on plate, and how precisely it is known, is that of something that hides it.
pub fn hidden([slope, precision, _]: [f32; 3]) -> bool {
    slope < LITTLE && (HALF - slope.max(0.0)) * precision.sqrt() > SURE
}

fn alike(sensed: &Sensed, i: usize) -> bool {
    let (off, b) = (sensed.difference(i), sensed.backdrop.data()[i]);
    (0..3).all(|k| off[k].abs() < ALIKE * b[k])
}

#[cfg(test)]
mod tests {
    use super::super::super::Noise;
    use super::super::super::tools::dice::Dice;
    use super::*;
    use crate::geom::Rect;

    const PAPER: f32 = 0.6;

    /// Paper whose tone scatters by so much, and a scrap of it on the left half, in a camera of so much noise.
    fn scrap_on_paper<T>(texture: f32, noise: f32, act: impl FnOnce(&Sensed) -> T) -> T {
        let account = Account::unlimited();
        let rect = Rect::of_size(120, 80);
        let mut dice = Dice(5);
        let mut paper = |seen: f32| PAPER * (1.0 + texture * dice.normal()) + seen;
        let mut frame = Raster::filled(rect, [0.0; 3], &account).unwrap();
        let mut plate = Raster::filled(rect, [0.0; 3], &account).unwrap();
        let mut dice = Dice(6);
        for y in 0..80 {
            for x in 0..120 {
                let (set, own) = (paper(0.0), paper(0.0));
                let shown = if x < 60 { own } else { set };
                frame.put(x, y, [0; 3].map(|_| shown + noise * dice.normal()));
                plate.put(x, y, [0; 3].map(|_| set + noise * dice.normal()));
            }
        }
        // Noise is told of the difference between two frames.
        let noise = Noise {
            p: [0.0; 3],
            q: [2.0 * noise * noise; 3],
            r: [0.0; 3],
        };
        act(&Sensed::new(&frame, &plate, &noise, 1, &account).unwrap())
    }

    /// Shares of the scrap's and of the bare paper's pixels found to hide the plate.
    fn shares(sensed: &Sensed, covered: f32) -> [f32; 2] {
        let account = Account::unlimited();
        let rect = sensed.frame.rect();
        let depth = Raster::filled(rect, 20.0, &account).unwrap();
        let seen = Raster::filled(rect, 0, &account).unwrap();
        let matte = Matte::filled(rect, covered, &account).unwrap();
        let mut found = Raster::filled(rect, 0, &account).unwrap();
        let all = 0..rect.area() as usize;
        marked(sensed, &depth, &seen, all, &matte, &mut found, &account).unwrap();
        [(0, 50), (70, 120)].map(|(from, to)| {
            let all = (0..80).flat_map(|y| (from..to).map(move |x| (x, y)));
            let hides: u32 = all.map(|(x, y)| u32::from(found.at(x, y))).sum();
            hides as f32 / (80 * (to - from)) as f32
        })
    }

    #[test]
    fn paper_before_paper_hides_its_texture() {
        let [scrap, bare] = scrap_on_paper(0.02, 0.004, |s| shares(s, 0.1));
        assert!(scrap > 0.8, "{scrap}");
        assert!(bare < 0.01, "{bare}");
        // What the matte has is not looked for.
        assert_eq!(scrap_on_paper(0.02, 0.004, |s| shares(s, 1.0)), [0.0; 2]);
    }

    #[test]
    fn noise_leaves_it_open() {
        let [scrap, bare] = scrap_on_paper(0.002, 0.02, |s| shares(s, 0.1));
        assert!(scrap < 0.05 && bare < 0.05, "{scrap} {bare}");
    }
}
