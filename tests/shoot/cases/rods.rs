//! What a piece is held by: a rod or wire from the piece to somewhere outside the picture, a little bent.

use super::draw::Draw;
use super::solid::Solid;
use super::view::PAD;
use crate::mesh::Mesh;
use crate::surface::{Body, Paint, Surface};
use crate::vector::{V3, v};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stock {
    Wire,
    Rod,
    Skewer,
    Brass,
    Tube,
}

impl Stock {
    const ALL: [Stock; 5] = [
        Stock::Wire,
        Stock::Rod,
        Stock::Skewer,
        Stock::Brass,
        Stock::Tube,
    ];

    pub fn any(draw: &mut Draw) -> Stock {
        Stock::ALL[draw.below(Stock::ALL.len())]
    }

    /// Width in thousandths of the frame, how much wider the far end is, what it is made of.
    fn made(self) -> (f32, f32, Surface) {
        let coated = |paint, sheen, roughness| Surface::Coated {
            paint,
            sheen,
            roughness,
        };
        let metal = |tint, roughness| Surface::Metal { tint, roughness };
        match self {
            Stock::Wire => (3.4, 0.0, metal(v(0.30, 0.30, 0.31), 0.35)),
            Stock::Rod => (
                11.0,
                0.0,
                coated(Paint::Flat(v(0.018, 0.018, 0.019)), 0.04, 0.4),
            ),
            Stock::Skewer => (15.0, 0.15, coated(Paint::Skewer, 0.0, 0.5)),
            Stock::Brass => (7.5, 0.0, metal(v(0.85, 0.61, 0.28), 0.3)),
            Stock::Tube => (
                12.0,
                0.0,
                coated(Paint::Flat(v(0.70, 0.70, 0.68)), 0.04, 0.3),
            ),
        }
    }
}

/// A rod from `hold` (plate pixels) over the frame's edge; `toward` is the way out.
pub fn rod(stock: Stock, hold: [f32; 2], toward: [f32; 2], size: i64, draw: &mut Draw) -> Solid {
    let (width, wider, surface) = stock.made();
    let size = size as f32;
    let long = (toward[0] * toward[0] + toward[1] * toward[1]).sqrt();
    let way = [toward[0] / long, toward[1] / long];
    // As far as the surroundings of the picture reach, and on.
    let out = (0..2)
        .map(|k| match way[k] {
            w if w > 1e-3 => (size + PAD as f32 * 2.0 - hold[k]) / w,
            w if w < -1e-3 => (-2.0 * PAD as f32 - hold[k]) / w,
            _ => f32::MAX,
        })
        .fold(f32::MAX, f32::min);
    let sag = size
        * match stock {
            Stock::Wire => draw.between(-0.025, 0.025),
            Stock::Skewer | Stock::Brass => draw.between(-0.006, 0.006),
            Stock::Rod | Stock::Tube => 0.0,
        };
    let half = (width * size / 2000.0).max(0.9);
    const STEPS: usize = 48;
    let path: Vec<V3> = (0..=STEPS)
        .map(|n| {
            let t = n as f32 / STEPS as f32;
            let bend = 4.0 * t * (1.0 - t) * sag;
            v(
                hold[0] + way[0] * out * t - way[1] * bend,
                -(hold[1] + way[1] * out * t + way[0] * bend),
                0.0,
            )
        })
        .collect();
    let radius: Vec<f32> = (0..=STEPS)
        .map(|n| match n {
            0 => 0.0,
            n => half * (1.0 + wider * n as f32 / STEPS as f32),
        })
        .collect();
    Solid {
        body: Body::whole(surface),
        mesh: Mesh::tube(&path, &radius, 24),
    }
}
