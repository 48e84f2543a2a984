//! The files of one cut-out, all on the plate's pixel grid: matte, colour, shadow, both in one, a sheet to check, facts.
//!
//! Promise: everything is carried once, samples are copied where the camera stood still; all files of a piece are
//! whole before the first one is put in place; no input is written over. Numbers: coverage c is floor(65535 c + 1/2)
//! without a curve, a ratio s is floor(32768 s + 1/2), colour is straight in the plate's profile.

mod carry;
mod contour;
mod facts;
mod members;
mod notice;
mod parts;
mod sheet;
mod sink;
#[cfg(test)]
mod tests;
mod tiles;

pub use facts::Facts;
pub use members::{MemberFiles, of_members};

use super::{Identity, OutputFolder, Pending};
use crate::budget::{Account, OverBudget};
use crate::color::{Named, Profile, Space};
use crate::diag::Finding;
use crate::frame::write::{TILE, Words, WriteFault};
use crate::geom::{Map, Rect};
use crate::key::LightField;
use crate::plan::Shot;
use crate::raster::{Light, Matte};
use crate::settle::out_of_memory;
use carry::Carried;
use rayon::prelude::*;
use std::path::PathBuf;

/// A piece and what it was cut out of. Matte and colour lie on the frame's grid.
#[derive(Clone, Copy, Debug)]
pub struct Piece<'a> {
    /// Coverage; zero outside its rectangle.
    pub matte: &'a Matte,
    /// Straight, balanced, in the working space.
    pub colour: &'a Light,
    /// Light on the set as a ratio to the plate: all that the frame shows beside the piece. `None` where the mask
    /// is not cut out of a plate; then there is no shadow file.
    pub light: Option<&'a LightField>,
    pub frame: &'a Shot,
    /// What the frame's light is multiplied by.
    pub gains: [f64; 3],
    /// Frame to plate.
    pub carry: Map,
    /// The plate, its first file; `None` in a scene without one, where the frame's own grid is used.
    pub plate: Option<&'a Shot>,
    pub space: &'a Space,
    pub facts: &'a Facts<'a>,
}

/// Where the files go and what must not be written over.
#[derive(Clone, Copy, Debug)]
pub struct Place<'a> {
    pub folder: &'a OutputFolder,
    /// Folders below it with `/` between and behind, or nothing.
    pub prefix: &'a str,
    pub inputs: &'a [PathBuf],
    pub words: &'a Words,
}

/// A file of a piece now in place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Made {
    /// Relative to the output folder.
    pub file: String,
    /// In pixels; `None` for the facts.
    pub size: Option<(u32, u32)>,
}

/// What went wrong while a file was written.
enum Fault {
    Memory(OverBudget),
    Write(WriteFault),
    /// A frame or plate that can't be read.
    Told(Box<Finding>),
}

impl From<OverBudget> for Fault {
    fn from(fault: OverBudget) -> Fault {
        Fault::Memory(fault)
    }
}

impl From<WriteFault> for Fault {
    fn from(fault: WriteFault) -> Fault {
        Fault::Write(fault)
    }
}

impl Piece<'_> {
    /// The pixels all files have.
    fn grid(&self) -> Rect {
        self.plate.unwrap_or(self.frame).rect()
    }

    /// The profile colour is written in: the plate's; sRGB where that is gray, since colour has three channels.
    fn profile(&self) -> Profile {
        let own = &self.plate.unwrap_or(self.frame).profile;
        match own.is_gray() {
            true => Profile::named(Named::Srgb),
            false => own.clone(),
        }
    }
}

/// Writes every file of a piece; nothing is put in place unless all are whole.
pub fn written(piece: &Piece, place: &Place, account: &Account) -> Result<Vec<Made>, Finding> {
    let names = names(piece);
    for name in &names {
        free(place, name)?;
    }
    let carried = Carried::new(piece, account).map_err(|f| out_of_memory(&f))?;
    let one = |name: &String| -> Result<(Pending, Made), Finding> {
        let file = format!("{}{name}", place.prefix);
        let pending = place
            .folder
            .create(&file)
            .map_err(|fault| unwritable(&file, &fault.to_string()))?;
        let (mut pending, size) = filled(name, pending, piece, &carried, place, account)
            .map_err(|fault| told(&file, fault))?;
        // A disk that is full shows itself here, while every previous file still stands.
        pending
            .settled()
            .map_err(|fault| unwritable(&file, &fault.to_string()))?;
        Ok((pending, Made { file, size }))
    };
    let ready: Vec<Result<(Pending, Made), Finding>> = match roomy(piece, &names, account) {
        true => names.par_iter().map(one).collect(),
        false => {
            let mut ready = Vec::new();
            for name in &names {
                ready.push(Ok(one(name)?));
            }
            ready
        }
    };
    let ready = ready.into_iter().collect::<Result<Vec<_>, Finding>>()?;
    let mut made = Vec::new();
    for (pending, file) in ready {
        pending
            .commit()
            .map_err(|fault| unwritable(&file.file, &fault.to_string()))?;
        made.push(file);
    }
    Ok(made)
}

