//! The Laplacian at work: lines fitted to a matte window by window, and how far each pixel departs from the lines of the
//! windows that see it.

use rayon::prelude::*;

use super::lanes::{Four, LANES, Six, added, along, each, four, of, some};
use super::places::Run;
use super::{Lines, NONE, PIECE, Windows, times};

impl Windows {
    /// A matte (all pixels of the raster) at the pixels that windows look at.
    pub fn gathered(&self, matte: &[f32]) -> Vec<f32> {
        let mut values = vec![0.0; self.seen + LANES];
        for &(from, to, count) in &self.rows {
            values[to..to + count].copy_from_slice(&matte[from..from + count]);
        }
        values
    }

    /// Puts values of the listed pixels where windows look for them.
    pub fn spread(&self, of: &[f32], values: &mut [f32]) {
        for span in self.spans.iter().flatten() {
            let (first, own, count) = (span.first as usize, span.own as usize, span.count as usize);
            let out = values[own..own + count].iter_mut();
            out.zip(&of[first..first + count])
                .for_each(|(out, v)| *out = *v);
        }
    }

    /// The matte in `values` as a linear function of the colour, window by window.
    pub fn fit(&self, values: &[f32], lines: &mut Lines) {
        let [a, b, c, d] = &mut lines.0;
        a.par_chunks_mut(PIECE)
            .zip(b.par_chunks_mut(PIECE))
            .zip(c.par_chunks_mut(PIECE).zip(d.par_chunks_mut(PIECE)))
            .zip(&self.runs)
            .enumerate()
            .for_each(|(piece, (((a, b), (c, d)), runs))| {
                let mut out = [a, b, c, d];
                for run in runs {
                    self.fit_run(run, values, piece * PIECE, &mut out);
                }
            });
    }

    fn fit_run(&self, run: &Run, values: &[f32], before: usize, out: &mut [&mut [f32]; 4]) {
        let count = run.count as usize;
        let rows = run.rows.map(|row| row as usize);
        let values = rows.map(|row| &values[row..row + count + 2 + LANES]);
        let light: [[&[f32]; 3]; 3] =
            std::array::from_fn(|k| rows.map(|row| &self.light[k][row..row + count + 2 + LANES]));
        let first = run.first as usize;
        for x in (0..count).step_by(LANES) {
            let at = first + x;
            let mut sum = [0.0f32; LANES];
            let here: [&Six; 3] = values.map(|row| some(row, x));
            for row in here {
                let (v, w, u) = (of::<0>(row), of::<1>(row), of::<2>(row));
                sum = each(|l| sum[l] + v[l] + w[l] + u[l]);
            }
            let level = each(|l| sum[l] / 9.0);
            let mean = [0, 1, 2].map(|k| four(&self.mean[k], at));
            let mut slope = [[0.0f32; LANES]; 3];
            for (row, v) in here.into_iter().enumerate() {
                let light = [0, 1, 2].map(|k| some(light[k][row], x));
                added::<0>(&mut slope, v, light, &level, &mean);
                added::<1>(&mut slope, v, light, &level, &mean);
                added::<2>(&mut slope, v, light, &level, &mean);
            }
            let m = [0, 1, 2, 3, 4, 5].map(|k| four(&self.inverse[k], at));
            let [x0, x1, x2] = slope;
            let product = |a: Four, b: Four, c: Four| -> Four {
                each(|l| a[l] * x0[l] + b[l] * x1[l] + c[l] * x2[l])
            };
            let s = [
                product(m[0], m[1], m[2]),
                product(m[1], m[3], m[4]),
                product(m[2], m[4], m[5]),
            ];
            let base = each(|l| {
                level[l] - s[0][l] * mean[0][l] - s[1][l] * mean[1][l] - s[2][l] * mean[2][l]
            });
            let all = [s[0], s[1], s[2], base];
            for (out, line) in out.iter_mut().zip(&all) {
                let out = &mut out[at - before..];
                match out.first_chunk_mut() {
                    Some(out) if count - x >= LANES => *out = *line,
                    _ => (out.iter_mut().zip(line).take(count - x)).for_each(|(o, v)| *o = *v),
                }
            }
        }
    }

