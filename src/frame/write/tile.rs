//! Samples of one tile to the bytes that stand in the file: padded, predicted, packed. Pure, so called in parallel.
//!
//! Sources: TIFF 6.0, sections 13 (LZW), 14 (horizontal differencing) and 15 (tiles); Deflate is a zlib stream
//! (RFC 1950) under code 8; floating-point differencing (predictor 3) as TIFF Technical Note 3 has it.

use super::{Codes, Compression, Depth, Image, WriteFault};
use crate::geom::Rect;

/// The side of a tile in pixels: the one constant of the layout. TIFF asks for a multiple of 16. Squares of 256 are
/// read everywhere, and little of a picture changes when one piece moves.
pub const TILE: u32 = 256;

/// The most tiles in a file: a million million pixels. Their offsets are kept in memory, 16 bytes a tile.
pub const TILES_LIMIT: u64 = 1 << 24;

/// Level 1 of `miniz_oxide`: noisy 16-bit samples gain nothing from a longer match search, which costs nine times the time.
const DEFLATE_LEVEL: u8 = 1;

impl Image {
    /// The tiles in the order they stand in the file, row by row; those at the right and lower edge are cut to the picture.
    pub fn tile_rects(&self) -> Vec<Rect> {
        Rect::of_size(self.width, self.height).tiles(TILE, TILE)
    }

    /// How many tiles the picture has, without listing them.
    pub fn tile_count(&self) -> u64 {
        u64::from(self.width.div_ceil(TILE)) * u64::from(self.height.div_ceil(TILE))
    }

    /// The bytes of tile number `tile` (row by row, from 0) of a TIFF.
    ///
    /// `codes` holds the tile's own pixels, not padded. Readers cut what lies beyond the picture; it is filled by
    /// repeating the last column and row, which packs well. -0.0 is stored as +0.0.
    ///
    /// # Panics
    /// When `tile` is not in the picture, or `codes` have another depth or number than the tile.
    pub fn encoded_tile(&self, codes: Codes<'_>, tile: usize) -> Vec<u8> {
        assert!((tile as u64) < self.tile_count(), "no tile {tile}");
        let across = self.width.div_ceil(TILE) as usize;
        let width = side_of(self.width, (tile % across) as u32);
        let height = side_of(self.height, (tile / across) as u32);
        assert_eq!(codes.depth(), self.depth, "the depth of tile {tile}");
        assert_eq!(
            codes.len(),
            width * height * self.channels.count(),
            "the samples of tile {tile}"
        );
        let stride = self.channels.count();
        let predicted = self.compression != Compression::None;
        let mut bytes = Vec::with_capacity(self.tile_bytes());
        match codes {
            Codes::U8(codes) => rows(codes, width, stride, |row| {
                if predicted {
                    difference(row, stride, u8::wrapping_sub);
                }
                bytes.extend_from_slice(row);
            }),
            Codes::U16(codes) => rows(codes, width, stride, |row| {
                if predicted {
                    difference(row, stride, u16::wrapping_sub);
                }
                bytes.extend(row.iter().flat_map(|code| code.to_le_bytes()));
            }),
            Codes::F32(codes) => rows(codes, width, stride, |row| {
                for value in row.iter_mut().filter(|value| **value == 0.0) {
                    *value = 0.0;
                }
                if predicted {
                    let start = bytes.len();
                    planes(row, &mut bytes);
                    difference(&mut bytes[start..], stride, u8::wrapping_sub);
                } else {
                    bytes.extend(row.iter().flat_map(|value| value.to_le_bytes()));
                }
            }),
        }
        let row_bytes = TILE as usize * stride * self.depth.bytes();
        for _ in height..TILE as usize {
            bytes.extend_from_within(bytes.len() - row_bytes..);
        }
        self.packed(bytes)
    }

    /// Bytes of a tile before packing.
    pub(super) fn tile_bytes(&self) -> usize {
        TILE as usize * TILE as usize * self.channels.count() * self.depth.bytes()
    }

    /// The most bytes a packed tile can take, known from the header alone.
    ///
    /// LZW spends at most 12 bits on a byte, plus its clear and end codes. Deflate falls back to stored blocks with
    /// five bytes of header for some 32 KiB; a thirty-second part and the zlib frame are far above that.
    pub(super) fn packed_limit(&self) -> u64 {
        let plain = self.tile_bytes() as u64;
        match self.compression {
            Compression::None => plain,
            Compression::Lzw => plain / 2 * 3 + plain / 1024 + 16,
            Compression::Deflate => plain + plain / 32 + 64,
        }
    }

