//! Coverage of a see-through piece whose colours lie on one line from the backdrop's, gleams on it included.

use super::super::tools::distance;
use super::super::tools::linear::dot;
use super::measure::Sensed;
use crate::budget::{Account, OverBudget};
use crate::raster::{Matte, Raster};

/// Deviation of what is slow, in pixels.
pub const SLOW: f64 = 4.0;
/// A colour runs toward the backdrop when this share of its difference at most lies off the line; beyond twice that
/// it is something solid.
pub const OFF: f64 = 0.3;
/// A difference smaller than this share of the piece's strongest hardly has a direction.
const SMALL: f64 = 0.1;
/// So far around another colour, as a share of the root of the piece's area, light may be on its way to a gleam's.
const AROUND: f64 = 0.03;
/// A gleam leaves at least so much of the piece's own colour to be told.
const OWN: f64 = 0.05;
/// Least coverage of something seen.
pub const LEAST: f32 = 0.05;

/// How far the frame is off the backdrop, of their means.
pub fn off(m: &[f32; 7]) -> [f64; 3] {
    std::array::from_fn(|k| f64::from(m[1 + k]) - f64::from(m[4 + k]))
}

/// What is known of a see-through piece.
#[derive(Clone, Copy, Debug)]
pub struct Sheet {
    /// The way from backdrop to piece (unit vector), how far along it the piece's colours come, and where its own
    /// colour is taken to lie.
    pub line: [f64; 3],
    pub end: f64,
    pub whole: f64,
    /// Coverage for what the line alone says of it.
    pub share: f64,
}

impl Sheet {
    /// Coverage of a colour so far along the line.
    fn covered(&self, q: f64) -> f64 {
        self.share * (q.max(0.0) / self.whole).min(1.0)
    }

    /// Coverage wherever `means` are.
    pub fn coverage(
        &self,
        sensed: &Sensed,
        means: &Raster<[f32; 7]>,
        account: &Account,
    ) -> Result<Matte, OverBudget> {
        let mut inside = Matte::filled(means.rect(), 1.0, account)?;
        let mut strange = Raster::filled(means.rect(), 0u8, account)?;
        let mut count = 0.0f64;
        for (i, m) in means.data().iter().enumerate() {
            if m[0] > 0.0 {
                let d = off(m);
                let q = dot(d, self.line);
                let solid = leaves(dot(d, d) - q.max(0.0) * q.max(0.0), &d, self.end);
                let own = self.covered(q);
                inside.data_mut()[i] = ((own + (1.0 - own) * solid) as f32).clamp(LEAST, 1.0);
                strange.data_mut()[i] = u8::from(solid >= 1.0);
                count += 1.0;
            }
        }
        if strange.data().iter().any(|&s| s != 0) {
            self.bridge_gleams(sensed, means, &strange, count.sqrt(), &mut inside, account)?;
        }
        Ok(inside)
    }

    /// On its way from the piece's colour to a gleam light passes the backdrop's own tone, and would be a hole all
    /// round the gleam: near what is `strange` a share of white over the piece is solved for as well. `size` is the
    /// root of the piece's area.
    fn bridge_gleams(
        &self,
        sensed: &Sensed,
        means: &Raster<[f32; 7]>,
        strange: &Raster<u8>,
        size: f64,
        inside: &mut Matte,
        account: &Account,
    ) -> Result<(), OverBudget> {
        let reach = (AROUND * size).max(2.0 * SLOW);
        let nearest = distance::nearest(strange, account)?;
        let width = strange.width();
        for (i, m) in means.data().iter().enumerate() {
            let away = distance::squared(width, i, nearest.data()[i]) as f64;
            if m[0] <= 0.0 || away >= reach * reach {
                continue;
            }
            let white = std::array::from_fn(|k| f64::from(sensed.ceiling) - f64::from(m[4 + k]));
            let d = off(m);
            let (q, gleam, rest) = gleaming(&d, &self.line, &white);
            let own = self.covered(q / (1.0 - gleam).max(OWN));
            let solid = leaves(rest, &d, self.end);
            let all = 1.0 - (1.0 - own) * (1.0 - gleam) * (1.0 - solid);
            // It fades into what the line alone says.
            let much = (2.0 * (1.0 - away.sqrt() / reach)).min(1.0);
            let a = &mut inside.data_mut()[i];
            *a = (*a + much as f32 * (all as f32 - *a)).clamp(LEAST, 1.0);
        }
        Ok(())
    }
}

/// How surely a difference `d` of which `rest` (squared) is left over is that of something else, 0 to 1; beside `end`,
/// how far the piece's own colours come, a small one says little.
fn leaves(rest: f64, d: &[f64; 3], end: f64) -> f64 {
    let size = dot(*d, *d).max(1e-12).sqrt();
    let off = (rest.max(0.0).sqrt() / (OFF * size) - 1.0).clamp(0.0, 1.0);
    off * (size / (SMALL * end)).min(1.0)
}

/// A difference from the backdrop as so much along `line` and such a share of the way to `white`, and what of its
/// square these leave over. White is only ever added.
fn gleaming(d: &[f64; 3], line: &[f64; 3], white: &[f64; 3]) -> (f64, f64, f64) {
    let (lw, ww) = (dot(*line, *white), dot(*white, *white));
    let (dl, dw) = (dot(*d, *line), dot(*d, *white));
    let room = ww - lw * lw;
    let gleam = if room > 1e-6 * ww {
        ((dw - lw * dl) / room).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let q = dl - gleam * lw;
    let rest: [f64; 3] = std::array::from_fn(|k| d[k] - q * line[k] - gleam * white[k]);
    (q, gleam, dot(rest, rest))
}
