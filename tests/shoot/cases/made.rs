//! One case from its seed.

use super::canvas::{CLEAR, Canvas, over};
use super::converted::converted;
use super::disc::defocused;
use super::draw::Draw;
use super::graded::graded;
use super::levels::{self, Camera, Level};
use super::light::{Ratios, ratios};
use super::rods::{Stock, rod};
use super::sets::{Cloth, Set};
use super::solid::{self, Solid};
use super::view::{View, seen};
use super::{Kind, ink, quill, scrap};
use crate::mesh::Pose;
use crate::pieces;
use crate::sampling::{hash, normal};
use crate::sensor;
use crate::vector::{V3, v};
use rayon::prelude::*;

/// A frame, its plate, and the truth.
#[derive(Clone, Debug)]
pub struct Case {
    pub kind: Kind,
    pub level: Level,
    pub seed: u32,
    /// Pixels each way.
    pub size: u32,
    pub cloth: Cloth,
    /// Codes of the profile's curve, row by row.
    pub frame: Vec<[u16; 3]>,
    pub plate: Vec<[u16; 3]>,
    pub camera: Camera,
    /// Frame pixels to plate pixels, two rows of a matrix.
    pub to_plate: [[f64; 3]; 2],
    /// The frame before noise and curve, in its own geometry and exposure.
    pub clean: Vec<[f32; 3]>,
    pub truth: Truth,
}

impl Case {
    /// The same with frame and plate through a raw converter.
    pub fn converted(mut self) -> Case {
        self.frame = converted(&self.frame, self.size);
        self.plate = converted(&self.plate, self.size);
        self
    }

    /// The same with frame, plate and truth through a colour recipe.
    pub fn graded(mut self) -> Case {
        graded(&mut self);
        self
    }
}

/// In the plate's geometry, exposure and white, linear light.
#[derive(Clone, Debug)]
pub struct Truth {
    /// Coverage of the piece.
    pub matte: Vec<f32>,
    /// The piece's light times its coverage.
    pub light: Vec<[f32; 3]>,
    /// What is seen of the rod: beside the piece, and across its face where it is in front.
    pub rod: Vec<f32>,
    /// Coverage of the rod in front of the piece.
    pub crossing: Vec<f32>,
    pub plate: Vec<[f32; 3]>,
    /// Ratio of light by the piece's own shadow and bounce.
    pub ratio: Vec<[f32; 3]>,
    /// The same with the rod's shadow and the drift.
    pub ratio_all: Vec<[f32; 3]>,
}

/// A case before it is seen by a camera.
struct Staged {
    kind: Kind,
    set: Set,
    draw: Draw,
    mean: V3,
}

/// Whether rods hang before or behind the piece.
fn in_front(kind: Kind) -> bool {
    kind == Kind::Wires
}

fn cloth(kind: Kind, draw: &mut Draw) -> Cloth {
    const ANY: [Cloth; 5] = [
        Cloth::Sweep,
        Cloth::Walnut,
        Cloth::Slate,
        Cloth::Stack,
        Cloth::Weave,
    ];
    match kind {
        Kind::Scrap => Cloth::Paper,
        _ => ANY[draw.below(ANY.len())],
    }
}

impl Staged {
    fn new(kind: Kind, size: i64, draw: Draw) -> Staged {
        let set = Set::new(cloth(kind, &mut draw.part(1)), size, &mut draw.part(2));
        let steps = 24;
        let mean = (0..steps * steps).fold(V3::ZERO, |sum, n| {
            let place = |k: i64| (k as f32 + 0.37) * size as f32 / steps as f32;
            sum + set.at([place(n % steps), place(n / steps)])
        }) / (steps * steps) as f32;
        Staged {
            kind,
            set,
            draw,
            mean,
        }
    }

    fn middle(&self, size: i64) -> [f32; 2] {
        let mut draw = self.draw.part(3);
        [0, 1].map(|_| size as f32 * draw.between(0.46, 0.54))
    }

    /// One of the shoot's pieces, about `tall` of the frame high, posed by chance.
    fn mesh(&self, kind: pieces::Kind, tall: f32, size: i64, lean: f32) -> Vec<Solid> {
        let mut draw = self.draw.part(4);
        let turn = v(
            draw.between(-16.0, 16.0),
            draw.between(-38.0, 38.0),
            draw.between(-lean, lean),
        );
        let [x, y] = self.middle(size);
        let parts = kind.parts();
        let reach = parts
            .iter()
            .flat_map(|(_, mesh)| &mesh.points)
            .fold(0.0, |most: f32, p| most.max(p.length()));
        let scale = tall * size as f32 / (2.0 * reach);
        let pose = Pose::turned(turn, V3::ZERO);
        parts
            .into_iter()
            .map(|(body, mesh)| {
                let mut mesh = mesh.posed(&pose);
                for p in &mut mesh.points {
                    *p = *p * scale + v(x, -y, 0.0);
                }
                Solid { body, mesh }
            })
            .collect()
    }

