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
use crate::raster::{Picture, Premul};
use rayon::prelude::*;

/// Between fields and around them, px.
const GUTTER: u32 = 12;
/// Around the piece's box, px.
const MARGIN: u32 = 24;
/// The sheet: lighter than the mid-grey field, darker than the white one.
const PAPER: [u8; 3] = [176; 3];
/// Light of #767676, 18 % of white.
const MID_GREY: f32 = 0.18;
/// Pixels of the sheet drawn at a time.
const BAND: u32 = 1 << 18;
/// Where there is no piece, so much of the frame's middle is shown, px a side.
const NOTHING: u32 = 512;

#[derive(Clone, Copy, PartialEq)]
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
    let rows = (BAND / size.0.max(1)).clamp(16, 128);
    for fields in FIELDS {
        gutter(&mut sheet)?;
        for band in shown.bands(rows) {
            let bytes = u64::from(size.0) * u64::from(rows) * 3;
            let _room = account.charge(bytes, "rows of a check sheet")?;
            let seen = Seen::of(&fields, band, piece, carried, account)?;
            let lines: Vec<Vec<[u8; 3]>> = (band.y0..band.y1)
                .into_par_iter()
                .map(|y| {
                    let mut line = Vec::with_capacity(size.0 as usize);
                    for field in fields {
                        line.extend([PAPER; GUTTER as usize]);
                        seen.draw(field, y, &sheet, &mut line);
                    }
                    line.extend([PAPER; GUTTER as usize]);
                    line
                })
                .collect();
            for line in lines {
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

/// What the fields of a band are drawn from.
struct Seen {
    band: Rect,
    /// The piece; with what an outline looks at beside the band, where one is drawn.
    own: Picture,
    plate: Option<Picture>,
    frame: Option<Picture>,
}

impl Seen {
    fn of(
        fields: &[Field],
        band: Rect,
        piece: &Piece,
        carried: &Carried,
        account: &Account,
    ) -> Result<Seen, Fault> {
        let asked = |field: Field| fields.contains(&field);
        let around = match asked(Field::Outline) {
            true => band.grown(contour::WIDTH),
            false => band,
        };
        let plate = piece.plate.filter(|_| asked(Field::OverPlate));
        let plate = plate.map(|plate| light(plate, band, [1.0; 3], account));
        let frame = asked(Field::Outline).then(|| carried.frame(band, account));
        Ok(Seen {
            band,
            own: carried.piece(around, account)?,
            plate: plate.transpose().map_err(told)?,
            frame: frame.transpose().map_err(told)?,
        })
    }

    /// Appends a field's pixels of row `y`.
    fn draw(&self, field: Field, y: i32, sheet: &Sheet, line: &mut Vec<[u8; 3]>) {
        let (x0, x1) = (self.band.x0, self.band.x1);
        let own = self.own.span(y, x0, x1);
        match (field, &self.plate, &self.frame) {
            (Field::Over(ground), ..) => {
                line.extend(own.iter().map(|own| over(own, [ground; 3], sheet)));
            }
            (Field::OverPlate, Some(plate), _) => {
                let both = own.iter().zip(plate.row(y));
                line.extend(both.map(|(own, plate)| over(own, opaque(plate.0), sheet)));
            }
            (Field::OverPlate, None, _) => {
                line.extend(own.iter().map(|own| over(own, [MID_GREY; 3], sheet)));
            }
            (Field::Matte, ..) => {
                let tone = |c: f32| (c * 255.0 + 0.5) as u8;
                line.extend(own.iter().map(|p| [tone(p.alpha()); 3]));
            }
            (Field::Outline, _, frame) => {
                let wide = self.own.rect();
                let inside =
                    |x: i32, y: i32| wide.contains(x, y) && self.own.at(x, y).alpha() >= 0.5;
                line.extend(
                    (x0..x1).map(|x| match (contour::tone(x, y, &inside), frame) {
                        (Some(tone), _) => [tone; 3],
                        (None, Some(frame)) => sheet.tone(opaque(frame.at(x, y).0)),
                        (None, None) => PAPER,
                    }),
                );
            }
        }
    }
}

/// A pixel of the piece over a ground.
fn over(own: &Premul, ground: [f32; 3], sheet: &Sheet) -> [u8; 3] {
    let [r, g, b, a] = own.0;
    let [gr, gg, gb] = ground;
    let rest = 1.0 - a;
    sheet.tone([r + rest * gr, g + rest * gg, b + rest * gb])
}

/// What is transparent is shown on black.
fn opaque([r, g, b, _]: [f32; 4]) -> [f32; 3] {
    [r, g, b]
}

fn told(finding: crate::diag::Finding) -> Fault {
    Fault::Told(Box::new(finding))
}
