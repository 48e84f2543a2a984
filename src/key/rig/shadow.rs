//! A rod's own shadow on the set: a narrow dark line in the light, about parallel to the rod, that like the rod comes
//! in from the frame's border.
//!
//! Light is read in blocks along the rod and columns beside it, where the set is seen. A line of columns that is
//! darker than both its sides in most blocks is a shadow, if the same search for brighter lines finds none like it.

use rayon::prelude::*;

use super::rod::Rod;
use crate::key::ground::Ground;
use crate::raster::Raster;

/// Pixels of a block along the rod and of a column beside it; shares of the rod's length that a
/// shadow may have from the border on, and its fewest blocks.
const BLOCK: usize = 12;
const COLUMN: f64 = 2.0;
const START: [f32; 2] = [1.0, 0.7];
const FEWEST: usize = 8;
/// How far beside the rod shadows are looked for, as a share of the frame's longer side.
const ASIDE: f64 = 0.4;
/// Widths tried, in columns; columns a shadow may lie more or less aside at the rod's end than at its start, as shares
/// of the rod's length.
const WIDTHS: [i32; 4] = [5, 9, 15, 23];
const LEAN: f64 = 0.25;
/// Least darkness, as a ratio; how many times that of the best bright line; share of blocks that show the line, each
/// at least this share of its darkness.
const LEAST: f32 = 0.008;
const PLAIN: f32 = 2.0;
const SHOWN: f32 = 0.75;
const MUCH: f32 = 0.3;
const MOST: f32 = 2.0;
/// Blocks that must be seen, as a share.
const SEEN: f32 = 0.6;
/// It must begin to be seen within so many blocks of the border.
const FIRST: usize = 2;
/// Pixels beside the rod's own mask that say nothing.
const BESIDE: f64 = 10.0;
/// How many times as dark what it ends at must be, within so many blocks.
const DARKER: f32 = 1.5;
const AHEAD: usize = 5;
/// Most shadows of one rod: one for each lamp.
const LAMPS: usize = 3;
/// Blocks behind the joint that a shadow may go on.
const BEHIND: usize = 12;
/// Share of the darkness at which a shadow ends across.
const RIM: f32 = 0.12;

/// Light beside a rod.
struct Beside {
    blocks: usize,
    columns: i32,
    /// NaN where the set isn't seen.
    light: Vec<f32>,
    /// Sums over the columns before each, of light and of how many are seen.
    upto: Vec<(f32, f32)>,
}

/// A line of columns: at the first block and how many more at each further one, its width and its darkness.
#[derive(Clone, Copy, Debug)]
struct Line {
    start: f64,
    lean: f64,
    width: i32,
    dark: f32,
}

impl Line {
    fn at(&self, block: usize) -> i32 {
        (self.start + self.lean * block as f64).round() as i32
    }
}

/// Marks the cells that the rods' shadows darken.
pub(super) fn marked(ground: &Ground, rods: &[Rod], shadow: &mut Raster<u8>) {
    for rod in rods {
        let from = first_inside(ground, rod);
        // Where the rod ends its shadow may have ended, or go on.
        let rows = rod.reach.nearest() - from as f32;
        let lengths = START.map(|share| {
            let blocks = (share * rows / BLOCK as f32) as usize;
            blocks.clamp(FEWEST, 1024)
        });
        let mut beside = Beside::read(ground, rod, from, 2 * lengths[0] + BEHIND);
        for _ in 0..LAMPS {
            let found = lengths
                .iter()
                .find_map(|&blocks| beside.darkest(blocks).map(|line| (line, blocks)));
            let Some((line, blocks)) = found else {
                break;
            };
            let (end, reach) = beside.extent(&line, blocks);
            if 2 * end < blocks || !beside.meets(&line, end) {
                break;
            }
            put(ground, rod, from, &line, (end, reach), shadow);
            beside.forget(&line, 2 * reach);
        }
    }
}

/// The first row along the rod whose middle lies in the frame.
fn first_inside(ground: &Ground, rod: &Rod) -> i32 {
    let rect = ground.background.rect();
    (rod.strip.first..rod.strip.end())
        .find(|&s| {
            let (x, y) = rod.axis.point(f64::from(s), 0.0);
            rect.contains((x / 2.0).floor() as i32, (y / 2.0).floor() as i32)
        })
        .unwrap_or(rod.strip.first)
}

/// The cell under a point beside the rod.
fn cell(rod: &Rod, s: f64, column: i32, middle: i32) -> (i32, i32) {
    let (x, y) = rod.axis.point(s, f64::from(column - middle) * COLUMN);
    ((x / 2.0).floor() as i32, (y / 2.0).floor() as i32)
}

