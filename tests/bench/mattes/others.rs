//! What other programs made of the same files: DIR/METHOD/CASE/matte.tif (16-bit gray, linear) and colour.tif (16-bit RGB,
//! straight colour under the profile's curve), on the plate's grid, in its exposure and white.

use crate::cases::Case;
use crate::cut::{self, Cut};
use platewright::color::srgb_decode;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use tiff::decoder::{Decoder, DecodingResult};

#[derive(Debug)]
pub struct Method {
    pub name: String,
    folder: PathBuf,
}

/// A method a folder, by name.
pub fn methods(results: Option<&Path>) -> Vec<Method> {
    let Some(results) = results else {
        return Vec::new();
    };
    let mut methods: Vec<Method> = fs::read_dir(results)
        .into_iter()
        .flatten()
        .flatten()
        .filter(|entry| entry.path().is_dir())
        .map(|entry| Method {
            name: entry.file_name().to_string_lossy().into_owned(),
            folder: entry.path(),
        })
        .collect();
    methods.sort_by(|a, b| a.name.cmp(&b.name));
    methods
}

fn codes(path: &Path) -> Option<Vec<u16>> {
    match Decoder::new(File::open(path).ok()?)
        .ok()?
        .read_image()
        .ok()?
    {
        DecodingResult::U16(codes) => Some(codes),
        _ => None,
    }
}

impl Method {
    /// `None` where there is no result for the case, or one of another size.
    pub fn cut(&self, case: &Case) -> Option<Cut> {
        let folder = self.folder.join(cut::name(case));
        let matte: Vec<f32> = codes(&folder.join("matte.tif"))?
            .into_iter()
            .map(|code| f32::from(code) / 65_535.0)
            .collect();
        let colour = codes(&folder.join("colour.tif"))?;
        if matte.len() != case.truth.matte.len() || colour.len() != 3 * matte.len() {
            return None;
        }
        let light = colour
            .chunks(3)
            .zip(&matte)
            .map(|(c, a)| [0, 1, 2].map(|k| srgb_decode(f32::from(c[k]) / 65_535.0) * a))
            .collect();
        Some(Cut::given(matte, light))
    }
}
