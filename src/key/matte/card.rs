//! Two known backdrops, one piece: coverage and colour without guessing (triangulation matting, "Blue screen
//! matting", SIGGRAPH 1996).
//!
//! a = 1 - ((C1 - C2) . (B1 - B2)) / |B1 - B2|^2, with B the plate under its frame's own smooth light, so that a
//! shadow on the set is no coverage. The colour is the least-squares one over both frames. Where the backdrops are
//! too alike to tell, coverage is whether either frame shows something else than its own plate.

use rayon::prelude::*;

use super::super::tools::linear::dot;
use super::super::{Ask, LightField, Noise, ground};
use crate::budget::{Account, OverBudget};
use crate::raster::{Light, Matte};

/// Standard deviation of coverage up to which the backdrops tell all, and from which they tell nothing.
const TELLING: (f64, f64) = (0.1, 0.5);
/// What the light may differ by from what is known of it, as a share of the backdrop. With `TELLING`: backdrops that
/// differ by half of what they are tell all, by a tenth nothing.
const UNSURE: f64 = 0.05;
/// The same in light, whatever the noise: below 1 % of full light between the backdrops doubt begins.
const LEAST: f64 = 1e-3;
/// A frame that is its plate times a factor in this range may be the plate in another light.
const RELIT: (f64, f64) = (0.8, 1.25);
/// Standard deviations of noise within which a frame is its plate; from twice that on it is something else.
const DEVIATIONS: f64 = 4.0;
/// Coverage below which there is no colour to speak of.
const FAINT: f64 = 1e-3;

/// A piece seen before two backdrops.
#[derive(Debug)]
pub struct Triangulated {
    pub matte: Matte,
    /// Straight colour; negative where the piece takes more of one colour than its coverage takes of all.
    pub colour: Light,
    /// Light on the first backdrop.
    pub light: LightField,
}

/// Coverage and colour of a piece seen before two backdrops, on the rectangle both pairs share: each is a frame with
/// its own plate. `within` and `sigma` help to tell the set's light from the piece.
pub fn triangulated(pair: [&Ask; 2], account: &Account) -> Result<Triangulated, OverBudget> {
    let (first, light) = Side::of(pair[0], account)?;
    let (second, _) = Side::of(pair[1], account)?;
    let (matte, colour) = solved(&first, &second, account)?;
    Ok(Triangulated {
        matte,
        colour,
        light,
    })
}

/// A frame before one backdrop.
struct Side<'a> {
    frame: &'a Light,
    /// The plate under the frame's light.
    backdrop: Light,
    noise: Noise,
}

impl Side<'_> {
    fn of<'a>(ask: &Ask<'a>, account: &Account) -> Result<(Side<'a>, LightField), OverBudget> {
        let (found, _) = ground::found(ask, account)?;
        let rect = ask.frame.rect();
        let mut backdrop = ask.plate.cropped(rect, account)?;
        let width = backdrop.width().max(1);
        let rows = backdrop.data_mut().par_chunks_mut(width);
        rows.enumerate().for_each(|(row, pixels)| {
            for (x, pixel) in (rect.x0..).zip(pixels) {
                let light = found.light.at(x, rect.y0 + row as i32);
                *pixel = std::array::from_fn(|k| pixel[k] * light[k]);
            }
        });
        let side = Side {
            frame: ask.frame,
            backdrop,
            noise: found.noise,
        };
        Ok((side, found.light))
    }
}

fn solved(first: &Side, second: &Side, account: &Account) -> Result<(Matte, Light), OverBudget> {
    let rect = (first.frame.rect().intersected(&first.backdrop.rect()))
        .intersected(&second.frame.rect())
        .intersected(&second.backdrop.rect());
    let mut matte = Matte::filled(rect, 0.0, account)?;
    let mut colour = Light::filled(rect, [0.0; 3], account)?;
    let width = matte.width();
    if width == 0 {
        return Ok((matte, colour));
    }
    matte
        .data_mut()
        .par_chunks_mut(width)
        .zip(colour.data_mut().par_chunks_mut(width))
        .enumerate()
        .for_each(|(row, (matte, colour))| {
            let y = rect.y0 + row as i32;
            let seen = [first, second].map(|side| {
                let spans = [side.frame, &side.backdrop];
                (
                    spans.map(|light| light.span(y, rect.x0, rect.x1)),
                    &side.noise,
                )
            });
            for (x, (a, f)) in matte.iter_mut().zip(colour).enumerate() {
                (*a, *f) =
                    pixel(seen.map(|([frame, set], noise)| Shown::of(frame[x], set[x], noise)));
            }
        });
    Ok((matte, colour))
}

/// One pixel of a frame, what would be there without the piece, and how much the two may differ by noise.
#[derive(Clone, Copy)]
struct Shown {
    seen: [f64; 3],
    set: [f64; 3],
    variance: [f64; 3],
}

impl Shown {
    fn of(seen: [f32; 3], set: [f32; 3], noise: &Noise) -> Shown {
        Shown {
            seen: seen.map(f64::from),
            set: set.map(f64::from),
            variance: std::array::from_fn(|k| f64::from(noise.variance(k, set[k], 0.0))),
        }
    }

    /// 0 where the frame is its plate in whatever light, 1 where it is something else.
    fn departs(&self) -> f64 {
        let light = dot(self.set, self.set);
        let factor = match light > 0.0 {
            true => (dot(self.seen, self.set) / light).clamp(RELIT.0, RELIT.1),
            false => 1.0,
        };
        let rest: [f64; 3] = std::array::from_fn(|k| self.seen[k] - factor * self.set[k]);
        let noise: f64 = self.variance.iter().sum::<f64>() + 3.0 * LEAST * LEAST;
        let limit = DEVIATIONS * DEVIATIONS * noise + UNSURE * UNSURE * light;
        ((dot(rest, rest) / limit).sqrt() - 1.0).clamp(0.0, 1.0)
    }
}

