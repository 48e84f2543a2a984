//! Meshes drawn with a depth buffer and lit by the studio's boxes without tracing anything: mirrors look the boxes up,
//! paper sums them. Lengths are plate pixels, y up as in the meshes.

use super::canvas::Canvas;
use super::view::View;
use crate::mesh::Mesh;
use crate::noise;
use crate::surface::{Body, Paint, Surface};
use crate::vector::{V3, smooth, v};

/// A mesh, what it is made of, and where its origin lies on the plate.
#[derive(Debug)]
pub struct Solid {
    pub body: Body,
    pub mesh: Mesh,
}

/// A soft box as a direction, the tangents of its half width and height seen from the piece, and its radiance.
struct Lamp {
    toward: V3,
    half: [f32; 2],
    radiance: V3,
}

/// The studio of the shoot, as seen from a piece: the key high on the left, a strip behind on the right, a box overhead, a
/// white card in front on the right.
fn lamps() -> [Lamp; 4] {
    let lamp = |toward: V3, half, radiance| Lamp {
        toward: toward.unit(),
        half,
        radiance,
    };
    [
        lamp(v(-470.0, 380.0, 470.0), [0.30, 0.42], v(2.10, 2.06, 2.0)),
        lamp(v(470.0, 190.0, -230.0), [0.12, 0.65], v(1.9, 1.93, 2.0)),
        lamp(v(-40.0, 690.0, -240.0), [0.44, 0.22], v(1.0, 1.0, 1.0)),
        lamp(v(430.0, 170.0, 560.0), [0.43, 0.43], v(0.36, 0.35, 0.33)),
    ]
}

/// Light that arrives from a direction, with edges as soft as a mirror is rough.
fn arriving(lamps: &[Lamp], from: V3, rough: f32, set: V3) -> V3 {
    // The room above, the lit set below and behind.
    let mut sum = v(0.055, 0.056, 0.058).toward(set * 0.8, smooth(0.25, -0.5, from.y));
    for lamp in lamps {
        let ahead = from.dot(lamp.toward);
        if ahead <= 0.05 {
            continue;
        }
        let across = v(0.0, 1.0, 0.0).cross(lamp.toward).unit();
        let up = lamp.toward.cross(across);
        let soft = rough * 0.9 + 0.02;
        let edge =
            |side: V3, half: f32| smooth(half + soft, half - soft, (from.dot(side) / ahead).abs());
        sum += lamp.radiance * (edge(across, lamp.half[0]) * edge(up, lamp.half[1]));
    }
    sum
}

/// Light that falls on a matt surface.
fn falling(lamps: &[Lamp], normal: V3, set: V3) -> V3 {
    let mut sum = v(0.16, 0.16, 0.165) + set * (0.12 * (1.0 - normal.y));
    for (lamp, share) in lamps.iter().zip([0.30, 0.11, 0.16, 0.28]) {
        // A large box still lights what is turned a little away from it.
        let facing = (normal.dot(lamp.toward) + 0.18).max(0.0) / 1.18;
        sum += lamp.radiance * (share * facing);
    }
    sum
}

/// One point of a surface whose normal looks at the camera; `inside` where that is its other face.
fn lit(lamps: &[Lamp], body: &Body, normal: V3, uv: [f32; 2], inside: bool, set: V3) -> V3 {
    let toward = v(0.0, 0.0, 1.0);
    let mirror = (-toward).mirrored(normal);
    match body.surface {
        Surface::Metal { tint, roughness } => {
            let scratch = noise::layered(uv[0] * 1.1, uv[1] * 9.0, 61, 3);
            let rim = 1.0 - normal.z.clamp(0.0, 1.0);
            let tint = tint.toward(V3::ONE, 0.6 * rim * rim * rim * rim);
            tint * arriving(lamps, mirror, roughness, set) * (1.0 + 0.06 * scratch)
        }
        Surface::Sheet { paint, through } => {
            let (near, far) = (falling(lamps, normal, set), falling(lamps, -normal, set));
            let shut = if inside { 0.62 } else { 1.0 };
            paint.at(V3::ZERO, uv) * (near * shut + far * through)
        }
        Surface::Coated {
            paint,
            sheen,
            roughness,
        } => {
            let rim = 1.0 - normal.z.clamp(0.0, 1.0);
            let coat = sheen + (1.0 - sheen) * 0.3 * rim * rim * rim * rim * rim;
            let coat = if sheen > 0.0 { coat } else { 0.0 };
            paint.at(V3::ZERO, uv) * falling(lamps, normal, set)
                + arriving(lamps, mirror, roughness, set) * coat
        }
        Surface::Clear { .. } => Paint::Flat(V3::ZERO).at(V3::ZERO, uv),
    }
}

