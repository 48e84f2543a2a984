//! See-through pieces: where the plate has texture, what of it shows through tells coverage.
//!
//! Inside a piece 1 - a is the slope of frame on backdrop, both without their slow parts, over Gaussian windows.
//! Opaque pieces show slope 0 within its standard deviation and are left alone.

use super::super::tools::push_pull;
use super::band::Band;
use super::evened;
use super::laid;
use super::measure::{Data, Sensed};
use super::slope::{self, bare_slope, slopes};
use super::solve;
use super::tinted::{self, Look};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::{Light, Matte, Raster};

/// Gaussians, pixels: what is slow, and the window.
const SCALES: [(f64, f64); 2] = [(slope::FINE, 6.0), (4.0, 15.0)];
/// How far coverage departs from its mean over such a window (standard deviation).
const BLUNT: [f32; 2] = [0.02, 0.06];
/// The method's own number of standard deviations.
const OWN_SIGMA: f64 = 5.5;
/// A slope counts when beyond this many of its standard deviations and this large.
const SURE: f32 = 4.0;
const LARGE: f32 = 0.10;
/// A slope is a mean over a window: each of its pixels may count only for its share.
const WINDOWED: f32 = 100.0;
/// Weight of the bound that light sets, and of smoothness (1 / variance of coverage).
const FLOOR: f32 = 20.0;
const SMOOTH: f32 = 20.0;
const ROUNDS: usize = 2;
/// A slope above this is bare plate.
const BARE: f32 = 0.9;
/// Over a see-through piece little is left beside plate and noise: this many times the noise's variance.
const PLAIN: f32 = 6.0;
/// Less precision (1 / variance of slope) than this tells nothing.
const BLIND: f32 = 100.0;
/// Outside by more than this many pixels nothing hides the plate.
const BESIDE: f32 = 8.0;
/// Detail beyond this (squared deviations of noise) is a surface's own, and speaks so firmly for full coverage.
const SURFACE: f32 = 5.0;
const DETAILED: f32 = 8.0;
/// Over a label slopes hardly come to exactly nothing: from the second of these on it is solid, from the first on
/// nearer to it than measured.
const ALMOST: [f32; 2] = [0.80, 0.95];
/// See-through when so much of a piece shows such slopes.
const SHARE: f32 = 0.25;

/// A surface's own shading follows the plate's texture by chance over a window, and turns against it as often
/// as along it: so many pixels are two windows, and so much of what shows may be turned.
const FEWEST: u32 = 900;
const OPPOSED: f32 = 0.1;

/// What is found of a piece's inside.
#[derive(Debug)]
pub struct Inside {
    /// The piece's own coverage, 1 where opaque; `None` when it is opaque as far as can be told.
    pub coverage: Option<Matte>,
    /// It may be see-through, and the plate has too little texture to tell.
    pub doubtful: bool,
}

impl Inside {
    const OPAQUE: Inside = Inside {
        coverage: None,
        doubtful: false,
    };
}

/// What of the plate's texture shows in a piece.
#[derive(Debug)]
struct Shown {
    /// Slope and its precision (1 / variance), over all scales.
    slopes: Raster<[f32; 2]>,
    /// Pixels that surely show it, that as surely show its opposite, and where the plate has none.
    clear: u32,
    against: u32,
    blind: u32,
}

/// Slopes inside `solid`; sure from `enough` of their standard deviations on.
fn shown(
    sensed: &Sensed,
    solid: &Raster<f32>,
    enough: f32,
    account: &Account,
) -> Result<Shown, OverBudget> {
    let mut all = Raster::filled(solid.rect(), [0.0f32; 2], account)?;
    let (mut clear, mut against, mut blind) = (0u32, 0u32, 0u32);
    for (n, scale) in SCALES.into_iter().enumerate() {
        let found = slopes(sensed, solid, scale, account)?;
        for (i, (sum, f)) in all.data_mut().iter_mut().zip(found.data()).enumerate() {
            let firm = f[1] / (1.0 + f[1] * BLUNT[n] * BLUNT[n]);
            sum[0] += f[0] * firm;
            sum[1] += firm;
            // A mean of bare plate and piece leaves the piece's own texture over; and bare plate is a hole.
            let sure = f[0].abs() * f[1].sqrt() > enough && f[2] < PLAIN;
            if n == 0 && solid.data()[i] > 0.0 {
                clear += u32::from(sure && f[0] > LARGE && f[0] < BARE);
                against += u32::from(sure && f[0] < -LARGE);
                blind += u32::from(f[1] < BLIND);
            }
        }
    }
    for sum in all.data_mut() {
        if sum[1] > 0.0 {
            sum[0] /= sum[1];
        }
    }
    Ok(Shown {
        slopes: all,
        clear,
        against,
        blind,
    })
}

