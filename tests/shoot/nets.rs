//! From a signed distance to a mesh: surface nets on a regular grid, normals from the distance's own gradient.
//! For what has no parameters of its own: liquid.

use crate::mesh::Mesh;
use crate::vector::{V3, v};
use rayon::prelude::*;

/// The surface where `distance` is 0 inside the box `low`..`high`, in cells of `cell` mm. Normals look outward
/// (toward positive distance). Surface that reaches the box's border stays open there.
pub fn surface(low: V3, high: V3, cell: f32, distance: impl Fn(V3) -> f32 + Sync) -> Mesh {
    let count = |a: f32, b: f32| ((b - a) / cell).ceil() as usize + 1;
    let (nx, ny, nz) = (
        count(low.x, high.x),
        count(low.y, high.y),
        count(low.z, high.z),
    );
    let place = |i: usize, j: usize, k: usize| low + v(i as f32, j as f32, k as f32) * cell;
    let slabs: Vec<Vec<f32>> = (0..nz)
        .into_par_iter()
        .map(|k| {
            (0..nx * ny)
                .map(|n| distance(place(n % nx, n / nx, k)))
                .collect()
        })
        .collect();
    let at = |i: usize, j: usize, k: usize| slabs[k][j * nx + i];
    let mut mesh = Mesh::default();
    let mut vertex = vec![u32::MAX; nx * ny * nz];
    for k in 0..nz - 1 {
        for j in 0..ny - 1 {
            for i in 0..nx - 1 {
                if let Some(p) = crossing(|a, b, c| at(i + a, j + b, k + c)) {
                    vertex[(k * ny + j) * nx + i] = mesh.points.len() as u32;
                    mesh.points.push(place(i, j, k) + p * cell);
                }
            }
        }
    }
    for k in 1..nz - 1 {
        for j in 1..ny - 1 {
            for i in 1..nx - 1 {
                let here = at(i, j, k) < 0.0;
                let cell =
                    |a: usize, b: usize, c: usize| vertex[((k - c) * ny + j - b) * nx + i - a];
                let mut quad = |there: bool, corners: [u32; 4]| {
                    if here != there && corners.iter().all(|&c| c != u32::MAX) {
                        let [a, b, c, d] = if here {
                            corners
                        } else {
                            [corners[3], corners[2], corners[1], corners[0]]
                        };
                        mesh.triangles.push([a, b, c]);
                        mesh.triangles.push([a, c, d]);
                    }
                };
                quad(
                    at(i + 1, j, k) < 0.0,
                    [cell(0, 1, 1), cell(0, 0, 1), cell(0, 0, 0), cell(0, 1, 0)],
                );
                quad(
                    at(i, j + 1, k) < 0.0,
                    [cell(1, 0, 1), cell(1, 0, 0), cell(0, 0, 0), cell(0, 0, 1)],
                );
                quad(
                    at(i, j, k + 1) < 0.0,
                    [cell(1, 1, 0), cell(0, 1, 0), cell(0, 0, 0), cell(1, 0, 0)],
                );
            }
        }
    }
    let e = cell * 0.5;
    let slope = |p: V3, d: V3| distance(p + d) - distance(p - d);
    mesh.normals = mesh
        .points
        .par_iter()
        .map(|&p| {
            v(
                slope(p, v(e, 0.0, 0.0)),
                slope(p, v(0.0, e, 0.0)),
                slope(p, v(0.0, 0.0, e)),
            )
            .unit()
        })
        .collect();
    mesh.uvs = vec![[0.0; 2]; mesh.points.len()];
    mesh
}

/// Mean of the places where the surface crosses the twelve edges of one cell, in cells.
fn crossing(at: impl Fn(usize, usize, usize) -> f32) -> Option<V3> {
    let (mut sum, mut n) = (V3::ZERO, 0.0);
    let mut edge = |a: (usize, usize, usize), b: (usize, usize, usize)| {
        let (p, q) = (at(a.0, a.1, a.2), at(b.0, b.1, b.2));
        if (p < 0.0) != (q < 0.0) {
            let from = v(a.0 as f32, a.1 as f32, a.2 as f32);
            let to = v(b.0 as f32, b.1 as f32, b.2 as f32);
            sum += from.toward(to, p / (p - q));
            n += 1.0;
        }
    };
    for s in 0..2 {
        for t in 0..2 {
            edge((0, s, t), (1, s, t));
            edge((s, 0, t), (s, 1, t));
            edge((s, t, 0), (s, t, 1));
        }
    }
    (n > 0.0).then(|| sum / n)
}
