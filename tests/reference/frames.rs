//! The little pictures that the reference's examples name: a set with an ink bottle, pen nibs, a paper curl, a brass
//! clip, an ink splash. Drawn here from polygons and ellipses, 16 samples a pixel, the same every time.

use crate::common;
use platewright::color::{Named, Profile, srgb_encode};
use std::fs;
use std::path::Path;

/// The plate's size; frames on rods have it too.
pub const WIDTH: u32 = 240;
pub const HEIGHT: u32 = 180;

type Light = [f32; 3];

const WALL: Light = [0.18; 3];
const TABLE: Light = [0.27, 0.26, 0.25];
const INK: Light = [0.012, 0.014, 0.085];
const PAPER: Light = [0.72, 0.68, 0.58];
const SHADE: Light = [0.34, 0.31, 0.26];
const GOLD: Light = [0.62, 0.42, 0.11];
const BRASS: Light = [0.45, 0.33, 0.09];
const DARK: Light = [0.02; 3];
const WHITE: Light = [1.0; 3];

/// Writes every file that an example may name into `folder`.
pub fn make(folder: &Path) {
    for name in ["frames", "masks", "profiles", "shared"] {
        fs::create_dir_all(folder.join(name)).unwrap();
    }
    let frames = folder.join("frames");
    let set = table_with_bottle();
    for name in ["dry-1.tif", "dry-2.tif", "wet-1.tif"] {
        set.save(&frames.join(name));
    }
    table().save(&frames.join("table.tif"));
    set.part(104, 30, 120, 110)
        .save(&frames.join("close-1.tif"));
    on_rod().save(&frames.join("nib-11.tif"));
    nib(60, 90, 1.0).save_with_alpha(&frames.join("nib-04.tif"));
    nib(20, 30, 1.0 / 3.0).save_with_alpha(&frames.join("nib-tiny.tif"));
    curl().save_with_alpha(&frames.join("curl-02.tif"));
    clip().save_with_alpha(&frames.join("clip-03.tif"));
    splash().save(&frames.join("splash-09.tif"));
    glint().save(&frames.join("glint-02.tif"));
    Paper::new(WIDTH, HEIGHT, Some(WHITE)).save(&frames.join("white.tif"));
    untagged(&frames.join("scan.tif"));
    masks(&folder.join("masks"));
    fs::write(
        folder.join("profiles/wide.icc"),
        Profile::named(Named::Romm).bytes(),
    )
    .unwrap();
}

fn masks(folder: &Path) {
    let shape = |x: f32, y: f32| in_nib(x - 90.0, y - 34.0);
    let mut matte = Paper::new(WIDTH, HEIGHT, Some([0.0; 3]));
    matte.fill(WHITE, shape);
    let gray: Vec<u16> = matte.pixels.iter().map(|p| whole(p[0])).collect();
    common::gray16(
        &folder.join("nib-11.tif"),
        WIDTH,
        HEIGHT,
        &gray,
        Named::Gray,
    );
    // The same in the alpha of a picture, and in its red; the green holds the rod.
    let mut coloured = Vec::with_capacity(gray.len() * 4);
    let mut rod = Paper::new(WIDTH, HEIGHT, Some([0.0; 3]));
    rod.fill(WHITE, |x, y| (118.0..122.0).contains(&x) && y > 120.0);
    for (nib, rod) in gray.iter().zip(&rod.pixels) {
        coloured.extend([*nib, whole(rod[0]), 0, *nib]);
    }
    common::rgba16(
        &folder.join("channels.tif"),
        WIDTH,
        HEIGHT,
        &coloured,
        Named::Srgb,
    );
}

/// A picture without a profile, as some scanners write it.
fn untagged(path: &Path) {
    use tiff::encoder::{TiffEncoder, colortype::RGB16};
    let file = fs::File::create(path).unwrap();
    let codes = vec![30_000u16; 40 * 30 * 3];
    TiffEncoder::new(file)
        .unwrap()
        .write_image::<RGB16>(40, 30, &codes)
        .unwrap();
}

fn table() -> Paper {
    let mut paper = Paper::new(WIDTH, HEIGHT, Some(WALL));
    paper.fill(TABLE, |_, y| y > 132.0);
    paper
}

