//! The light of a hole.

use super::super::tools::surface::Surface;
use super::fit::Fitted;

/// Light of a hole: one, or rising and falling evenly where the piece's own shadow lies in it.
#[derive(Clone, Copy, Debug)]
pub struct Lit {
    /// In its middle, and a surface of second degree about it.
    terms: [f32; 6],
    /// The pixel it is the light of.
    of: (usize, usize),
}

/// Pixels that count as one in a surface.
const UNIT: f64 = 32.0;

fn powers(x: f64, y: f64) -> [f64; 6] {
    let (x, y) = (x / UNIT, y / UNIT);
    [1.0, x, y, x * x, x * y, y * y]
}

impl Lit {
    pub fn even(light: f32) -> Lit {
        Lit {
            terms: [light, 0.0, 0.0, 0.0, 0.0, 0.0],
            of: (0, 0),
        }
    }

    /// Light that rises and falls evenly through a part, known to a share from pixel to pixel.
    pub fn shaded(fitted: &Fitted, loose: f32, part: &[u32]) -> Lit {
        let place = |i: u32| (i as usize % fitted.width, i as usize / fitted.width);
        let of = place(part[part.len() / 2]);
        let mut surface = Surface::default();
        for &i in part {
            let (p, (x, y)) = (&fitted.pixels[i as usize], place(i));
            // Before black the light is not known.
            if !p.light.is_finite() {
                continue;
            }
            let weight = f64::from(1.0 / (1.0 / p.firm + loose * loose));
            let powers = powers(x as f64 - of.0 as f64, y as f64 - of.1 as f64);
            surface.add(powers, weight, f64::from(p.light));
        }
        Lit {
            terms: surface.fitted().map(|v| v as f32),
            of,
        }
    }

    /// The light of a pixel, by its index in a picture so wide.
    pub fn at(&self, i: usize, width: usize) -> f32 {
        if self.is_even() {
            return self.terms[0];
        }
        let (x, y) = (i % width, i / width);
        let powers = powers(x as f64 - self.of.0 as f64, y as f64 - self.of.1 as f64);
        let light: f32 = (self.terms.iter().zip(powers))
            .map(|(term, power)| term * power as f32)
            .sum();
        light.max(0.0)
    }

    /// In the middle.
    pub fn mean(&self) -> f32 {
        self.terms[0]
    }

    pub fn is_even(&self) -> bool {
        self.terms[1..].iter().all(|term| *term == 0.0)
    }
}
