//! A case as files, for programs that are not ours.

use super::made::Case;
use crate::icc;
use crate::sensor;
use crate::tiff::{STRIP, Sample, Tiff};
use std::io;
use std::path::Path;

/// Writes frame, plate, matte, colour, rod and plate_true, 16 bit, into `folder`, and what the camera did as JSON.
pub fn written(case: &Case, folder: &Path) -> io::Result<()> {
    std::fs::create_dir_all(folder)?;
    let colour = |name: &str, pixels: &[[u16; 3]]| {
        let mut file = Tiff::create(&folder.join(name), case.size, case.size, 3, Sample::U16)?;
        for strip in pixels.chunks((STRIP * case.size) as usize) {
            file.push(strip.as_flattened())?;
        }
        file.finish(&icc::profile(), None)
    };
    let gray = |name: &str, values: &[f32]| {
        let mut file = Tiff::create(&folder.join(name), case.size, case.size, 1, Sample::U16)?;
        for strip in values.chunks((STRIP * case.size) as usize) {
            let codes: Vec<u16> = strip
                .iter()
                .map(|v| (v.clamp(0.0, 1.0) * 65_535.0 + 0.5) as u16)
                .collect();
            file.push(&codes)?;
        }
        file.finish(&[], None)
    };
    let truth = &case.truth;
    let straight: Vec<[u16; 3]> = truth
        .light
        .iter()
        .zip(&truth.matte)
        .map(|(light, &a)| match a > 1.0 / 512.0 {
            true => light.map(|l| sensor::code(l / a)),
            false => [0; 3],
        })
        .collect();
    let plate: Vec<[u16; 3]> = truth.plate.iter().map(|p| p.map(sensor::code)).collect();
    colour("frame.tif", &case.frame)?;
    colour("plate.tif", &case.plate)?;
    colour("colour.tif", &straight)?;
    colour("plate_true.tif", &plate)?;
    gray("matte.tif", &truth.matte)?;
    gray("rod.tif", &truth.rod)?;
    let [a, b] = case.to_plate;
    let facts = format!(
        "{{\"kind\": \"{}\", \"level\": \"{}\", \"seed\": {}, \"size\": {}, \"set\": \"{}\",\n \"frame_to_plate\": [{a:?}, {b:?}],\n \"gain\": {:?}}}\n",
        case.kind.name(),
        case.level.name(),
        case.seed,
        case.size,
        case.cloth.name(),
        case.camera.gain,
    );
    std::fs::write(folder.join("case.json"), facts)
}
