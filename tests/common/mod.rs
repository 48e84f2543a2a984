//! What the whole-picture tests share: frames made on the spot, scenes rendered in place, masters read back by a
//! library of somebody else's.

#![allow(dead_code, reason = "each test file uses its own part")]

use platewright::color::{Named, Profile};
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use tiff::decoder::{Decoder, DecodingResult};
use tiff::encoder::compression::DeflateLevel;
use tiff::encoder::{Compression, TiffEncoder, TiffValue, colortype};
use tiff::tags::Tag;

/// A folder of this test's own under `target/`, empty.
pub fn folder(name: &str) -> PathBuf {
    // Cargo names the folder to tests, not to the examples that share this file.
    let path = Path::new(option_env!("CARGO_TARGET_TMPDIR").unwrap_or("target/tmp")).join(name);
    let _ = fs::remove_dir_all(&path);
    fs::create_dir_all(path.join("frames")).unwrap();
    path
}

/// Numbers without a pattern, the same every time (PCG, O'Neill 2014).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    pub fn throw(&mut self) -> u32 {
        let old = self.0;
        self.0 = old
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let mixed = (((old >> 18) ^ old) >> 27) as u32;
        mixed.rotate_right((old >> 59) as u32)
    }

    pub fn code(&mut self) -> u16 {
        (self.throw() >> 16) as u16
    }

    pub fn below(&mut self, n: u32) -> u32 {
        self.throw() % n
    }
}

/// Random 16-bit codes.
pub fn noise(seed: u64, count: usize) -> Vec<u16> {
    let mut dice = Dice::new(seed);
    (0..count).map(|_| dice.code()).collect()
}

/// A 16-bit RGB picture, uncompressed, in the named space.
pub fn rgb16(path: &Path, width: u32, height: u32, codes: &[u16], profile: Named) {
    written::<colortype::RGB16>(path, width, height, codes, profile, &[]);
}

pub fn rgb8(path: &Path, width: u32, height: u32, codes: &[u8], profile: Named) {
    written::<colortype::RGB8>(path, width, height, codes, profile, &[]);
}

pub fn gray16(path: &Path, width: u32, height: u32, codes: &[u16], profile: Named) {
    written::<colortype::Gray16>(path, width, height, codes, profile, &[]);
}

/// A 32-bit float RGB picture in sRGB.
pub fn rgb32f(path: &Path, width: u32, height: u32, samples: &[f32]) {
    written::<colortype::RGB32Float>(path, width, height, samples, Named::Srgb, &[]);
}

/// RGBA with unassociated alpha.
pub fn rgba16(path: &Path, width: u32, height: u32, codes: &[u16], profile: Named) {
    written::<colortype::RGBA16>(
        path,
        width,
        height,
        codes,
        profile,
        &[(Tag::ExtraSamples, 2)],
    );
}

/// A 16-bit RGB picture stored with an orientation (TIFF 6.0, tag 274).
pub fn oriented16(path: &Path, width: u32, height: u32, codes: &[u16], orientation: u16) {
    written::<colortype::RGB16>(
        path,
        width,
        height,
        codes,
        Named::Srgb,
        &[(Tag::Orientation, orientation)],
    );
}

/// A 16-bit RGB picture in Deflate strips of 16 rows, sRGB.
pub fn deflated16(path: &Path, width: u32, height: u32, codes: &[u16]) {
    let file = fs::File::create(path).unwrap();
    let encoder = TiffEncoder::new(std::io::BufWriter::new(file)).unwrap();
    let encoder = encoder.with_compression(Compression::Deflate(DeflateLevel::Fast));
    written_with::<colortype::RGB16, _>(encoder, width, height, codes, Named::Srgb, &[]);
}

fn written<C: colortype::ColorType>(
    path: &Path,
    width: u32,
    height: u32,
    codes: &[C::Inner],
    profile: Named,
    tags: &[(Tag, u16)],
) where
    [C::Inner]: TiffValue,
{
    let file = fs::File::create(path).unwrap();
    let encoder = TiffEncoder::new(std::io::BufWriter::new(file)).unwrap();
    written_with::<C, _>(encoder, width, height, codes, profile, tags);
}

fn written_with<C: colortype::ColorType, W: std::io::Write + std::io::Seek>(
    mut encoder: TiffEncoder<W>,
    width: u32,
    height: u32,
    codes: &[C::Inner],
    profile: Named,
    tags: &[(Tag, u16)],
) where
    [C::Inner]: TiffValue,
{
    let mut image = encoder.new_image::<C>(width, height).unwrap();
    image.rows_per_strip(16).unwrap();
    for (tag, value) in tags {
        image.encoder().write_tag(*tag, *value).unwrap();
    }
    let icc = Profile::named(profile);
    image
        .encoder()
        .write_tag(Tag::Unknown(34675), icc.bytes())
        .unwrap();
    image.write_data(codes).unwrap();
}

/// Writes the scene text beside the frames and renders it; the exit code.
pub fn render(folder: &Path, scene: &str, more: &[&str]) -> u8 {
    fs::write(folder.join("scene.kdl"), scene).unwrap();
    let mut typed: Vec<OsString> = vec!["platewright".into(), "render".into(), "--no-store".into()];
    typed.push(folder.join("scene.kdl").into());
    typed.extend(more.iter().map(OsString::from));
    // `ExitCode` can't be compared, but it prints its number.
    let code = format!("{:?}", platewright::cli::run(typed));
    code.chars()
        .filter(char::is_ascii_digit)
        .collect::<String>()
        .parse()
        .unwrap()
}

/// Renders and expects success.
pub fn rendered(folder: &Path, scene: &str, more: &[&str]) {
    assert_eq!(
        render(folder, scene, more),
        0,
        "the scene renders:\n{scene}"
    );
}

/// A file's interleaved 16-bit samples and its size, read by the `tiff` crate tile by tile.
pub fn read16(path: &Path) -> (u32, u32, Vec<u16>) {
    let mut decoder = Decoder::new(std::io::BufReader::new(fs::File::open(path).unwrap())).unwrap();
    let (width, height) = decoder.dimensions().unwrap();
    match decoder.read_image().unwrap() {
        DecodingResult::U16(codes) => (width, height, codes),
        other => panic!("16-bit samples expected, got {other:?}"),
    }
}
