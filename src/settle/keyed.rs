//! One piece cut out of one frame: laid onto its plate, found where it lies, cut out there.

use super::agree;
use super::fellows;
use super::lay::{self, Laid};
use super::locate;
use super::notices;
use super::plate::{PlateFile, PlateSight};
use super::sight::{self, CarriedSight, FrameSight, Held, decoded};
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::{Map, Rect};
use crate::key::{self, Ask, Cutout, LightField, Noise, Notice};
use crate::plan::{Laying, Shot};
use crate::raster::{Light, Matte, Raster, Seen};
use crate::register::{Alignment, Balance, Uneven};

/// What is asked of a cut-out.
#[derive(Clone, Copy, Debug)]
pub struct Wish<'a> {
    pub laying: Laying,
    /// How many standard deviations count as different; `None` for the method's own.
    pub sigma: Option<f64>,
    /// Nothing is kept where this is zero; outside its rectangle it is zero.
    pub within: Option<&'a Matte>,
}

/// A piece cut out, with how its frame was laid onto the plate.
#[derive(Debug)]
pub struct KeyedCut {
    /// What was estimated, where something was.
    pub alignment: Option<Alignment>,
    pub balance: Option<Balance>,
    /// Frame to plate.
    pub carry: Map,
    pub gains: [f64; 3],
    /// The part of the frame that was looked at; empty where nothing in the frame differs.
    pub region: Rect,
    /// The frame's light on that part, balanced.
    pub frame_light: Light,
    pub cutout: Cutout,
    /// Without a member or a place in the text.
    pub findings: Vec<Finding>,
}

/// The files of one plate, as they lie on the first.
#[derive(Debug)]
pub struct PlateCut<'a> {
    pub files: Vec<PlateFile<'a>>,
    /// How each file but the first lies.
    pub fellows: Vec<Laid>,
    /// Without a place in the text.
    pub findings: Vec<Finding>,
}

/// Lays the files of one plate onto the first; files that do not show the same empty set are told.
pub fn plate<'a>(shots: &[&'a Shot], account: &Account) -> Result<PlateCut<'a>, Finding> {
    let [first, others @ ..] = shots else {
        return Ok(PlateCut {
            files: Vec::new(),
            fellows: Vec::new(),
            findings: Vec::new(),
        });
    };
    let laid = others
        .iter()
        .map(|file| fellows::laid(file, first, account));
    let laid = laid.collect::<Result<Vec<Laid>, Finding>>()?;
    let files = fellows::files(shots, &laid);
    agree::agreed(&files, &laid, account).map_err(|fault| fault.finding)?;
    let findings = others.iter().zip(&laid);
    Ok(PlateCut {
        files,
        findings: findings
            .flat_map(|(file, laid)| fellows::told(file, first, laid, None))
            .collect(),
        fellows: laid,
    })
}

/// Cuts the piece out of `frame`. `plates` are the files of its plate, at least one, all of one size.
pub fn cut(
    frame: &Shot,
    plates: &[PlateFile],
    wish: Wish,
    account: &Account,
) -> Result<KeyedCut, Finding> {
    let held = match wish.laying.needs_plate() {
        true => Held::of(frame, plates, account)?,
        false => Held::default(),
    };
    let laid = lay::laid(frame, plates, wish.laying, &held, account)?;
    cut_laid(frame, plates, laid, wish, held, account)
}

