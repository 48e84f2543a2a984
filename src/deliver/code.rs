//! Rows of linear light to stored codes: background, straight colour, profile, quantising.

use super::dither;
use crate::color::Encoding;
use crate::frame::SampleKind;
use crate::frame::write::Codes;
use crate::plan::{OutputPlan, Plan, ShotId};
use crate::raster::Premul;
use crate::render::Stored;
use crate::scene::{Depth, Intent};
use rayon::prelude::*;

/// Interleaved codes of some rows.
#[derive(Clone, Debug)]
pub(super) enum CodeBuffer {
    U8(Vec<u8>),
    U16(Vec<u16>),
    F32(Vec<f32>),
}

impl CodeBuffer {
    pub fn codes(&self) -> Codes<'_> {
        match self {
            CodeBuffer::U8(v) => Codes::U8(v),
            CodeBuffer::U16(v) => Codes::U16(v),
            CodeBuffer::F32(v) => Codes::F32(v),
        }
    }

    pub fn append(&mut self, mut other: CodeBuffer) {
        match (self, &mut other) {
            (CodeBuffer::U8(to), CodeBuffer::U8(from)) => to.append(from),
            (CodeBuffer::U16(to), CodeBuffer::U16(from)) => to.append(from),
            (CodeBuffer::F32(to), CodeBuffer::F32(from)) => to.append(from),
            _ => unreachable!("an output has one depth"),
        }
    }

    /// Takes the first `count` samples out.
    pub fn split(&mut self, count: usize) -> CodeBuffer {
        fn front<T>(all: &mut Vec<T>, count: usize) -> Vec<T> {
            let rest = all.split_off(count);
            std::mem::replace(all, rest)
        }
        match self {
            CodeBuffer::U8(v) => CodeBuffer::U8(front(v, count)),
            CodeBuffer::U16(v) => CodeBuffer::U16(front(v, count)),
            CodeBuffer::F32(v) => CodeBuffer::F32(front(v, count)),
        }
    }

    /// The samples of a rectangle cut out of rows of `stride` samples.
    pub fn cut(
        &self,
        rows: std::ops::Range<usize>,
        columns: std::ops::Range<usize>,
        stride: usize,
    ) -> CodeBuffer {
        fn part<T: Copy>(
            all: &[T],
            rows: std::ops::Range<usize>,
            columns: std::ops::Range<usize>,
            stride: usize,
        ) -> Vec<T> {
            let mut out = Vec::with_capacity(rows.len() * columns.len());
            for row in rows {
                out.extend_from_slice(
                    &all[row * stride + columns.start..row * stride + columns.end],
                );
            }
            out
        }
        match self {
            CodeBuffer::U8(v) => CodeBuffer::U8(part(v, rows, columns, stride)),
            CodeBuffer::U16(v) => CodeBuffer::U16(part(v, rows, columns, stride)),
            CodeBuffer::F32(v) => CodeBuffer::F32(part(v, rows, columns, stride)),
        }
    }
}

/// Turns rows of one output into codes.
#[derive(Debug)]
pub(super) struct Coder {
    encoding: Encoding,
    depth: Depth,
    colours: usize,
    alpha: bool,
    background: Option<[f32; 3]>,
    dither: bool,
    /// Shots whose stored codes this output holds as they are, by index.
    kept: Vec<Option<Kept>>,
}

/// How a shot's codes become the output's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kept {
    /// 8 bits in 16: x 257.
    Widened,
    /// The same kind of sample.
    Same,
}

impl Coder {
    pub fn new(plan: &Plan, output: &OutputPlan) -> Coder {
        let encoding = match output.intent {
            Intent::Absolute => Encoding::absolute(&plan.space, &output.profile),
            Intent::Relative | Intent::Perceptual | Intent::Saturation => {
                Encoding::new(&plan.space, &output.profile)
            }
        };
        let resized = output.size != (output.window.width(), output.window.height());
        let computed = resized || output.correct.is_some();
        let kept = plan
            .footage
            .shots
            .iter()
            .map(|shot| {
                let gray_to_rgb = shot.profile.is_gray() != output.profile.is_gray();
                if computed || gray_to_rgb || !shot.profile.same_colours(&output.profile) {
                    return None;
                }
                match (shot.frame.header().kind, output.target.depth) {
                    (SampleKind::U8, Depth::Sixteen) => Some(Kept::Widened),
                    (SampleKind::U16, Depth::Sixteen) => Some(Kept::Same),
                    (SampleKind::F32 | SampleKind::F16, Depth::ThirtyTwo) => Some(Kept::Same),
                    _ => None,
                }
            })
            .collect();
        Coder {
            colours: encoding.channels(),
            encoding,
            depth: output.target.depth,
            alpha: output.alpha,
            background: output.background,
            dither: output.target.dither,
            kept,
        }
    }

    pub fn keeps_codes(&self) -> bool {
        self.kept.iter().any(Option::is_some)
    }

    pub fn channels(&self) -> usize {
        self.colours + usize::from(self.alpha)
    }

