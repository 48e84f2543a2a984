//! Two pictures that should be one: where they differ, and a picture that shows it.

use platewright::budget::Account;
use platewright::frame::{Frame, SampleBuffer};
use std::fs;
use std::path::Path;

/// Any picture as one number a sample, interleaved; floats are compared in 65,535ths.
struct Flat {
    width: usize,
    height: usize,
    channels: usize,
    /// The largest code.
    top: i64,
    codes: Vec<i64>,
}

fn flat(path: &Path) -> Result<Flat, String> {
    let account = Account::unlimited();
    let frame = Frame::open(path, &account).map_err(|f| f.to_string())?;
    let rect = frame.rect();
    let samples = frame.samples(rect, &account).map_err(|f| f.to_string())?;
    let (top, codes) = match &samples.buffer {
        SampleBuffer::U8(v) => (255, v.iter().map(|c| i64::from(*c)).collect()),
        SampleBuffer::U16(v) => (65_535, v.iter().map(|c| i64::from(*c)).collect()),
        SampleBuffer::U32(v) => (65_535, v.iter().map(|c| i64::from(*c >> 16)).collect()),
        SampleBuffer::F32(v) => (65_535, v.iter().map(|c| (c * 65_535.0) as i64).collect()),
    };
    Ok(Flat {
        width: rect.width() as usize,
        height: rect.height() as usize,
        channels: samples.channels,
        top,
        codes,
    })
}

/// Writes expected | difference | actual as a PNG and says in words what differs.
pub fn shown(expected: &Path, actual: &Path, png: &Path) -> String {
    let (a, b) = match (flat(expected), flat(actual)) {
        (Ok(a), Ok(b)) => (a, b),
        (Err(fault), _) | (_, Err(fault)) => return format!("unreadable: {fault}"),
    };
    if (a.width, a.height, a.channels, a.top) != (b.width, b.height, b.channels, b.top) {
        return format!(
            "{} x {} with {} channels up to {} became {} x {} with {} up to {}",
            a.width, a.height, a.channels, a.top, b.width, b.height, b.channels, b.top
        );
    }
    let off: Vec<i64> = a.codes.iter().zip(&b.codes).map(|(a, b)| b - a).collect();
    let most = off.iter().map(|d| d.abs()).max().unwrap_or(0);
    // Each difference as strong as the strongest allows, so that one code is seen.
    let difference: Vec<i64> = off.iter().map(|d| d.abs() * a.top / most.max(1)).collect();
    write(png, &a, &[&a.codes, &difference, &b.codes]);
    let Some(first) = off.iter().position(|d| *d != 0) else {
        return "the same pixels".to_owned();
    };
    let pixel = first / a.channels;
    let count = off.chunks(a.channels).filter(|p| p.iter().any(|d| *d != 0));
    format!(
        "{} pixels differ, by {most} at most, first at {},{} channel {}: {} became {}",
        count.count(),
        pixel % a.width,
        pixel / a.width,
        first % a.channels,
        a.codes[first],
        b.codes[first]
    )
}

/// Panels beside each other, 8-bit RGB, a white line between them; alpha is shown on mid-grey.
fn write(path: &Path, like: &Flat, panels: &[&[i64]]) {
    let wide = like.width * panels.len() + panels.len() - 1;
    let mut rows = Vec::with_capacity(wide * like.height * 3);
    for y in 0..like.height {
        for (k, panel) in panels.iter().enumerate() {
            if k > 0 {
                rows.extend([255; 3]);
            }
            for x in 0..like.width {
                let pixel = &panel[(y * like.width + x) * like.channels..][..like.channels];
                let colour = |c: usize| pixel[if like.channels < 3 { 0 } else { c }];
                let alpha = match like.channels {
                    2 | 4 => pixel[like.channels - 1],
                    _ => like.top,
                };
                rows.extend((0..3).map(|c| {
                    let mixed = colour(c) * alpha + 128 * like.top / 255 * (like.top - alpha);
                    (mixed / like.top * 255 / like.top).clamp(0, 255) as u8
                }));
            }
        }
    }
    let file = std::io::BufWriter::new(fs::File::create(path).unwrap());
    let mut encoder = png::Encoder::new(file, wide as u32, like.height as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().unwrap();
    writer.write_image_data(&rows).unwrap();
}