    pub(super) fn tiles_checked(&self) -> Result<(), WriteFault> {
        let wanted = self.tile_count();
        if wanted > TILES_LIMIT {
            return Err(WriteFault::Tiles {
                wanted,
                limit: TILES_LIMIT,
            });
        }
        Ok(())
    }

    fn packed(&self, bytes: Vec<u8>) -> Vec<u8> {
        match self.compression {
            Compression::None => bytes,
            Compression::Lzw => {
                weezl::encode::Encoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8)
                    .encode(&bytes)
                    .expect("every byte is a symbol of eight bits")
            }
            Compression::Deflate => {
                miniz_oxide::deflate::compress_to_vec_zlib(&bytes, DEFLATE_LEVEL)
            }
        }
    }

    /// TIFF's number for how the samples of a row were differenced, if they were.
    pub(super) fn predictor(&self) -> Option<u16> {
        match (self.compression, self.depth) {
            (Compression::None, _) => None,
            (_, Depth::U8 | Depth::U16) => Some(2),
            (_, Depth::F32) => Some(3),
        }
    }
}

/// How many pixels of a side of the picture its tile number `index` holds.
fn side_of(whole: u32, index: u32) -> usize {
    (whole - index * TILE).min(TILE) as usize
}

/// Every row of a tile, widened to the tile's full width by repeating its last pixel.
fn rows<T: Copy>(codes: &[T], width: usize, stride: usize, mut use_row: impl FnMut(&mut [T])) {
    let mut wide = Vec::with_capacity(TILE as usize * stride);
    for row in codes.chunks_exact(width * stride) {
        wide.clear();
        wide.extend_from_slice(row);
        for _ in width..TILE as usize {
            wide.extend_from_within(wide.len() - stride..);
        }
        use_row(&mut wide);
    }
}

/// Replaces each value by its difference to the one `stride` before it.
fn difference<T: Copy>(row: &mut [T], stride: usize, minus: impl Fn(T, T) -> T) {
    for k in (stride..row.len()).rev() {
        row[k] = minus(row[k], row[k - stride]);
    }
}

/// Appends the first bytes (sign and exponent) of all values, then all second ones, and so on.
fn planes(row: &[f32], bytes: &mut Vec<u8>) {
    for plane in 0..4 {
        bytes.extend(row.iter().map(|value| value.to_be_bytes()[plane]));
    }
}

#[cfg(test)]
mod tests {
    use super::super::Channels;
    use super::super::tests::{image, noise};
    use super::*;

    /// No sample pattern may grow beyond what the offsets were decided by.
    #[test]
    fn noise_stays_within_the_packed_limit() {
        for compression in [Compression::None, Compression::Lzw, Compression::Deflate] {
            let image = image(TILE, TILE, Channels::RgbAlpha, Depth::U16, compression);
            let codes: Vec<u16> = noise(TILE as usize * TILE as usize * 4, 5)
                .iter()
                .map(|code| (code >> 16) as u16)
                .collect();
            let packed = image.encoded_tile(Codes::U16(&codes), 0).len() as u64;
            assert!(packed >= image.tile_bytes() as u64, "noise does not pack");
            assert!(packed <= image.packed_limit(), "{compression:?}: {packed}");
        }
    }

    #[test]
    fn negative_zero_is_stored_as_zero() {
        for compression in [Compression::None, Compression::Deflate] {
            let image = image(2, 1, Channels::Gray, Depth::F32, compression);
            let negative = image.encoded_tile(Codes::F32(&[-0.0, 1.0]), 0);
            assert_eq!(negative, image.encoded_tile(Codes::F32(&[0.0, 1.0]), 0));
        }
    }

    /// The borders of a padded tile repeat the picture's last column and row.
    #[test]
    fn padding_repeats_the_edge() {
        let image = image(258, 2, Channels::Gray, Depth::U8, Compression::None);
        let tile = image.encoded_tile(Codes::U8(&[1, 2, 3, 4]), 1);
        assert_eq!(tile.len(), 256 * 256);
        assert_eq!(tile[..4], [1, 2, 2, 2]);
        assert_eq!(tile[256..260], [3, 4, 4, 4]);
        assert_eq!(tile[256 * 255..256 * 255 + 3], [3, 4, 4]);
    }

    #[test]
    #[should_panic(expected = "the samples of tile 1")]
    fn a_padded_edge_tile_is_not_taken_for_the_tile() {
        let image = image(300, 2, Channels::Gray, Depth::U8, Compression::None);
        image.encoded_tile(Codes::U8(&[0; 256 * 2]), 1);
    }
}