/// Columns looked at, as many on both sides.
fn columns(ground: &Ground) -> i32 {
    let rect = ground.background.rect();
    let longer = f64::from(rect.width().max(rect.height())) * 2.0;
    2 * (ASIDE * longer / COLUMN) as i32 + 1
}

impl Beside {
    fn read(ground: &Ground, rod: &Rod, from: i32, blocks: usize) -> Beside {
        let rect = ground.background.rect();
        let columns = columns(ground);
        let middle = columns / 2;
        let light = (0..blocks * columns as usize)
            .into_par_iter()
            .with_min_len(256)
            .map(|at| {
                let (block, column) = (at / columns as usize, (at % columns as usize) as i32);
                let start = f64::from(from) + (block * BLOCK) as f64;
                let near = f64::from(column - middle).abs() * COLUMN < rod.half + BESIDE;
                let (mut sum, mut count) = (0.0f32, 0);
                for step in (1..BLOCK).step_by(2) {
                    let (x, y) = cell(rod, start + step as f64, column, middle);
                    if !near && rect.contains(x, y) && ground.background.at(x, y) > 0 {
                        let s = ground.light.cells.at(x, y);
                        sum += (s[0] + s[1] + s[2]) / 3.0;
                        count += 1;
                    }
                }
                let seen = count * 2 >= BLOCK / 2 && sum.is_finite();
                if seen { sum / count as f32 } else { f32::NAN }
            })
            .collect();
        let mut beside = Beside {
            blocks,
            columns,
            light,
            upto: Vec::new(),
        };
        beside.summed();
        beside
    }

    fn summed(&mut self) {
        self.upto.clear();
        for row in self.light.chunks(self.columns as usize) {
            let (mut sum, mut count) = (0.0f32, 0.0f32);
            self.upto.push((0.0, 0.0));
            for v in row {
                if !v.is_nan() {
                    // Sums of what departs from 1 keep their digits.
                    sum += v - 1.0;
                    count += 1.0;
                }
                self.upto.push((sum, count));
            }
        }
    }

    /// Mean over columns, where most are seen.
    fn mean(&self, block: usize, from: i32, to: i32) -> Option<f32> {
        if from < 0 || to > self.columns || from >= to {
            return None;
        }
        let row = block * (self.columns as usize + 1);
        let (a, b) = (self.upto[row + from as usize], self.upto[row + to as usize]);
        let count = b.1 - a.1;
        (count * 10.0 >= (to - from) as f32 * 6.0).then(|| 1.0 + (b.0 - a.0) / count)
    }

    /// How much darker a block is around a column than beside, against the darker and the brighter side.
    fn depth(&self, block: usize, column: i32, width: i32) -> Option<(f32, f32)> {
        let (half, near, far) = (width / 2, width * 3 / 4 + 1, width * 3 / 2 + 1);
        let own = self.mean(block, column - half, column + half + 1)?;
        let left = self.mean(block, column - far, column - near)?;
        let right = self.mean(block, column + near + 1, column + far + 1)?;
        let level = left.max(right).max(0.05);
        Some((
            (left.min(right) - own) / level,
            (left.max(right) - own) / level,
        ))
    }

    /// The plainest dark line over the first `blocks`.
    fn darkest(&self, blocks: usize) -> Option<Line> {
        let lean = LEAN * (blocks * BLOCK) as f64 / COLUMN;
        let ways: Vec<(i32, f64)> = WIDTHS
            .into_iter()
            .flat_map(|width| {
                let steps = (lean / f64::from(width)).ceil() as i32;
                (-steps..=steps).map(move |n| (width, f64::from(n * width)))
            })
            .collect();
        // The best of each way, then the first of the best: the same on any number of threads.
        let bests: Vec<(Option<Line>, f32)> = ways
            .par_iter()
            .map(|&(width, lean)| {
                let mut best: Option<Line> = None;
                let mut bright = 0.0f32;
                let mut depths: Vec<(f32, f32)> = Vec::new();
                let stride = (width / 2) as usize;
                for start in (0..self.columns).step_by(stride) {
                    let line = Line {
                        start: f64::from(start),
                        lean: lean / blocks as f64,
                        width,
                        dark: 0.0,
                    };
                    depths.clear();
                    let mut starts = false;
                    for block in 0..blocks {
                        if let Some(depth) = self.depth(block, line.at(block), width) {
                            starts |= block < FIRST && depth.0 > MUCH * LEAST;
                            depths.push(depth);
                        }
                        // Too few can be seen any more.
                        if ((depths.len() + blocks - block) as f32) < SEEN * blocks as f32 {
                            break;
                        }
                    }
                    let few = (depths.len() as f32) < SEEN * blocks as f32;
                    if few {
                        continue;
                    }
                    let middle = depths.len() / 2;
                    depths.sort_unstable_by(|a, b| a.1.total_cmp(&b.1));
                    bright = bright.max(-depths[middle].1);
                    depths.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
                    let dark = depths[middle].0;
                    let weak = depths.partition_point(|depth| depth.0 < MUCH * dark) as f32;
                    let shown = starts && weak <= (1.0 - SHOWN) * depths.len() as f32;
                    if shown && dark > LEAST && best.is_none_or(|best| dark > best.dark) {
                        best = Some(Line { dark, ..line });
                    }
                }
                (best, bright)
            })
            .collect();
        let bright = bests.iter().fold(0.0f32, |most, (_, v)| most.max(*v));
        let mut best: Option<Line> = None;
        for line in bests.iter().filter_map(|(line, _)| *line) {
            if best.is_none_or(|best| line.dark > best.dark) {
                best = Some(line);
            }
        }
        best.filter(|best| best.dark > PLAIN * bright)
    }

