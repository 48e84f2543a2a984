//! The four TIFFs of a piece, tile by tile.

use super::carry::Carried;
use super::{Fault, Piece};
use crate::budget::{Account, OverBudget};
use crate::color::{Encoding, Profile};
use crate::deliver::Pending;
use crate::frame::write::{Channels, Codes, Compression, Depth, Image, TILE, TiffWriter, Words};
use crate::geom::Rect;
use rayon::prelude::*;

/// Which file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Matte,
    Colour,
    Shadow,
    Cutout,
}

impl Kind {
    fn channels(self) -> Channels {
        match self {
            Kind::Matte => Channels::Gray,
            Kind::Colour | Kind::Shadow => Channels::Rgb,
            Kind::Cutout => Channels::RgbAlpha,
        }
    }

    /// What the file says of its samples. A ratio is no colour: no profile would be true of it.
    fn icc(self, piece: &Piece) -> Vec<u8> {
        match self {
            Kind::Matte => Profile::linear_gray().bytes().to_vec(),
            Kind::Colour | Kind::Cutout => piece.profile().bytes().to_vec(),
            Kind::Shadow => Vec::new(),
        }
    }

    fn title(self, words: &Words) -> Option<String> {
        match self {
            Kind::Matte => Some("Coverage, linear".to_owned()),
            Kind::Colour => Some("Straight colour, carried on beyond the edge".to_owned()),
            Kind::Shadow => Some("Light as a ratio to the plate, 32768 = 1".to_owned()),
            Kind::Cutout => words.title.clone(),
        }
    }
}

pub(super) fn written(
    pending: Pending,
    kind: Kind,
    piece: &Piece,
    carried: &Carried,
    words: &Words,
    account: &Account,
) -> Result<Pending, Fault> {
    let grid = piece.grid();
    let image = Image {
        width: grid.width(),
        height: grid.height(),
        channels: kind.channels(),
        depth: Depth::U16,
        compression: Compression::Deflate,
        icc: kind.icc(piece),
        ppi: 300.0,
        words: Words {
            title: kind.title(words),
            ..words.clone()
        },
    };
    let encoding = Encoding::new(piece.space, &piece.profile());
    let mut writer = TiffWriter::new(pending, image.clone())?;
    let tiles = image.tile_rects();
    let across = grid.width().div_ceil(TILE) as usize;
    for (row, tiles) in tiles.chunks(across.max(1)).enumerate() {
        // Codes and packed bytes of a row of tiles.
        let row_bytes = u64::from(grid.width()) * u64::from(TILE) * 4 * 4;
        let _room = account.charge(row_bytes, "tiles of a cut-out")?;
        let packed: Vec<Result<Vec<u8>, OverBudget>> = tiles
            .par_iter()
            .enumerate()
            .map(|(k, tile)| {
                let codes = codes(kind, *tile, piece, carried, &encoding, account)?;
                Ok(image.encoded_tile(Codes::U16(&codes), row * across + k))
            })
            .collect();
        for tile in packed {
            writer.push(&tile?)?;
        }
    }
    Ok(writer.finish()?)
}

fn codes(
    kind: Kind,
    tile: Rect,
    piece: &Piece,
    carried: &Carried,
    encoding: &Encoding,
    account: &Account,
) -> Result<Vec<u16>, OverBudget> {
    let mut codes = Vec::with_capacity(tile.area() as usize * kind.channels().count());
    match kind {
        Kind::Matte => {
            let picture = carried.piece(tile, account)?;
            codes.extend(picture.data().iter().map(|pixel| unit(pixel.alpha())));
        }
        Kind::Colour => {
            let picture = carried.colour(tile, account)?;
            for pixel in picture.data() {
                // Where most of what was gathered is unknown, so is this.
                match pixel.alpha() >= 0.5 {
                    true => codes.extend(encoding.u16(straight(pixel.0))),
                    false => codes.extend([0; 3]),
                }
            }
        }
        Kind::Shadow => {
            let code = |s: f32| (s * 32_768.0 + 0.5) as u16;
            match piece.light {
                Some(light) => carried.ratios(light, tile, |ratio| codes.extend(ratio.map(code))),
                None => codes.resize(tile.area() as usize * 3, code(1.0)),
            }
        }
        Kind::Cutout => {
            let picture = carried.piece(tile, account)?;
            for pixel in picture.data() {
                match pixel.alpha() > 0.0 {
                    true => codes.extend(encoding.u16(straight(pixel.0))),
                    false => codes.extend([0; 3]),
                }
                codes.push(unit(pixel.alpha()));
            }
        }
    }
    Ok(codes)
}

fn straight([r, g, b, a]: [f32; 4]) -> [f32; 3] {
    if a == 1.0 {
        return [r, g, b];
    }
    [r / a, g / a, b / a]
}

fn unit(coverage: f32) -> u16 {
    (coverage * 65_535.0 + 0.5) as u16
}
