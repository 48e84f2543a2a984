//! What hangs in the air: pen nibs, paper curls, brass clips. Each about its own middle, its face toward +z.

use crate::mesh::{Mesh, Seam, spline};
use crate::surface::{Body, Paint, Surface};
use crate::vector::{V3, smooth, v};

/// A kind of piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    SteelNib,
    BrassNib,
    BroadNib,
    TightCurl,
    LooseCurl,
    WireClip,
    JawClip,
}

const STEEL: Surface = Surface::Metal {
    tint: v(0.55, 0.555, 0.56),
    roughness: 0.27,
};
const BRASS: Surface = Surface::Metal {
    tint: v(0.86, 0.62, 0.27),
    roughness: 0.24,
};
const BRONZE: Surface = Surface::Metal {
    tint: v(0.74, 0.46, 0.25),
    roughness: 0.30,
};
const WIRE: Surface = Surface::Metal {
    tint: v(0.90, 0.68, 0.32),
    roughness: 0.20,
};

impl Kind {
    pub fn parts(self) -> Vec<(Body, Mesh)> {
        match self {
            Kind::SteelNib => nib(STEEL, 56.0, 7.4, 0.24),
            Kind::BrassNib => nib(BRASS, 50.0, 6.8, 0.22),
            Kind::BroadNib => nib(BRONZE, 46.0, 7.8, 1.6),
            Kind::TightCurl => curl(13.0, 2.3, [6.0, 10.5], 27.0),
            Kind::LooseCurl => curl(18.0, 1.35, [10.0, 17.0], 19.0),
            Kind::WireClip => vec![(Body::whole(WIRE), wire_clip())],
            Kind::JawClip => jaw_clip(),
        }
    }

    /// Where a rod is fixed, in the piece's own coordinates.
    pub fn hold(self) -> V3 {
        match self {
            Kind::SteelNib => v(0.0, -25.0, -1.6),
            Kind::BrassNib | Kind::BroadNib => v(0.0, -21.0, -1.6),
            Kind::TightCurl => v(0.0, -5.0, -7.5),
            Kind::LooseCurl => v(0.0, 0.0, -12.0),
            Kind::WireClip => v(-5.1, -2.6, -0.8),
            Kind::JawClip => v(0.0, 2.0, -4.4),
        }
    }
}

/// A dip nib of bent sheet: `half` its half width laid flat, `tip` the half width at the point, all mm.
fn nib(metal: Surface, length: f32, half: f32, tip: f32) -> Vec<(Body, Mesh)> {
    // Laid flat, s across and y along from the heel; the hole test's are those of a nib 40 mm long and 10.8 wide.
    let middle = move |s: f32, t: f32| {
        let radius = half * (0.70 + 0.5 * smooth(0.1, 0.62, t) + 2.6 * smooth(0.6, 1.0, t));
        let (angle, drop) = (s / radius, (t - 0.5).max(0.0));
        let bow = radius * (libm::cosf(angle) - 1.0) + half * 0.33 - 12.0 * drop * drop;
        v(radius * libm::sinf(angle), (t - 0.5) * length, bow)
    };
    let width = move |t: f32| {
        let heel =
            (1.0 - (1.0 - (t / 0.045).min(1.0)) * (1.0 - (t / 0.045).min(1.0)) * 0.35).sqrt();
        let body = half * (0.93 + 0.07 * smooth(0.0, 0.42, t)) * heel;
        let point = 1.0 - ((t - 0.47) / 0.53).max(0.0);
        let taper = libm::powf(point, 1.22) * (0.82 + 0.18 * smooth(0.62, 0.44, t))
            + 0.18 * smooth(0.47, 0.46, t);
        tip + (body - tip) * taper.min(1.0)
    };
    let thick = 0.16;
    let shell = move |u: f32, t: f32, side: f32| {
        let s = (u * 2.0 - 1.0) * width(t);
        let e = 0.02;
        let across = middle(s + e, t) - middle(s - e, t);
        let along = middle(s, t + e * 0.05) - middle(s, t - e * 0.05);
        (
            middle(s, t) + across.cross(along).unit() * (side * thick),
            [s * 5.4 / half, t * 40.0],
        )
    };
    let solid = [9.0, 0.0];
    let mut mesh = Mesh::sheet(56, 200, Seam::Open, |u, t| shell(u, t, 1.0));
    mesh.append(Mesh::sheet(56, 200, Seam::Open, |u, t| {
        shell(1.0 - u, t, -1.0)
    }));
    mesh.append(Mesh::sheet(1, 200, Seam::Open, |a, t| {
        (shell(1.0, t, 1.0 - 2.0 * a).0, solid)
    }));
    mesh.append(Mesh::sheet(1, 200, Seam::Open, |a, t| {
        (shell(0.0, t, 2.0 * a - 1.0).0, solid)
    }));
    mesh.append(Mesh::sheet(56, 1, Seam::Open, |u, a| {
        (shell(u, 0.0, 2.0 * a - 1.0).0, solid)
    }));
    vec![(
        Body {
            surface: metal,
            hole: Some(pierced),
        },
        mesh,
    )]
}