    /// Which of the shoot's pieces this is, if any, with its height in the frame and how far it may lean.
    fn of_the_shoot(&self) -> Option<(pieces::Kind, f32, f32)> {
        let mut draw = self.draw.part(5);
        let curl = [pieces::Kind::TightCurl, pieces::Kind::LooseCurl][draw.below(2)];
        Some(match self.kind {
            Kind::Steel => (pieces::Kind::SteelNib, 0.70, 60.0),
            Kind::Brass => (pieces::Kind::BrassNib, 0.70, 60.0),
            Kind::Wires => (pieces::Kind::BroadNib, 0.66, 35.0),
            Kind::Clip => (
                [pieces::Kind::WireClip, pieces::Kind::JawClip][draw.below(2)],
                0.62,
                70.0,
            ),
            Kind::Curl => (curl, 0.58, 80.0),
            Kind::Blurred if draw.below(2) == 0 => (pieces::Kind::BroadNib, 0.66, 60.0),
            Kind::Blurred => (curl, 0.56, 80.0),
            Kind::Quill | Kind::Ink | Kind::Scrap => return None,
        })
    }

    fn piece(&self, view: &View) -> Canvas {
        let middle = self.middle(view.size);
        let mut draw = self.draw.part(6);
        let sharp = match (self.of_the_shoot(), self.kind) {
            (Some((kind, tall, lean)), _) => {
                solid::drawn(view, &self.mesh(kind, tall, view.size, lean), self.mean)
            }
            (None, Kind::Ink) => ink::drawn(view, middle, &mut draw),
            (None, Kind::Scrap) => scrap::drawn(view, middle, &self.set, &mut draw),
            (None, _) => {
                let lean = draw.between(-0.9, 0.9);
                quill::drawn(view, middle, lean, &mut draw)
            }
        };
        match self.kind {
            Kind::Blurred => defocused(&sharp, self.blur(), view.samples()),
            _ => sharp,
        }
    }

    /// Radius of the disc of a lens out of focus, px.
    fn blur(&self) -> f32 {
        self.draw.part(7).between(3.5, 8.0)
    }

    fn rods(&self, view: &View) -> Canvas {
        let size = view.size as f32;
        let middle = self.middle(view.size);
        let mut draw = self.draw.part(8);
        let out = |draw: &mut Draw| {
            let way = draw.between(-0.8, 0.8);
            match draw.below(4) {
                0 => [-1.0, way],
                1 => [1.0, way],
                2 => [way, 1.0],
                _ => [way, -1.0],
            }
        };
        let rods: Vec<Solid> = match self.kind {
            Kind::Ink => Vec::new(),
            Kind::Wires => [-1.0, 1.0]
                .iter()
                .map(|side| {
                    let hold = [
                        middle[0] + side * draw.between(0.01, 0.05) * size,
                        middle[1] + draw.between(-0.02, 0.10) * size,
                    ];
                    let way = [side * draw.between(0.15, 0.8), -1.0];
                    rod(Stock::Wire, hold, way, view.size, &mut draw)
                })
                .collect(),
            Kind::Quill => {
                let lean = self.draw.part(6).between(-0.9, 0.9);
                let hold = quill::hold(view.size, middle, lean);
                let way = out(&mut draw);
                vec![rod(Stock::Wire, hold, way, view.size, &mut draw)]
            }
            _ if draw.below(6) == 0 => Vec::new(),
            _ => {
                let stock = Stock::any(&mut draw);
                let hold = self.hold(view.size, middle);
                let way = out(&mut draw);
                vec![rod(stock, hold, way, view.size, &mut draw)]
            }
        };
        let sharp = solid::drawn(view, &rods, self.mean);
        match self.kind {
            Kind::Blurred => defocused(&sharp, 0.6 * self.blur(), view.samples()),
            _ => sharp,
        }
    }

    /// Where a rod is fixed behind the piece, px.
    fn hold(&self, size: i64, middle: [f32; 2]) -> [f32; 2] {
        match (self.of_the_shoot(), self.kind) {
            // A clip is open in the middle: the rod holds its wire.
            (Some((kind @ pieces::Kind::WireClip, tall, lean)), _) => {
                let solids = self.mesh(kind, tall, size, lean);
                let points = &solids[0].mesh.points;
                let p = points[points.len() / 3];
                [p.x, -p.y]
            }
            _ => middle,
        }
    }

    /// Light of the whole scene under a sample.
    fn scene(
        &self,
        view: &View,
        layers: &[Canvas; 2],
        ratios: &Ratios,
        i: i64,
        j: i64,
    ) -> [f32; 3] {
        let p = view.under(i, j);
        let ground = (self.set.at(p) * ratios.all.at(p)).array();
        let ground = [ground[0], ground[1], ground[2], 1.0];
        let [piece, rod] = layers;
        let (piece, rod) = (piece.at(i, j), rod.at(i, j));
        let all = match in_front(self.kind) {
            true => over(rod, over(piece, ground)),
            false => over(piece, over(rod, ground)),
        };
        [all[0], all[1], all[2]]
    }
}