/// 1 where the plate shows at least half as much as it does on most of the piece.
fn open(
    slopes: &Raster<[f32; 2]>,
    solid: &Raster<f32>,
    account: &Account,
) -> Result<Raster<u8>, OverBudget> {
    let told = |i: usize| {
        let [slope, precision] = slopes.data()[i];
        (solid.data()[i] > 0.0 && precision > BLIND && slope > LARGE).then_some(slope)
    };
    let mut sorted: Vec<f32> = (0..slopes.data().len()).filter_map(told).collect();
    let _charge = account.charge(sorted.len() as u64 * 4, "slopes")?;
    sorted.sort_by(f32::total_cmp);
    let half = 0.5 * sorted.get(sorted.len() / 2).copied().unwrap_or(2.0);
    let mut open = Raster::filled(slopes.rect(), 0u8, account)?;
    for (i, open) in open.data_mut().iter_mut().enumerate() {
        *open = u8::from(solid.data()[i] > 0.0 && slopes.data()[i][0] > half);
    }
    Ok(open)
}

/// What shows through the piece, on the sensed rectangle.
pub fn inner_coverage(
    sensed: &Sensed,
    band: &Band,
    sigma: Option<f64>,
    account: &Account,
) -> Result<Inside, OverBudget> {
    let rect = sensed.frame.rect();
    let mut solid = Raster::filled(rect, 0.0f32, account)?;
    let mut count = 0u32;
    for (i, s) in solid.data_mut().iter_mut().enumerate() {
        if band.first_trust(i) > 0.0 {
            *s = 1.0;
            count += 1;
        }
    }
    if count < 400 {
        return Ok(Inside::OPAQUE);
    }
    // Hair shows the plate between its strands, which is another thing: its colour says nothing.
    let hairy = band.strand_pixels() as f32 > 0.1 * count as f32;
    // Asked for more or fewer deviations, this asks for more or fewer in proportion.
    let enough = sigma.map_or(SURE, |s| SURE * (s / OWN_SIGMA) as f32);
    let Shown {
        mut slopes,
        clear,
        against,
        blind,
    } = shown(sensed, &solid, enough, account)?;
    let by_chance = clear < FEWEST || against as f32 > OPPOSED * clear as f32;
    if by_chance || (clear as f32) < SHARE * count as f32 {
        if hairy || (blind as f32) < 0.5 * count as f32 {
            return Ok(Inside::OPAQUE);
        }
        return by_colour(sensed, band, &solid, account);
    }
    let beside = beside(band, rect, account)?;
    let bare = bare_slope(sensed, &beside, SCALES[0].0, account)?;
    drop(beside);
    let laid = laid::found(sensed, &solid, &open(&slopes, &solid, account)?, account)?;
    if let Some(cover) = &laid {
        // A window that looks over a label's rim would take its share of it.
        for (s, c) in solid.data_mut().iter_mut().zip(cover.data()) {
            if *c > 0.0 {
                *s = 0.0;
            }
        }
        slopes = shown(sensed, &solid, enough, account)?.slopes;
    }
    let mut asked = Raster::filled(rect, [0.0f32; 1], account)?;
    let mut firm = Raster::filled(rect, 0.0f32, account)?;
    for (i, s) in slopes.data().iter().enumerate() {
        if solid.data()[i] > 0.0 && s[1] > 0.0 {
            asked.data_mut()[i] = [1.0 - (s[0] / bare).clamp(0.0, 1.0)];
            firm.data_mut()[i] = s[1].min(1e4);
        }
    }
    let filled = push_pull::filled(&asked, &firm, account)?;
    let mut inner = Matte::filled(rect, 1.0, account)?;
    for (out, f) in inner.data_mut().iter_mut().zip(filled.data()) {
        *out = f[0].clamp(0.02, 1.0);
    }
    for round in 0..ROUNDS {
        refined(sensed, &solid, &asked, &firm, &mut inner, round, account)?;
    }
    for _ in 0..2 {
        evened::refined(sensed, &solid, &mut inner, |i| least(sensed, i), account)?;
    }
    // Beyond the solid part the same goes on to the edge.
    for (a, f) in asked.data_mut().iter_mut().zip(inner.data()) {
        *a = [*f];
    }
    let filled = push_pull::filled(&asked, &solid, account)?;
    for (i, out) in inner.data_mut().iter_mut().enumerate() {
        if solid.data()[i] <= 0.0 {
            *out = filled.data()[i][0].clamp(0.02, 1.0);
        }
        let over = (*out - ALMOST[0]).max(0.0) / (ALMOST[1] - ALMOST[0]);
        if over > 0.0 {
            *out = (ALMOST[0] + over * (1.0 - ALMOST[0])).min(1.0);
        }
        if let Some(cover) = &laid {
            *out = 1.0 - (1.0 - *out) * (1.0 - cover.data()[i]);
        }
        *out = out.max(least(sensed, i));
    }
    Ok(Inside {
        coverage: Some(inner),
        doubtful: false,
    })
}

