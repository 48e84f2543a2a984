//! A shoot to measure with: a plate and frames with camera-like noise, a painted mask for each piece, a scene.
//!
//! 16-bit sRGB TIFFs in Deflate strips of 64 rows with the horizontal predictor. The same every time. Frames share a
//! small bank of packed strips in an order of their own, so that making them costs little; to a reader each strip
//! is a different one.

use platewright::color::{Named, Profile};
use rayon::prelude::*;
use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

const STRIP: u32 = 64;
/// Different strips in the bank.
const BANK: u32 = 24;

#[derive(Debug)]
pub struct Shoot {
    pub name: &'static str,
    width: u32,
    height: u32,
    pub pieces: u32,
}

pub const A: Shoot = Shoot {
    name: "a",
    width: 6000,
    height: 4000,
    pieces: 12,
};

pub const B: Shoot = Shoot {
    name: "b",
    width: 9504,
    height: 6336,
    pieces: 40,
};

/// To try the program out.
pub const SMALL: Shoot = Shoot {
    name: "small",
    width: 1200,
    height: 800,
    pieces: 12,
};

impl Shoot {
    pub fn megapixels(&self) -> f64 {
        f64::from(self.width) * f64::from(self.height) / 1e6
    }

    /// Writes what is not there yet.
    pub fn made(&self, folder: &Path) {
        if folder.join("scene.kdl").exists() {
            return;
        }
        fs::create_dir_all(folder.join("frames")).expect("a folder under target/");
        let bank = self.bank();
        let frame = |name: String, first: u32| {
            let strips: Vec<&[u8]> = (0..self.height.div_ceil(STRIP))
                .map(|k| {
                    let rows = STRIP.min(self.height - k * STRIP);
                    let at = (first * 7 + k * 5) % BANK;
                    // The last strip of a picture may be lower: it has a place of its own at the end.
                    bank[if rows < STRIP { BANK } else { at } as usize].as_slice()
                })
                .collect();
            write_tiff(&folder.join(name), self, 3, &strips).expect("a frame is written");
        };
        frame("frames/plate.tif".into(), 0);
        for k in 0..self.pieces {
            frame(format!("frames/piece-{k}.tif"), k + 1);
            let mask = self.mask(k);
            let mask: Vec<&[u8]> = mask.iter().map(Vec::as_slice).collect();
            write_tiff(&folder.join(format!("frames/mask-{k}.tif")), self, 1, &mask)
                .expect("a mask is written");
        }
        fs::write(folder.join("scene.kdl"), self.scene()).expect("the scene is written");
    }

    /// Packed strips of a smooth ground with noise of about 600 codes, and one for the rest of the rows.
    fn bank(&self) -> Vec<Vec<u8>> {
        let rest = match self.height % STRIP {
            0 => STRIP,
            rows => rows,
        };
        (0..=BANK)
            .into_par_iter()
            .map(|k| {
                let rows = if k == BANK { rest } else { STRIP };
                let mut state = u64::from(k) + 1;
                let mut bytes = Vec::with_capacity((self.width * rows * 6) as usize);
                for y in 0..rows {
                    let mut left = [0u16; 3];
                    for x in 0..self.width {
                        for (c, left) in left.iter_mut().enumerate() {
                            let ground = 12_000 + 3000 * c as u32 + 900 * k + 4 * y;
                            let ground = ground + x * 16_000 / self.width;
                            let code = (ground + grain(&mut state)) as u16;
                            bytes.extend(code.wrapping_sub(*left).to_le_bytes());
                            *left = code;
                        }
                    }
                }
                packed(&bytes)
            })
            .collect()
    }

    /// Half the axes of a piece's ellipse: 4 to 8 % of the frame.
    fn axes(&self, k: u32) -> (f64, f64) {
        let share = 0.04 + 0.04 * f64::from(k % 5) / 4.0;
        let area = share * f64::from(self.width) * f64::from(self.height);
        let ratio = 0.8 + 0.15 * f64::from(k % 4);
        let rx = (area / std::f64::consts::PI * ratio).sqrt();
        (rx, rx / ratio)
    }

    /// A soft-edged ellipse in the middle of the frame, 8 bits, packed strips.
    fn mask(&self, k: u32) -> Vec<Vec<u8>> {
        let (rx, ry) = self.axes(k);
        let (cx, cy) = (f64::from(self.width) / 2.0, f64::from(self.height) / 2.0);
        (0..self.height.div_ceil(STRIP))
            .into_par_iter()
            .map(|strip| {
                let rows = strip * STRIP..self.height.min((strip + 1) * STRIP);
                let mut bytes = Vec::new();
                for y in rows {
                    let v = (f64::from(y) + 0.5 - cy) / ry;
                    let mut left = 0u8;
                    for x in 0..self.width {
                        let u = (f64::from(x) + 0.5 - cx) / rx;
                        let inside = (1.0 - (u * u + v * v).sqrt()) * rx / 6.0;
                        let code = (inside * 255.0).clamp(0.0, 255.0) as u8;
                        bytes.push(code.wrapping_sub(left));
                        left = code;
                    }
                }
                packed(&bytes)
            })
            .collect()
    }

