//! A raster of light or coverage as few bytes, every bit of it.
//!
//! Each number's bits less those of the number to its left (same channel; the first of a row has the one above),
//! byte by byte in planes: first all lowest bytes, then the next. The high planes of a smooth picture are almost all
//! zero and deflate well at the quickest level; a plane that looks like noise is stored as it is. Bands of rows are
//! packed side by side.

use super::words::{Reader, Writer};
use crate::budget::Account;
use crate::digest::{Digest, Keying};
use crate::raster::Raster;
use miniz_oxide::deflate::compress_to_vec;
use miniz_oxide::inflate::core::{DecompressorOxide, decompress, inflate_flags};
use rayon::prelude::*;

/// Numbers of a band at most, unless one row has more.
const BAND: usize = 1 << 18;

/// Bands packed side by side: a constant, so that memory is the same on every machine.
const AT_ONCE: usize = 8;

/// Deflate's quickest.
const LEVEL: u8 = 1;

const STORED: u8 = 0;
const DEFLATED: u8 = 1;

/// A pixel as 32-bit numbers.
pub trait Numbers: Copy + Send + Sync {
    const CHANNELS: usize;
    const ZERO: Self;

    fn bits(&self, channel: usize) -> u32;
    fn set(&mut self, channel: usize, bits: u32);
}

impl Numbers for f32 {
    const CHANNELS: usize = 1;
    const ZERO: f32 = 0.0;

    fn bits(&self, _: usize) -> u32 {
        self.to_bits()
    }

    fn set(&mut self, _: usize, bits: u32) {
        *self = f32::from_bits(bits);
    }
}

impl Numbers for [f32; 3] {
    const CHANNELS: usize = 3;
    const ZERO: [f32; 3] = [0.0; 3];

    fn bits(&self, channel: usize) -> u32 {
        self[channel].to_bits()
    }

    fn set(&mut self, channel: usize, bits: u32) {
        self[channel] = f32::from_bits(bits);
    }
}

/// Bytes that [`write`] adds at most.
pub fn most<P: Numbers>(raster: &Raster<P>) -> u64 {
    // A band of whole rows is at least half full; each of its planes has nine bytes before it.
    let bands = 2 * raster.data().len() * P::CHANNELS / BAND + 1;
    (16 + size_of_val(raster.data()) + bands * 4 * 9) as u64
}

/// Bytes in use only while it works.
pub const WORKING: u64 = (2 * AT_ONCE * 4 * BAND) as u64;

/// Of a raster's place and every bit of it.
pub fn digest<P: Numbers>(raster: &Raster<P>) -> Digest {
    let mut place = Writer::default();
    place.rect(raster.rect());
    let mut key = Keying::of("a raster").bytes(&place.0);
    for pixels in raster.data().chunks(BAND) {
        let numbers = pixels
            .iter()
            .flat_map(|pixel| (0..P::CHANNELS).map(|channel| pixel.bits(channel)));
        let bytes: Vec<u8> = numbers.flat_map(u32::to_le_bytes).collect();
        key = key.digest(&Digest::of(&bytes));
    }
    key.done()
}

pub fn write<P: Numbers>(out: &mut Writer, raster: &Raster<P>) {
    out.rect(raster.rect());
    let width = raster.width();
    if width == 0 {
        return;
    }
    let side = band(width, P::CHANNELS);
    for bands in raster.data().chunks(side * AT_ONCE) {
        let packed: Vec<Vec<u8>> = bands
            .par_chunks(side)
            .map(|pixels| {
                let mut out = Writer::default();
                for byte in 0..4 {
                    put(&mut out, plane(pixels, width, byte));
                }
                out.0
            })
            .collect();
        for band in packed {
            out.0.extend(band);
        }
    }
}

/// Pixels of a band: whole rows.
fn band(width: usize, channels: usize) -> usize {
    (BAND / (width * channels)).max(1) * width
}

/// One byte of every difference, channel after channel.
fn plane<P: Numbers>(pixels: &[P], width: usize, byte: u32) -> Vec<u8> {
    let mut plane = Vec::with_capacity(pixels.len() * P::CHANNELS);
    for channel in 0..P::CHANNELS {
        let mut above = 0u32;
        for row in pixels.chunks(width) {
            let mut left = above;
            above = row[0].bits(channel);
            for pixel in row {
                let bits = pixel.bits(channel);
                plane.push((bits.wrapping_sub(left) >> (8 * byte)) as u8);
                left = bits;
            }
        }
    }
    plane
}

fn put(out: &mut Writer, plane: Vec<u8>) {
    if !noisy(&plane) {
        let deflated = compress_to_vec(&plane, LEVEL);
        if deflated.len() < plane.len() {
            out.tag(DEFLATED);
            out.count(deflated.len());
            out.0.extend(deflated);
            return;
        }
    }
    out.tag(STORED);
    out.count(plane.len());
    out.0.extend(plane);
}

/// Whether bytes are spread so evenly that deflating them is wasted: two of them meet by chance less than 1.25 times
/// in 256.
fn noisy(plane: &[u8]) -> bool {
    let mut counts = [0u64; 256];
    for byte in plane {
        counts[usize::from(*byte)] += 1;
    }
    let meetings: u64 = counts.iter().map(|n| n * n).sum();
    let all = plane.len() as u64;
    plane.len() > 4096 && meetings * 256 * 4 < all * all * 5
}

