//! A quill: a shaft and some hundred barbs, dense at their roots and single hairs at their ends, drawn strand by strand.

use super::canvas::{CLEAR, Canvas, over};
use super::draw::Draw;
use super::view::{FINE, View};
use crate::noise;
use crate::vector::{V3, v};

/// A hair: points on the plate, half widths at both ends in pixels, its light at both ends.
struct Strand {
    points: Vec<[f32; 2]>,
    half: [f32; 2],
    light: [V3; 2],
}

const STEPS: usize = 12;

/// Where the shaft is held, px.
pub fn hold(size: i64, middle: [f32; 2], lean: f32) -> [f32; 2] {
    shaft(size as f32, middle, lean, 0.24)
}

fn shaft(size: f32, middle: [f32; 2], lean: f32, t: f32) -> [f32; 2] {
    let long = 0.66 * size;
    let (s, bow) = (t - 0.5, (t - 0.5) * (t - 0.5) - 0.25);
    let (sin, cos) = (libm::sinf(lean), libm::cosf(lean));
    let (along, across) = (s * long, bow * 0.28 * long);
    [
        middle[0] + along * sin + across * cos,
        middle[1] - along * cos + across * sin,
    ]
}

fn strands(size: f32, middle: [f32; 2], lean: f32, draw: &mut Draw) -> Vec<Strand> {
    const BARBS: usize = 190;
    let at = |t: f32| shaft(size, middle, lean, t);
    let dark = [
        v(0.16, 0.12, 0.09),
        v(0.30, 0.30, 0.31),
        v(0.09, 0.07, 0.06),
    ][draw.below(3)];
    let pale = [
        v(0.74, 0.72, 0.67),
        v(0.58, 0.50, 0.40),
        v(0.80, 0.79, 0.77),
    ][draw.below(3)];
    let (field, bars) = (draw.word(), draw.between(3.0, 7.0));
    let mut all = Vec::new();
    for n in 0..BARBS * 2 {
        let side = if n % 2 == 0 { 1.0 } else { -1.0 };
        let t = 0.2 + 0.8 * (n / 2) as f32 / BARBS as f32 + draw.between(-0.002, 0.002);
        let down = ((0.36 - t) / 0.16).clamp(0.0, 1.0);
        // Neighbours cling together in tufts with gaps between them.
        let tuft = noise::value(t * 26.0, side * 3.0, field);
        let part = noise::value(t * 60.0, side * 5.0, field + 1);
        let ahead = at(t + 0.01);
        let here = at(t);
        let axis = [ahead[0] - here[0], ahead[1] - here[1]];
        let axis = libm::atan2f(axis[1], axis[0]);
        let open = 0.62 + 0.16 * tuft + down * draw.between(-0.2, 0.9);
        let curve = -0.45 + 0.12 * part + down * draw.between(-1.6, 1.6);
        let shape = libm::powf((1.02 - t).max(0.0), 0.55) * (0.75 + 0.25 * (1.0 - down));
        let long = size * 0.155 * shape * (1.0 + 0.10 * tuft + 0.05 * draw.normal());
        let mut points = vec![here];
        for k in 0..STEPS {
            let u = k as f32 / STEPS as f32;
            let angle = axis + side * (open + curve * u);
            let [x, y] = points[k];
            let step = long / STEPS as f32;
            points.push([x + libm::cosf(angle) * step, y + libm::sinf(angle) * step]);
        }
        let barred = 0.5 + 0.5 * libm::sinf(t * bars * std::f32::consts::TAU + 0.6 * tuft);
        let tone = draw.between(0.82, 1.12) * if side > 0.0 { 1.0 } else { 0.78 };
        let light = pale.toward(dark, barred * (1.0 - down)) * tone;
        all.push(Strand {
            points,
            half: [size * 0.0017 * (1.0 - 0.6 * down), size * 0.0003],
            light: [light * 0.86, light],
        });
    }
    let line: Vec<[f32; 2]> = (0..=40).map(|n| at(n as f32 / 40.0)).collect();
    let horn = v(0.78, 0.72, 0.60);
    all.push(Strand {
        points: line.clone(),
        half: [size * 0.0062, size * 0.0010],
        light: [horn * 0.72, horn * 0.8],
    });
    // The light's edge along the shaft.
    all.push(Strand {
        points: line
            .iter()
            .map(|p| [p[0] - size * 0.0018, p[1] - size * 0.0008])
            .collect(),
        half: [size * 0.0018, size * 0.0003],
        light: [horn * 1.2, horn * 1.1],
    });
    all
}

pub fn drawn(view: &View, middle: [f32; 2], lean: f32, draw: &mut Draw) -> Canvas {
    let strands = strands(view.size as f32, middle, lean, draw);
    let points = strands.iter().flat_map(|s| s.points.iter().copied());
    let mut canvas = Canvas::around(view, points, 12 * FINE);
    for strand in &strands {
        let count = strand.points.len() - 1;
        let seen: Vec<[f32; 2]> = strand.points.iter().map(|&p| view.placed(p)).collect();
        // One strand covers a sample once, however many of its stretches are near.
        let mut mine: Vec<(usize, f32, f32)> = Vec::new();
        for (k, ends) in seen.windows(2).enumerate() {
            let half = |k: usize| {
                let t = k as f32 / count as f32;
                (strand.half[0] + (strand.half[1] - strand.half[0]) * t) * FINE as f32
            };
            let wide = half(k).max(half(k + 1)) + 1.0;
            let low = |a: usize| (ends[0][a].min(ends[1][a]) - wide).floor() as i64;
            let high = |a: usize| (ends[0][a].max(ends[1][a]) + wide).ceil() as i64;
            let d = [ends[1][0] - ends[0][0], ends[1][1] - ends[0][1]];
            let square = (d[0] * d[0] + d[1] * d[1]).max(1e-6);
            for j in low(1)..high(1) {
                for i in low(0)..high(0) {
                    let Some(at) = canvas.index(i, j) else {
                        continue;
                    };
                    let p = [i as f32 + 0.5 - ends[0][0], j as f32 + 0.5 - ends[0][1]];
                    let u = ((p[0] * d[0] + p[1] * d[1]) / square).clamp(0.0, 1.0);
                    let (x, y) = (p[0] - d[0] * u, p[1] - d[1] * u);
                    let r = half(k) + (half(k + 1) - half(k)) * u;
                    let cover =
                        (r + 0.5 - (x * x + y * y).sqrt()).clamp(0.0, 1.0) * (2.0 * r).min(1.0);
                    if cover > 0.0 {
                        mine.push((at, cover, (k as f32 + u) / count as f32));
                    }
                }
            }
        }
        mine.sort_by(|a, b| a.0.cmp(&b.0).then(b.1.total_cmp(&a.1)));
        mine.dedup_by_key(|m| m.0);
        for (at, cover, t) in mine {
            let light = strand.light[0].toward(strand.light[1], t).min(V3::ONE) * cover;
            let front = [light.x, light.y, light.z, cover];
            canvas.covers[at] = over(front, canvas.covers[at]);
        }
    }
    debug_assert!(canvas.covers.iter().any(|c| *c != CLEAR));
    canvas
}
