//! Pictures compared byte for byte with those committed. A difference leaves expected | difference | actual under
//! `target/`; `PLATEWRIGHT_BLESS=1` rewrites them, and the run fails all the same.

use crate::side_by_side;
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
    let expected = committed.join(format!("{name}.png"));
    if fs::read(&expected).is_ok_and(|bytes| bytes == actual) {
        return None;
    }
    if std::env::var_os("PLATEWRIGHT_BLESS").is_some_and(|value| value == "1") {
        fs::create_dir_all(committed).unwrap();
        fs::write(&expected, actual).unwrap();
        return Some(format!(
            "{name}.png was rewritten: look at it, then run again"
        ));
    }
    let shown = Path::new(env!("CARGO_TARGET_TMPDIR")).join("reference-differences");
    fs::create_dir_all(&shown).unwrap();
    let drawn = shown.join(format!("{name}.actual.png"));
    fs::write(&drawn, actual).unwrap();
    let shown = shown.join(format!("{name}.png"));
    let words = side_by_side::shown(&expected, &drawn, &shown);
    Some(format!(
        "{name}.png is not the one committed: {words}; see {}",
        shown.display()
    ))
}