/// Breather hole, slit to the point, and two flank cuts that make the point springy.
fn pierced([s, y]: [f32; 2]) -> bool {
    let (a, b) = (s / 1.15, (y - 21.5) / 1.6);
    let flank = s.abs() - 2.75 + 0.035 * (y - 19.5) * (y - 19.5);
    a * a + b * b < 1.0
        || (y > 22.5 && s.abs() < 0.15)
        || (flank.abs() < 0.22 && (y - 19.5).abs() < 4.5)
}

/// A strip of paper `wide` mm that keeps `turns` of the roll it was cut from; `radii` at its two ends, `rise` along the axis.
fn curl(wide: f32, turns: f32, radii: [f32; 2], rise: f32) -> Vec<(Body, Mesh)> {
    let mesh = Mesh::sheet(24, 260, Seam::Open, |u, t| {
        let angle = turns * std::f32::consts::TAU * (t - 0.5) + std::f32::consts::PI;
        let loosened = 1.0 + 0.55 * smooth(0.86, 1.0, t) + 0.12 * libm::sinf(t * 9.0);
        let r = (radii[0] + (radii[1] - radii[0]) * t) * loosened;
        let across = (u - 0.5) * wide;
        // Torn a little aslant at both ends, and cupped across its width.
        let slant = angle + across * 0.018 * (2.0 * t - 1.0) * (0.4 + 0.6 * (2.0 * t - 1.0).abs());
        let cup = 0.010 * across * across;
        let p = v(
            (r - cup) * libm::sinf(slant),
            rise * (t - 0.5) + across,
            (r - cup) * libm::cosf(slant),
        );
        (p, [across, t * turns * 42.0])
    });
    vec![(
        Body::whole(Surface::Sheet {
            paint: Paint::Paper,
            through: 0.24,
        }),
        mesh,
    )]
}

fn wire_clip() -> Mesh {
    let mut path = Vec::new();
    let line = |path: &mut Vec<V3>, x: f32, from: f32, to: f32| {
        path.extend((0..=12).map(|i| v(x, from + (to - from) * i as f32 / 12.0, 0.0)));
    };
    let arc = |path: &mut Vec<V3>, x: f32, y: f32, r: f32, from: f32, to: f32| {
        path.extend((1..24).map(|i| {
            let a = (from + (to - from) * i as f32 / 24.0) * std::f32::consts::PI;
            v(x + r * libm::cosf(a), y + r * libm::sinf(a), 0.0)
        }));
    };
    line(&mut path, -2.5, -5.0, 8.0);
    arc(&mut path, 0.05, 8.0, 2.55, 1.0, 0.0);
    line(&mut path, 2.6, 8.0, -12.0);
    arc(&mut path, -0.65, -12.0, 3.25, 0.0, -1.0);
    line(&mut path, -3.9, -12.0, 12.5);
    arc(&mut path, 0.05, 12.5, 3.95, 1.0, 0.0);
    line(&mut path, 4.0, 12.5, -4.5);
    let last = path.len() - 1;
    for (i, p) in path.iter_mut().enumerate() {
        // The inner loop has been bent out by use.
        let t = i as f32 / last as f32;
        p.z = 1.5 * smooth(0.55, 0.0, t) * (p.y + 13.0) * 0.05;
        *p = *p * 1.3;
    }
    let radius: Vec<f32> = (0..=last)
        .map(|i| if i == 0 || i == last { 0.0 } else { 0.66 })
        .collect();
    path.insert(0, path[0]);
    path.push(path[last + 1]);
    let mut all = vec![0.0];
    all.extend(radius.iter().map(|r| r.max(0.66)));
    all.push(0.0);
    Mesh::tube(&path, &all, 18)
}

