//! Pictures compared byte for byte with those committed. A difference leaves expected | difference | actual under
//! `target/`; `PLATEWRIGHT_BLESS=1` rewrites them, and the run fails all the same.

use image::{Rgb, RgbImage};
use std::fs;
use std::path::Path;

/// Largest picture a page may show, in bytes.
const LARGEST: usize = 40_000;

/// What is wrong with the picture `name`, if anything.
pub fn fault(committed: &Path, name: &str, actual: &[u8]) -> Option<String> {
    if actual.len() > LARGEST {
        return Some(format!(
            "{name}.png has {} bytes, and a page's picture has at most {LARGEST}",
            actual.len()
        ));
    }
    let path = committed.join(format!("{name}.png"));
    let expected = fs::read(&path).ok();
    if expected.as_deref() == Some(actual) {
        return None;
    }
    if std::env::var_os("PLATEWRIGHT_BLESS").is_some_and(|value| value == "1") {
        fs::create_dir_all(committed).unwrap();
        fs::write(&path, actual).unwrap();
        return Some(format!(
            "{name}.png was rewritten: look at it, then run again"
        ));
    }
    let shown = Path::new(env!("CARGO_TARGET_TMPDIR")).join("reference-differences");
    fs::create_dir_all(&shown).unwrap();
    let shown = shown.join(format!("{name}.png"));
    side_by_side(expected.as_deref(), actual)
        .save(&shown)
        .unwrap();
    let words = match expected {
        None => "is not committed",
        Some(_) => "differs from the one committed",
    };
    Some(format!(
        "{name}.png {words}: see {} (expected | difference | actual)",
        shown.display()
    ))
}

fn side_by_side(expected: Option<&[u8]>, actual: &[u8]) -> RgbImage {
    let decoded = |bytes: &[u8]| image::load_from_memory(bytes).map(|picture| picture.to_rgb8());
    let actual = decoded(actual).expect("the program writes readable PNG");
    let expected = expected.and_then(|bytes| decoded(bytes).ok());
    let expected = expected.unwrap_or_else(|| RgbImage::new(actual.width(), actual.height()));
    let width = actual.width().max(expected.width());
    let height = actual.height().max(expected.height());
    let at = |picture: &RgbImage, x, y| {
        picture
            .get_pixel_checked(x, y)
            .copied()
            .unwrap_or(Rgb([118; 3]))
    };
    RgbImage::from_fn(width * 3, height, |x, y| {
        let (panel, x) = (x / width, x % width);
        let (left, right) = (at(&expected, x, y), at(&actual, x, y));
        match panel {
            0 => left,
            2 => right,
            // One code of difference is to be seen as well.
            _ => Rgb([0, 1, 2].map(|k| left.0[k].abs_diff(right.0[k]).saturating_mul(16))),
        }
    })
}
