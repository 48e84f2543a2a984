//! Which pixels can matter to which: conservative boxes, tight to a pixel or two for affine maps.
//!
//! A canvas point counts only in front of the horizon (positive last row of the canvas-to-frame map, as
//! [`Map::inverted`] gives it) and, under perspective, only where fewer than [`HORIZON`] frame pixels crowd into
//! one canvas pixel. Where a map leaves no finite box the answer is everything, to be cut to the caller's own box.

use super::Kernel;
use crate::geom::{Map, Rect};

/// Under perspective, frame pixels to one canvas pixel at which a picture ends: beyond, the frame is so close to
/// its horizon that it shows nothing. Without this end every pixel near the horizon would read the whole frame.
pub(super) const HORIZON: f64 = 256.0;

/// The same for affine maps: a frame of 65,536 px then covers less than one pixel.
pub(super) const VANISHING: f64 = 65_536.0;

/// Rounding room in pixels, far above what `f64` coordinates lose.
const ROOM: f64 = 1.0 / 1024.0;

const EVERYWHERE: Rect = Rect {
    x0: i32::MIN,
    y0: i32::MIN,
    x1: i32::MAX,
    y1: i32::MAX,
};

/// The frame pixels that can matter for the canvas pixels `out`.
pub fn footprint(canvas_to_frame: &Map, out: &Rect, kernel: Kernel) -> Rect {
    let Some(centres) = Area::of_centres(out) else {
        return Rect::EMPTY;
    };
    match centres.image(canvas_to_frame) {
        Image::Behind => Rect::EMPTY,
        Image::Unbounded => EVERYWHERE,
        Image::Bounded(frame) => {
            let scale = widest(canvas_to_frame, &centres, &frame);
            frame.grown(kernel, scale).pixels()
        }
    }
}

/// The canvas pixels that a box of frame pixels can touch.
pub fn reach(frame_to_canvas: &Map, frame_box: &Rect, kernel: Kernel) -> Rect {
    let Some(centres) = Area::of_centres(frame_box) else {
        return Rect::EMPTY;
    };
    let Some(canvas_to_frame) = frame_to_canvas.inverted() else {
        return EVERYWHERE;
    };
    // Under perspective the kernel's width depends on where on the canvas it stands. Begin with the widest there
    // is; each round looks only where the last one reached, so every round's box is conservative and none grows.
    let mut scale = if canvas_to_frame.is_affine() {
        widest(&canvas_to_frame, &centres, &centres)
    } else {
        [HORIZON; 2]
    };
    let mut reached = EVERYWHERE;
    for _ in 0..8 {
        let within = centres.grown(kernel, scale);
        match within.image(frame_to_canvas) {
            Image::Behind => return Rect::EMPTY,
            Image::Unbounded => return reached,
            Image::Bounded(canvas) => {
                reached = canvas.pixels();
                let narrower = match canvas.image(&canvas_to_frame) {
                    Image::Bounded(_) => widest(&canvas_to_frame, &canvas, &within),
                    _ => return reached,
                };
                if narrower[0] >= scale[0] && narrower[1] >= scale[1] {
                    return reached;
                }
                scale = [narrower[0].min(scale[0]), narrower[1].min(scale[1])];
            }
        }
    }
    reached
}

/// How far the kernel is widened on the frame's two axes: max(1, length of each row of the derivative).
pub(super) fn widening(derivative: [[f64; 2]; 2]) -> [f64; 2] {
    derivative.map(|[dx, dy]| (dx * dx + dy * dy).sqrt().max(1.0))
}

/// The most a kernel is widened over the canvas points of `canvas` whose frame coordinates lie in `frame`.
/// `canvas` must lie in front of the horizon.
fn widest(canvas_to_frame: &Map, canvas: &Area, frame: &Area) -> [f64; 2] {
    let m = &canvas_to_frame.0;
    if canvas_to_frame.is_affine() {
        return widening(canvas_to_frame.derivative(0.0, 0.0));
    }
    // Row k of the derivative is (m[k] - u m[2]) / w: linear in the coordinate u, so largest at an end of its range.
    let nearest = canvas.horizon(canvas_to_frame).0;
    let ends = [(frame.x0, frame.x1), (frame.y0, frame.y1)];
    let mut rows = [[0.0; 2]; 2];
    for (k, row) in rows.iter_mut().enumerate() {
        for (j, cell) in row.iter_mut().enumerate() {
            let at = |u: f64| (m[k][j] - u * m[2][j]).abs();
            *cell = at(ends[k].0).max(at(ends[k].1)) / nearest;
        }
    }
    widening(rows).map(|scale| scale.min(HORIZON))
}

/// Real bounds of points, both ends included.
#[derive(Clone, Copy)]
struct Area {
    x0: f64,
    y0: f64,
    x1: f64,
    y1: f64,
}

enum Image {
    Behind,
    Unbounded,
    Bounded(Area),
}

impl Area {
    fn of_centres(pixels: &Rect) -> Option<Area> {
        (!pixels.is_empty()).then(|| Area {
            x0: f64::from(pixels.x0) + 0.5,
            y0: f64::from(pixels.y0) + 0.5,
            x1: f64::from(pixels.x1) - 0.5,
            y1: f64::from(pixels.y1) - 0.5,
        })
    }

    fn corners(&self) -> [(f64, f64); 4] {
        [
            (self.x0, self.y0),
            (self.x1, self.y0),
            (self.x0, self.y1),
            (self.x1, self.y1),
        ]
    }

    /// Smallest and largest value of the map's last row.
    fn horizon(&self, map: &Map) -> (f64, f64) {
        let [a, b, c] = map.0[2];
        let heights = self.corners().map(|(x, y)| a * x + b * y + c);
        let low = heights.iter().copied().fold(f64::INFINITY, f64::min);
        let high = heights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (low, high)
    }

    fn image(&self, map: &Map) -> Image {
        let (low, high) = self.horizon(map);
        if high <= 0.0 {
            return Image::Behind;
        }
        let points = self.corners().map(|(x, y)| map.apply(x, y));
        if low <= 0.0 || points.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
            return Image::Unbounded;
        }
        let mut area = Area {
            x0: f64::INFINITY,
            y0: f64::INFINITY,
            x1: f64::NEG_INFINITY,
            y1: f64::NEG_INFINITY,
        };
        for (x, y) in points {
            area.x0 = area.x0.min(x);
            area.y0 = area.y0.min(y);
            area.x1 = area.x1.max(x);
            area.y1 = area.y1.max(y);
        }
        Image::Bounded(area)
    }

    fn grown(&self, kernel: Kernel, scale: [f64; 2]) -> Area {
        let [x, y] = scale.map(|scale| kernel.radius() * scale + ROOM);
        Area {
            x0: self.x0 - x,
            y0: self.y0 - y,
            x1: self.x1 + x,
            y1: self.y1 + y,
        }
    }

    /// The pixels whose centres lie inside, with a little room.
    fn pixels(&self) -> Rect {
        Rect::around(
            (self.x0 - 0.5 - ROOM).ceil(),
            (self.y0 - 0.5 - ROOM).ceil(),
            (self.x1 - 0.5 + ROOM).floor() + 1.0,
            (self.y1 - 0.5 + ROOM).floor() + 1.0,
        )
    }
}
