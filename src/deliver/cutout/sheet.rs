//! `check.png`: the piece at 100 % over black, mid-grey, white and its plate, its matte, its outline over the frame.
//!
//! Six fields of the piece's box, three in a row, on a plain grey sheet.

use super::carry::{Carried, light};
use super::sink::Sheet;
use super::{Fault, Piece, contour};
use crate::budget::Account;
use crate::deliver::Pending;
use crate::frame::write::Words;
use crate::geom::Rect;
use crate::raster::Picture;
use rayon::prelude::*;

/// Between fields and around them, px.
const GUTTER: u32 = 12;
/// Around the piece's box, px.
const MARGIN: u32 = 24;
/// The sheet: lighter than the mid-grey field, darker than the white one.
const PAPER: [u8; 3] = [176; 3];
/// Light of #767676, 18 % of white.
const MID_GREY: f32 = 0.18;
/// Rows drawn at a time.
const ROWS: u32 = 32;
/// Where there is no piece, so much of the frame's middle is shown, px a side.
const NOTHING: u32 = 512;

#[derive(Clone, Copy)]
enum Field {
    Over(f32),
    OverPlate,
    Matte,
    Outline,
}

const FIELDS: [[Field; 3]; 2] = [
    [Field::Over(0.0), Field::Over(MID_GREY), Field::Over(1.0)],
    [Field::OverPlate, Field::Matte, Field::Outline],
];

pub(super) fn written(
    pending: Pending,
    piece: &Piece,
    carried: &Carried,
    words: &Words,
    account: &Account,
) -> Result<(Pending, (u32, u32)), Fault> {
    let shown = shown(piece, carried);
    let (w, h) = (shown.width(), shown.height());
    let size = (3 * w + 4 * GUTTER, 2 * h + 3 * GUTTER);
    let mut sheet = Sheet::new(pending, size, piece.space, words)?;
    let paper = vec![PAPER; size.0 as usize];
    let gutter = |sheet: &mut Sheet| (0..GUTTER).try_for_each(|_| sheet.push(&paper));
    for fields in FIELDS {
        gutter(&mut sheet)?;
        for band in shown.bands(ROWS) {
            let bytes = u64::from(size.0) * u64::from(ROWS) * 3;
            let _room = account.charge(bytes, "rows of a check sheet")?;
            let drawn: Vec<Result<Vec<[u8; 3]>, Fault>> = fields
                .par_iter()
                .map(|field| drawn(*field, band, piece, carried, &sheet, account))
                .collect();
            let drawn = drawn.into_iter().collect::<Result<Vec<_>, Fault>>()?;
            for row in 0..band.height() as usize {
                let mut line = Vec::with_capacity(size.0 as usize);
                for field in &drawn {
                    line.extend([PAPER; GUTTER as usize]);
                    line.extend_from_slice(&field[row * w as usize..(row + 1) * w as usize]);
                }
                line.extend([PAPER; GUTTER as usize]);
                sheet.push(&line)?;
            }
        }
    }
    gutter(&mut sheet)?;
    Ok((sheet.finish()?, size))
}

/// The piece's box with its margin.
fn shown(piece: &Piece, carried: &Carried) -> Rect {
    let grid = piece.grid();
    if !carried.landing.is_empty() {
        return carried.landing.grown(MARGIN).intersected(&grid);
    }
    let side = |whole: u32| whole.min(NOTHING);
    let (w, h) = (side(grid.width()), side(grid.height()));
    Rect::new(
        grid.x0 + ((grid.width() - w) / 2) as i32,
        grid.y0 + ((grid.height() - h) / 2) as i32,
        w,
        h,
    )
}

/// A field's pixels of a band.
fn drawn(
    field: Field,
    band: Rect,
    piece: &Piece,
    carried: &Carried,
    sheet: &Sheet,
    account: &Account,
) -> Result<Vec<[u8; 3]>, Fault> {
    match field {
        Field::Over(ground) => {
            let own = carried.piece(band, account)?;
            Ok(over(&own, sheet, |_| [ground; 3]))
        }
        Field::OverPlate => {
            let own = carried.piece(band, account)?;
            let Some(plate) = piece.plate else {
                return Ok(over(&own, sheet, |_| [MID_GREY; 3]));
            };
            let plate = light(plate, band, [1.0; 3], account).map_err(told)?;
            let ground = plate.data();
            Ok(over(&own, sheet, |k| opaque(ground[k].0)))
        }
        Field::Matte => {
            let own = carried.piece(band, account)?;
            let tone = |c: f32| (c * 255.0 + 0.5).floor() as u8;
            Ok(own.data().iter().map(|p| [tone(p.alpha()); 3]).collect())
        }
        Field::Outline => {
            let wide = band.grown(contour::WIDTH);
            let own = carried.piece(wide, account)?;
            let frame = carried.frame(band, account).map_err(told)?;
            let inside = |x: i32, y: i32| wide.contains(x, y) && own.at(x, y).alpha() >= 0.5;
            let mut out = Vec::with_capacity(band.area() as usize);
            for y in band.y0..band.y1 {
                for x in band.x0..band.x1 {
                    out.push(match contour::tone(x, y, &inside) {
                        Some(tone) => [tone; 3],
                        None => sheet.tone(opaque(frame.at(x, y).0)),
                    });
                }
            }
            Ok(out)
        }
    }
}

/// The piece over a ground.
fn over(own: &Picture, sheet: &Sheet, ground: impl Fn(usize) -> [f32; 3]) -> Vec<[u8; 3]> {
    own.data()
        .iter()
        .enumerate()
        .map(|(k, pixel)| {
            let [r, g, b, a] = pixel.0;
            let [gr, gg, gb] = ground(k);
            let rest = 1.0 - a;
            sheet.tone([r + rest * gr, g + rest * gg, b + rest * gb])
        })
        .collect()
}

/// What is transparent is shown on black.
fn opaque([r, g, b, _]: [f32; 4]) -> [f32; 3] {
    [r, g, b]
}

fn told(finding: crate::diag::Finding) -> Fault {
    Fault::Told(Box::new(finding))
}
