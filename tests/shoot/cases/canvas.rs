//! A layer among the samples: premultiplied light and coverage, kept only where there is something.

use super::view::View;

/// Premultiplied red, green, blue, and coverage.
pub type Cover = [f32; 4];

pub const CLEAR: Cover = [0.0; 4];

/// `front` over `back`.
pub fn over(front: Cover, back: Cover) -> Cover {
    let rest = 1.0 - front[3];
    std::array::from_fn(|k| front[k] + back[k] * rest)
}

#[derive(Clone, Debug)]
pub struct Canvas {
    pub left: i64,
    pub top: i64,
    pub width: i64,
    pub height: i64,
    pub covers: Vec<Cover>,
}

impl Canvas {
    pub fn empty() -> Canvas {
        Canvas {
            left: 0,
            top: 0,
            width: 0,
            height: 0,
            covers: Vec::new(),
        }
    }

    /// Room for what lies within the given plate points, with `margin` samples around it, inside the picture's surroundings.
    pub fn around(view: &View, points: impl Iterator<Item = [f32; 2]>, margin: i64) -> Canvas {
        let mut bounds = [f32::MAX, f32::MAX, f32::MIN, f32::MIN];
        for point in points {
            let [x, y] = view.placed(point);
            bounds[0] = bounds[0].min(x);
            bounds[1] = bounds[1].min(y);
            bounds[2] = bounds[2].max(x);
            bounds[3] = bounds[3].max(y);
        }
        if bounds[0] > bounds[2] {
            return Canvas::empty();
        }
        let all = view.samples();
        let low = |v: f32| (v.floor() as i64 - margin).clamp(0, all);
        let high = |v: f32| (v.ceil() as i64 + margin).clamp(0, all);
        let (left, top) = (low(bounds[0]), low(bounds[1]));
        let (width, height) = (high(bounds[2]) - left, high(bounds[3]) - top);
        Canvas {
            left,
            top,
            width,
            height,
            covers: vec![CLEAR; (width * height) as usize],
        }
    }

    /// Every sample from its place.
    pub fn painted(mut self, paint: impl Fn(i64, i64) -> Cover + Sync) -> Canvas {
        use rayon::prelude::*;
        let (left, top) = (self.left, self.top);
        if self.width > 0 {
            self.covers
                .par_chunks_mut(self.width as usize)
                .enumerate()
                .for_each(|(row, covers)| {
                    for (column, cover) in covers.iter_mut().enumerate() {
                        *cover = paint(left + column as i64, top + row as i64);
                    }
                });
        }
        self
    }

    /// Where a sample is stored.
    pub fn index(&self, i: i64, j: i64) -> Option<usize> {
        let (x, y) = (i - self.left, j - self.top);
        let inside = (0..self.width).contains(&x) && (0..self.height).contains(&y);
        inside.then_some((y * self.width + x) as usize)
    }

    pub fn at(&self, i: i64, j: i64) -> Cover {
        self.index(i, j).map_or(CLEAR, |n| self.covers[n])
    }
}
