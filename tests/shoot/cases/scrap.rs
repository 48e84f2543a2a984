//! A torn scrap of the very paper the set is covered with: only its folds, its fibres and its edges tell it from the set.

use super::canvas::{CLEAR, Canvas};
use super::draw::Draw;
use super::sets::{Set, paper};
use super::view::{FINE, View};
use crate::noise;
use crate::vector::{V3, v};
use std::f32::consts::TAU;

pub fn drawn(view: &View, middle: [f32; 2], set: &Set, draw: &mut Draw) -> Canvas {
    let size = view.size as f32;
    let (field, lean) = (draw.word(), draw.between(0.0, TAU));
    let cast = draw.between(0.97, 1.03);
    let (fold, relief) = (draw.between(-0.5, 0.5), draw.between(0.10, 0.22));
    let long = draw.between(0.17, 0.22) * size;
    let wide = draw.between(0.13, 0.18) * size;
    let (sin, cos) = (libm::sinf(lean), libm::cosf(lean));
    let corners = [-1.0, 1.0].map(|s| {
        let reach = s * (long + wide);
        [middle[0] + reach, middle[1] + reach]
    });
    // Height of the sheet above the set, px: a fold across it, and waves.
    let height = move |u: f32, w: f32| {
        let crease = 0.5 * relief * (u - fold * long).abs();
        crease + 0.02 * size * noise::layered(u * 7.0 / size, w * 7.0 / size, field, 2)
    };
    Canvas::around(view, corners.into_iter(), 2 * FINE).painted(|i, j| {
        let p = view.under(i, j);
        let (x, y) = (p[0] - middle[0], p[1] - middle[1]);
        let (u, w) = (x * cos + y * sin, y * cos - x * sin);
        // Torn edges: long waves, and fibres that stick out by a pixel or two.
        let tear = 0.020 * size * noise::layered(u * 9.0 / size, w * 9.0 / size, field + 7, 3)
            + 0.9 * noise::layered(u * 0.9, w * 0.9, field + 8, 2);
        let d = (u.abs() - long).max(w.abs() - wide) + tear;
        let cover = (0.5 - d * FINE as f32 * 0.8).clamp(0.0, 1.0);
        if cover == 0.0 {
            return CLEAR;
        }
        let e = 1.0;
        let slope = |a: f32, b: f32| height(u + a, w + b) - height(u - a, w - b);
        let (du, dw) = (slope(e, 0.0) / (2.0 * e), slope(0.0, e) / (2.0 * e));
        let (nx, ny) = (-(du * cos - dw * sin), -(du * sin + dw * cos));
        // Turned to the key (upper left) it is lighter, turned away darker.
        let facing = (1.0 - 0.55 * nx - 0.65 * ny) / (1.0 + nx * nx + ny * ny).sqrt();
        // A torn edge shows the white core.
        let core = (1.0 + d * 0.22).clamp(0.0, 1.0) * 0.06;
        let fibre = paper([u + 700.0, w - 300.0], field);
        let light = fibre * v(1.01, 1.0, 0.985) * ((cast * facing + core) * set.lit(p));
        let light = light.min(V3::ONE).max(V3::splat(0.002)) * cover;
        [light.x, light.y, light.z, cover]
    })
}