/// Makes a case.
pub fn made(kind: Kind, level: Level, seed: u32, size: u32) -> Case {
    let draw = Draw::new(&[kind as u32, level as u32, seed]);
    let camera = levels::camera(level, &mut draw.part(20));
    let shade = levels::shade(level, &mut draw.part(21));
    let staged = Staged::new(kind, i64::from(size), draw.clone());
    let view = View::plate(size);
    let layers = [staged.piece(&view), staged.rods(&view)];
    let ratios = ratios(&view, &layers[0], &layers[1], shade, &mut draw.part(22));

    let truth = seen(&view, |i, j| {
        let (piece, rod) = (layers[0].at(i, j), layers[1].at(i, j)[3]);
        let b = staged.set.at(view.under(i, j)).array();
        let beside = match in_front(kind) {
            true => rod,
            false => rod * (1.0 - piece[3]),
        };
        let crossing = if in_front(kind) { rod * piece[3] } else { 0.0 };
        let [r, g, bl, a] = piece;
        [r, g, bl, a, beside, crossing, b[0], b[1], b[2]]
    });
    let pixel = |n: usize| [n as u32 % size, n as u32 / size].map(|v| v as f32 + 0.5);
    let field = |field: &super::light::Field| -> Vec<[f32; 3]> {
        (0..truth.len())
            .map(|n| field.at(pixel(n)).array())
            .collect()
    };
    let truth = Truth {
        ratio: field(&ratios.piece),
        ratio_all: field(&ratios.all),
        matte: truth.iter().map(|t| t[3].clamp(0.0, 1.0)).collect(),
        light: truth.iter().map(|t| [t[0], t[1], t[2]]).collect(),
        rod: truth.iter().map(|t| t[4]).collect(),
        crossing: truth.iter().map(|t| t[5]).collect(),
        plate: truth.iter().map(|t| [t[6], t[7], t[8]]).collect(),
    };

    let frame = View::frame(size, &camera);
    let moved = match frame == view {
        true => None,
        false => Some([staged.piece(&frame), staged.rods(&frame)]),
    };
    let layers = moved.as_ref().unwrap_or(&layers);
    let clean: Vec<[f32; 3]> = seen(&frame, |i, j| staged.scene(&frame, layers, &ratios, i, j))
        .into_iter()
        .map(|c| std::array::from_fn(|k| c[k] * camera.gain[k]))
        .collect();
    let noise = |number: u32| hash(draw.part(23).word(), number);
    Case {
        kind,
        level,
        seed,
        size,
        cloth: staged.set.cloth,
        frame: exposed(&clean, size, &camera, noise(1)),
        plate: exposed(&truth.plate, size, &camera, noise(2)),
        camera,
        to_plate: frame.to_plate(),
        clean,
        truth,
    }
}

/// Codes of light as the sensor sees it. Taking colours apart ties the noise of neighbours together a little.
fn exposed(light: &[[f32; 3]], size: u32, camera: &Camera, seed: u32) -> Vec<[u16; 3]> {
    noisy(light, size, camera, seed)
        .into_par_iter()
        .map(|c| c.map(sensor::code))
        .collect()
}

/// Light with the camera's noise.
pub fn noisy(light: &[[f32; 3]], size: u32, camera: &Camera, seed: u32) -> Vec<[f32; 3]> {
    let dice: Vec<[f32; 3]> = (0..light.len() as u32)
        .into_par_iter()
        .map(|n| {
            [0, 1, 2].map(|k| {
                let word = hash(seed, n * 3 + k);
                normal(word, hash(word, 0x51))
            })
        })
        .collect();
    // A Gaussian of half a pixel, and what keeps its deviation 1.
    let taps = [0.107, 0.786, 0.107f32];
    let kept = taps.iter().map(|t| t * t).sum::<f32>();
    let side = size as i64;
    let at = |x: i64, y: i64| dice[(y.clamp(0, side - 1) * side + x.clamp(0, side - 1)) as usize];
    light
        .par_iter()
        .enumerate()
        .map(|(n, light)| {
            let (x, y) = (n as i64 % side, n as i64 / side);
            let mut sum = [0.0f32; 3];
            for (dy, b) in (-1..=1).zip(taps) {
                for (dx, a) in (-1..=1).zip(taps) {
                    let die = at(x + dx, y + dy);
                    for (sum, die) in sum.iter_mut().zip(die) {
                        *sum += a * b * die;
                    }
                }
            }
            std::array::from_fn(|k| {
                let l = light[k].min(1.02);
                l + sum[k] / kept * (camera.shot * l.max(0.0) + camera.floor).sqrt()
            })
        })
        .collect()
}