/// Draws solids, nearest first. `set` is the mean light of what lies behind, which mirrors show.
pub fn drawn(view: &View, solids: &[Solid], set: V3) -> Canvas {
    let lamps = lamps();
    let points = solids.iter().flat_map(|s| &s.mesh.points);
    let mut canvas = Canvas::around(view, points.map(|p| [p.x, -p.y]), 2);
    let mut depth = vec![f32::MIN; canvas.covers.len()];
    for Solid { body, mesh } in solids {
        let seen: Vec<[f32; 2]> = mesh
            .points
            .iter()
            .map(|p| view.placed([p.x, -p.y]))
            .collect();
        for triangle in &mesh.triangles {
            let [a, b, c] = triangle.map(|n| n as usize);
            let (pa, pb, pc) = (seen[a], seen[b], seen[c]);
            let double = (pb[0] - pa[0]) * (pc[1] - pa[1]) - (pb[1] - pa[1]) * (pc[0] - pa[0]);
            if double.abs() < 1e-9 {
                continue;
            }
            let low = |k: usize| pa[k].min(pb[k]).min(pc[k]);
            let high = |k: usize| pa[k].max(pb[k]).max(pc[k]);
            let first = |v: f32| (v - 0.5).ceil() as i64;
            let last = |v: f32| (v - 0.5).floor() as i64;
            for j in
                first(low(1)).max(canvas.top)..=last(high(1)).min(canvas.top + canvas.height - 1)
            {
                for i in first(low(0)).max(canvas.left)
                    ..=last(high(0)).min(canvas.left + canvas.width - 1)
                {
                    let (x, y) = (i as f32 + 0.5, j as f32 + 0.5);
                    let part = |p: [f32; 2], q: [f32; 2]| {
                        ((p[0] - x) * (q[1] - y) - (p[1] - y) * (q[0] - x)) / double
                    };
                    let weights = [part(pb, pc), part(pc, pa), part(pa, pb)];
                    // A sample on a shared side belongs to both: the depth buffer keeps one.
                    if weights.iter().any(|&w| w < -1e-4) {
                        continue;
                    }
                    let Some(at) = canvas.index(i, j) else {
                        continue;
                    };
                    let mixed = |value: [f32; 3]| -> f32 {
                        weights.iter().zip(value).map(|(w, v)| w * v).sum()
                    };
                    let z = mixed([a, b, c].map(|n| mesh.points[n].z));
                    if z <= depth[at] {
                        continue;
                    }
                    let uv = [0, 1].map(|k| mixed([a, b, c].map(|n| mesh.uvs[n][k])));
                    if body.hole.is_some_and(|hole| hole(uv)) {
                        continue;
                    }
                    let normal = (mesh.normals[a] * weights[0]
                        + mesh.normals[b] * weights[1]
                        + mesh.normals[c] * weights[2])
                        .unit();
                    let inside = normal.z < 0.0;
                    let normal = if inside { -normal } else { normal };
                    let light = lit(&lamps, body, normal, uv, inside, set);
                    // No sensor sees more than white.
                    let light = light.min(V3::ONE).max(V3::splat(0.002));
                    depth[at] = z;
                    canvas.covers[at] = [light.x, light.y, light.z, 1.0];
                }
            }
        }
    }
    canvas
}
