//! Pictures to look at: frame, matte, truth, and the difference (gray: none; white: too much; black: too little).

use crate::cases::Case;
use crate::cut::{self, Cut};
use std::fs::File;
use std::io::{self, BufWriter};
use std::path::Path;

pub fn save(folder: &Path, case: &Case, cut: &Cut) -> io::Result<()> {
    std::fs::create_dir_all(folder)?;
    let side = case.size as usize;
    let code = |v: f32| (v.clamp(0.0, 1.0) * 255.0 + 0.5) as u8;
    let mut pixels = Vec::with_capacity(4 * side * side);
    for (y, row) in case.frame.chunks(side).enumerate() {
        let line = y * side..(y + 1) * side;
        let truth = &case.truth.matte[line.clone()];
        let matte = &cut.matte[line];
        pixels.extend(row.iter().map(|c| (c[1] >> 8) as u8));
        pixels.extend(matte.iter().map(|&a| code(a)));
        pixels.extend(truth.iter().map(|&t| code(t)));
        pixels.extend(
            matte
                .iter()
                .zip(truth)
                .map(|(a, t)| code(0.5 + 0.5 * (a - t))),
        );
    }
    let file = File::create(folder.join(format!("{}.png", cut::name(case))))?;
    let mut encoder = png::Encoder::new(BufWriter::new(file), 4 * case.size, case.size);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&pixels)?;
    Ok(())
}
