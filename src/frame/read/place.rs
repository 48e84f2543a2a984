//! Stored rows into an oriented rectangle.

use super::orient;
use crate::geom::{PixelMap, Rect};

/// A rectangle of a frame as seen, filled from stored rows in any order.
#[derive(Clone, Copy, Debug)]
pub struct Placement {
    map: PixelMap,
    /// As seen.
    rect: Rect,
    channels: usize,
}

impl Placement {
    /// `width` and `height` are the stored sides; `rect` lies inside the frame as seen.
    pub fn new(orientation: u8, width: u32, height: u32, rect: Rect, channels: usize) -> Placement {
        Placement {
            map: orient::seen(orientation, width, height),
            rect,
            channels,
        }
    }

    /// The stored pixels that are seen in the rectangle.
    pub fn stored(&self) -> Rect {
        self.map.inverted().rect(&self.rect)
    }

    /// Copies one stored row, which begins at stored pixel (x, y) and lies in [`Placement::stored`]. `plane` is the
    /// channel the row holds; without one it holds all, interleaved.
    pub fn put<T: Copy>(&self, out: &mut [T], x: i32, y: i32, row: &[T], plane: Option<usize>) {
        let wide = self.rect.width() as isize;
        let (u, v) = self.map.apply(x, y);
        let first = (v - self.rect.y0) as isize * wide + (u - self.rect.x0) as isize;
        let step = self.map.linear[0][0] as isize + self.map.linear[1][0] as isize * wide;
        let channels = self.channels;
        match plane {
            None if step == 1 => {
                let start = first as usize * channels;
                out[start..start + row.len()].copy_from_slice(row);
            }
            None => {
                for (k, pixel) in row.chunks_exact(channels).enumerate() {
                    let start = (first + k as isize * step) as usize * channels;
                    out[start..start + channels].copy_from_slice(pixel);
                }
            }
            Some(channel) => {
                for (k, &sample) in row.iter().enumerate() {
                    out[(first + k as isize * step) as usize * channels + channel] = sample;
                }
            }
        }
    }
}
