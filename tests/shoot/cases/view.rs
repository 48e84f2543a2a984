//! Where a point of the set lies in a picture, three samples to the pixel each way, and how samples become pixels.

use super::levels::Camera;
use rayon::prelude::*;

/// Samples to a pixel, each way.
pub const FINE: i64 = 3;
/// Pixels around the picture that layers reach into, for the blur of the optics and of a lens out of focus.
pub const PAD: i64 = 16;
/// The blur of the optics, a deviation in pixels.
const OPTICS: f32 = 0.42;
/// Taps to either side of a pixel's middle sample.
const REACH: i64 = 6;

/// How plate pixels lie in a picture: turned about the middle, then shifted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    pub size: i64,
    shift: [f64; 2],
    /// Sine and cosine of the turn.
    turn: [f64; 2],
}

impl View {
    pub fn plate(size: u32) -> View {
        View {
            size: i64::from(size),
            shift: [0.0; 2],
            turn: [0.0, 1.0],
        }
    }

    pub fn frame(size: u32, camera: &Camera) -> View {
        let angle = camera.turn.to_radians();
        View {
            size: i64::from(size),
            shift: camera.shift,
            turn: [libm::sin(angle), libm::cos(angle)],
        }
    }

    /// Samples across the picture and its surroundings.
    pub fn samples(&self) -> i64 {
        (self.size + 2 * PAD) * FINE
    }

    /// A point of the plate, px, as a place among the samples (the first sample's middle is 0.5).
    pub fn placed(&self, [x, y]: [f32; 2]) -> [f32; 2] {
        let half = self.size as f64 / 2.0;
        let (x, y) = (f64::from(x) - half, f64::from(y) - half);
        let [sin, cos] = self.turn;
        let seen = [
            half + cos * x - sin * y + self.shift[0],
            half + sin * x + cos * y + self.shift[1],
        ];
        seen.map(|v| ((v + PAD as f64) * FINE as f64) as f32)
    }

    /// The point of the plate under the middle of sample (i, j).
    pub fn under(&self, i: i64, j: i64) -> [f32; 2] {
        let place = |n: i64| (n as f64 + 0.5) / FINE as f64 - PAD as f64;
        let (x, y) = self.back(place(i), place(j));
        [x as f32, y as f32]
    }

    fn back(&self, x: f64, y: f64) -> (f64, f64) {
        let half = self.size as f64 / 2.0;
        let (x, y) = (x - half - self.shift[0], y - half - self.shift[1]);
        let [sin, cos] = self.turn;
        (half + cos * x + sin * y, half - sin * x + cos * y)
    }

    /// Pixels of the picture to pixels of the plate, as a matrix of two rows.
    pub fn to_plate(self) -> [[f64; 3]; 2] {
        let [sin, cos] = self.turn;
        let (x, y) = self.back(0.0, 0.0);
        [[cos, sin, x], [-sin, cos, y]]
    }
}

/// Weights of the samples about a pixel's middle one: the pixel's own width after the blur of the optics.
fn taps() -> Vec<f32> {
    let bell = |k: i64| {
        let x = k as f32 / (OPTICS * FINE as f32);
        libm::expf(-0.5 * x * x)
    };
    let raw: Vec<f32> = (-REACH..=REACH)
        .map(|k| bell(k - 1) + bell(k) + bell(k + 1))
        .collect();
    let sum: f32 = raw.iter().sum();
    raw.iter().map(|tap| tap / sum).collect()
}

/// Pixels of the picture from samples; `sample` is asked for its place among them.
pub fn seen<const N: usize>(
    view: &View,
    sample: impl Fn(i64, i64) -> [f32; N] + Sync,
) -> Vec<[f32; N]> {
    const BAND: i64 = 16;
    let taps = taps();
    let size = view.size;
    let gather = |middle: i64, at: &dyn Fn(i64) -> [f32; N]| {
        let mut sum = [0.0; N];
        for (k, tap) in taps.iter().enumerate() {
            let value = at(middle - REACH + k as i64);
            for (sum, value) in sum.iter_mut().zip(value) {
                *sum += tap * value;
            }
        }
        sum
    };
    let middle = |pixel: i64| (pixel + PAD) * FINE + FINE / 2;
    let left = middle(0) - REACH;
    let width = middle(size - 1) + REACH + 1 - left;
    (0..(size + BAND - 1) / BAND)
        .into_par_iter()
        .flat_map_iter(|band| {
            let rows = band * BAND..size.min((band + 1) * BAND);
            let top = middle(rows.start) - REACH;
            let bottom = middle(rows.end - 1) + REACH + 1;
            let mut narrow = Vec::with_capacity(((bottom - top) * size) as usize);
            let mut row = Vec::with_capacity(width as usize);
            for j in top..bottom {
                row.clear();
                row.extend((0..width).map(|i| sample(left + i, j)));
                narrow.extend((0..size).map(|x| gather(middle(x) - left, &|i| row[i as usize])));
            }
            let mut pixels = Vec::with_capacity((rows.clone().count() as i64 * size) as usize);
            for y in rows {
                for x in 0..size {
                    let at = |j: i64| narrow[((j - top) * size + x) as usize];
                    pixels.push(gather(middle(y), &at));
                }
            }
            pixels
        })
        .collect()
}