/// The same for a frame whose place on the plate is known already.
pub(super) fn cut_laid(
    frame: &Shot,
    plates: &[PlateFile],
    laid: Laid,
    wish: Wish,
    held: Held,
    account: &Account,
) -> Result<KeyedCut, Finding> {
    let Held {
        frame: held_frame,
        plate: held_plate,
        carried: held_carried,
    } = held;
    let set = CarriedSight {
        plate: PlateSight {
            files: plates,
            held: held_plate.as_ref(),
            account: account.clone(),
        },
        carry: laid.carry,
        rect: frame.rect(),
        held: None,
    };
    let seen = |held| FrameSight {
        shot: frame,
        gains: laid.gains,
        held,
        account: account.clone(),
    };
    let region = locate::region(&seen(held_frame.as_ref()), &set, wish.within, account)?;
    let compared = held_carried
        .into_inner()
        .filter(|(map, light)| *map == laid.carry && light.rect().covers(&region));
    let plate = match compared {
        _ if region.is_empty() => Light::filled(region, [0.0; 3], account)?,
        Some((_, light)) => light.narrowed(region, account)?,
        None => set.light(region)?,
    };
    // The key wants the memory for itself.
    drop(held_plate);
    let frame_light = match held_frame {
        Some(light) => sight::lit(light.narrowed(region, account)?, laid.gains),
        None => seen(None).light(region)?,
    };
    let mut cutout = if region.is_empty() {
        nothing(account)?
    } else {
        key::cut_out(
            &Ask {
                frame: &frame_light,
                plate: &plate,
                plate_frames: plates.len(),
                within: wish.within,
                sigma: wish.sigma,
            },
            account,
        )?
    };
    drop(plate);
    if frame.has_alpha() {
        see_through(&mut cutout.matte, frame, account)?;
    }
    let mut balance = laid.balance;
    let mut findings = laid.findings;
    if let Some(balance) = &mut balance {
        judged(balance, &cutout.notices, frame, &mut findings);
    }
    findings.extend(cutout.notices.iter().map(|n| notices::told(n, frame)));
    Ok(KeyedCut {
        alignment: laid.alignment,
        balance,
        carry: laid.carry,
        gains: laid.gains,
        region,
        frame_light,
        cutout,
        findings,
    })
}

/// What a cut-out says of light that changed in one place, put where the comparison of whole frames, which knows no
/// piece, had its own guess; `findings` lose what they say of that.
pub(super) fn judged(
    balance: &mut Balance,
    notices: &[Notice],
    frame: &Shot,
    findings: &mut Vec<Finding>,
) {
    let mut told = None;
    let mut looked = locate::looks_at_all(frame.rect());
    for notice in notices {
        match notice {
            Notice::LightUneven { place, stops, .. } => {
                looked = true;
                told = told.or(Some(Uneven {
                    place: *place,
                    amount: libm::exp2(*stops) - 1.0,
                }));
            }
            Notice::LightOrShadow { .. } => looked = true,
            _ => {}
        }
    }
    if looked {
        balance.uneven = told;
        let shown = frame.shown();
        findings.retain(|f| f.id != "light-uneven" || f.frame.as_deref() != Some(&*shown));
    }
}

/// A frame's own alpha limits what is cut out of it.
fn see_through(matte: &mut Matte, frame: &Shot, account: &Account) -> Result<(), Finding> {
    for band in matte.rect().bands(super::coverage::ROWS) {
        let picture = decoded(frame, band, account)?;
        for y in band.y0..band.y1 {
            for (coverage, pixel) in matte.row_mut(y).iter_mut().zip(picture.row(y)) {
                *coverage *= pixel.alpha();
            }
        }
    }
    Ok(())
}

/// The cut-out of a frame in which nothing differs.
fn nothing(account: &Account) -> Result<Cutout, Finding> {
    let flat = || -> Result<LightField, Finding> {
        let cells = Raster::filled(Rect::of_size(1, 1), [1.0; 3], account)?;
        Ok(LightField { cells })
    };
    let empty = || Matte::filled(Rect::EMPTY, 0.0, account);
    Ok(Cutout {
        matte: empty()?,
        colour: Light::filled(Rect::EMPTY, [0.0; 3], account)?,
        rig: empty()?,
        crossing: empty()?,
        light: flat()?,
        shadow: flat()?,
        flags: None,
        noise: Noise::default(),
        response: None,
        notices: vec![Notice::Nothing],
    })
}