fn pixel([one, two]: [Shown; 2]) -> (f32, [f32; 3]) {
    let apart: [f64; 3] = std::array::from_fn(|k| one.set[k] - two.set[k]);
    let shown: [f64; 3] = std::array::from_fn(|k| one.seen[k] - two.seen[k]);
    let square = dot(apart, apart);
    // How far off the backdrops' difference may be, along itself, and what that is in coverage.
    let noise = (0..3).map(|k| apart[k] * apart[k] * (one.variance[k] + two.variance[k]));
    let light = UNSURE * UNSURE * (dot(one.set, one.set) + dot(two.set, two.set));
    let doubt = noise.sum::<f64>() + square * (light + LEAST * LEAST);
    let telling = match square > 0.0 {
        true => ((TELLING.1 - doubt.sqrt() / square) / (TELLING.1 - TELLING.0)).clamp(0.0, 1.0),
        false => 0.0,
    };
    let mut a = 0.0;
    if telling > 0.0 {
        a += telling * (1.0 - dot(shown, apart) / square).clamp(0.0, 1.0);
    }
    if telling < 1.0 {
        a += (1.0 - telling) * one.departs().max(two.departs());
    }
    let both: [f64; 3] =
        std::array::from_fn(|k| one.seen[k] + two.seen[k] - (1.0 - a) * (one.set[k] + two.set[k]));
    if !both.iter().all(|sum| sum.is_finite()) {
        return (0.0, [0.0; 3]);
    }
    if a < FAINT {
        return (a as f32, [0.0; 3]);
    }
    (a as f32, both.map(|sum| (sum / (2.0 * a)) as f32))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::Rect;

    /// Frame and backdrop, as the light found on them has them.
    fn pair(first: [[f32; 3]; 2], second: [[f32; 3]; 2]) -> (f32, [f32; 3]) {
        let noise = Noise {
            q: [1e-6; 3],
            ..Noise::default()
        };
        pixel([first, second].map(|[seen, set]| Shown::of(seen, set, &noise)))
    }

    #[test]
    fn the_worked_example_comes_back() {
        // Coverage .37 of (.6, .2, .1) over .05 grey and over (.9, .85, .8), worked by hand from C = a F + (1 - a) B.
        let (a, f) = pair(
            [[0.2535, 0.1055, 0.0685], [0.05; 3]],
            [[0.789, 0.6095, 0.541], [0.9, 0.85, 0.8]],
        );
        assert!((a - 0.37).abs() < 1e-6, "{a}");
        for (got, want) in f.into_iter().zip([0.6, 0.2, 0.1]) {
            assert!((got - want).abs() < 1e-6, "{got} {want}");
        }
    }

    #[test]
    fn tinted_glass_gives_both_frames_back() {
        // Glass that lets .9 of red and .5 of green and blue through has one coverage, so that its own red is below
        // zero; over either card the frame comes back as nearly as one coverage can.
        let (dark, pale) = ([0.04f32; 3], [0.72f32; 3]);
        let through = |set: [f32; 3]| [set[0] * 0.9, set[1] * 0.5, set[2] * 0.5];
        let (a, f) = pair([through(dark), dark], [through(pale), pale]);
        assert!((a - 0.3667).abs() < 1e-3 && f[0] > 0.1, "{a} {f:?}");
        assert!(f[1] < -0.05, "{f:?}");
        let middle = |k: usize| a * f[k] + (1.0 - a) * 0.38;
        for (k, share) in [0.9, 0.5, 0.5].into_iter().enumerate() {
            assert!((middle(k) - share * 0.38).abs() < 1e-5, "{k}");
        }
    }

    #[test]
    fn nothing_there_and_backdrops_alike() {
        let (dark, pale) = ([0.05f32; 3], [0.8f32; 3]);
        assert_eq!(pair([dark, dark], [pale, pale]).0, 0.0);
        // Backdrops alike: the frames are their plates, in a shadow too, or they are something else.
        assert_eq!(pair([pale, pale], [pale, pale]).0, 0.0);
        assert_eq!(pair([[0.7; 3], pale], [[0.68; 3], pale]).0, 0.0);
        let (a, f) = pair([pale, dark], [pale, dark]);
        assert_eq!((a, f), (1.0, [0.8; 3]));
        assert_eq!(pair([dark, pale], [pale, pale]).0, 1.0);
        let nan = [f32::NAN; 3];
        assert_eq!(pair([nan, dark], [pale, pale]).0, 0.0);
        assert_eq!(pair([nan, pale], [pale, pale]).0, 0.0);
        assert_eq!(pair([dark, nan], [pale, nan]).0, 0.0);
    }

    #[test]
    fn any_pair_of_pictures_is_borne() {
        let account = Account::unlimited();
        for rect in [Rect::EMPTY, Rect::new(3, -2, 1, 1), Rect::new(0, 0, 7, 5)] {
            for light in [0.0, 1.0, f32::NAN] {
                let picture = Light::filled(rect, [light; 3], &account).unwrap();
                let ask = Ask::of(&picture, &picture);
                let out = triangulated([&ask, &ask], &account).unwrap();
                assert_eq!(out.matte.rect(), rect);
                assert!(out.matte.data().iter().all(|a| *a == 0.0));
            }
        }
    }
}
