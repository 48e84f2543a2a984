//! Painted masks, as a careful retoucher would leave them: the true matte a little choked and softened, the rod cut off.

use crate::camera::Camera;
use crate::covers::{Covers, Hanging};
use crate::layers::{Effort, Raster, hung};
use crate::vector::{V3, smooth};
use crate::world::World;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

/// Coverage of a part of a frame; 0 elsewhere.
#[derive(Clone, Debug)]
struct Part {
    left: i64,
    top: i64,
    width: i64,
    height: i64,
    values: Vec<f32>,
}

impl Part {
    /// The covered part of one layer, with `margin` pixels around it.
    fn of(covers: &Covers, alpha: fn(Hanging) -> f32, margin: i64) -> Part {
        let [left, top, right, bottom] = covers.bounds();
        let (left, top) = (left - margin, top - margin);
        let (width, height) = (right + margin - left, bottom + margin - top);
        let at = |n: i64| alpha(covers.at(left + n % width, top + n / width));
        Part {
            left,
            top,
            width,
            height,
            values: (0..width * height).map(at).collect(),
        }
    }

    fn at(&self, x: i64, y: i64) -> f32 {
        let (x, y) = (x - self.left, y - self.top);
        let inside = (0..self.width).contains(&x) && (0..self.height).contains(&y);
        if inside {
            self.values[(y * self.width + x) as usize]
        } else {
            0.0
        }
    }

    /// A Gaussian of `sigma` pixels.
    fn softened(&self, sigma: f32) -> Part {
        let reach = (3.0 * sigma).ceil() as i64;
        let taps: Vec<f32> = (-reach..=reach)
            .map(|k| libm::expf(-0.5 * (k * k) as f32 / (sigma * sigma)))
            .collect();
        let total: f32 = taps.iter().sum();
        let pass = |from: &Part, dx: i64, dy: i64| {
            let value = |n: i64| {
                let (x, y) = (from.left + n % from.width, from.top + n / from.width);
                let sum: f32 = (-reach..=reach)
                    .zip(&taps)
                    .map(|(k, tap)| tap * from.at(x + k * dx, y + k * dy))
                    .sum();
                sum / total
            };
            Part {
                values: (0..from.width * from.height).map(value).collect(),
                ..*from
            }
        };
        pass(&pass(self, 1, 0), 0, 1)
    }
}

/// A painted mask, ready to be written.
#[derive(Debug)]
pub struct Painted {
    size: (u32, u32),
    soft: Part,
    /// How much of the surroundings to keep, on a coarser grid.
    around: Option<Raster>,
}

impl Painted {
    /// Writes a 16-bit gray PNG.
    pub fn save(&self, path: &Path) -> io::Result<()> {
        let (width, height) = self.size;
        let mut encoder = png::Encoder::new(BufWriter::new(File::create(path)?), width, height);
        encoder.set_color(png::ColorType::Grayscale);
        encoder.set_depth(png::BitDepth::Sixteen);
        let mut writer = encoder.write_header()?;
        let mut stream = writer.stream_writer()?;
        for y in 0..height {
            let code = |x: u32| {
                let around = self.around.as_ref().map_or(0.0, |r| {
                    let (kx, ky) = (
                        r.width as f32 / width as f32,
                        r.height as f32 / height as f32,
                    );
                    r.between((x as f32 + 0.5) * kx, (y as f32 + 0.5) * ky).x
                });
                let value = self.soft.at(x as i64, y as i64).max(around);
                (value.clamp(0.0, 1.0) * 65_535.0 + 0.5) as u16
            };
            let row: Vec<u8> = (0..width).flat_map(|x| code(x).to_be_bytes()).collect();
            stream.write_all(&row)?;
        }
        stream.finish()?;
        Ok(())
    }
}

/// The mask of a piece from its true matte; what the rod covers, and a breath beside it, goes.
pub fn painted(covers: &Covers) -> Painted {
    let sigma = 0.55 + covers.height as f32 / 4000.0;
    let margin = (4.0 * sigma).ceil() as i64;
    let mut soft = Part::of(covers, |hanging| hanging.piece.alpha, margin).softened(sigma);
    let rod = Part::of(covers, |hanging| hanging.rod.alpha, margin).softened(sigma);
    for (m, r) in soft.values.iter_mut().zip(&rod.values) {
        *m = smooth(0.22, 0.93, *m) * (1.0 - (1.6 * r).min(1.0));
    }
    Painted {
        size: (covers.width, covers.height),
        soft,
        around: None,
    }
}

/// The mask of a splash: its matte, and softly the part of the table that its shadow and mirror image reach.
pub fn painted_with_surroundings(covers: &Covers, ratio: &Raster) -> Painted {
    let (width, height) = (ratio.width as i64, ratio.height as i64);
    let values = ratio
        .pixels
        .iter()
        .map(|s| (s.y - 1.0).abs().min(0.5))
        .collect();
    let change = Part {
        left: 0,
        top: 0,
        width,
        height,
        values,
    }
    .softened(height as f32 / 200.0);
    let pixels = change
        .values
        .iter()
        .map(|c| V3::splat(smooth(0.04, 0.16, *c)))
        .collect();
    let around = Raster { pixels, ..*ratio };
    Painted {
        size: (covers.width, covers.height),
        soft: Part::of(covers, |hanging| hanging.piece.alpha, 3).softened(0.6),
        around: Some(around),
    }
}

/// The outline of what stands on the table in `world`, as the piece's layer.
pub fn outline(mut world: World, camera: &Camera, effort: Effort) -> Covers {
    world.piece = std::mem::take(&mut world.set);
    hung(
        &world,
        camera,
        Effort {
            piece: effort.piece.min(32),
            ..effort
        },
    )
}