/// The same raster again, charged to `account`; `None` for bytes that are none, or where there is no memory for it.
pub fn read<P: Numbers>(from: &mut Reader, account: &Account) -> Option<Raster<P>> {
    let rect = from.rect()?;
    // What is packed a thousandfold is no picture of ours.
    let numbers = rect.area().checked_mul(P::CHANNELS as u64)?;
    if numbers > (from.0.len() as u64).saturating_mul(1100) {
        return None;
    }
    let mut raster = Raster::filled(rect, P::ZERO, account).ok()?;
    let width = raster.width();
    if width == 0 {
        return Some(raster);
    }
    let side = band(width, P::CHANNELS);
    let mut bands = Vec::new();
    for pixels in raster.data_mut().chunks_mut(side) {
        let mut planes = [(STORED, &[][..]); 4];
        for plane in &mut planes {
            let tag = from.tag()?;
            let count = from.count()?;
            *plane = (tag, from.bytes(count)?);
        }
        bands.push((pixels, planes));
    }
    let whole = bands
        .into_par_iter()
        .map(|(pixels, planes)| unpacked(pixels, width, &planes))
        .all(|band| band.is_some());
    whole.then_some(raster)
}

fn unpacked<P: Numbers>(pixels: &mut [P], width: usize, planes: &[(u8, &[u8]); 4]) -> Option<()> {
    let count = pixels.len() * P::CHANNELS;
    let mut bytes: [Vec<u8>; 4] = [const { Vec::new() }; 4];
    for (out, (tag, stored)) in bytes.iter_mut().zip(planes) {
        *out = match *tag {
            STORED if stored.len() == count => stored.to_vec(),
            DEFLATED => inflated(stored, count)?,
            _ => return None,
        };
    }
    let [b0, b1, b2, b3] = &bytes;
    let mut at = 0;
    for channel in 0..P::CHANNELS {
        let mut above = 0u32;
        for row in pixels.chunks_mut(width) {
            let mut left = above;
            for pixel in &mut *row {
                let step = u32::from_le_bytes([b0[at], b1[at], b2[at], b3[at]]);
                left = left.wrapping_add(step);
                pixel.set(channel, left);
                at += 1;
            }
            above = row[0].bits(channel);
        }
    }
    Some(())
}

/// Exactly `count` bytes.
fn inflated(stored: &[u8], count: usize) -> Option<Vec<u8>> {
    let mut out = vec![0; count];
    let flags = inflate_flags::TINFL_FLAG_USING_NON_WRAPPING_OUTPUT_BUF;
    let (status, _, written) =
        decompress(&mut DecompressorOxide::new(), stored, &mut out, 0, flags);
    (status == miniz_oxide::inflate::TINFLStatus::Done && written == count).then_some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;

    fn packed<P: Numbers>(raster: &Raster<P>) -> Vec<u8> {
        let mut out = Writer::default();
        write(&mut out, raster);
        out.0
    }

    fn light(rect: Rect, value: impl Fn(i32, i32) -> [f32; 3]) -> Raster<[f32; 3]> {
        let mut raster = Raster::filled(rect, [0.0; 3], &Account::unlimited()).unwrap();
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                raster.put(x, y, value(x, y));
            }
        }
        raster
    }

    fn same(raster: &Raster<[f32; 3]>) -> usize {
        let bytes = packed(raster);
        let account = Account::unlimited();
        let mut reader = Reader(&bytes);
        let again: Raster<[f32; 3]> = read(&mut reader, &account).unwrap();
        assert!(reader.0.is_empty());
        assert_eq!(again.rect(), raster.rect());
        let bits = |r: &Raster<[f32; 3]>| -> Vec<[u32; 3]> {
            r.data().iter().map(|p| p.map(f32::to_bits)).collect()
        };
        assert_eq!(bits(&again), bits(raster));
        assert_eq!(account.used(), size_of_val(raster.data()) as u64);
        assert!(bytes.len() as u64 <= most(raster));
        bytes.len()
    }

    #[test]
    fn every_bit_comes_back() {
        let hash = |x: i32, y: i32| {
            (x as u32).wrapping_mul(0x9e37_79b9) ^ (y as u32).wrapping_mul(0x85eb_ca6b)
        };
        // Any bits at all: not a number, infinities, -0.
        same(&light(Rect::new(-3, 5, 301, 300), |x, y| {
            [0, 7, 13].map(|k| f32::from_bits(hash(x, y).rotate_left(k)))
        }));
        same(&light(Rect::new(0, 0, 1, 1), |_, _| [1.0, -0.0, f32::NAN]));
        same(&light(Rect::new(0, 0, 70_000, 5), |x, _| [x as f32; 3]));
        same(&light(Rect::EMPTY, |_, _| [0.0; 3]));
    }

    #[test]
    fn what_is_flat_takes_next_to_nothing() {
        let flat = light(Rect::new(0, 0, 700, 700), |_, _| [0.18, 0.2, 0.25]);
        // A hundredth of its 5.9 MB.
        assert!(same(&flat) < 59_000);
    }

    #[test]
    fn bytes_that_are_no_raster_are_refused() {
        let raster = light(Rect::new(0, 0, 90, 80), |x, y| [x as f32, y as f32, 0.5]);
        let right = packed(&raster);
        let again = |bytes: &[u8]| read::<[f32; 3]>(&mut Reader(bytes), &Account::unlimited());
        for at in 0..right.len() {
            assert!(again(&right[..at]).is_none(), "cut at {at}");
        }
        for at in 0..right.len() {
            let mut wrong = right.clone();
            wrong[at] ^= 0x41;
            // Nothing panics; whether it is noticed is the digest's business.
            let _ = again(&wrong);
        }
        assert!(read::<[f32; 3]>(&mut Reader(&right), &Account::new(10)).is_none());
    }
}