fn table_with_bottle() -> Paper {
    let mut paper = table();
    paper.fill([0.13, 0.125, 0.13], |x, y| {
        ellipse(x, y, 124.0, 152.0, 46.0, 6.0)
    });
    let glass = [
        (90.0, 152.0),
        (90.0, 92.0),
        (99.0, 78.0),
        (112.0, 72.0),
        (112.0, 58.0),
        (128.0, 58.0),
        (128.0, 72.0),
        (141.0, 78.0),
        (150.0, 92.0),
        (150.0, 152.0),
    ];
    paper.fill(INK, |x, y| polygon(&glass, x, y));
    paper.fill(DARK, |x, y| {
        (108.0..132.0).contains(&x) && (42.0..60.0).contains(&y)
    });
    paper.fill([0.10, 0.10, 0.11], |x, y| {
        (111.0..114.0).contains(&x) && (44.0..58.0).contains(&y)
    });
    paper.fill(PAPER, |x, y| {
        (99.0..141.0).contains(&x) && (102.0..138.0).contains(&y)
    });
    paper.fill(INK, |x, y| {
        polygon(
            &[
                (120.0, 107.0),
                (127.0, 122.0),
                (120.0, 132.0),
                (113.0, 122.0),
            ],
            x,
            y,
        )
    });
    paper.fill([0.25, 0.27, 0.38], |x, y| {
        (93.0..95.5).contains(&x) && (92.0..146.0).contains(&y)
    });
    paper
}

/// A nib on its rod, before the wall.
fn on_rod() -> Paper {
    let mut paper = table();
    paper.fill([0.06; 3], |x, y| (118.0..122.0).contains(&x) && y > 118.0);
    draw_nib(&mut paper, 90.0, 34.0, 1.0);
    paper
}

/// A nib alone on transparency, its tip up.
fn nib(width: u32, height: u32, scale: f32) -> Paper {
    let mut paper = Paper::new(width, height, None);
    draw_nib(&mut paper, 0.0, 0.0, scale);
    paper
}

fn draw_nib(paper: &mut Paper, left: f32, top: f32, scale: f32) {
    let at = |x: f32, y: f32| ((x - left) / scale, (y - top) / scale);
    let shape = move |x, y| {
        let (x, y) = at(x, y);
        in_nib(x, y)
    };
    paper.fill(GOLD, shape);
    paper.fill([0.95, 0.82, 0.5], move |x, y| {
        let (u, v) = at(x, y);
        in_nib(u, v) && polygon(&[(27.0, 14.0), (24.0, 48.0), (20.0, 48.0)], u, v)
    });
    paper.fill(DARK, move |x, y| {
        let (x, y) = at(x, y);
        ((29.0..31.0).contains(&x) && (6.0..46.0).contains(&y))
            || ellipse(x, y, 30.0, 48.0, 3.5, 3.5)
    });
}

fn in_nib(x: f32, y: f32) -> bool {
    let outline = [
        (30.0, 4.0),
        (44.0, 40.0),
        (46.0, 56.0),
        (38.0, 66.0),
        (38.0, 86.0),
        (22.0, 86.0),
        (22.0, 66.0),
        (14.0, 56.0),
        (16.0, 40.0),
    ];
    polygon(&outline, x, y)
}

fn curl() -> Paper {
    let mut paper = Paper::new(90, 60, None);
    paper.fill(PAPER, |x, y| {
        ellipse(x, y, 45.0, 44.0, 42.0, 38.0) && !ellipse(x, y, 45.0, 56.0, 34.0, 36.0) && y < 48.0
    });
    paper.fill(SHADE, |x, y| {
        ellipse(x, y, 45.0, 47.0, 38.0, 36.0) && !ellipse(x, y, 45.0, 56.0, 34.0, 36.0) && y < 48.0
    });
    paper
}

fn clip() -> Paper {
    let mut paper = Paper::new(60, 60, None);
    paper.fill(BRASS, |x, y| {
        ellipse(x, y, 30.0, 30.0, 27.0, 27.0) && !ellipse(x, y, 30.0, 30.0, 19.0, 19.0)
    });
    paper.fill([0.8, 0.66, 0.3], |x, y| {
        ellipse(x, y, 30.0, 30.0, 25.0, 25.0) && !ellipse(x, y, 31.0, 31.5, 24.0, 24.0)
    });
    paper
}

