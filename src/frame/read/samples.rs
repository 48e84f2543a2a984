//! Samples of a rectangle, and what they mean: a picture in linear light, or coverage.
//!
//! Associated colour is divided by alpha before the curve (rule 6 of the language); alpha 0 is transparent black;
//! NaN and infinity are errors naming the pixel.

use super::FrameError;
use crate::budget::{Account, Charge};
use crate::color::Decoding;
use crate::frame::{Alpha, Colour, Header, SampleBuffer};
use crate::geom::Rect;
use crate::raster::{Matte, Picture, Premul, Raster};
use rayon::prelude::*;

/// Interleaved samples of `rect`, which is in the frame as seen; row by row.
#[derive(Debug)]
pub struct Samples {
    pub rect: Rect,
    pub channels: usize,
    pub buffer: SampleBuffer,
    _charge: Charge,
}

impl Samples {
    pub(super) fn new(
        rect: Rect,
        channels: usize,
        buffer: SampleBuffer,
        charge: Charge,
    ) -> Samples {
        Samples {
            rect,
            channels,
            buffer,
            _charge: charge,
        }
    }

    /// The part as linear premultiplied light in the working space of `decoding`, made for this frame's profile.
    pub fn picture(
        &self,
        part: Rect,
        header: &Header,
        decoding: &Decoding,
        account: &Account,
    ) -> Result<Picture, FrameError> {
        self.check(part)?;
        let mut picture = Raster::filled(part, Premul::CLEAR, account)?;
        let meaning = Meaning {
            gray: header.colour == Colour::Gray,
            alpha: match header.alpha {
                Alpha::None => None,
                _ => header.alpha_channel.map(usize::from),
            },
            associated: header.alpha == Alpha::Associated,
            decoding,
        };
        match &self.buffer {
            SampleBuffer::U8(codes) => {
                let tables = meaning.tables(|channel| decoding.table8(channel));
                self.codes(codes, tables, 255.0, &meaning, &mut picture)
            }
            SampleBuffer::U16(codes) => {
                let tables = meaning.tables(|channel| decoding.table16(channel));
                self.codes(codes, tables, 65535.0, &meaning, &mut picture)
            }
            SampleBuffer::U32(codes) => self.values(
                codes,
                |code| f64::from(code) / f64::from(u32::MAX),
                &meaning,
                &mut picture,
            )?,
            SampleBuffer::F32(values) => {
                self.values(values, f64::from, &meaning, &mut picture)?;
            }
        }
        Ok(picture)
    }

    /// One channel as coverage: a whole number over its largest, a float clamped to 0..1.
    pub fn coverage(
        &self,
        part: Rect,
        channel: usize,
        account: &Account,
    ) -> Result<Matte, FrameError> {
        self.check(part)?;
        if channel >= self.channels {
            return Err(FrameError::NoChannel {
                wanted: channel,
                channels: self.channels,
            });
        }
        let mut matte = Raster::filled(part, 0.0, account)?;
        for y in part.y0..part.y1 {
            let (start, end) = self.span(part, y);
            let out = matte.row_mut(y).iter_mut();
            match &self.buffer {
                SampleBuffer::U8(codes) => {
                    for (value, pixel) in out.zip(codes[start..end].chunks_exact(self.channels)) {
                        *value = f32::from(pixel[channel]) / 255.0;
                    }
                }
                SampleBuffer::U16(codes) => {
                    for (value, pixel) in out.zip(codes[start..end].chunks_exact(self.channels)) {
                        *value = f32::from(pixel[channel]) / 65535.0;
                    }
                }
                SampleBuffer::U32(codes) => {
                    for (value, pixel) in out.zip(codes[start..end].chunks_exact(self.channels)) {
                        *value = (f64::from(pixel[channel]) / f64::from(u32::MAX)) as f32;
                    }
                }
                SampleBuffer::F32(values) => {
                    let row = values[start..end].chunks_exact(self.channels);
                    for ((value, pixel), x) in out.zip(row).zip(part.x0..) {
                        let sample = pixel[channel];
                        if !sample.is_finite() {
                            return Err(FrameError::NotFinite { x, y, channel });
                        }
                        *value = sample.clamp(0.0, 1.0);
                    }
                }
            }
        }
        Ok(matte)
    }

