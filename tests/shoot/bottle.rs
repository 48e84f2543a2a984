//! The product: a squat bottle with rounded square walls, a ridged cap, a blank label, and ink up to its shoulder.

use crate::mesh::{Mesh, Seam};
use crate::surface::{AIR, Body, GLASS, Medium, Paint, Surface};
use crate::vector::{V3, smooth, v};

/// Height of the ink's surface above the table, mm.
const LEVEL: f32 = 37.0;
/// Half width of the glass body, mm.
const HALF: f32 = 27.0;

/// Glass, ink, cap and label, standing at the origin.
pub fn bottle(ink: Medium, print: V3) -> Vec<(Body, Mesh)> {
    let clear = |outside, inside| Body::whole(Surface::Clear { outside, inside });
    let outer = rounded(&[
        (0.01, 0.35, 0.0),
        (19.0, 0.35, 3.0),
        (22.0, 0.0, 2.0),
        (HALF, 0.0, 4.0),
        (HALF, 46.5, 8.5),
        (13.4, 51.5, 2.5),
        (13.4, 60.0, 0.0),
    ]);
    let inner = rounded(&[
        (0.01, 7.6, 0.0),
        (23.4, 6.6, 6.0),
        (23.4, 43.0, 7.0),
        (11.0, 48.5, 2.5),
        (11.0, 60.0, 0.0),
    ]);
    let wet = LEVEL + 1.3;
    let split = inner
        .iter()
        .position(|p| p.1 > wet)
        .unwrap_or(inner.len() - 1);
    let width = inner[split].0;
    let below: Vec<_> = inner[..split]
        .iter()
        .copied()
        .chain([(width, wet)])
        .collect();
    let above: Vec<_> = [(width, wet)]
        .into_iter()
        .chain(inner[split..].iter().copied())
        .collect();
    // The ink climbs a little where it meets the wall.
    let top: Vec<_> = (0..=40)
        .map(|i| {
            let inward = (i as f32 / 40.0) * (i as f32 / 40.0) * (width - 0.01);
            (width - inward, LEVEL + 1.3 * libm::expf(-inward / 1.3))
        })
        .collect();
    let cap = rounded(&[
        (13.6, 51.9, 0.0),
        (16.3, 51.9, 0.6),
        (16.3, 71.0, 1.9),
        (0.01, 71.5, 0.0),
    ]);
    let ridged = |angle: f32, y: f32| {
        let depth = 0.26 * smooth(53.2, 54.6, y) * smooth(67.6, 66.2, y);
        let wave = libm::cosf(angle * 54.0);
        depth * (wave - wave * wave * 0.35)
    };
    let black = Body::whole(Surface::Coated {
        paint: Paint::Flat(v(0.012, 0.012, 0.013)),
        sheen: 0.045,
        roughness: 0.30,
    });
    vec![
        (clear(AIR, GLASS), lathe(&outer, 240, |_, _| 0.0)),
        (clear(GLASS, ink), lathe(&below, 200, |_, _| 0.0)),
        (clear(GLASS, AIR), lathe(&above, 200, |_, _| 0.0)),
        (clear(AIR, ink), lathe(&top, 200, |_, _| 0.0)),
        (black, lathe(&cap, 540, ridged)),
        (black, lathe(&[(13.35, 59.2), (0.01, 59.2)], 64, |_, _| 0.0)),
        label(print),
    ]
}

fn label(ink: V3) -> (Body, Mesh) {
    let surface = Surface::Coated {
        paint: Paint::Label { ink },
        sheen: 0.0,
        roughness: 1.0,
    };
    let hole = |[x, y]: [f32; 2]| {
        let (dx, dy) = ((x.abs() - 16.0).max(0.0), (y.abs() - 11.6).max(0.0));
        dx * dx + dy * dy > 1.0
    };
    let mesh = Mesh::sheet(48, 12, Seam::Open, |u, w| {
        let (x, y) = ((u - 0.5) * 34.2, (w - 0.5) * 25.4);
        let bow = libm::powf((x.abs() / HALF).min(1.0), 5.0);
        (
            v(x, 23.0 + y, HALF * libm::powf(1.0 - bow, 0.2) + 0.13),
            [x, y],
        )
    });
    (
        Body {
            surface,
            hole: Some(hole),
        },
        mesh,
    )
}

/// Turns a profile of (half width, height) about the upright axis. Cross-sections are superellipses: nearly square in the
/// body, round at the neck. `relief` is added to the radius. A profile that rises has its outside outward.
fn lathe(profile: &[(f32, f32)], sides: u32, relief: impl Fn(f32, f32) -> f32) -> Mesh {
    let last = profile.len() - 1;
    Mesh::sheet(sides, last as u32, Seam::Joined, |u, w| {
        let (half, y) = profile[(w * last as f32 + 0.5) as usize];
        let angle = u * std::f32::consts::TAU;
        let (s, c) = (libm::sinf(angle), libm::cosf(angle));
        let power = 5.0 - 3.0 * smooth(42.0, 50.5, y);
        let round = libm::powf(
            libm::powf(s.abs(), power) + libm::powf(c.abs(), power),
            -1.0 / power,
        );
        let r = half * round + relief(angle, y);
        (v(r * s, y, r * c), [u, w])
    })
}

/// A polyline of (x, y, radius) with its corners rounded, in steps fine enough for smooth highlights.
fn rounded(corners: &[(f32, f32, f32)]) -> Vec<(f32, f32)> {
    let mut path: Vec<(f32, f32)> = vec![(corners[0].0, corners[0].1)];
    let mut run = |to: (f32, f32), step: f32| {
        let from = path[path.len() - 1];
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let n = ((dx * dx + dy * dy).sqrt() / step).ceil().max(1.0) as usize;
        path.extend((1..=n).map(|i| {
            (
                from.0 + dx * i as f32 / n as f32,
                from.1 + dy * i as f32 / n as f32,
            )
        }));
    };
    for w in corners.windows(3) {
        let (a, b, c) = (w[0], w[1], w[2]);
        let toward = |q: (f32, f32, f32)| {
            let (dx, dy) = (q.0 - b.0, q.1 - b.1);
            let length = (dx * dx + dy * dy).sqrt();
            let r = b.2.min(length * 0.5);
            (b.0 + dx * r / length, b.1 + dy * r / length)
        };
        let (p, q) = (toward(a), toward(c));
        run(p, 1.0);
        for i in 1..=14 {
            let t = i as f32 / 14.0;
            let mix = |p: f32, m: f32, q: f32| {
                (1.0 - t) * (1.0 - t) * p + 2.0 * t * (1.0 - t) * m + t * t * q
            };
            run((mix(p.0, b.0, q.0), mix(p.1, b.1, q.1)), 9.0);
        }
    }
    let end = corners[corners.len() - 1];
    run((end.0, end.1), 1.0);
    path
}