fn splash() -> Paper {
    let mut paper = Paper::new(120, 90, Some(WHITE));
    for (x, y, rx, ry, thin) in [
        (60.0, 46.0, 34.0, 20.0, 0.3),
        (60.0, 46.0, 24.0, 13.0, 0.0),
        (20.0, 24.0, 7.0, 9.0, 0.2),
        (98.0, 20.0, 6.0, 6.0, 0.1),
        (104.0, 66.0, 9.0, 6.0, 0.4),
        (24.0, 70.0, 5.0, 5.0, 0.0),
    ] {
        let colour = INK.map(|ink| ink + thin);
        paper.fill(colour, |u, v| ellipse(u, v, x, y, rx, ry));
    }
    paper
}

/// A light photographed before black.
fn glint() -> Paper {
    let mut paper = Paper::new(120, 90, Some([0.0; 3]));
    for step in 1..=12u8 {
        let size = 13 - step;
        let light = f32::from(step) / 30.0;
        paper.fill([light, light * 0.9, light * 0.7], |x, y| {
            ellipse(
                x,
                y,
                60.0,
                45.0,
                f32::from(size) * 4.5,
                f32::from(size) * 3.4,
            )
        });
    }
    paper
}

/// Premultiplied linear light.
struct Paper {
    width: u32,
    height: u32,
    pixels: Vec<[f32; 4]>,
}

impl Paper {
    fn new(width: u32, height: u32, ground: Option<Light>) -> Paper {
        let pixel = ground.map_or([0.0; 4], |[r, g, b]| [r, g, b, 1.0]);
        Paper {
            width,
            height,
            pixels: vec![pixel; (width * height) as usize],
        }
    }

    /// A rectangle of it as a picture of its own.
    fn part(&self, left: u32, top: u32, width: u32, height: u32) -> Paper {
        let rows = (top..top + height).map(|y| (y * self.width + left) as usize);
        Paper {
            width,
            height,
            pixels: rows
                .flat_map(|at| self.pixels[at..at + width as usize].to_vec())
                .collect(),
        }
    }

    /// Paints where `inside` says so, with soft edges.
    fn fill(&mut self, colour: Light, inside: impl Fn(f32, f32) -> bool) {
        for y in 0..self.height {
            for x in 0..self.width {
                let hits = (0..16)
                    .filter(|k| {
                        let (u, v) = ((k % 4) as f32 + 0.5, (k / 4) as f32 + 0.5);
                        inside(x as f32 + u / 4.0, y as f32 + v / 4.0)
                    })
                    .count();
                let cover = hits as f32 / 16.0;
                let pixel = &mut self.pixels[(y * self.width + x) as usize];
                for (value, light) in pixel.iter_mut().zip([colour[0], colour[1], colour[2], 1.0]) {
                    *value = light * cover + *value * (1.0 - cover);
                }
            }
        }
    }

    fn save(&self, path: &Path) {
        let codes: Vec<u16> = self
            .pixels
            .iter()
            .flat_map(|p| [p[0], p[1], p[2]].map(|v| whole(srgb_encode(v))))
            .collect();
        common::rgb16(path, self.width, self.height, &codes, Named::Srgb);
    }

    fn save_with_alpha(&self, path: &Path) {
        let codes: Vec<u16> = self
            .pixels
            .iter()
            .flat_map(|p| {
                let straight = |v: f32| if p[3] > 0.0 { v / p[3] } else { 0.0 };
                let colour = [p[0], p[1], p[2]].map(|v| whole(srgb_encode(straight(v))));
                [colour[0], colour[1], colour[2], whole(p[3])]
            })
            .collect();
        common::rgba16(path, self.width, self.height, &codes, Named::Srgb);
    }
}

fn whole(value: f32) -> u16 {
    (value.clamp(0.0, 1.0) * 65_535.0 + 0.5).floor() as u16
}

fn ellipse(x: f32, y: f32, cx: f32, cy: f32, rx: f32, ry: f32) -> bool {
    let (u, v) = ((x - cx) / rx, (y - cy) / ry);
    u * u + v * v < 1.0
}

/// Even-odd, by crossings of a ray to the right.
fn polygon(points: &[(f32, f32)], x: f32, y: f32) -> bool {
    let mut inside = false;
    for (k, &(x1, y1)) in points.iter().enumerate() {
        let (x0, y0) = points[(k + points.len() - 1) % points.len()];
        if (y0 > y) != (y1 > y) && x < x0 + (y - y0) * (x1 - x0) / (y1 - y0) {
            inside = !inside;
        }
    }
    inside
}
