//! Writes test pictures of every kind the writers know, each with its samples beside it, for readers outside the project.
//!
//! `written FOLDER`: for each picture NAME.tif, .png or .jpg, NAME.raw (samples as little-endian numbers, row by row)
//! and a line in `pictures.txt`: file, width, height, channels, depth, compression, offsets. Beside them `big.tif`, whose
//! samples are more than 4 GiB before they are packed: 16-bit gray, each pixel 9,000 times the last digit, to base 7, of its tile's number.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::BufWriter;
use std::path::Path;

use platewright::frame::write::{
    Channels, Codes, Compression, Depth, Image, Moment, Offsets, PngWriter, TiffWriter, Words,
    write_jpeg,
};
use platewright::geom::Rect;

const SIZES: [(u32, u32); 4] = [(1, 1), (255, 257), (256, 256), (700, 300)];
const CHANNELS: [(Channels, &str); 4] = [
    (Channels::Gray, "gray"),
    (Channels::GrayAlpha, "gray-alpha"),
    (Channels::Rgb, "rgb"),
    (Channels::RgbAlpha, "rgb-alpha"),
];
const DEPTHS: [(Depth, &str); 3] = [(Depth::U8, "u8"), (Depth::U16, "u16"), (Depth::F32, "f32")];
const COMPRESSIONS: [(Compression, &str); 3] = [
    (Compression::None, "none"),
    (Compression::Lzw, "lzw"),
    (Compression::Deflate, "deflate"),
];

fn main() {
    let folder = std::env::args().nth(1).expect("usage: written FOLDER");
    let folder = Path::new(&folder);
    fs::create_dir_all(folder).expect("a folder to write to");
    let mut list = String::new();
    for (width, height) in SIZES {
        for (channels, colour) in CHANNELS {
            for (depth, bits) in DEPTHS {
                let samples = Samples::of(width, height, channels, depth);
                let mut note = |file: &str, compression: &str, offsets: &str| {
                    let count = channels.count();
                    writeln!(
                        list,
                        "{file} {width} {height} {count} {bits} {compression} {offsets}"
                    )
                    .expect("text grows");
                };
                let stem = format!("{colour}-{bits}-{width}x{height}");
                fs::write(folder.join(format!("{stem}.raw")), samples.bytes())
                    .expect("raw samples");
                for (compression, packing) in COMPRESSIONS {
                    let image = image(width, height, channels, depth, compression);
                    for (offsets, name) in [(Offsets::Narrow, "narrow"), (Offsets::Wide, "wide")] {
                        let file = format!("{stem}.{packing}.{name}.tif");
                        tiff(&folder.join(&file), &image, &samples, offsets);
                        note(&file, packing, name);
                    }
                }
                let image = image(width, height, channels, depth, Compression::Deflate);
                if depth != Depth::F32 {
                    let file = format!("{stem}.png");
                    let sink = BufWriter::new(File::create(folder.join(&file)).expect("a file"));
                    let mut writer = PngWriter::new(sink, image.clone()).expect("a PNG");
                    for rows in Rect::of_size(width, height).bands(100) {
                        samples.part(&rows, |codes| writer.push_rows(codes).expect("rows"));
                    }
                    writer.finish().expect("a whole PNG");
                    note(&file, "deflate", "none");
                }
                if let (
                    Samples {
                        codes: Buffer::U8(codes),
                        ..
                    },
                    false,
                ) = (&samples, channels.has_alpha())
                {
                    for quality in [50, 92, 100] {
                        let file = format!("{stem}.q{quality}.jpg");
                        let sink =
                            BufWriter::new(File::create(folder.join(&file)).expect("a file"));
                        write_jpeg(sink, &image, quality, codes).expect("a JPEG");
                        note(&file, "jpeg", "none");
                    }
                }
            }
        }
    }
    fs::write(folder.join("pictures.txt"), list).expect("the list");
    big(&folder.join("big.tif"));
}

/// 208 x 208 tiles of 128 KiB. Flat tiles with the same value have the same bytes, so seven are packed.
fn big(path: &Path) {
    let image = image(
        53_248,
        53_248,
        Channels::Gray,
        Depth::U16,
        Compression::Deflate,
    );
    let flats: Vec<Vec<u8>> = (0..7)
        .map(|digit| image.encoded_tile(Codes::U16(&vec![digit * 9000; 65_536]), 0))
        .collect();
    let sink = BufWriter::new(File::create(path).expect("a file"));
    let mut writer = TiffWriter::new(sink, image.clone()).expect("a TIFF");
    for tile in 0..image.tile_count() as usize {
        writer.push(&flats[tile % 7]).expect("a tile");
    }
    writer.finish().expect("a whole TIFF");
}