/// Whether memory allows for all files at once: a row of tiles of each, its codes and what they are made of, and the
/// bands of the pictures.
fn roomy(piece: &Piece, names: &[String], account: &Account) -> bool {
    let row = u64::from(piece.grid().width()) * u64::from(TILE) * ROOM;
    let sheets = 48 << 20;
    account
        .charge(row * names.len() as u64 + sheets, "files side by side")
        .is_ok()
}

/// Bytes a pixel of what is being written, at most.
const ROOM: u64 = 96;

const MATTE: &str = "matte.tif";
const COLOUR: &str = "colour.tif";
const SHADOW: &str = "shadow.tif";
const CUTOUT: &str = "cutout.tif";
const CHECK: &str = "check.png";
const FACTS: &str = "cutout.json";

fn names(piece: &Piece) -> Vec<String> {
    let mut names: Vec<String> = [MATTE, COLOUR].map(str::to_owned).to_vec();
    if piece.light.is_some() {
        names.push(SHADOW.to_owned());
    }
    names.extend([CUTOUT, CHECK].map(str::to_owned));
    names.extend((1..=notice::places(piece.facts).len()).map(notice::name));
    names.push(FACTS.to_owned());
    names
}

fn filled(
    name: &str,
    pending: Pending,
    piece: &Piece,
    carried: &Carried,
    place: &Place,
    account: &Account,
) -> Result<(Pending, Option<(u32, u32)>), Fault> {
    let grid = (piece.grid().width(), piece.grid().height());
    let kind = match name {
        MATTE => tiles::Kind::Matte,
        COLOUR => tiles::Kind::Colour,
        SHADOW => tiles::Kind::Shadow,
        CUTOUT => tiles::Kind::Cutout,
        CHECK => {
            let (pending, size) = sheet::written(pending, piece, carried, place.words, account)?;
            return Ok((pending, Some(size)));
        }
        FACTS => {
            let pending = facts::written(pending, piece, carried, account)?;
            return Ok((pending, None));
        }
        notice => {
            let number = notice::number(notice);
            let (pending, size) = notice::written(pending, piece, number, place.words, account)?;
            return Ok((pending, Some(size)));
        }
    };
    let pending = tiles::written(pending, kind, piece, carried, place.words, account)?;
    Ok((pending, Some(grid)))
}

/// Refuses a name that is one of the files read.
fn free(place: &Place, name: &str) -> Result<(), Finding> {
    let file = format!("{}{name}", place.prefix);
    let identity = match place.folder.identity(&file) {
        Ok(Some(identity)) => identity,
        Ok(None) => return Ok(()),
        Err(fault) => return Err(unwritable(&file, &fault.to_string())),
    };
    let same = |path: &&PathBuf| Identity::of(path).is_ok_and(|input| input == identity);
    match place.inputs.iter().find(same) {
        None => Ok(()),
        Some(input) => Err(Finding::stop(
            "output-is-input",
            format!("{file} is also read ({})", input.display()),
        )
        .remedy("let the files go into a folder of their own")),
    }
}

fn told(file: &str, fault: Fault) -> Finding {
    match fault {
        Fault::Memory(fault) => out_of_memory(&fault),
        Fault::Told(finding) => *finding,
        Fault::Write(WriteFault::Io(fault)) => unwritable(file, &fault.to_string()),
        Fault::Write(fault) => Finding::stop(
            "output-unsuitable",
            format!("{file} can't be written: {fault}"),
        ),
    }
}

fn unwritable(file: &str, fault: &str) -> Finding {
    Finding::stop(
        "output-unwritable",
        format!("{file} can't be written: {fault}"),
    )
}
