//! A splash of ink seen flat against the set: a body, fingers with beads at their ends, drops that left it. Light comes
//! through where it is thin; its rim is dark, and the key shows in it.

use super::canvas::{CLEAR, Canvas};
use super::draw::Draw;
use super::view::{FINE, View};
use crate::noise;
use crate::vector::{V3, smooth, v};
use std::f32::consts::TAU;

/// A rod with round ends, px.
struct Stroke {
    from: [f32; 2],
    to: [f32; 2],
    radius: [f32; 2],
}

/// Distance to a stroke; below 0 inside.
fn away([x, y]: [f32; 2], s: &Stroke) -> f32 {
    let (px, py) = (x - s.from[0], y - s.from[1]);
    let (dx, dy) = (s.to[0] - s.from[0], s.to[1] - s.from[1]);
    let t = ((px * dx + py * dy) / (dx * dx + dy * dy).max(1e-6)).clamp(0.0, 1.0);
    let (ex, ey) = (px - dx * t, py - dy * t);
    (ex * ex + ey * ey).sqrt() - (s.radius[0] + (s.radius[1] - s.radius[0]) * t)
}

/// Smooth union, `k` px wide.
fn join(a: f32, b: f32, k: f32) -> f32 {
    let h = (0.5 + 0.5 * (b - a) / k).clamp(0.0, 1.0);
    b + (a - b) * h - k * h * (1.0 - h)
}

fn strokes(size: f32, middle: [f32; 2], draw: &mut Draw) -> (Vec<Stroke>, Vec<Stroke>) {
    let at = |angle: f32, far: f32| {
        [
            middle[0] + libm::cosf(angle) * far,
            middle[1] + libm::sinf(angle) * far * 0.8,
        ]
    };
    let spot = |place, radius| Stroke {
        from: place,
        to: place,
        radius: [radius; 2],
    };
    let mut body: Vec<Stroke> = (0..5)
        .map(|_| {
            let (angle, far) = (draw.between(0.0, TAU), draw.between(0.0, 0.075) * size);
            spot(at(angle, far), draw.between(0.07, 0.12) * size)
        })
        .collect();
    let mut drops = Vec::new();
    let fingers = 9 + draw.below(5);
    for n in 0..fingers {
        let angle = (n as f32 + draw.between(-0.3, 0.3)) * TAU / fingers as f32;
        let (root, tip) = (0.10 * size, draw.between(0.19, 0.30) * size);
        let (a, b) = (at(angle, root), at(angle + draw.between(-0.12, 0.12), tip));
        let thin = draw.between(0.006, 0.011) * size;
        body.push(Stroke {
            from: a,
            to: b,
            radius: [0.022 * size, thin],
        });
        body.push(spot(b, thin * draw.between(1.3, 2.0)));
        for _ in 0..draw.below(3) {
            let place = at(
                angle + draw.between(-0.15, 0.15),
                tip + draw.between(0.03, 0.11) * size,
            );
            drops.push(spot(place, draw.between(0.004, 0.014) * size));
        }
    }
    (body, drops)
}

pub fn drawn(view: &View, middle: [f32; 2], draw: &mut Draw) -> Canvas {
    let size = view.size as f32;
    let (body, drops) = strokes(size, middle, draw);
    let ink = [
        v(0.020, 0.035, 0.160),
        v(0.240, 0.014, 0.030),
        v(0.018, 0.110, 0.085),
    ][draw.below(3)];
    let (thin, field) = (draw.between(0.34, 0.55), draw.word());
    let reach = 0.46 * size;
    let corners = [-1.0, 1.0].map(|s| [middle[0] + s * reach, middle[1] + s * reach]);
    let wall = 0.020 * size;
    Canvas::around(view, corners.into_iter(), 2 * FINE).painted(|i, j| {
        let p = view.under(i, j);
        let wave = noise::layered(p[0] * 14.0 / size, p[1] * 14.0 / size, field, 2);
        let sheet = body
            .iter()
            .fold(f32::MAX, |d, s| join(d.min(1e4), away(p, s), 0.03 * size));
        let sheet = sheet + wave * 0.004 * size;
        let drop = drops.iter().fold(f32::MAX, |d, s| d.min(away(p, s)));
        let d = sheet.min(drop);
        let cover = (0.5 - d * FINE as f32).clamp(0.0, 1.0);
        if cover == 0.0 {
            return CLEAR;
        }
        // How far in, 0 at the outline: the rim and every drop are thick, the sheet is thin and uneven.
        let inside = (-d / wall).clamp(0.0, 1.0);
        let rim = (1.0 - inside) * (1.0 - inside) * 0.45;
        let bead = if drop < sheet { 0.35 } else { 0.0 };
        let depth = (thin + rim + bead + 0.16 * wave).clamp(0.12, 0.97);
        let q = [p[0] + 0.010 * size, p[1] + 0.012 * size];
        let slope = sheet.min(drop) - {
            let s = body
                .iter()
                .fold(f32::MAX, |d, s| join(d.min(1e4), away(q, s), 0.03 * size));
            s.min(drops.iter().fold(f32::MAX, |d, s| d.min(away(q, s))))
        };
        // The key's mirror image lies a little inside the edges that face it.
        let gleam = smooth(0.25, 0.5, inside)
            * smooth(0.95, 0.6, inside)
            * smooth(0.006, 0.013, slope / size)
            * smooth(-0.1, 0.25, wave);
        let alpha = depth + (1.0 - depth) * 0.9 * gleam;
        let colour = ink * (0.75 + 0.5 * inside + 0.25 * wave);
        let light = (colour * (depth * (1.0 - 0.9 * gleam)) + V3::splat(0.9 * 0.95 * gleam))
            .min(V3::splat(alpha));
        [
            light.x * cover,
            light.y * cover,
            light.z * cover,
            alpha * cover,
        ]
    })
}