fn tiff(path: &Path, image: &Image, samples: &Samples, offsets: Offsets) {
    let sink = BufWriter::new(File::create(path).expect("a file"));
    let mut writer = match offsets {
        Offsets::Narrow => TiffWriter::new(sink, image.clone()),
        Offsets::Wide => TiffWriter::wide(sink, image.clone()),
    }
    .expect("a TIFF");
    for (k, rect) in image.tile_rects().iter().enumerate() {
        let encoded = samples.part(rect, |codes| image.encoded_tile(codes, k));
        writer.push(&encoded).expect("a tile");
    }
    writer.finish().expect("a whole TIFF");
}

fn image(
    width: u32,
    height: u32,
    channels: Channels,
    depth: Depth,
    compression: Compression,
) -> Image {
    Image {
        width,
        height,
        channels,
        depth,
        compression,
        icc: profile(channels),
        ppi: 266.7,
        words: Words {
            title: Some("Tinte <indigo>, 50 ml & Füllfedern".to_string()),
            creator: Some("Studio Example".to_string()),
            rights: Some("© 2026 Studio Example".to_string()),
            date: Moment::of_unix(1_000_000_000),
        },
    }
}

/// A header that readers accept as an ICC profile of this colour model (ICC.1:2022, 7.2), with no tags but padding
/// that makes it longer than a JPEG segment.
fn profile(channels: Channels) -> Vec<u8> {
    const LENGTH: u32 = 70_000;
    let mut profile = vec![0; LENGTH as usize];
    let model = if channels.is_gray() { b"GRAY" } else { b"RGB " };
    let fields: [(usize, &[u8]); 8] = [
        (0, &LENGTH.to_be_bytes()),
        (8, &[4, 0x30, 0, 0]),
        (12, b"mntr"),
        (16, model),
        (20, b"XYZ "),
        (36, b"acsp"),
        (68, &[0, 0, 0xf6, 0xd6, 0, 1, 0, 0]),
        (76, &[0, 0, 0xd3, 0x2d]),
    ];
    for (at, value) in fields {
        profile[at..at + value.len()].copy_from_slice(value);
    }
    for (k, byte) in profile.iter_mut().enumerate().skip(132) {
        *byte = (k % 251) as u8;
    }
    profile
}

struct Samples {
    width: u32,
    channels: usize,
    codes: Buffer,
}

enum Buffer {
    U8(Vec<u8>),
    U16(Vec<u16>),
    F32(Vec<f32>),
}

impl Samples {
    /// Flat in the middle, a ramp with noise around it; every code range is used, floats leave 0..1 on both sides.
    fn of(width: u32, height: u32, channels: Channels, depth: Depth) -> Samples {
        let mut state: u64 = 9;
        let mut codes = Vec::new();
        for y in 0..height {
            for x in 0..width {
                for channel in 0..channels.count() as u32 {
                    state = state
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1_442_695_040_888_963_407);
                    let noise = (state >> 40) as u32 & 0x3ff;
                    let flat = (100..180).contains(&x) && (90..200).contains(&y);
                    let ramp = (x * 90 + y * 60 + channel * 17_000) & 0xffff;
                    codes.push(if flat {
                        65_535 - channel * 21_845
                    } else {
                        (ramp + noise) & 0xffff
                    });
                }
            }
        }
        let codes = match depth {
            Depth::U8 => Buffer::U8(codes.iter().map(|code| (code >> 8) as u8).collect()),
            Depth::U16 => Buffer::U16(codes.iter().map(|&code| code as u16).collect()),
            Depth::F32 => Buffer::F32(
                codes
                    .iter()
                    .map(|&code| code as f32 / 50_000.0 - 0.1)
                    .collect(),
            ),
        };
        Samples {
            width,
            channels: channels.count(),
            codes,
        }
    }

    fn bytes(&self) -> Vec<u8> {
        match &self.codes {
            Buffer::U8(codes) => codes.clone(),
            Buffer::U16(codes) => codes.iter().flat_map(|code| code.to_le_bytes()).collect(),
            Buffer::F32(codes) => codes.iter().flat_map(|code| code.to_le_bytes()).collect(),
        }
    }

    fn part<R>(&self, rect: &Rect, mut use_codes: impl FnMut(Codes<'_>) -> R) -> R {
        match &self.codes {
            Buffer::U8(codes) => use_codes(Codes::U8(&self.cut(codes, rect))),
            Buffer::U16(codes) => use_codes(Codes::U16(&self.cut(codes, rect))),
            Buffer::F32(codes) => use_codes(Codes::F32(&self.cut(codes, rect))),
        }
    }

    fn cut<T: Copy>(&self, codes: &[T], rect: &Rect) -> Vec<T> {
        let row = self.width as usize * self.channels;
        let (from, to) = (
            rect.x0 as usize * self.channels,
            rect.x1 as usize * self.channels,
        );
        (rect.y0 as usize..rect.y1 as usize)
            .flat_map(|y| &codes[y * row + from..y * row + to])
            .copied()
            .collect()
    }
}