    /// A third of the pieces whole-pixel, a third shifted by parts of a pixel, a third scaled and turned; one
    /// multiplies, one screens.
    fn scene(&self) -> String {
        let mut text = format!(
            "scene \"speed-{}\" language=1\n\nplate \"frames/plate.tif\"\n\n",
            self.name
        );
        let columns = 4 + u32::from(self.pieces > 20) * 4;
        for k in 0..self.pieces {
            let across = f64::from(k % columns) + 0.5;
            let down = f64::from(k / columns) + 0.5;
            let lines = f64::from(self.pieces.div_ceil(columns));
            let dx = f64::from(self.width) * (across / f64::from(columns) - 0.5);
            let dy = f64::from(self.height) * (down / lines - 0.5);
            let place = match k % 3 {
                0 => format!("offset {} {}", dx.round(), dy.round()),
                1 => format!("offset {} {}", dx.floor() + 0.37, dy.floor() + 0.61),
                _ => format!(
                    "offset {} {}; scale 0.87; rotate {}",
                    dx.round(),
                    dy.round(),
                    7 + k % 30
                ),
            };
            let blend = match k {
                4 => " blend=\"multiply\"",
                8 => " blend=\"screen\"",
                _ => "",
            };
            writeln!(
                text,
                "element \"piece-{k}\"{blend} {{ frame \"frames/piece-{k}.tif\"; \
                 mask {{ image \"frames/mask-{k}.tif\" }}; {place} }}"
            )
            .expect("a string takes words");
        }
        let edge = 2048.min(self.width / 2);
        write!(
            text,
            "\noutput \"master\" {{ file \"out/master.tif\" }}\n\
             output \"portrait\" {{ file \"out/portrait.jpg\"; crop \"4:5\"; size height={edge} }}\n\
             output \"square\" {{ file \"out/square.jpg\"; crop \"1:1\" {{ zoom 1.3 }}; size width={} }}\n\
             output \"strip\" {{ file \"out/strip.jpg\"; crop \"2:1\"; size long-edge={edge} }}\n",
            edge / 2
        )
        .expect("a string takes words");
        text
    }
}

/// Four dice of 0..1057 together: a bell with a deviation of 610 codes (xorshift64, Marsaglia 2003).
fn grain(state: &mut u64) -> u32 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    let dice = |shift: u32| (((*state >> shift) as u32 & 0xffff) * 1057) >> 16;
    dice(0) + dice(16) + dice(32) + dice(48)
}

fn packed(bytes: &[u8]) -> Vec<u8> {
    miniz_oxide::deflate::compress_to_vec_zlib(bytes, 1)
}

/// A little-endian TIFF of packed strips with the horizontal predictor: 16-bit RGB, or 8-bit gray.
fn write_tiff(path: &Path, shoot: &Shoot, channels: u32, strips: &[&[u8]]) -> io::Result<()> {
    let profile = match channels {
        3 => Profile::named(Named::Srgb),
        _ => Profile::named(Named::Gray),
    };
    let icc = profile.bytes();
    let count = strips.len() as u32;
    let data: u32 = strips.iter().map(|s| s.len() as u32).sum();
    let lists = 8 + data + data % 2;
    let (offsets, lengths) = (lists, lists + 4 * count);
    let bits_at = lengths + 4 * count;
    let icc_at = bits_at + 8;
    let directory = icc_at + icc.len() as u32 + icc.len() as u32 % 2;
    let mut file = BufWriter::new(File::create(path)?);
    file.write_all(b"II\x2a\0")?;
    file.write_all(&directory.to_le_bytes())?;
    for strip in strips {
        file.write_all(strip)?;
    }
    file.write_all(&[0, 0][..(data % 2) as usize])?;
    let mut at = 8;
    for strip in strips {
        file.write_all(&u32::to_le_bytes(at))?;
        at += strip.len() as u32;
    }
    for strip in strips {
        file.write_all(&(strip.len() as u32).to_le_bytes())?;
    }
    file.write_all(&[16, 0, 16, 0, 16, 0, 0, 0])?;
    file.write_all(icc)?;
    file.write_all(&[0, 0][..icc.len() % 2])?;
    let (bits, interpretation) = match channels {
        3 => ((258, 3, 3, bits_at), 2),
        _ => ((258, 3, 1, 8), 1),
    };
    // Tag, type (3 short, 4 long, 7 undefined), count, value or where it stands: TIFF 6.0.
    let entries: [(u16, u16, u32, u32); 12] = [
        (256, 4, 1, shoot.width),
        (257, 4, 1, shoot.height),
        bits,
        (259, 3, 1, 8),
        (262, 3, 1, interpretation),
        (273, 4, count, offsets),
        (277, 3, 1, channels),
        (278, 3, 1, STRIP),
        (279, 4, count, lengths),
        (284, 3, 1, 1),
        (317, 3, 1, 2),
        (34675, 7, icc.len() as u32, icc_at),
    ];
    file.write_all(&(entries.len() as u16).to_le_bytes())?;
    for (tag, kind, count, value) in entries {
        file.write_all(&tag.to_le_bytes())?;
        file.write_all(&kind.to_le_bytes())?;
        file.write_all(&count.to_le_bytes())?;
        file.write_all(&value.to_le_bytes())?;
    }
    file.write_all(&[0; 4])?;
    file.flush()
}