/// A spring-steel jaw in brass with two wire handles.
fn jaw_clip() -> Vec<(Body, Mesh)> {
    let jaw = spline(
        &[
            v(0.0, -9.5, 1.3),
            v(0.0, -9.0, 0.7),
            v(0.0, -3.0, 2.6),
            v(0.0, 4.2, 4.9),
            v(0.0, 6.6, 3.9),
            v(0.0, 7.2, 0.0),
            v(0.0, 6.6, -3.9),
            v(0.0, 4.2, -4.9),
            v(0.0, -3.0, -2.6),
            v(0.0, -9.0, -0.7),
            v(0.0, -9.5, -1.3),
        ],
        10,
    );
    let last = jaw.len() - 1;
    let shell = |u: f32, t: f32, side: f32| {
        let i = (t * last as f32 + 0.5) as usize;
        let along = (jaw[(i + 1).min(last)] - jaw[i.saturating_sub(1)]).unit();
        let out = along.cross(v(1.0, 0.0, 0.0));
        jaw[i] + v((u - 0.5) * 20.0, 0.0, 0.0) - out * (side * 0.28)
    };
    let n = last as u32;
    let mut body = Mesh::sheet(10, n, Seam::Open, |u, t| (shell(1.0 - u, t, -1.0), [u, t]));
    body.append(Mesh::sheet(10, n, Seam::Open, |u, t| {
        (shell(u, t, 1.0), [u, t])
    }));
    for (edge, sign) in [(0.0, 1.0), (1.0, -1.0)] {
        body.append(Mesh::sheet(1, n, Seam::Open, |a, t| {
            (shell(edge, t, sign * (2.0 * a - 1.0)), [a, t])
        }));
    }
    let mut parts = vec![(Body::whole(BRASS), body)];
    // One handle stands up as it does when the jaw is pressed open, the other is folded down flat.
    let wire = |hinge: f32, side: f32, z: [f32; 5]| {
        let (x, y) = ([4.6, 4.2, 5.2, 3.4], [4.6, 16.6, 24.6, 29.2, 30.6]);
        let half = |sign: f32| (0..4).map(move |i| v(sign * x[i], hinge + side * y[i], z[i]));
        let mut knots = vec![v(-4.6, hinge, 0.35 * z[0])];
        knots.extend(half(-1.0));
        knots.push(v(0.0, hinge + side * y[4], z[4]));
        knots.extend(half(1.0).collect::<Vec<_>>().into_iter().rev());
        knots.push(v(4.6, hinge, 0.35 * z[0]));
        spline(&knots, 10)
    };
    let up = wire(-8.6, 1.0, [2.9, 6.6, 8.6, 9.6, 9.9]);
    let down = wire(-8.2, -1.0, [-1.0, -2.2, -2.8, -3.0, -3.0]);
    for path in [up, down] {
        let radius = vec![0.75; path.len()];
        parts.push((Body::whole(WIRE), Mesh::tube(&path, &radius, 16)));
    }
    parts
}

/// How a piece is held up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stock {
    SteelWire,
    BlackRod,
    Skewer,
    BrassRod,
    WhiteTube,
}

/// A rod from the piece to a place outside the picture, a little bent, with a lump of putty where it holds.
pub fn rod(stock: Stock, hold: V3, outside: V3) -> Vec<(Body, Mesh)> {
    let coated = |paint, sheen, roughness| Surface::Coated {
        paint,
        sheen,
        roughness,
    };
    let (surface, radius, sag) = match stock {
        Stock::SteelWire => (
            Surface::Metal {
                tint: v(0.50, 0.50, 0.51),
                roughness: 0.35,
            },
            0.45,
            2.5,
        ),
        Stock::BlackRod => (
            coated(Paint::Flat(v(0.018, 0.018, 0.019)), 0.04, 0.4),
            1.5,
            0.0,
        ),
        Stock::Skewer => (coated(Paint::Skewer, 0.0, 0.5), 1.15, 0.6),
        Stock::BrassRod => (
            Surface::Metal {
                tint: v(0.85, 0.61, 0.28),
                roughness: 0.3,
            },
            0.8,
            0.4,
        ),
        Stock::WhiteTube => (
            coated(Paint::Flat(v(0.70, 0.70, 0.68)), 0.04, 0.3),
            1.9,
            0.0,
        ),
    };
    let middle = hold.toward(outside, 0.5) - v(0.0, sag, 0.0);
    let path = spline(&[hold, middle, outside], 24);
    let thickness: Vec<f32> = (0..path.len())
        .map(|i| if i == 0 { 0.0 } else { radius })
        .collect();
    let putty = coated(Paint::Flat(v(0.42, 0.40, 0.36)), 0.0, 0.5);
    let mut lump = Mesh::ball(v(radius + 1.0, radius + 0.7, radius + 0.8), 12);
    for p in &mut lump.points {
        *p += hold;
    }
    vec![
        (Body::whole(surface), Mesh::tube(&path, &thickness, 20)),
        (Body::whole(putty), lump),
    ]
}