/// A piece on a plate without texture.
fn by_colour(
    sensed: &Sensed,
    band: &Band,
    solid: &Raster<f32>,
    account: &Account,
) -> Result<Inside, OverBudget> {
    let beside = beside(band, solid.rect(), account)?;
    let mut inner = match tinted::judged(sensed, solid, &beside, account)? {
        Look::Solid => return Ok(Inside::OPAQUE),
        Look::Doubtful => {
            return Ok(Inside {
                doubtful: true,
                ..Inside::OPAQUE
            });
        }
        Look::Through(inner) => inner,
    };
    tinted::carried(&mut inner, solid, account)?;
    for (i, a) in inner.data_mut().iter_mut().enumerate() {
        *a = a.max(least(sensed, i));
    }
    Ok(Inside {
        coverage: Some(inner),
        doubtful: true,
    })
}

/// 1 well outside the piece.
fn beside(band: &Band, rect: Rect, account: &Account) -> Result<Raster<f32>, OverBudget> {
    let mut beside = Raster::filled(rect, 0.0f32, account)?;
    for (i, out) in beside.data_mut().iter_mut().enumerate() {
        *out = f32::from(u8::from(band.outside_by(i) > BESIDE));
    }
    Ok(beside)
}

/// One round: smooth along the premultiplied picture C - (1 - a) B', whose edges are the piece's, not the plate's.
fn refined(
    sensed: &Sensed,
    solid: &Raster<f32>,
    asked: &Raster<[f32; 1]>,
    firm: &Raster<f32>,
    inner: &mut Matte,
    round: usize,
    account: &Account,
) -> Result<(), OverBudget> {
    let rect = solid.rect();
    let mut own = Light::filled(rect, [0.0; 3], account)?;
    let mut unknown = Raster::filled(rect, 0u8, account)?;
    let mut list = Vec::new();
    for (i, out) in own.data_mut().iter_mut().enumerate() {
        let (c, b, a) = (
            sensed.frame.data()[i],
            sensed.backdrop.data()[i],
            inner.data()[i],
        );
        *out = std::array::from_fn(|k| c[k] - (1.0 - a) * b[k]);
        if solid.data()[i] > 0.0 {
            unknown.data_mut()[i] = 1;
            list.push(i as u32);
        }
    }
    // Once the plate is mostly taken off, detail that is left is a surface's own.
    let detail = (round > 0)
        .then(|| tinted::detail(sensed, &own, account))
        .transpose()?;
    let mut data = Data::silent(list.len(), account)?;
    for (n, &pixel) in list.iter().enumerate() {
        let i = pixel as usize;
        let floor = least(sensed, i);
        let (mut a, mut w) = (asked.data()[i][0], firm.data()[i] / WINDOWED);
        if detail.as_ref().is_some_and(|d| d.data()[i] > SURFACE) {
            a = (a * w + DETAILED) / (w + DETAILED);
            w += DETAILED;
        }
        if floor > a {
            (data.asked[n], data.weight[n]) = (floor, w.max(FLOOR));
        } else {
            (data.asked[n], data.weight[n]) = (a, w);
        }
    }
    let epsilon = (4.0 * sensed.floor).max(1e-6);
    let system = solve::System::over(&own, &unknown, &list, epsilon, account)?;
    system.solve(&data, SMOOTH, solve::CLOSE, inner, account)
}

/// The least coverage that keeps F within what light can be, by two standard deviations.
fn least(sensed: &Sensed, i: usize) -> f32 {
    let (c, b) = (sensed.frame.data()[i], sensed.backdrop.data()[i]);
    let v = sensed.variance(i, 0.5);
    let mut least = 0.0f32;
    for k in 0..3 {
        let room = 2.0 * v[k].sqrt();
        if b[k] > 1e-3 {
            least = least.max((b[k] - c[k] - room) / b[k]);
        }
        if sensed.ceiling - b[k] > 1e-3 {
            least = least.max((c[k] - b[k] - room) / (sensed.ceiling - b[k]));
        }
    }
    least.min(1.0)
}