    /// Codes of no pixels, of the output's kind.
    pub fn nothing(&self) -> CodeBuffer {
        match self.depth {
            Depth::Eight => CodeBuffer::U8(Vec::new()),
            Depth::Sixteen => CodeBuffer::U16(Vec::new()),
            Depth::ThirtyTwo => CodeBuffer::F32(Vec::new()),
        }
    }

    /// Bytes of one stored sample.
    pub fn sample_bytes(&self) -> u64 {
        match self.depth {
            Depth::Eight => 1,
            Depth::Sixteen => 2,
            Depth::ThirtyTwo => 4,
        }
    }

    /// Flattened where the output says so, then straight colour and alpha.
    fn straight(&self, pixel: Premul) -> ([f32; 3], f32) {
        let [r, g, b, a] = pixel.0;
        if let Some([br, bg, bb]) = self.background {
            let rest = 1.0 - a;
            return ([r + rest * br, g + rest * bg, b + rest * bb], 1.0);
        }
        if a == 1.0 {
            ([r, g, b], 1.0)
        } else if a > 0.0 {
            ([r / a, g / a, b / a], a)
        } else {
            ([0.0; 3], 0.0)
        }
    }

    /// Rows of the output, `first` the number of the topmost; `stored` goes with them row by row.
    pub fn rows(&self, first: u32, rows: &[&[Premul]], stored: &[Option<&[Stored]>]) -> CodeBuffer {
        let width = rows.first().map_or(0, |row| row.len());
        let stride = width * self.channels();
        fn coded<T: Send + Default + Clone>(
            stride: usize,
            count: usize,
            one: impl Fn(usize, &mut [T]) + Sync,
        ) -> Vec<T> {
            let mut out = vec![T::default(); stride * count];
            if stride > 0 {
                out.par_chunks_exact_mut(stride)
                    .enumerate()
                    .for_each(|(k, out)| one(k, out));
            }
            out
        }
        let count = rows.len();
        match self.depth {
            Depth::Eight => CodeBuffer::U8(coded(stride, count, |k, out| {
                self.row8(first + k as u32, rows[k], out);
            })),
            Depth::Sixteen => CodeBuffer::U16(coded(stride, count, |k, out| {
                self.row16(rows[k], stored[k], out);
            })),
            Depth::ThirtyTwo => CodeBuffer::F32(coded(stride, count, |k, out| {
                self.row32(rows[k], stored[k], out);
            })),
        }
    }

    fn row8(&self, y: u32, row: &[Premul], out: &mut [u8]) {
        let channels = self.channels();
        for ((x, pixel), out) in (0u32..).zip(row).zip(out.chunks_exact_mut(channels)) {
            let (rgb, a) = self.straight(*pixel);
            let values = self.encoding.unit(rgb);
            for (channel, code) in out.iter_mut().enumerate() {
                let v = if channel < self.colours {
                    values[channel]
                } else {
                    a
                };
                *code = if self.dither {
                    dither::dithered(v, x, y, channel as u32)
                } else {
                    dither::rounded(v)
                };
            }
        }
    }

    fn row16(&self, row: &[Premul], stored: Option<&[Stored]>, out: &mut [u16]) {
        let channels = self.channels();
        for (k, (pixel, out)) in row.iter().zip(out.chunks_exact_mut(channels)).enumerate() {
            if let Some((codes, kept)) = self.copied(stored, k) {
                for (channel, code) in out.iter_mut().enumerate() {
                    let own = codes[if channel < self.colours { channel } else { 3 }] as u16;
                    *code = if kept == Kept::Widened {
                        own * 257
                    } else {
                        own
                    };
                }
                continue;
            }
            let (rgb, a) = self.straight(*pixel);
            let codes = self.encoding.u16(rgb);
            out[..self.colours].copy_from_slice(&codes[..self.colours]);
            if self.alpha {
                out[self.colours] = (a * 65_535.0 + 0.5) as u16;
            }
        }
    }

    fn row32(&self, row: &[Premul], stored: Option<&[Stored]>, out: &mut [f32]) {
        let channels = self.channels();
        for (k, (pixel, out)) in row.iter().zip(out.chunks_exact_mut(channels)).enumerate() {
            if let Some((codes, _)) = self.copied(stored, k) {
                for (channel, value) in out.iter_mut().enumerate() {
                    let own = codes[if channel < self.colours { channel } else { 3 }];
                    // Adding zero writes -0 as +0.
                    *value = f32::from_bits(own) + 0.0;
                }
                continue;
            }
            let (rgb, a) = self.straight(*pixel);
            let values = self.encoding.float(rgb);
            for (channel, value) in out[..self.colours].iter_mut().enumerate() {
                *value = values[channel] + 0.0;
            }
            if self.alpha {
                out[self.colours] = a;
            }
        }
    }

    /// The codes pixel `k` was copied from, where this output may hold them.
    fn copied<'s>(&self, stored: Option<&'s [Stored]>, k: usize) -> Option<(&'s [u32; 4], Kept)> {
        let mark = &stored?[k];
        let ShotId(shot) = mark.shot()?;
        self.kept[shot].map(|kept| (&mark.codes, kept))
    }
}