    fn check(&self, part: Rect) -> Result<(), FrameError> {
        if self.rect.covers(&part) {
            return Ok(());
        }
        Err(FrameError::Outside {
            wanted: part,
            has: self.rect,
        })
    }

    /// Where row `y` of `part` begins and ends in the buffer.
    fn span(&self, part: Rect, y: i32) -> (usize, usize) {
        let row = (y - self.rect.y0) as usize * self.rect.width() as usize;
        let start = row + (part.x0 - self.rect.x0) as usize;
        (
            start * self.channels,
            (start + part.width() as usize) * self.channels,
        )
    }

    /// Whole codes small enough for tables.
    fn codes<C: Copy + Sync + Into<f32> + Into<f64> + Into<u32>>(
        &self,
        codes: &[C],
        tables: [&[f32]; 3],
        most: f32,
        meaning: &Meaning<'_>,
        picture: &mut Picture,
    ) {
        let part = picture.rect();
        let width = picture.width().max(1);
        let lines = picture.data_mut().par_chunks_mut(width).with_min_len(8);
        lines.zip(part.y0..part.y1).for_each(|(line, y)| {
            let (start, end) = self.span(part, y);
            let row = codes[start..end].chunks_exact(self.channels);
            for (out, pixel) in line.iter_mut().zip(row) {
                let look = |k: usize| {
                    let code: u32 = pixel[k].into();
                    tables[k][code as usize]
                };
                let code = meaning.alpha.map(|channel| pixel[channel]);
                let alpha = code.map_or(1.0, |code| Into::<f32>::into(code) / most);
                *out = if alpha == 0.0 {
                    Premul::CLEAR
                } else if let (true, Some(code)) = (meaning.associated && alpha != 1.0, code) {
                    let over: f64 = code.into();
                    meaning.pixel(alpha, |k| {
                        let own: f64 = pixel[k].into();
                        meaning.decoding.curve(k, own / over)
                    })
                } else {
                    meaning.pixel(alpha, look)
                };
            }
        });
    }

    /// Any other number, through the curve itself.
    fn values<V: Copy>(
        &self,
        values: &[V],
        encoded: impl Fn(V) -> f64,
        meaning: &Meaning<'_>,
        picture: &mut Picture,
    ) -> Result<(), FrameError> {
        let part = picture.rect();
        let colours = if meaning.gray { 1 } else { 3 };
        for y in part.y0..part.y1 {
            let (start, end) = self.span(part, y);
            let row = values[start..end].chunks_exact(self.channels);
            for ((out, pixel), x) in picture.row_mut(y).iter_mut().zip(row).zip(part.x0..) {
                for channel in (0..colours).chain(meaning.alpha) {
                    if !encoded(pixel[channel]).is_finite() {
                        return Err(FrameError::NotFinite { x, y, channel });
                    }
                }
                let alpha = meaning.alpha.map_or(1.0, |channel| encoded(pixel[channel]));
                if alpha <= 0.0 {
                    continue;
                }
                let over = if meaning.associated { alpha } else { 1.0 };
                *out = meaning.pixel(alpha.min(1.0) as f32, |k| {
                    meaning.decoding.curve(k, encoded(pixel[k]) / over)
                });
            }
        }
        Ok(())
    }
}

/// How a frame's channels are to be taken.
struct Meaning<'a> {
    gray: bool,
    alpha: Option<usize>,
    associated: bool,
    decoding: &'a Decoding,
}

impl Meaning<'_> {
    fn tables<'t>(&self, table: impl Fn(usize) -> &'t [f32]) -> [&'t [f32]; 3] {
        if self.gray {
            [table(0); 3]
        } else {
            [table(0), table(1), table(2)]
        }
    }

    /// Straight linear channels in the file's primaries to a premultiplied pixel of the working space. Gray gives
    /// equal channels, which stay equal in every space.
    fn pixel(&self, alpha: f32, linear: impl Fn(usize) -> f32) -> Premul {
        let [r, g, b] = if self.gray {
            [linear(0); 3]
        } else {
            self.decoding.to_space([linear(0), linear(1), linear(2)])
        };
        Premul([r * alpha, g * alpha, b * alpha, alpha])
    }
}
