//! Sets to photograph against, as the plate sees them. Lengths are plate pixels.

use super::draw::Draw;
use crate::noise;
use crate::surface::Paint;
use crate::vector::{V3, smooth, v};
use std::f32::consts::TAU;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cloth {
    /// A grey sweep with the soft roll of the table's edge.
    Sweep,
    Walnut,
    /// Slate with veins.
    Slate,
    /// The cut edges of a stack of paper.
    Stack,
    /// Dark woven cloth.
    Weave,
    /// A sheet of paper.
    Paper,
}

/// A set with its chances drawn.
#[derive(Clone, Debug)]
pub struct Set {
    pub cloth: Cloth,
    size: f32,
    field: u32,
    /// Sine and cosine of how it lies.
    lie: [f32; 2],
    tone: f32,
    /// The brightest place, in shares of the frame.
    hot: [f32; 2],
}

impl Cloth {
    pub fn name(self) -> &'static str {
        match self {
            Cloth::Sweep => "sweep",
            Cloth::Walnut => "walnut",
            Cloth::Slate => "slate",
            Cloth::Stack => "stack",
            Cloth::Weave => "weave",
            Cloth::Paper => "paper",
        }
    }
}

impl Set {
    pub fn new(cloth: Cloth, size: i64, draw: &mut Draw) -> Set {
        let lie = match cloth {
            Cloth::Sweep | Cloth::Stack => draw.between(-0.04, 0.04),
            _ => draw.between(0.0, TAU),
        };
        Set {
            cloth,
            size: size as f32,
            field: draw.word() >> 8,
            lie: [libm::sinf(lie), libm::cosf(lie)],
            tone: draw.between(0.85, 1.15),
            hot: [draw.between(0.35, 0.6), draw.between(0.3, 0.5)],
        }
    }

    /// Light of the set at a point of the plate.
    pub fn at(&self, p: [f32; 2]) -> V3 {
        let [sin, cos] = self.lie;
        let (u, w) = (p[0] * cos + p[1] * sin, p[1] * cos - p[0] * sin);
        let surface = match self.cloth {
            Cloth::Sweep => {
                let roll = smooth(0.76, 0.84, w / self.size);
                v(0.245, 0.25, 0.26) * (1.0 - 0.2 * roll)
            }
            Cloth::Walnut => Paint::Table.at(v(u * 0.3 + 40.0, 0.0, w * 0.3), [0.0; 2]) * 2.2,
            Cloth::Slate => self.slate(u, w),
            Cloth::Stack => self.stack(u, w),
            Cloth::Weave => self.weave(u, w),
            Cloth::Paper => paper([u, w], self.field),
        };
        let grain = noise::value(p[0] * 1.1, p[1] * 1.1, self.field + 90);
        (surface * (self.lit(p) * (1.0 + 0.010 * grain))).min(V3::splat(0.92))
    }

    /// How much light falls on a place, against the mean of all sets.
    pub fn lit(&self, p: [f32; 2]) -> f32 {
        let (dx, dy) = (
            p[0] / self.size - self.hot[0],
            p[1] / self.size - self.hot[1],
        );
        self.tone / (1.0 + 0.55 * (dx * dx + dy * dy))
    }

    fn slate(&self, u: f32, w: f32) -> V3 {
        let cloud = noise::layered(u * 0.011, w * 0.018, self.field, 4);
        let split = noise::layered(u * 0.05, w * 0.16, self.field + 20, 4);
        let vein = noise::layered(u * 0.006 + 0.25 * cloud, w * 0.006, self.field + 40, 3);
        let vein = smooth(0.05, 0.0, vein.abs()) * smooth(-0.1, 0.3, cloud);
        let stone = v(0.115, 0.122, 0.130) * (1.0 + 0.42 * cloud + 0.40 * split);
        stone
            .toward(v(0.46, 0.45, 0.42), 0.5 * vein)
            .max(V3::splat(0.012))
    }

    fn stack(&self, u: f32, w: f32) -> V3 {
        // Sheets of about 6 px, each with its own tone, not quite level.
        let level = w / 6.2 + 0.5 * noise::layered(u * 0.004, w * 0.01, self.field, 2);
        let sheet = level.floor();
        let part = level - sheet;
        let tone = noise::value(sheet * 1.7, u * 0.003, self.field + 20);
        let jut = noise::value(u * 0.012, sheet * 0.9, self.field + 30);
        let gap = smooth(0.0, 0.22, part) * smooth(1.0, 0.86, part);
        let fibre = noise::layered(u * 0.35, w * 0.7, self.field + 40, 2);
        v(0.56, 0.535, 0.48)
            * ((0.80 + 0.16 * tone + 0.10 * jut + 0.05 * fibre) * (0.42 + 0.58 * gap))
    }

    fn weave(&self, u: f32, w: f32) -> V3 {
        // Threads of 4.5 px that go over and under each other.
        let (a, b) = (u / 4.5, w / 4.5);
        let over = (a.floor() as i32 + b.floor() as i32) & 1 == 0;
        let (across, along) = if over { (a, b) } else { (b, a) };
        let t = across - across.floor() - 0.5;
        let hump = 1.0 - 3.2 * t * t;
        let thread = noise::value(across.floor() * 1.3, along * 0.12, self.field);
        let fold = noise::layered(u * 0.006, w * 0.009, self.field + 20, 3);
        let fuzz = noise::value(u * 0.8, w * 0.8, self.field + 40);
        let shine = if over { 1.0 } else { 0.75 };
        v(0.034, 0.036, 0.046)
            * ((1.0 + 0.25 * thread + 0.5 * fold + 0.15 * fuzz) * hump.max(0.25) * shine)
    }
}

/// Laid paper: fibres, clouds, faint lines.
pub fn paper([u, w]: [f32; 2], field: u32) -> V3 {
    let fibre = noise::layered(u * 0.35, w * 0.35, field + 50, 3);
    let cloud = noise::layered(u * 0.02, w * 0.02, field + 60, 2);
    let line = libm::sinf(w * 0.9 + 0.8 * cloud);
    v(0.585, 0.565, 0.52) * (1.0 + 0.030 * fibre + 0.030 * cloud + 0.008 * line)
}
