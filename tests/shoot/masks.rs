//! Painted masks, as a careful retoucher would leave them: the true matte a little choked and softened, the rod cut off.

use crate::layers::{Raster, hung};
use crate::vector::smooth;
use crate::{camera::Camera, layers::Effort, world::World};
use std::fs::File;
use std::io::{self, BufWriter};
use std::path::Path;

/// Coverage 0..1, row by row.
#[derive(Clone, Debug)]
pub struct Coverage {
    pub width: u32,
    pub height: u32,
    pub values: Vec<f32>,
}

impl Coverage {
    pub fn new(width: u32, height: u32) -> Coverage {
        Coverage {
            width,
            height,
            values: vec![0.0; width as usize * height as usize],
        }
    }

    /// A Gaussian of `sigma` pixels; borders repeat.
    pub fn softened(&self, sigma: f32) -> Coverage {
        let reach = (3.0 * sigma).ceil() as i64;
        let taps: Vec<f32> = (-reach..=reach)
            .map(|k| libm::expf(-0.5 * (k * k) as f32 / (sigma * sigma)))
            .collect();
        let total: f32 = taps.iter().sum();
        let pass = |from: &Coverage, dx: i64, dy: i64| {
            let mut to = Coverage::new(from.width, from.height);
            let (w, h) = (from.width as i64, from.height as i64);
            for y in 0..h {
                for x in 0..w {
                    let mut sum = 0.0;
                    for (i, tap) in taps.iter().enumerate() {
                        let k = i as i64 - reach;
                        let (u, v) = ((x + k * dx).clamp(0, w - 1), (y + k * dy).clamp(0, h - 1));
                        sum += tap * from.values[(v * w + u) as usize];
                    }
                    to.values[(y * w + x) as usize] = sum / total;
                }
            }
            to
        };
        pass(&pass(self, 1, 0), 0, 1)
    }

    pub fn save(&self, path: &Path) -> io::Result<()> {
        let mut encoder =
            png::Encoder::new(BufWriter::new(File::create(path)?), self.width, self.height);
        encoder.set_color(png::ColorType::Grayscale);
        encoder.set_depth(png::BitDepth::Sixteen);
        let bytes: Vec<u8> = self
            .values
            .iter()
            .flat_map(|v| ((v.clamp(0.0, 1.0) * 65_535.0 + 0.5) as u16).to_be_bytes())
            .collect();
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&bytes)?;
        writer.finish()?;
        Ok(())
    }
}

/// The mask of a piece from its true matte; what the rod covers, and a breath beside it, goes.
pub fn painted(matte: &Coverage, rod: &Coverage) -> Coverage {
    let sigma = 0.55 + matte.height as f32 / 4000.0;
    let (mut soft, rod) = (matte.softened(sigma), rod.softened(sigma));
    for (m, r) in soft.values.iter_mut().zip(&rod.values) {
        *m = smooth(0.22, 0.93, *m) * (1.0 - (1.6 * r).min(1.0));
    }
    soft
}

/// The mask of a splash: its matte, and softly the part of the table that its shadow and mirror image reach.
pub fn painted_with_surroundings(matte: &Coverage, ratio: &Raster) -> Coverage {
    let mut change = Coverage::new(matte.width, matte.height);
    let (kx, ky) = (
        ratio.width as f32 / matte.width as f32,
        ratio.height as f32 / matte.height as f32,
    );
    for (n, c) in change.values.iter_mut().enumerate() {
        let (x, y) = (n as u32 % matte.width, n as u32 / matte.width);
        let s = ratio.between((x as f32 + 0.5) * kx, (y as f32 + 0.5) * ky);
        *c = (s.y - 1.0).abs().min(0.5);
    }
    let change = change.softened(matte.height as f32 / 200.0);
    let mut soft = matte.softened(0.6);
    for (m, c) in soft.values.iter_mut().zip(&change.values) {
        *m = m.max(smooth(0.04, 0.16, *c));
    }
    soft
}

/// The outline of what stands on the table in `world`.
pub fn outline(mut world: World, camera: &Camera, effort: Effort) -> Coverage {
    world.piece = std::mem::take(&mut world.set);
    let mut out = Coverage::new(camera.width, camera.height);
    let rows = hung(
        &world,
        camera,
        Effort {
            piece: effort.piece.min(32),
            ..effort
        },
        5,
        0,
        camera.height,
    );
    for (value, cover) in out.values.iter_mut().zip(rows) {
        *value = cover[0].alpha;
    }
    out
}
