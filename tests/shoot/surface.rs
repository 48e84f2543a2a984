//! What things are made of: paint and paper, metal, and clear stuff with a colour of its own.

use crate::noise;
use crate::vector::{V3, smooth, v};

/// What lies on one side of a clear surface.
#[derive(Clone, Copy, Debug)]
pub struct Medium {
    /// Refractive index.
    pub index: f32,
    /// Light lost to each mm, as e to the minus this.
    pub absorb: V3,
}

pub const AIR: Medium = Medium {
    index: 1.0,
    absorb: V3::ZERO,
};
pub const GLASS: Medium = Medium {
    index: 1.51,
    absorb: v(0.004, 0.0015, 0.0025),
};

/// A colour that may change over the surface.
#[derive(Clone, Copy, Debug)]
pub enum Paint {
    Flat(V3),
    /// Varnished walnut, by place.
    Table,
    /// The bottle's blank label: a border, a drop, three waves; `ink` is what it is printed with.
    Label {
        ink: V3,
    },
    /// Laid paper with a deckle of fibres.
    Paper,
    /// A planed wooden skewer.
    Skewer,
}

/// How a surface answers light.
#[derive(Clone, Copy, Debug)]
pub enum Surface {
    /// Paint under a clear coat: `sheen` is the coat's reflectance head on, 0 for none.
    Coated {
        paint: Paint,
        sheen: f32,
        roughness: f32,
    },
    /// A thin sheet that also lets `through` of its light pass to the other side.
    Sheet {
        paint: Paint,
        through: f32,
    },
    Metal {
        tint: V3,
        roughness: f32,
    },
    /// Smooth and clear; outside is where the mesh's normals look.
    Clear {
        outside: Medium,
        inside: Medium,
    },
}

/// A surface and, for sheets with holes, what is not there.
#[derive(Clone, Copy, Debug)]
pub struct Body {
    pub surface: Surface,
    pub hole: Option<fn([f32; 2]) -> bool>,
}

impl Surface {
    pub fn is_table(&self) -> bool {
        matches!(
            self,
            Surface::Coated {
                paint: Paint::Table,
                ..
            }
        )
    }
}

impl Body {
    pub fn whole(surface: Surface) -> Body {
        Body {
            surface,
            hole: None,
        }
    }
}

impl Paint {
    /// Share of light given back, at a point of the surface.
    pub fn at(&self, p: V3, uv: [f32; 2]) -> V3 {
        match *self {
            Paint::Flat(colour) => colour,
            Paint::Table => walnut(p),
            Paint::Label { ink } => label(uv, ink),
            Paint::Paper => {
                let fibre = noise::layered(uv[0] * 0.9, uv[1] * 0.9, 3, 3);
                let cloud = noise::value(uv[0] * 0.13, uv[1] * 0.13, 9);
                v(0.80, 0.775, 0.72) * (1.0 + 0.02 * fibre + 0.02 * cloud)
            }
            Paint::Skewer => {
                let grain = noise::layered(uv[0] * 14.0, uv[1] * 4.0, 1, 3);
                v(0.52, 0.36, 0.20) * (1.0 + 0.18 * grain)
            }
        }
    }
}

/// Walnut seen from above, x along the grain, mm.
fn walnut(p: V3) -> V3 {
    let drift = noise::layered(p.x * 0.0032, p.z * 0.010, 21, 3);
    let ring = p.z * 0.045 + 2.9 * drift + 0.0013 * p.x;
    let ring = (ring - ring.floor() - 0.5).abs() * 2.0;
    let late = smooth(0.2, 1.0, ring);
    let streak = noise::layered(p.x * 0.012, p.z * 0.75, 22, 3);
    let pore =
        noise::value(p.x * 0.07, p.z * 2.1, 23) + 0.45 * noise::value(p.x * 0.021, p.z * 0.6, 24);
    let pore = smooth(0.55, 0.95, pore);
    let early = v(0.140, 0.070, 0.034);
    let dark = v(0.048, 0.021, 0.010);
    early.toward(dark, (0.75 * late + 0.28 * streak).clamp(0.0, 1.0)) * (1.0 - 0.55 * pore)
}

/// Surface coordinates are mm from the label's centre.
fn label([x, y]: [f32; 2], ink: V3) -> V3 {
    let paper = v(0.74, 0.70, 0.61) * (1.0 + 0.012 * noise::layered(x * 1.4, y * 1.4, 2, 3));
    let edge = |d: f32| smooth(0.12, -0.12, d);
    let frame = |hw: f32, hh: f32| (x.abs() - hw).max(y.abs() - hh);
    let line = |inner: f32, outer: f32| edge(outer) * (1.0 - edge(inner));
    let mut cover = line(frame(15.0, 10.6), frame(15.9, 11.5));
    cover = f32::max(cover, line(frame(14.1, 9.7), frame(14.4, 10.0)));
    // The drop: a disc with a point.
    let (dx, dy) = (x.abs(), y - 2.2);
    let round = (dx * dx + dy * dy).sqrt() - 3.1;
    let point = (dx * 0.857 + (dy - 6.0) * 0.515).max(-dy);
    cover = f32::max(cover, edge(round.min(point)));
    let wave = |level: f32| (y - level - 0.55 * libm::sinf(x * 0.9)).abs() - 0.26;
    for level in [-4.2, -5.9, -7.6] {
        cover = f32::max(cover, edge(wave(level).max(x.abs() - 11.0)));
    }
    paper.toward(ink, cover * 0.94)
}