    /// The Laplacian times the matte that `values` and `lines` stand for, at the listed pixels of a piece: some of them at
    /// a time, with the first one's place in the list.
    pub fn misfits(
        &self,
        piece: usize,
        values: &[f32],
        lines: &Lines,
        mut each_some: impl FnMut(usize, &[f32]),
    ) {
        let Some(spans) = self.spans.get(piece) else {
            // A raster too small for windows.
            let last = ((piece + 1) * PIECE).min(self.listed);
            (piece * PIECE..last).for_each(|n| each_some(n, &[0.0]));
            return;
        };
        let lines = &lines.0;
        for span in spans {
            let (first, own, count) = (span.first as usize, span.own as usize, span.count as usize);
            if span.windows[0] == NONE {
                let c = [0, 1, 2].map(|k| self.light[k][own]);
                let mut sum = 0.0f32;
                for i in self.nine(span.first) {
                    let l = [0, 1, 2, 3].map(|k| lines[k][i]);
                    sum += values[own] - (l[0] * c[0] + l[1] * c[1] + l[2] * c[2] + l[3]);
                }
                each_some(first, &[sum]);
                continue;
            }
            let rows = span.windows.map(|w| {
                let w = w as usize;
                [0, 1, 2, 3].map(|k| &lines[k][w..w + count + 2 + LANES])
            });
            for x in (0..count).step_by(LANES) {
                let v = four(values, own + x);
                let c = [0, 1, 2].map(|k| four(&self.light[k], own + x));
                let mut sum = [0.0f32; LANES];
                for row in &rows {
                    let lines: [&Six; 4] = row.map(|list| some(list, x));
                    let (one, two) = (along::<0>(lines, &c), along::<1>(lines, &c));
                    let three = along::<2>(lines, &c);
                    sum = each(|n| sum[n] + (v[n] - one[n]) + (v[n] - two[n]) + (v[n] - three[n]));
                }
                each_some(first + x, &sum[..LANES.min(count - x)]);
            }
        }
    }

    /// The windows of a listed pixel at the border.
    fn nine(&self, first: u32) -> impl Iterator<Item = usize> {
        let at = self.rim.partition_point(|(n, _)| *n < first);
        let found = self.rim.get(at).map_or([NONE; 9], |(_, nine)| *nine);
        found.into_iter().filter(|&i| i != NONE).map(|i| i as usize)
    }

    /// The Laplacian's diagonal at the listed pixels, for a preconditioner.
    pub fn diagonal(&self, out: &mut [f32]) {
        out.par_chunks_mut(PIECE)
            .zip(&self.spans)
            .enumerate()
            .for_each(|(piece, (out, spans))| {
                for span in spans {
                    for x in 0..span.count {
                        let own = (span.own + x) as usize;
                        let c = [0, 1, 2].map(|k| self.light[k][own]);
                        let mut sum = 0.0;
                        let mut add = |i: usize| {
                            let d: [f32; 3] = std::array::from_fn(|k| c[k] - self.mean[k][i]);
                            let inverse = std::array::from_fn(|k| self.inverse[k][i]);
                            let s = times(&inverse, d);
                            sum += 1.0 - 1.0 / 9.0 - (d[0] * s[0] + d[1] * s[1] + d[2] * s[2]);
                        };
                        if span.windows[0] == NONE {
                            self.nine(span.first).for_each(&mut add);
                        } else {
                            for row in span.windows {
                                (row + x..row + x + 3).for_each(|i| add(i as usize));
                            }
                        }
                        out[(span.first + x) as usize - piece * PIECE] = sum.max(0.0);
                    }
                }
            });
    }
}