    /// The block at which a line ends, and how many columns it darkens to each side.
    fn extent(&self, line: &Line, blocks: usize) -> (usize, i32) {
        let usual = MUCH * line.dark..MOST * line.dark;
        let shows = |block: usize| {
            let depth = self.depth(block, line.at(block), line.width);
            depth.is_some_and(|depth| usual.contains(&depth.0))
        };
        let mut end = 0;
        while end < self.blocks && (end..end + 3).any(|block| block < self.blocks && shows(block)) {
            end += 1;
        }
        let far = line.width * 3 / 2 + 1;
        // Mean darkness at each distance, both sides together.
        let profile: Vec<f32> = (0..=far)
            .map(|off| {
                let (mut sum, mut count) = (0.0f32, 0.0f32);
                for block in 0..blocks {
                    let at = line.at(block);
                    let left = self.mean(block, at - far, at - far + 2);
                    let right = self.mean(block, at + far - 1, at + far + 1);
                    let (Some(left), Some(right)) = (left, right) else {
                        continue;
                    };
                    for column in [at - off, at + off] {
                        if let Some(own) = self.mean(block, column, column + 1) {
                            sum += 0.5 * (left + right) - own;
                            count += 1.0;
                        }
                    }
                }
                sum / count.max(1.0)
            })
            .collect();
        let reach = profile
            .iter()
            .position(|&dark| dark < RIM * line.dark)
            .unwrap_or(far as usize);
        (end, (reach as i32 + 1).max(line.width / 2))
    }

    /// Whether it ends at something darker, as the piece's own shadow is, or at what hides the set.
    fn meets(&self, line: &Line, end: usize) -> bool {
        let (near, far) = (line.width * 3 / 4 + 1, line.width * 3 / 2 + 1);
        let (mut level, mut count) = (0.0f32, 0.0f32);
        for block in 0..end {
            let at = line.at(block);
            let left = self.mean(block, at - far, at - near);
            let right = self.mean(block, at + near + 1, at + far + 1);
            for side in [left, right].into_iter().flatten() {
                level += side;
                count += 1.0;
            }
        }
        let dark = level / count.max(1.0) * (1.0 - DARKER * line.dark);
        (end..(end + AHEAD).min(self.blocks)).any(|block| {
            let (at, half) = (line.at(block), line.width / 2);
            self.mean(block, at - half, at + half + 1)
                .is_none_or(|own| own < dark)
        })
    }

    /// Takes a line out of what is seen.
    fn forget(&mut self, line: &Line, reach: i32) {
        for block in 0..self.blocks {
            let at = line.at(block);
            let (from, to) = ((at - reach).max(0), (at + reach + 1).min(self.columns));
            for column in from..to {
                self.light[block * self.columns as usize + column as usize] = f32::NAN;
            }
        }
        self.summed();
    }
}

fn put(
    ground: &Ground,
    rod: &Rod,
    from: i32,
    line: &Line,
    (end, reach): (usize, i32),
    shadow: &mut Raster<u8>,
) {
    let middle = columns(ground) / 2;
    // Half steps leave no gap between cells.
    for half in 0..2 * (end * BLOCK) as i32 {
        let along = f64::from(half) / 2.0;
        let column = line.start + line.lean * along / BLOCK as f64 - f64::from(middle);
        for step in -2 * reach..=2 * reach {
            let aside = (column + f64::from(step) / 2.0) * COLUMN;
            let (x, y) = rod.axis.point(f64::from(from) + along, aside);
            let (x, y) = ((x / 2.0).floor() as i32, (y / 2.0).floor() as i32);
            // What hides the set stays hidden.
            if ground.background.rect().contains(x, y) && ground.background.at(x, y) > 0 {
                shadow.put(x, y, 1);
            }
        }
    }
}
