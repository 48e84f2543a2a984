//! The one resample of a placed element, pixel by pixel, for any map.

use super::Kernel;
use super::reach::{HORIZON, VANISHING, widening};
use super::sample::Sample;
use super::separable;
use super::taps::{Run, Taps};
use crate::budget::{Account, OverBudget};
use crate::geom::{Map, Rect};
use crate::raster::{Light, Matte, Picture, Raster};
use rayon::prelude::*;

/// The canvas pixels `out` of an element. `window` holds the frame pixels under [`super::footprint`]; what it does
/// not hold is transparent. Premultiplied colour and alpha are resampled together; then an alpha above 1 divides
/// the pixel and an alpha of 0 or less clears it.
///
/// `canvas_to_frame` takes pixel coordinates (centres at .5) to pixel coordinates. Under perspective, what stands
/// behind the horizon, or so near it that more than 256 frame pixels meet in one, is transparent.
pub fn resampled(
    window: &Picture,
    canvas_to_frame: &Map,
    out: Rect,
    kernel: Kernel,
    account: &Account,
) -> Result<Picture, OverBudget> {
    resample(window, canvas_to_frame, out, kernel, account)
}

/// [`resampled`] for coverage: 0 outside the window, clamped to 0..1 afterwards.
pub fn resampled_matte(
    window: &Matte,
    canvas_to_frame: &Map,
    out: Rect,
    kernel: Kernel,
    account: &Account,
) -> Result<Matte, OverBudget> {
    resample(window, canvas_to_frame, out, kernel, account)
}

/// [`resampled`] for light without alpha: nothing outside the window, never clamped.
pub fn resampled_light(
    window: &Light,
    canvas_to_frame: &Map,
    out: Rect,
    kernel: Kernel,
    account: &Account,
) -> Result<Light, OverBudget> {
    resample(window, canvas_to_frame, out, kernel, account)
}

fn resample<P: Sample>(
    window: &Raster<P>,
    canvas_to_frame: &Map,
    out: Rect,
    kernel: Kernel,
    account: &Account,
) -> Result<Raster<P>, OverBudget> {
    let mut result = Raster::filled(out, P::ZERO, account)?;
    if out.is_empty() || window.rect().is_empty() {
        return Ok(result);
    }
    match separable::axes(canvas_to_frame) {
        Some(axes) => separable::fill(window, canvas_to_frame, axes, kernel, &mut result, account)?,
        None => fill(window, canvas_to_frame, kernel, &mut result, account)?,
    }
    Ok(result)
}

/// Every pixel by itself: the meaning of a resample, and what [`separable::fill`] must equal bit for bit.
pub(super) fn fill<P: Sample>(
    window: &Raster<P>,
    canvas_to_frame: &Map,
    kernel: Kernel,
    result: &mut Raster<P>,
    account: &Account,
) -> Result<(), OverBudget> {
    let (frame, out) = (window.rect(), result.rect());
    let reserve = u64::from(frame.width()) + u64::from(frame.height());
    let _charge = account.charge(reserve * Taps::BYTES_A_TAP, "kernel taps")?;
    let sight = Sight::new(canvas_to_frame);
    let width = result.width().max(1);
    result
        .data_mut()
        .par_chunks_mut(width)
        .zip(out.y0..out.y1)
        .for_each_init(
            || (Taps::default(), Taps::default()),
            |(across, down), (line, y)| {
                for (x, pixel) in (out.x0..out.x1).zip(line) {
                    let Some((centre, scale)) = sight.of_pixel(x, y) else {
                        continue;
                    };
                    if !across.aim(kernel, centre[0], scale[0], frame.x0, frame.x1)
                        || !down.aim(kernel, centre[1], scale[1], frame.y0, frame.y1)
                    {
                        continue;
                    }
                    let mut sum = P::ZERO;
                    let rows = down.run();
                    for (row, weight) in (rows.first..).zip(rows.weights) {
                        sum = sum.plus(*weight, line_sum(window, row, across.run()));
                    }
                    *pixel = sum.settled();
                }
            },
        );
    Ok(())
}

/// The weighed sum of one source row, ascending.
#[inline]
pub(super) fn line_sum<P: Sample>(window: &Raster<P>, row: i32, across: Run) -> P {
    if across.weights.is_empty() {
        return P::ZERO;
    }
    let span = window.span(row, across.first, across.end());
    let mut sum = P::ZERO;
    for (pixel, weight) in span.iter().zip(across.weights) {
        sum = sum.plus(*weight, *pixel);
    }
    sum
}

/// Where canvas pixels look in the frame, and how wide the kernel is there.
pub(super) struct Sight<'a> {
    map: &'a Map,
    /// The widening, where it is the same everywhere.
    constant: Option<[f64; 2]>,
}

impl<'a> Sight<'a> {
    pub(super) fn new(map: &'a Map) -> Sight<'a> {
        let constant = map.is_affine().then(|| widening(map.derivative(0.0, 0.0)));
        Sight { map, constant }
    }

    /// Frame coordinates and widening of a canvas pixel's centre; `None` where the frame can't be seen.
    #[inline]
    pub(super) fn of_pixel(&self, x: i32, y: i32) -> Option<([f64; 2], [f64; 2])> {
        let (x, y) = (f64::from(x) + 0.5, f64::from(y) + 0.5);
        let (scale, limit) = match self.constant {
            Some(scale) => (scale, VANISHING),
            None => {
                let [a, b, c] = self.map.0[2];
                let in_front = a * x + b * y + c > 0.0;
                if !in_front {
                    return None;
                }
                (widening(self.map.derivative(x, y)), HORIZON)
            }
        };
        let (u, v) = self.map.apply(x, y);
        let seen = u.is_finite() && v.is_finite() && scale[0] <= limit && scale[1] <= limit;
        seen.then_some(([u, v], scale))
    }
}
